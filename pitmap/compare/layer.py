"""One survey put on the common grid of a comparison."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..depth.gone import smooth_confidence, sound_floor
from ..grid import Grid
from .marks import Marks, label_marks, onto_grid
from .shift import Shift

if TYPE_CHECKING:
    from .decide import Rules

__all__ = ["Layer", "layer_of"]

_SPOT_SD_MM = 0.15
"""Smoothing that leaves a hole of 0.3 mm its darkness."""
_LEVEL_MM, _SPREAD_MM = 3.0, 8.0
"""Widths over which sound metal gives its tone, and how much that scatters."""
_SD_OF_MEAN_DEVIATION = float(np.sqrt(np.pi / 2))
"""Standard deviation over mean absolute deviation, of the normal distribution."""
_LEAST_WEIGHT = 0.02
_LEAST_SD = 0.5
"""Of 8-bit tones: rounding alone scatters by a third."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One survey on the common grid: class raster, confidence, marks, and its place in the series.

    ``confidence`` is smoothed over 0.4 mm; under ``sound_floor`` sound metal is not surely sound.
    ``pit`` is the probability of "pit" where the class map kept one, ``picture`` the straightened photo in
    grey against the sound metal about it, in standard deviations of that metal, on ``picture_grid``; both may be
    None.
    """

    survey: int
    inspection: Any
    codes: NDArray[np.uint8]
    confidence: NDArray[np.float32] | None
    sound_floor: float
    marks: Marks
    pit: NDArray[np.float32] | None
    picture: NDArray[np.float32] | None
    picture_grid: Grid | None

    def moved(self, shift: Shift, grid: Grid) -> Layer:
        """The same survey in the frame of an earlier one."""
        if shift.method == "none":
            return self
        m = shift.matrix

        def warp(raster: NDArray[Any] | None, fill: float) -> Any:
            return None if raster is None else onto_grid(raster, grid, grid, fill=fill, matrix=m)

        labels = warp(self.marks.labels.astype(np.float32), 0).astype(np.int32)
        picture = self.picture
        if picture is not None and self.picture_grid is not None:
            picture = onto_grid(picture, self.picture_grid, self.picture_grid, fill=0.0, matrix=m)
        return Layer(
            survey=self.survey,
            inspection=self.inspection,
            codes=warp(self.codes, SurfaceClass.UNSEEN),
            confidence=warp(self.confidence, 0.0),
            sound_floor=self.sound_floor,
            marks=self.marks.with_labels(labels, shift.apply(self.marks.xy_mm)),
            pit=warp(self.pit, 0.0),
            picture=picture,
            picture_grid=self.picture_grid,
        )


def layer_of(survey: int, inspection: Any, grid: Grid, zones: NDArray[np.uint8], rules: Rules) -> Layer:
    """One inspection on the common grid.

    Parameters
    ----------
    survey : int
        Number in the series, from 1.
    inspection : pitmap.inspection.Inspection
    grid : Grid
    zones : (R, C) uint8 array
        The drawing's zone raster on `grid`.
    rules : Rules
    """
    cm = inspection.class_map
    codes = onto_grid(np.asarray(cm.codes, np.uint8), cm.grid, grid, fill=SurfaceClass.UNSEEN)
    confidence = None if cm.confidence is None else onto_grid(cm.confidence, cm.grid, grid, fill=0.0)
    raw, floor = confidence, 0.0
    if confidence is not None:
        confidence = smooth_confidence(confidence, grid.px_per_mm)
        floor = sound_floor(confidence, codes, quantile=rules.sound_quantile)
    pit = None
    if getattr(cm, "probabilities", None) is not None:
        pit = onto_grid(np.asarray(cm.probability(SurfaceClass.PIT), np.float32), cm.grid, grid, fill=0.0)
    picture, picture_grid = _levelled_picture(inspection, codes, grid)
    table = None if inspection.measurement is None else inspection.measurement.marks
    return Layer(
        survey=survey,
        inspection=inspection,
        codes=codes,
        confidence=confidence,
        sound_floor=floor,
        marks=label_marks(codes, raw, grid, zones, table, min_diam_mm=rules.min_diam_mm),
        pit=pit,
        picture=picture,
        picture_grid=picture_grid,
    )


def _levelled_picture(
    inspection: Any, codes: NDArray[np.uint8], grid: Grid
) -> tuple[NDArray[np.float32] | None, Grid | None]:
    """The survey's photo in grey against the sound metal about it, in its standard deviations; and its grid.

    Only sound metal is averaged: a hole's dark wall or a stain nearby must not hide a spot beside it.
    """
    rgb = getattr(inspection, "picture", None)
    if rgb is None:
        return None, None
    target = inspection.picture_grid
    grey = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY).astype(np.float32)
    sound = (onto_grid(codes, grid, target, fill=0) == SurfaceClass.SOUND).astype(np.uint8)
    weight = cv2.erode(sound, np.ones((3, 3), np.uint8)).astype(np.float32)

    def about(values: NDArray[np.float32], width_mm: float) -> NDArray[np.float32]:
        size = (_odd(width_mm * target.px_per_mm),) * 2
        return cv2.blur(values * weight, size) / np.maximum(cv2.blur(weight, size), _LEAST_WEIGHT)

    level = cv2.GaussianBlur(grey, (0, 0), _SPOT_SD_MM * target.px_per_mm) - about(grey, _LEVEL_MM)
    spread = _SD_OF_MEAN_DEVIATION * about(np.abs(level), _SPREAD_MM)
    return level / np.maximum(spread, _LEAST_SD), target


def _odd(x: float) -> int:
    return max(3, 2 * round(x / 2) + 1)
