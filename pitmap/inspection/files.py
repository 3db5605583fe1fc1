"""An inspection's folder on disk."""

from __future__ import annotations

import glob
import hashlib
import json
import math
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import CLASS_WORDS, Stage
from ..csv_rows import table_csv
from ..depth import READINGS
from ..depth.survey import unseen_shares
from ..errors import InputError
from ..estimate import Estimate
from ..grid import Grid
from ..measure import LANDS, MARKS, RATINGS, ZONES, Measurement, ZoneMeasure, marks_counted
from ..registration import Alignment
from ..surface import ClassMap
from ..tables import Schema
from ..whole_file import sync_folder, write_flushed
from .record import HandEdit, Inspection, PhotoSource

__all__ = [
    "FILE_VERSION",
    "changed_tables",
    "inspection_folders",
    "kept_confidence",
    "load_inspection",
    "must_be_same_survey",
    "must_take_inspection",
    "plain_values",
    "save_inspection",
]


FILE_VERSION = 1

_JSON, _CODES, _CONFIDENCE, _PICTURE = "inspection.json", "classes.png", "confidence.png", "face.jpg"
_DOUBT = "doubt.png"
"""Not in the first inspections."""

_OVERLAY = "overlay.jpg"

_TABLES: dict[str, Schema] = {"marks": MARKS, "zones": ZONES, "lands": LANDS, "ratings": RATINGS}

_FILES = {
    _JSON,
    _CODES,
    _CONFIDENCE,
    _DOUBT,
    _PICTURE,
    _OVERLAY,
    *(f"{name}.csv" for name in (*_TABLES, "readings")),
}
"""Whatever a save writes; a folder is replaced only when it holds nothing else."""


def _estimate_to_json(e: Estimate) -> dict[str, Any]:
    # JSON has no NaN or infinity; null for "none" and a word for "no bound" keep the file valid everywhere.
    def plain(x: float) -> float | str | None:
        return None if math.isnan(x) else ("inf" if x > 0 else "-inf") if math.isinf(x) else x

    return {
        "value": plain(e.value),
        "low": plain(e.low),
        "high": plain(e.high),
        "level": e.level,
        "reason": e.reason,
    }


def _estimate_from_json(d: Mapping[str, Any]) -> Estimate:
    def number(x: Any) -> float:
        return math.nan if x is None else float(x)

    return Estimate(
        value=number(d["value"]),
        low=number(d["low"]),
        high=number(d["high"]),
        level=d["level"],
        reason=d["reason"],
    )


def plain_values(value: Any) -> Any:
    """NumPy scalars, tuples and NaN as JSON knows them."""
    if isinstance(value, dict):
        return {str(k): plain_values(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_values(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain_values(value.tolist())
    if isinstance(value, np.generic):
        return plain_values(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        # JSON has neither; null is "none", and the word comes back through float().
        return None if math.isnan(value) else str(value)
    return value


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [plain_values(row) for row in table.to_dict("records")]


def inspection_to_dict(inspection: Inspection) -> dict[str, Any]:
    """The inspection as plain values: alignment, figures, settings, versions, photo hashes; no rasters."""
    grid = inspection.class_map.grid
    return {
        "pitmap_inspection": FILE_VERSION,
        "face": inspection.face,
        "stage": inspection.stage.name,
        "surveyed_on": inspection.surveyed_on.isoformat() if inspection.surveyed_on else None,
        "removed_um": _estimate_to_json(inspection.removed_um),
        "drawing": inspection.drawing_name,
        "drawing_fingerprint": inspection.drawing_fingerprint,
        "drawing_thickness_mm": plain_values(inspection.drawing_thickness_mm),
        "photos": [plain_values(asdict(p)) for p in inspection.photos],
        "alignment": plain_values(inspection.alignment.to_dict()),
        "alignment_error_mm": inspection.alignment_error_mm,
        "raster": {
            "file": _CODES,
            "codes": {int(c): w for c, w in CLASS_WORDS.items()},
            "method": inspection.class_map.method,
            "dark_mm2": inspection.class_map.dark_mm2,
            **asdict(grid),  # type: ignore[arg-type]
        },
        "picture": {"file": _PICTURE, **asdict(inspection.picture_grid)},
        **{name: _records(getattr(inspection.measurement, name)) for name in _TABLES},
        "readings": _records(inspection.readings),
        "sound_width_mm": _estimate_to_json(inspection.measurement.sound_width_mm),
        "bright_sound_width_mm": _estimate_to_json(inspection.measurement.bright_sound_width_mm),
        "land_paths_mm": [plain_values(np.round(p, 3)) for p in inspection.measurement.land_paths],
        "zone_measures": [plain_values(asdict(m)) for m in inspection.measurement.zone_measures],
        "photo_px_per_mm": inspection.photo_px_per_mm,
        "notes": list(inspection.notes),
        "settings": plain_values(dict(inspection.settings)),
        "versions": dict(inspection.versions),
        "hand_edits": [{**asdict(e), "made_at": e.made_at.isoformat()} for e in inspection.edits],
    }


def kept_confidence(confidence: NDArray[np.float32]) -> NDArray[np.float32]:
    """A confidence (0 to 1) as an inspection keeps it, in steps of 1/255: what is measured is measured on this."""
    return _from_bytes(_as_bytes(confidence))


def _as_bytes(confidence: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.round(255 * np.clip(confidence, 0, 1)).astype(np.uint8)


def _from_bytes(kept: NDArray[np.uint8]) -> NDArray[np.float32]:
    return kept.astype(np.float32) / np.float32(255)


def _encoded(name: str, picture: NDArray[Any], args: list[int] | None = None) -> bytes:
    ok, data = cv2.imencode(Path(name).suffix, picture, args or [])
    if not ok:
        raise InputError(f"{name}: the picture could not be encoded")
    return data.tobytes()


def _pictures(inspection: Inspection) -> dict[str, bytes]:
    """What is read back beside the JSON, by name."""
    class_map = inspection.class_map
    bgr = cv2.cvtColor(np.ascontiguousarray(inspection.picture), cv2.COLOR_RGB2BGR)
    pictures = {
        _CODES: _encoded(_CODES, class_map.codes),
        _CONFIDENCE: _encoded(_CONFIDENCE, _as_bytes(class_map.confidence)),
        _PICTURE: _encoded(_PICTURE, bgr, [cv2.IMWRITE_JPEG_QUALITY, 92]),
    }
    if class_map.break_chance is not None:
        pictures[_DOUBT] = _encoded(_DOUBT, class_map.break_chance)
    return pictures


def _aside(folder: Path) -> Path:
    """Where a folder lies while it is replaced."""
    return folder.with_name(f".{folder.name}.old")


_LEFT_FOR_S = 3600.0
"""A save takes seconds: what one has not put in its place for so long was cut off."""


def _take_away_leftovers(place: Path) -> None:
    """Delete what saves of this folder left beside it that were killed, or whose power went."""
    for left in place.parent.glob(f".{glob.escape(place.name)}-????????"):
        try:
            made = left.stat()
            # as it was made by mkdtemp and never opened to others, with nothing in it that a save does not write
            if (
                left.is_dir()
                and not left.is_symlink()
                and stat.S_IMODE(made.st_mode) == 0o700
                and time.time() - made.st_mtime > _LEFT_FOR_S
                and {p.name for p in left.iterdir()} <= _FILES
            ):
                shutil.rmtree(left, ignore_errors=True)
        except OSError:
            continue  # of somebody else, or gone meanwhile: no reason to keep an inspection from being saved


def _standing(folder: Path) -> Path:
    """The folder, or what a save that was cut off between its two renames left of it aside."""
    if folder.exists():  # asked first: "." and "/" have no name for another to lie beside
        return folder
    aside = _aside(folder)
    return aside if (aside / _JSON).exists() else folder


def inspection_folders(folder: Path) -> list[Path]:
    """The inspections in a folder, sorted by name.

    One that cannot be read is among them: left out, whatever is made of the surveys would be made without it.
    """
    marked = (p.parent for name in (_JSON, _CODES) for p in folder.glob(f"[!.]*/{name}"))
    cut_off = (p.parent for p in folder.glob(f".*.old/{_JSON}"))
    return sorted({*marked, *(p.with_name(p.name[1 : -len(".old")]) for p in cut_off)})


def must_take_inspection(folder: Path, photos: Iterable[Path] = ()) -> None:
    """Refuse a folder that an inspection cannot become, before the work that would end there.

    Parameters
    ----------
    folder : Path
    photos : iterable of Path
        What is to be mapped, which must not lie in the folder.

    Raises
    ------
    InputError
        It holds a photo or anything else that an inspection does not, is a file, or is the folder that the program
        runs in.
    """
    if Path.cwd().is_relative_to(folder.resolve()):
        raise InputError(f"{folder}: is the folder you are in, which cannot be replaced; name one inside it")
    try:
        if not folder.exists():
            return
        inside = {p.name for p in folder.iterdir()} if folder.is_dir() else {folder.name}
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be looked into ({error.strerror}); choose another --out"
        ) from error
    if inside and _JSON not in inside:
        raise InputError(f"{folder}: is not an inspection folder; choose another --out or empty it first")
    # A photo may bear the name of a file of the inspection, which is face.jpg.
    read = {p.name for p in photos if p.resolve().parent == folder.resolve()}
    own = sorted((inside - _FILES) | read)
    if own:
        raise InputError(
            f"{folder}: holds {', '.join(own)}, which would be lost when the inspection there is replaced; "
            "choose another --out or move it away"
        )


def must_be_same_survey(
    folder: Path, face: str, stage: Stage, day: date | None = None, photos: Collection[str] = ()
) -> None:
    """Refuse a folder whose inspection would be missed: of another face, stage or day, or with readings in it.

    Parameters
    ----------
    folder : Path
    face : str
    stage : Stage
    day : date, optional
        Of the survey to write. A plate that is back goes through the same stages on other days.
    photos : collection of str
        Hashes (SHA-256) of its photos. Where one of them was mapped here already, the day is corrected.

    Raises
    ------
    InputError
        It is; or what stands there cannot be read.
    """
    if not (_standing(folder) / _JSON).exists():
        return
    try:
        there = load_inspection(folder)
    except InputError as error:
        raise InputError(f"{error}. To replace what is there, say --overwrite") from error
    n = len(there.readings)
    is_other_day = (
        None not in (day, there.surveyed_on)
        and day != there.surveyed_on
        and not {p.sha256 for p in there.photos} & set(photos)
    )
    if (there.face, there.stage) == (face, stage) and not n and not is_other_day:
        return
    of_then, of_now = (f" of {d}" if is_other_day else "" for d in (there.surveyed_on, day))
    with_readings = f" with {n} reading{'s' * (n > 1)}" if n else ""
    raise InputError(
        f"{folder}: holds the survey of {there.face} {there.stage.moment}{of_then}{with_readings}, which would be "
        f"replaced by the one of {face} {stage.moment}{of_now}; choose another --out, or say --overwrite"
    )


def save_inspection(inspection: Inspection, folder: str | Path, *, overlay_jpg: bytes | None = None) -> Path:
    """Write an inspection as a folder: JSON, rasters, CSV tables, and the overlay picture where there is one.

    The folder appears whole or not at all: it is written beside its place and then renamed.

    Raises
    ------
    InputError
        The folder exists and holds anything but an inspection, or cannot be written.
    """
    folder = Path(folder)
    must_take_inspection(folder)
    # a link stays, and what it leads to is replaced
    place = folder.resolve() if folder.is_symlink() else folder
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        _take_away_leftovers(place)
        temporary = Path(tempfile.mkdtemp(prefix=f".{place.name}-", dir=place.parent))
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); choose another folder") from error
    try:
        contents = _contents(inspection)
        if overlay_jpg is not None:
            contents[_OVERLAY] = overlay_jpg
        for name, content in contents.items():
            write_flushed(temporary / name, content)
        os.chmod(temporary, 0o755)
        sync_folder(temporary)
        _put_in_place(temporary, place)
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be written ({error.strerror}); free some space or choose another folder"
        ) from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    return folder


def _contents(inspection: Inspection) -> dict[str, bytes]:
    """The files of an inspection; the JSON has the hash of every one of them, and of what it says itself."""
    tables = {name: getattr(inspection.measurement, name) for name in _TABLES}
    zones = tables["zones"]
    tables["zones"] = zones.assign(n_marks=marks_counted(zones))
    # a rating speaks of the metal that was seen: by itself it does not tell how much of the zone that was
    unseen = tables["ratings"].zone.map(unseen_shares(zones))
    tables["ratings"] = tables["ratings"].assign(zone_unseen_share=unseen.astype(float))
    beside = _pictures(inspection) | {
        f"{name}.csv": table_csv(table).encode()
        for name, table in {**tables, "readings": inspection.readings}.items()
    }
    document = inspection_to_dict(inspection)
    document["files"] = {name: _hash(data) for name, data in beside.items()}
    document["files"][_JSON] = _hash_of_document(document)
    return {_JSON: json.dumps(document, indent=1, allow_nan=False).encode(), **beside}


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _hash_of_document(document: Mapping[str, Any]) -> str:
    """Of everything that an inspection's JSON says but this hash, however it is laid out and ordered."""
    files = {name: value for name, value in document["files"].items() if name != _JSON}
    plain = json.loads(json.dumps({**document, "files": files}))
    return _hash(json.dumps(plain, sort_keys=True, separators=(",", ":")).encode())


def changed_tables(folder: str | Path) -> tuple[str, ...]:
    """Names of the CSV tables in an inspection's folder that are not as they were written.

    They are for people and spreadsheet programs: :func:`load_inspection` reads none of them, so that whoever changed a
    number in one should be told that it does not count.

    Parameters
    ----------
    folder : path
        Of an inspection that :func:`load_inspection` reads.

    Returns
    -------
    tuple of str
        Empty for an inspection of an earlier release, which has no hash of them.
    """
    folder = _standing(Path(folder))
    files = json.loads((folder / _JSON).read_text(encoding="utf-8")).get("files", {})
    there = (n for n in sorted(files) if n.endswith(".csv") and (folder / n).is_file())
    return tuple(n for n in there if _hash((folder / n).read_bytes()) != files[n])


def _put_in_place(temporary: Path, place: Path) -> None:
    """Rename a folder to its place; what stands there is there again when that fails."""
    old = _aside(place)
    if place.exists():  # else it may be that what lies aside is all there is, after a save that was cut off
        shutil.rmtree(old, ignore_errors=True)
        place.rename(old)
    try:
        temporary.rename(place)
    except BaseException:
        if old.exists() and not place.exists():
            old.rename(place)
        raise
    sync_folder(place.parent)
    shutil.rmtree(old, ignore_errors=True)


def _decode(path: Path, flags: int, files: Mapping[str, str] | None) -> NDArray[np.uint8]:
    """A picture of the folder, where it is the one that was kept with this inspection; `files` has the hash of each."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); map the photo again") from error
    if files is not None and _hash(data) != files.get(path.name):
        raise InputError(
            f"{path}: is not the file that {_JSON} beside it was written with: it is damaged, was changed, or belongs to "
            "another survey. Put the right one back, or map the photo again"
        )
    try:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error as error:
        raise InputError(f"{path}: cannot be read; map the photo again") from error
    if picture is None:
        raise InputError(f"{path}: is not a picture; map the photo again")
    return np.asarray(picture, np.uint8)


def _with_nan(row: dict[str, Any]) -> dict[str, Any]:
    """A row as it was before plain_values wrote null for NaN."""
    return {k: (math.nan if v is None else v) for k, v in row.items()}


def _table(schema: Schema, rows: list[dict[str, Any]]) -> pd.DataFrame:
    return schema.frame([_with_nan(row) for row in rows])


def load_inspection(folder: str | Path) -> Inspection:
    """Read an inspection folder back.

    Raises
    ------
    InputError
        Not an inspection folder, a newer file version, a missing or damaged file, or one of another inspection.
    """
    folder = _standing(Path(folder))
    path = folder / _JSON
    try:
        d = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError) as error:
        raise InputError(
            f"{folder}: no {_JSON} in it; give a folder that `pitmap map --out` wrote"
        ) from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: is damaged ({error}); map the photo again") from error
    version = d.get("pitmap_inspection") if isinstance(d, dict) else None
    if version != FILE_VERSION:
        raise InputError(f"{path}: file version {version!r}; this pitmap reads version {FILE_VERSION}")
    try:
        grids = [
            Grid(**{k: d[key][k] for k in ("x0_mm", "y1_mm", "px_per_mm", "n_rows", "n_cols")})
            for key in ("raster", "picture")
        ]
        stage = Stage(d["stage"])
        files = d.get("files")  # like all that `get` asks for, not noted in the first inspections
        codes = _decode(folder / _CODES, cv2.IMREAD_UNCHANGED, files)
        confidence = _decode(folder / _CONFIDENCE, cv2.IMREAD_UNCHANGED, files)
        if codes.shape != grids[0].shape or confidence.shape != grids[0].shape:
            raise InputError(
                f"{folder}: {_CODES} or {_CONFIDENCE} does not have the size in {_JSON}; map the photo again"
            )
        has_doubt = (folder / _DOUBT).exists() or (files is not None and _DOUBT in files)
        doubt = _decode(folder / _DOUBT, cv2.IMREAD_UNCHANGED, files) if has_doubt else None
        picture = cv2.cvtColor(_decode(folder / _PICTURE, cv2.IMREAD_COLOR, files), cv2.COLOR_BGR2RGB)
        if picture.shape[:2] != grids[1].shape:
            raise InputError(f"{folder}: {_PICTURE} does not have the size in {_JSON}; map the photo again")
        tables = {name: _table(schema, d[name]) for name, schema in _TABLES.items()}
        alignment = Alignment.from_dict(d["alignment"])
        inspection = Inspection(
            face=d["face"],
            stage=stage,
            surveyed_on=date.fromisoformat(d["surveyed_on"]) if d["surveyed_on"] else None,
            removed_um=_estimate_from_json(d["removed_um"]),
            drawing_name=d["drawing"],
            drawing_fingerprint=d.get("drawing_fingerprint", ""),
            drawing_thickness_mm=float(d.get("drawing_thickness_mm") or "nan"),
            photos=tuple(PhotoSource(**{**p, "findings": tuple(p["findings"])}) for p in d["photos"]),
            alignment=alignment,
            alignment_error_mm=d.get("alignment_error_mm", alignment.error_sd_mm),
            class_map=ClassMap(
                codes=codes,
                confidence=_from_bytes(confidence),
                stage=stage,
                px_per_mm=grids[0].px_per_mm,
                grid=grids[0],
                method=d["raster"]["method"],
                break_chance=doubt,
                dark_mm2=float(d["raster"].get("dark_mm2", 0.0)),
            ),
            measurement=Measurement(
                **tables,
                land_paths=tuple(np.array(p, float).reshape(-1, 2) for p in d["land_paths_mm"]),
                sound_width_mm=_estimate_from_json(d["sound_width_mm"]),
                bright_sound_width_mm=_estimate_from_json(d["bright_sound_width_mm"]),
                zone_measures=tuple(ZoneMeasure(**_with_nan(m)) for m in d.get("zone_measures", ())),
            ),
            readings=_table(READINGS, d["readings"]),
            picture=picture,
            picture_grid=grids[1],
            photo_px_per_mm=float(d["photo_px_per_mm"]),
            notes=tuple(d["notes"]),
            settings=d["settings"],
            versions=d["versions"],
            edits=tuple(
                HandEdit(**{**e, "made_at": datetime.fromisoformat(e["made_at"])})
                for e in d.get("hand_edits", ())
            ),
        )
        # last, so that what cannot be read at all is named by its entry
        if files is not None and _JSON in files and files[_JSON] != _hash_of_document(d):
            raise InputError(
                f"{path}: was changed after it was written, so its figures are no longer those of its pictures. Put it back "
                "as it was, or map the photo again; a map is corrected by hand on the review page"
            )
        return inspection
    except InputError as error:
        # what a table, a grid or an estimate says of its entries does not name the file
        if str(folder) in str(error):
            raise
        raise InputError(f"{path}: {error}; map the photo again") from error
    except (AttributeError, KeyError, OverflowError, TypeError, ValueError) as error:
        raise InputError(f"{path}: entry {error} is missing or damaged; map the photo again") from error
