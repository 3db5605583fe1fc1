"""The order of the steps from photos to an inspection, and nothing else."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from . import __version__
from .classes import Stage
from .drawing import Drawing
from .errors import InputError
from .estimate import Estimate
from .grid import Grid
from .inspection import Inspection, PhotoSource
from .measure import measure
from .photo import Photo, check_photo, merge_lamps, read_photo
from .registration import Alignment, rectify, register, register_from_landmarks
from .settings import Settings
from .surface import ClassMap, classify

__all__ = ["STEPS", "Straightened", "classify_face", "map_face", "straighten"]

STEPS = ("read", "check", "align", "straighten", "classify", "measure")
"""Names of the steps, in order, as a progress bar shows them."""

Progress = Callable[[str, float], None]
"""Called with the name of a step and the share of the whole work that is done when it starts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straightened:
    """A face laid flat in the plate frame: RGB raster, which pixels the photo holds, and the photo's scale there."""

    rgb: NDArray[np.uint8]
    in_frame: NDArray[np.bool_]
    grid: Grid
    photo_px_per_mm: float


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
    # One figure for the whole face: the least scale, so that nothing is promised where the photo is coarsest.
    corners = grid.px_to_mm([[0.2 * grid.n_cols, 0.2 * grid.n_rows], [0.8 * grid.n_cols, 0.2 * grid.n_rows],
                             [0.2 * grid.n_cols, 0.8 * grid.n_rows], [0.8 * grid.n_cols, 0.8 * grid.n_rows]])  # fmt: skip
    return Straightened(
        rgb=plate, in_frame=in_frame, grid=grid, photo_px_per_mm=float(np.min(alignment.px_per_mm(corners)))
    )


def classify_face(face: Straightened, drawing: Drawing, stage: Stage, method: str = "auto") -> ClassMap:
    """What each piece of metal is, with the openings and edges taken from the drawing."""
    return classify(
        face.rgb,
        px_per_mm=face.grid.px_per_mm,
        stage=stage,
        grid=face.grid,
        mask=drawing.mask(face.grid),
        photo_px_per_mm=face.photo_px_per_mm,
        in_frame=face.in_frame,
        method=method,
    )


def map_face(
    photos: Sequence[str | Path | Photo],
    drawing: Drawing,
    *,
    stage: Stage,
    face: str = "",
    surveyed_on: date | None = None,
    removed_um: Estimate | None = None,
    landmarks: Landmarks | None = None,
    readings: pd.DataFrame | None = None,
    settings: Settings | None = None,
    progress: Progress | None = None,
) -> Inspection:
    """Map one face from one photo, or from several under different lamps.

    Parameters
    ----------
    photos : sequence of path or Photo
        All of the same face at the same stage. Each is aligned by itself.
    drawing : Drawing
    stage : Stage
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

    Raises
    ------
    InputError
        No photo, a file that cannot be read.
    AlignmentRefused
        The drawing could not be laid on a photo with certainty.

    Examples
    --------
    >>> from pitmap.drawing import load_shipped
    >>> from pitmap.pipeline import map_face
    >>> inspection = map_face(["face.jpg"], load_shipped("heron40_end"), stage=Stage("intake"))  # doctest: +SKIP
    """
    settings = settings or Settings()
    if not photos:
        raise InputError("map: no photo given; name at least one")
    done = _Steps(progress, len(photos))
    grid = drawing.grid(settings.map_px_per_mm)
    sources, straight, alignments, notes = [], [], [], []
    for k, item in enumerate(photos):
        done("read")
        photo = item if isinstance(item, Photo) else read_photo(item)
        done("check")
        report = check_photo(photo)
        done("align")
        alignment = _align(photo, drawing, landmarks if k == 0 else None)
        done("straighten")
        straight.append(straighten(photo.rgb, alignment, grid))
        alignments.append(alignment)
        sources.append(_source(photo, report))
        surveyed_on = surveyed_on or (photo.taken_at.date() if photo.taken_at else None)
    one, gain = _merge(straight)
    if gain:
        notes.append(gain)
    done("classify")
    class_map = classify_face(one, drawing, stage, settings.method)
    done("measure")
    measured = measure(
        class_map,
        drawing,
        camera_scale=one.photo_px_per_mm,
        alignment_error_mm=max(a.error_sd_mm for a in alignments),
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
        photos=tuple(sources),
        alignment=alignments[0],
        class_map=class_map,
        measurement=measured,
        readings=READINGS.empty() if readings is None else readings,
        picture=cv2.resize(one.rgb, picture_grid.shape[::-1], interpolation=cv2.INTER_AREA),
        picture_grid=picture_grid,
        notes=tuple(notes),
        settings=settings.to_dict(),
        versions=_versions(),
    )


def _removed_before(stage: Stage) -> Estimate:
    if stage.name == "intake":
        return Estimate(value=0.0, low=0.0, high=0.0)
    return Estimate.unknown("the stock taken off was not entered")


def _align(photo: Photo, drawing: Drawing, landmarks: Landmarks | None) -> Alignment:
    try:
        if landmarks is not None:
            return register_from_landmarks(photo.rgb, drawing, landmarks.points_mm, landmarks.points_px)
        return register(photo.rgb, drawing)
    except AlignmentRefused as error:
        raise AlignmentRefused(f"{photo.name}: {error}") from error
