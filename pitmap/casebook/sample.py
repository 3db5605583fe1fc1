"""The sample job, as an offer for an empty casebook: an invented plate from intake to its second cut."""

from __future__ import annotations

import csv
import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..estimate import Estimate
from ..units import parse_length
from . import records as r
from .store import Casebook

__all__ = ["SAMPLE_TAG", "load_sample", "sample_folder"]

SAMPLE_TAG = "SAMPLE-1"
_LAMP = "lamp_"


def sample_folder() -> Path:
    """The folder of the sample photos beside the package.

    Raises
    ------
    InputError
        It is not there: only the program was installed, without the samples.
    """
    folder = Path(__file__).resolve().parents[2] / "sample_images_synthetic"
    if not (folder / "job.toml").is_file():
        raise InputError(
            f"sample: there is no {folder / 'job.toml'}; the sample photos come with the source of pitmap, "
            "name the folder they are in"
        )
    return folder


@dataclass(frozen=True, slots=True, kw_only=True)
class _SampleSurvey:
    face: str
    stage: str
    surveyed_on: str
    removed_um: Estimate
    notes: str
    photos: tuple[tuple[str, str, bytes], ...]
    readings: tuple[dict[str, object], ...]


def load_sample(book: Casebook, folder: Path | None = None) -> tuple[r.Job, r.Plate]:
    """Put the sample job into a casebook: job, plate, faces, surveys, photos and readings.

    Nothing is mapped here; the surveys wait for it as after an upload.

    Parameters
    ----------
    book : Casebook
    folder : Path or None
        Where the sample photos are; None: beside the package.

    Returns
    -------
    (Job, Plate)

    Raises
    ------
    InputError
        The sample is in the casebook already, or its files are missing or were changed. Nothing is put in.
    """
    folder = sample_folder() if folder is None else folder
    if book.plate_by_tag(SAMPLE_TAG) is not None:
        raise InputError(f"sample: the plate {SAMPLE_TAG} is in this casebook already; search for it")
    hashes = _hashes(folder)
    told = tomllib.loads(_verified(folder, "job.toml", hashes).decode())
    readings = _readings(_verified(folder, "readings.csv", hashes).decode())
    # Everything is read and looked at before the first record is made.
    surveys = [_survey(folder, hashes, entry, readings) for entry in told["surveys"]]
    with book.together():
        return _put_in(book, told, surveys)


def _put_in(book: Casebook, told: Mapping[str, Any], surveys: list[_SampleSurvey]) -> tuple[r.Job, r.Plate]:
    job = book.create_job(
        told["job"]["number"],
        customer=told["job"]["customer"],
        engine=told["job"]["engine"],
        notes=f"Sample job of an invented workshop. History: {told['job']['history']}.",
    )
    drawings = {entry["name"]: entry["drawing"] for entry in told["faces"]}
    plate = book.create_plate(
        SAMPLE_TAG,
        position="intermediate",
        drawing=next(iter(drawings.values())),
        notes=told["job"]["plate"],
        job=job,
    )
    faces = {name: book.create_face(plate, name, drawing=drawing) for name, drawing in drawings.items()}
    for survey in surveys:
        kept = book.create_survey(
            faces[survey.face],
            job,
            survey.stage,
            survey.surveyed_on,
            removed_um=survey.removed_um,
            notes=survey.notes,
        )
        for name, role, data in survey.photos:
            book.add_photo(kept, data, name, role=role)
        book.add_readings(kept, survey.readings)
    return job, plate


def _hashes(folder: Path) -> dict[str, str]:
    try:
        lines = (folder / "hashes.txt").read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise InputError(f"sample: {folder / 'hashes.txt'} cannot be read; fetch the samples again") from None
    return {name: sha256 for sha256, _, name in (line.partition("  ") for line in lines)}


def _verified(folder: Path, name: str, hashes: Mapping[str, str]) -> bytes:
    try:
        data = (folder / name).read_bytes()
    except OSError:
        raise InputError(f"sample: {folder / name} cannot be read; fetch the samples again") from None
    if hashlib.sha256(data).hexdigest() != hashes.get(name):
        raise InputError(f"sample: {folder / name} is not the file it should be; fetch the samples again")
    return data


def _survey(
    folder: Path,
    hashes: Mapping[str, str],
    entry: Mapping[str, Any],
    readings: Mapping[tuple[str, str], list[dict[str, object]]],
) -> _SampleSurvey:
    value, sd = float(entry["removed_um"]), float(entry["removed_uncertainty_um"])
    minutes = float(entry["lap_minutes"])
    return _SampleSurvey(
        face=entry["face"],
        stage=entry["stage"],
        surveyed_on=str(entry["surveyed_on"]),
        removed_um=Estimate.from_sd(value, sd, low=0.0),
        notes=f"{minutes:g} minutes of lapping before this survey" if minutes else "",
        photos=tuple(
            (
                name,
                name.rpartition(".")[0].replace("_", " ") if name.startswith(_LAMP) else "",
                _verified(folder, f"{entry['folder']}/{name}", hashes),
            )
            for name in entry["photos"]
        ),
        readings=tuple(readings.get((entry["face"], entry["stage"]), ())),
    )


def _readings(text: str) -> dict[tuple[str, str], list[dict[str, object]]]:
    """The readings by face and stage; the sheet's own names of marks are kept in the note."""
    found: dict[tuple[str, str], list[dict[str, object]]] = {}
    for row in csv.DictReader(text.splitlines()):
        typed = f"{row['value']} {row['unit']}"
        found.setdefault((row["face"], row["stage"]), []).append(
            {
                "kind": row["kind"],
                "x_mm": float(row["x_mm"]),
                "y_mm": float(row["y_mm"]),
                "value_um": parse_length(typed, to="um"),
                "uncertainty_um": parse_length(f"{row['uncertainty']} {row['unit']}", to="um"),
                "is_lower_bound": row["lower_bound"] == "True",
                "instrument": row["instrument"],
                "note": ": ".join(part for part in (row["mark"], row["note"]) if part),
                "as_typed": typed,
            }
        )
    return found
