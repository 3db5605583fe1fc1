"""The sample job that ships with pitmap, survey by survey."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path

import pandas as pd

from .casebook import Casebook, Job, Plate
from .casebook.sample import load_sample, sample_folder
from .classes import Stage
from .depth import read_readings
from .drawing import Drawing, load_shipped
from .errors import InputError
from .estimate import Estimate
from .inspection import Inspection
from .pipeline import Progress, map_face
from .stock import LimitSheet, read_limits
from .units import UnitSystem
from .workflow import save_limits, with_readings

__all__ = ["SampleSurvey", "demo_limits", "keep_sample", "map_sample", "sample_surveys"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SampleSurvey:
    """One survey of the sample job, ready to be mapped."""

    job: Mapping[str, str]
    face: str
    stage: Stage
    surveyed_on: date
    removed_um: Estimate
    drawing: Drawing
    photos: tuple[Path, ...]
    folder: str
    readings: pd.DataFrame


def sample_surveys(folder: Path | None = None) -> list[SampleSurvey]:
    """Every survey of a sample job, in the order of work.

    Raises
    ------
    InputError
        The folder holds no sample job.
    """
    folder = folder or sample_folder()
    path = folder / "job.toml"
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
        drawings = {f["name"]: load_shipped(f["drawing"]) for f in told["faces"]}
        sheet = read_readings(folder / "readings.csv")
        found = []
        for s in told["surveys"]:
            removed, sd = float(s["removed_um"]), float(s["removed_uncertainty_um"])
            found.append(
                SampleSurvey(
                    job={k: str(v) for k, v in told["job"].items()},
                    face=s["face"],
                    stage=Stage(s["stage"]),
                    surveyed_on=date.fromisoformat(s["surveyed_on"]),
                    removed_um=Estimate.from_sd(removed, sd, low=0.0),
                    drawing=drawings[s["face"]],
                    photos=tuple(folder / s["folder"] / name for name in s["photos"]),
                    folder=s["folder"],
                    readings=sheet.of(s["stage"], s["face"]),
                )
            )
    except (OSError, KeyError, ValueError, TypeError, AttributeError) as error:
        raise InputError(
            f"{path}: is not a sample job ({error}); give the folder that holds job.toml"
        ) from error
    return sorted(found, key=lambda s: (s.face, s.stage.order))


def demo_limits() -> LimitSheet:
    """The invented limits of the sample's invented engine."""
    return read_limits(Path(str(files("pitmap.stock") / "demo_limits.toml")))


def keep_sample(book: Casebook) -> tuple[Job, Plate]:
    """Put the sample job into a casebook with the demo's limits for each face, all or nothing of it.

    Raises
    ------
    InputError
        As :func:`pitmap.casebook.sample.load_sample`.
    """
    with book.together():
        job, plate = load_sample(book)
        for face in book.faces(plate):
            save_limits(book, plate, face, demo_limits())
    return job, plate


def map_sample(
    survey: SampleSurvey, *, progress: Progress | None = None, system: UnitSystem = "mm"
) -> Inspection:
    """Map one survey and tie its readings to the marks."""
    inspection = map_face(
        survey.photos,
        survey.drawing,
        stage=survey.stage,
        face=f"face {survey.face}",
        surveyed_on=survey.surveyed_on,
        removed_um=survey.removed_um,
        progress=progress,
        system=system,
    )
    return with_readings(inspection, survey.readings)
