"""The order of the steps from photos to an inspection, and nothing else."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import ClassVar

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import __version__
from .classes import Stage
from .depth import READINGS
from .drawing import Drawing
from .entered_day import check_day
from .errors import AlignmentRefused, InputError, MeasurementError
from .estimate import Estimate
from .grid import Grid
from .inspection import Inspection, PhotoSource, check_stock, kept_confidence
from .measure import MeasureSettings, break_chance, make_frame, measure
from .photo import Photo, PhotoReport, check_photo, read_photo, taken_apart, without_colours
from .photo.merge import merge_lamps
from .registration import Alignment, photo_scale, rectify, register, register_from_landmarks
from .registration.landmark_file import Landmarks
from .settings import Settings
from .surface import ClassMap, Look, classify, dark_words
from .units import UnitSystem

__all__ = [
    "STEPS",
    "Landmarks",
    "Progress",
    "Straightened",
    "align",
    "classify_face",
    "map_face",
    "merge_faces",
    "straighten",
]

STEPS = ("read", "align", "straighten", "check", "classify", "measure")
"""Names of the steps, in order, as a progress bar shows them."""

_LEAST_DARK_MM2 = 25.0
"""Less metal that is too dark to be read shows in the unseen shares alone; house choice."""

Progress = Callable[[str, float], None]
"""Called with the name of a step and the share of the whole work that is done when it starts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straightened:
    """A face laid flat in the plate frame: RGB, which pixels the photo holds, and the photo's scale there.

    One merged from photos under several lamps keeps in `looks` what each of them shows.
    """

    rgb: NDArray[np.uint8]
    in_frame: NDArray[np.bool_]
    grid: Grid
    photo_px_per_mm: NDArray[np.float32]
    looks: tuple[Look, ...] = ()


def _versions() -> dict[str, str]:
    return {
        "pitmap": __version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "opencv": cv2.__version__,
    }


def straighten(rgb: NDArray[np.uint8], alignment: Alignment, grid: Grid) -> Straightened:
    """Lay the face flat: the photo resampled onto `grid`."""
    plate, in_frame = rectify(rgb, alignment, grid)
    return Straightened(rgb=plate, in_frame=in_frame, grid=grid, photo_px_per_mm=photo_scale(alignment, grid))


def _opaque(face: Straightened, photo: Photo, alignment: Alignment) -> Straightened:
    """The same face, where the photo is transparent taken for out of frame: what colour lies there is no metal's."""
    if photo.seen is None:
        return face
    opaque, _ = rectify(np.where(photo.seen, np.uint8(255), np.uint8(0)), alignment, face.grid)
    seen = face.in_frame & (opaque == 255)
    return replace(face, rgb=np.where(seen[..., None], face.rgb, np.uint8(0)), in_frame=seen)


def classify_face(
    face: Straightened,
    drawing: Drawing,
    stage: Stage,
    method: str = "auto",
    *,
    keep_probabilities: bool = False,
) -> ClassMap:
    """What each piece of metal is, with the openings and edges taken from the drawing."""
    class_map = classify(
        face.rgb,
        px_per_mm=face.grid.px_per_mm,
        stage=stage,
        mask=drawing.mask(face.grid),
        photo_px_per_mm=face.photo_px_per_mm,
        in_frame=face.in_frame,
        method=method,
        keep_probabilities=keep_probabilities,
        looks=face.looks,
    )
    return class_map.placed(face.grid)


def map_face(
    photos: str | Path | Photo | Sequence[str | Path | Photo],
    drawing: Drawing,
    *,
    stage: Stage | str,
    face: str = "",
    surveyed_on: date | None = None,
    removed_um: Estimate | None = None,
    landmarks: Landmarks | None = None,
    readings: pd.DataFrame | None = None,
    settings: Settings | None = None,
    progress: Progress | None = None,
    system: UnitSystem = "mm",
) -> Inspection:
    """Map one face from one photo, or from several: each is read by itself, and what they say together counts.

    Parameters
    ----------
    photos : path, Photo, or sequence of them
        All of the same face at the same stage. Each is aligned by itself.
    drawing : Drawing
    stage : Stage or str
    face : str
        The shop's name of the face; the drawing's name where it is left out.
    surveyed_on : date, optional
        The day; taken from the first photo where it says, else unknown.
    removed_um : Estimate, optional
        Stock taken off before this survey. At intake nothing was; later, unknown where it is left out.
    landmarks : Landmarks, optional
        Places picked by hand on the first photo.
    readings : DataFrame, optional
        Readings taken at this survey.
    settings : Settings, optional
    progress : callable, optional
        Called with a step of :data:`STEPS` and the share done.
    system : {"mm", "inch"}
        Units of the sentences about the photos.

    Raises
    ------
    InputError
        No photo, a file that cannot be read, no such stage, stock that cannot have been taken off
        (:func:`pitmap.inspection.check_stock`), or a day in the future, whoever says so.
    AlignmentRefused
        The drawing could not be laid on a photo with certainty.
    MeasurementError
        Several photos that were taken on different days, or do not show the same face; a picture without colours.

    Examples
    --------
    >>> from pitmap.drawing import load_shipped
    >>> from pitmap.pipeline import map_face
    >>> plate = load_shipped("heron40_end")
    >>> inspection = map_face(["face.jpg"], plate, stage=Stage("final"))  # doctest: +SKIP
    """
    settings = settings or Settings()
    stage = Stage(stage) if isinstance(stage, str) else stage
    photos = [photos] if isinstance(photos, (str, Path, Photo)) else photos
    if not photos:
        raise InputError("map: no photo given; name at least one")
    if surveyed_on is not None:
        if isinstance(surveyed_on, datetime):  # with its time of day the folder could not be read back
            surveyed_on = surveyed_on.date()
        check_day(surveyed_on)
    if removed_um is not None:
        check_stock(removed_um.value, stage=stage.name, thickness_mm=drawing.thickness_mm)
    done = _Steps(progress, len(photos))
    if len(photos) == 1:
        photos = [_read(photos[0], photos)]
    noted_on, sitting = _looked_over(photos, has_day=surveyed_on is not None)
    surveyed_on = surveyed_on or noted_on
    grid = drawing.grid(settings.map_px_per_mm)
    faces, alignments, sources = _laid_flat(photos, drawing, grid, landmarks, done, system)
    one, notes = merge_faces(
        faces, drawing, [a.error_sd_mm for a in alignments], names=[source.name for source in sources]
    )
    parts = (f"{source.name}: {a.part_words}" for source, a in zip(sources, alignments) if a.is_part)
    notes = (*notes, *parts, *([sitting] if sitting else ()))
    done("classify")
    least_scale = _least_scale(one, drawing)
    class_map = classify_face(one, drawing, stage, settings.method, keep_probabilities=True)
    if class_map.dark_mm2 > _LEAST_DARK_MM2:
        notes = (dark_words(class_map.dark_mm2, system), *notes)
    frame = make_frame(drawing, grid)
    class_map = replace(
        class_map,
        confidence=kept_confidence(class_map.confidence),
        break_chance=break_chance(class_map.probabilities, frame.land),  # type: ignore[arg-type]
    )
    done("measure")
    alignment_error_mm = max(a.error_sd_mm for a in alignments)
    measured = measure(
        class_map,  # type: ignore[arg-type]
        drawing,
        camera_scale=least_scale,
        alignment_error_mm=alignment_error_mm,
        frame=frame,
        settings=MeasureSettings(level=settings.level, n_places=settings.n_narrowest),
    )
    done("", 1.0)
    picture_grid = grid.at_scale(min(settings.picture_px_per_mm, settings.map_px_per_mm))
    return Inspection(
        face=face or drawing.name,
        stage=stage,
        surveyed_on=surveyed_on,
        removed_um=removed_um or _removed_before(stage),
        drawing_name=drawing.name,
        drawing_fingerprint=drawing.fingerprint(),
        drawing_thickness_mm=drawing.thickness_mm,
        photos=tuple(sources),
        alignment=alignments[0],
        alignment_error_mm=alignment_error_mm,
        class_map=replace(class_map, probabilities=None),
        measurement=measured,
        readings=READINGS.empty() if readings is None else readings,
        picture=cv2.resize(one.rgb, picture_grid.shape[::-1], interpolation=cv2.INTER_AREA),
        picture_grid=picture_grid,
        photo_px_per_mm=least_scale,
        notes=notes,
        settings=settings.to_dict(),
        versions=_versions(),
    )


def _laid_flat(
    photos: Sequence[str | Path | Photo],
    drawing: Drawing,
    grid: Grid,
    landmarks: Landmarks | None,
    done: _Steps,
    system: UnitSystem,
) -> tuple[list[Straightened], list[Alignment], list[PhotoSource]]:
    """Every photo aligned, laid flat and checked, one after the other: none is held longer than it is worked on."""
    faces, alignments, sources = [], [], []
    for k, item in enumerate(photos):
        done("read")
        photo = _read(item, photos)
        done("align")
        alignment = align(photo, drawing, landmarks if k == 0 else None)
        done("straighten")
        face = straighten(photo.rgb, alignment, grid)
        done("check")
        report = check_photo(
            photo,
            alignment=alignment,
            drawing=drawing,
            rectified=(face.rgb, face.in_frame, grid),
            system=system,
        )
        for finding in report.findings:
            if finding.code == "colour" and finding.severity == "stop":
                raise MeasurementError(f"{photo.name}: {finding.text}")
        faces.append(_opaque(face, photo, alignment))
        alignments.append(alignment)
        sources.append(_source(photo, report))
    return faces, alignments, sources


def _looked_over(photos: Sequence[str | Path | Photo], *, has_day: bool) -> tuple[date | None, str]:
    """What can be told without an alignment, of every photo before the first one is aligned; or a refusal.

    To read a photo takes a hundredth of the time that its alignment takes, so nobody waits for eleven to be aligned to hear
    that the twelfth cannot be used. None is held meanwhile: a dozen decoded ones are as large as all the rest of the work.

    Returns
    -------
    (date or None, str)
        The day that the first camera that tells one says, sought where none was given; what speaks against one sitting.
    """
    day: date | None = None
    names: dict[str, str] = {}
    taken: list[tuple[str, datetime | None]] = []
    for item in photos:
        photo = _read(item, photos)
        _must_be_another(photo, names)
        names[photo.sha256] = photo.name
        if not has_day:
            day = day or _day_of(photo)
        taken.append((photo.name, photo.taken_at))
        if lost := without_colours(photo):
            raise MeasurementError(f"{photo.name}: {lost}")
    return day, taken_apart(taken)


def _read(item: str | Path | Photo, photos: Sequence[str | Path | Photo]) -> Photo:
    return item if isinstance(item, Photo) else read_photo(item, name=_told_apart(item, photos))


def _day_of(photo: Photo) -> date | None:
    """When its camera says that it was taken; None where it does not."""
    if photo.taken_at is None:
        return None
    check_day(photo.taken_at.date(), noted_by=photo.name)
    return photo.taken_at.date()


def _told_apart(path: str | Path, photos: Sequence[str | Path | Photo]) -> str:
    """The file's name, with its folder's where another of the photos bears the same."""
    path = Path(path)
    same = [p for p in photos if not isinstance(p, Photo) and Path(p).name == path.name]
    return path.name if len(same) == 1 else Path(*path.parts[-2:]).as_posix()


def _must_be_another(photo: Photo, names: Mapping[str, str]) -> None:
    """The same photo twice says no more than once, and would count as two that agree; `names` are by their hash."""
    if photo.sha256 and photo.sha256 in names:
        raise InputError(f"map: {photo.name} and {names[photo.sha256]} are the same photo; leave one out")


def _removed_before(stage: Stage) -> Estimate:
    if stage.name == "intake":
        return Estimate(value=0.0, low=0.0, high=0.0)
    return Estimate.unknown("the stock taken off was not entered")


def align(photo: Photo, drawing: Drawing, landmarks: Landmarks | None = None) -> Alignment:
    """The drawing laid on a photo; a refusal names the photo, and what is wrong with the picture itself.

    Raises
    ------
    InputError
        Landmarks from which no view can be found.
    AlignmentRefused
        It cannot be laid with certainty.
    """
    try:
        if landmarks is not None:
            return register_from_landmarks(photo.rgb, drawing, landmarks.points_mm, landmarks.points_px)
        return register(photo.rgb, drawing)
    except AlignmentRefused as error:
        # a dark or blurred picture hides the plate, and then asking for the right drawing leads nowhere
        faults = [f.text for f in check_photo(photo).findings if f.severity != "pass"]
        why = str(error)
        if faults:  # they are sentences, so what follows begins one
            why = " ".join([*faults, why[:1].upper() + why[1:]])
        raise AlignmentRefused(f"{photo.name}: {why}") from error


def merge_faces(
    faces: Sequence[Straightened],
    drawing: Drawing,
    place_sd_mm: Sequence[float] | None = None,
    *,
    names: Sequence[str] = (),
) -> tuple[Straightened, tuple[str, ...]]:
    """Several photos merged into one face that keeps what each shows, and what that gained, in words.

    Parameters
    ----------
    faces : sequence of Straightened
        All on one grid.
    drawing : Drawing
    place_sd_mm : sequence of float, optional
        How surely each was laid (:attr:`pitmap.registration.Alignment.error_sd_mm`); all alike by default.
    names : sequence of str, optional
        Of the photos, for what is said of them.

    Raises
    ------
    MeasurementError
        They do not show the same face.
    """
    if len(faces) == 1:
        return faces[0], ()
    merged = merge_lamps(
        [f.rgb for f in faces],
        [f.in_frame for f in faces],
        face=drawing.mask(faces[0].grid),
        place_sd=place_sd_mm,
        names=names,
        px_per_mm=faces[0].grid.px_per_mm,
    )
    # A place has the detail of the best photo that shows it, not of one that ends before it or is burnt out there.
    scales = np.stack([f.photo_px_per_mm for f in faces])
    scale = np.where(merged.unseen, scales, np.where(merged.shown, scales, 0)).max(axis=0)
    looks = tuple(
        Look(rgb=rgb, in_frame=frame, photo_px_per_mm=one_scale, name=name)
        for rgb, frame, one_scale, name in zip(
            merged.pictures, merged.in_frame, scales, names or ("",) * len(faces), strict=True
        )
    )
    one = Straightened(
        rgb=merged.rgb, in_frame=~merged.unseen, grid=faces[0].grid, photo_px_per_mm=scale, looks=looks
    )
    return one, (merged.gain_text,)


def _least_scale(face: Straightened, drawing: Drawing) -> float:
    # The coarsest place decides, so that nothing is promised there that the photo cannot hold.
    return float(face.photo_px_per_mm[drawing.mask(face.grid)].min())


def _source(photo: Photo, report: PhotoReport) -> PhotoSource:
    return PhotoSource(
        name=photo.name,
        sha256=photo.sha256,
        width_px=photo.rgb.shape[1],
        height_px=photo.rgb.shape[0],
        taken=photo.taken_at.isoformat() if photo.taken_at else "",
        findings=tuple(f.text for f in report.findings if f.severity != "pass"),
    )


class _Steps:
    """Tells a progress bar which step starts, by the rough share of the work that lies behind."""

    _SHARE: ClassVar = {
        "read": 0.0,
        "align": 0.05,
        "straighten": 0.40,
        "check": 0.45,
        "classify": 0.5,
        "measure": 0.85,
    }

    def __init__(self, progress: Progress | None, n_photos: int) -> None:
        self._progress, self._n, self._photo = progress, n_photos, -1

    def __call__(self, step: str, share: float | None = None) -> None:
        self._photo += step == "read"
        if self._progress is None:
            return
        if share is None:
            share = self._SHARE[step]
            if share < self._SHARE["classify"]:
                share = (self._photo * self._SHARE["classify"] + share) / self._n
        self._progress(step, share)
