"""Two surveys of one face laid on each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..estimate import Estimate
from ..grid import Grid
from .decide import Place, Rules, Step, decide_fates
from .fates import Fate
from .marks import Marks, label_marks, onto_grid
from .matching import Groups, match_marks
from .repeatability import Repeatability
from .shift import Shift, shift_from_marks, shift_from_pictures
from .zones import change_raster, zone_changes

__all__ = ["Layer", "PairChange", "compare_pair", "layer_of"]

_RADIAL_95 = 1.731
"""95 % point of a plane distance over its root mean square (Rayleigh)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One survey on the common grid: class raster, confidence, marks, and its place in the series.

    ``pit`` is the probability of "pit" where the class map kept one, ``picture`` the straightened photo in
    grey with its slow shading taken out, on ``picture_grid``; both may be None.
    """

    survey: int
    inspection: Any
    codes: NDArray[np.uint8]
    confidence: NDArray[np.float32] | None
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
        old = self.marks
        marks = Marks(
            labels=labels,
            class_code=old.class_code,
            area_mm2=old.area_mm2,
            eq_diam_mm=old.eq_diam_mm,
            xy_mm=shift.apply(old.xy_mm),
            mark_id=old.mark_id,
            confidence=old.confidence,
            zone=old.zone,
            flags=old.flags,
        )
        picture = self.picture
        if picture is not None and self.picture_grid is not None:
            picture = onto_grid(picture, self.picture_grid, self.picture_grid, fill=0.0, matrix=m)
        return Layer(
            survey=self.survey,
            inspection=self.inspection,
            codes=warp(self.codes, SurfaceClass.UNSEEN),
            confidence=warp(self.confidence, 0.0),
            marks=marks,
            pit=warp(self.pit, 0.0),
            picture=picture,
            picture_grid=self.picture_grid,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairChange:
    """What changed between two surveys.

    Parameters
    ----------
    before, after : int
        Survey numbers, from 1.
    step : Step
        What was done in between.
    shift : Shift
        How the later survey was laid on the earlier one, and what shift remains.
    tolerance_mm : float
        How far apart two sights of one mark may lie.
    fates, zone_changes : pandas.DataFrame
        Schemas :data:`FATES`, :data:`ZONE_CHANGES`.
    change_codes : (R, C) uint8 array
        Codes of :class:`ChangeCode` on `grid`.
    grid : Grid
    """

    before: int
    after: int
    step: Step
    shift: Shift
    tolerance_mm: float
    fates: pd.DataFrame
    zone_changes: pd.DataFrame
    change_codes: NDArray[np.uint8]
    grid: Grid

    def __post_init__(self) -> None:
        self.change_codes.setflags(write=False)

    def counts(self, class_word: str = "pit") -> dict[str, int]:
        """How many marks of a class met each fate; every fate is a key."""
        of = self.fates.loc[self.fates["class_word"] == class_word, "fate"].value_counts()
        return {str(fate): int(of.get(str(fate), 0)) for fate in Fate}


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
    pit = None
    if getattr(cm, "probabilities", None) is not None:
        pit = onto_grid(np.asarray(cm.probabilities[SurfaceClass.PIT], np.float32), cm.grid, grid, fill=0.0)
    rgb, picture, picture_grid = getattr(inspection, "picture", None), None, None
    if rgb is not None:
        picture_grid = inspection.picture_grid
        grey = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY).astype(np.float32)
        picture = grey - cv2.blur(grey, (_odd(6 * picture_grid.px_per_mm),) * 2)
    table = None if inspection.measurement is None else inspection.measurement.marks
    return Layer(
        survey=survey,
        inspection=inspection,
        codes=codes,
        confidence=confidence,
        marks=label_marks(codes, confidence, grid, zones, table, min_diam_mm=rules.min_diam_mm),
        pit=pit,
        picture=picture,
        picture_grid=picture_grid,
    )


def _odd(x: float) -> int:
    return max(3, 2 * round(x / 2) + 1)


def _darkness(marks: Marks, grid: Grid, own: Layer, other: Layer) -> NDArray[np.float64] | None:
    """How much of each mark's darkness in its own photo the other photo still shows, 0..1."""
    if own.picture is None or other.picture is None or own.picture_grid != other.picture_grid:
        return None
    target = own.picture_grid
    assert target is not None
    labels = onto_grid(marks.labels.astype(np.float32), grid, target, fill=0.0).astype(np.int32)
    rows, cols = np.nonzero(labels)
    at = labels[rows, cols] - 1
    n = np.maximum(1, np.bincount(at, minlength=len(marks)))
    here, there = (np.bincount(at, p[rows, cols], len(marks)) / n for p in (own.picture, other.picture))
    # Under 8 grey levels a mark is no darker than scratches are, and says nothing.
    return np.where((here < -8) & (there < -8), np.clip(there / np.minimum(here, -1e-9), 0, 1), 0.0)


def _alignment_error_mm(inspection: Any, default: float) -> float:
    residual = getattr(getattr(inspection, "alignment", None), "residual_mm", None)
    if isinstance(residual, Estimate) and residual.is_known:
        return float(
            residual.high if residual.has_interval and math.isfinite(residual.high) else residual.value
        )
    return default


def compare_pair(
    before: Layer,
    after: Layer,
    grid: Grid,
    zones: NDArray[np.uint8],
    zone_names: tuple[str, ...],
    *,
    alignment_error_mm: float | None,
    repeatability: Repeatability,
    rules: Rules,
) -> tuple[PairChange, Layer, Groups]:
    """Compare two layers; also returns the later one in the frame of the earlier one, and which marks are one.

    Parameters
    ----------
    before, after : Layer
    grid, zones, zone_names
        Common grid, the drawing's zone raster on it, and the names behind 1.. .
    alignment_error_mm : float or None
        Error of one survey's place on the drawing; None takes it from the alignments, else 0.3 mm.
    repeatability : Repeatability
    rules : Rules
    """
    if alignment_error_mm is None:
        errors = [_alignment_error_mm(x.inspection, 0.3) for x in (before, after)]
    else:
        errors = [alignment_error_mm] * 2
    blind_mm = max(0.2, _RADIAL_95 * math.hypot(*errors))
    pits = [m.class_code == SurfaceClass.PIT for m in (before.marks, after.marks)]
    shift = shift_from_marks(
        before.marks.xy_mm[pits[0]],
        after.marks.xy_mm[pits[1]],
        before.marks.area_mm2[pits[0]],
        after.marks.area_mm2[pits[1]],
        search_mm=blind_mm,
        level=rules.level,
    )
    step = Step.between(before.inspection, after.inspection)
    if shift.method == "none" and not step.is_cut and before.picture_grid is not None:
        a, b = before.inspection, after.inspection
        if getattr(b, "picture", None) is not None and a.picture_grid == b.picture_grid:
            face = onto_grid(zones, grid, a.picture_grid, fill=0) > 0
            shift = shift_from_pictures(
                a.picture, b.picture, face, px_per_mm=a.picture_grid.px_per_mm, level=rules.level
            )
            if shift.moved_mm > blind_mm:
                shift = Shift.none(
                    "the pictures agree at a shift that the alignment rules out", level=rules.level
                )
    after = after.moved(shift, grid)
    left = shift.remaining_mm
    tolerance = min(blind_mm, _RADIAL_95 * left.high) if left.has_interval else blind_mm
    tolerance = max(tolerance, grid.mm_per_px)
    groups = match_marks(before.marks, after.marks, tolerance_px=tolerance * grid.px_per_mm)
    fates = decide_fates(
        before.marks,
        after.marks,
        groups,
        Place.of(
            before.marks,
            after.codes,
            after.confidence,
            after.pit,
            _darkness(before.marks, grid, before, after),
        ),
        Place.of(after.marks, before.codes, before.confidence),
        step,
        repeatability,
        rules,
        zone_names,
    )
    pair = PairChange(
        before=before.survey,
        after=after.survey,
        step=step,
        shift=shift,
        tolerance_mm=tolerance,
        fates=fates,
        zone_changes=zone_changes(
            (before.codes, before.marks),
            (after.codes, after.marks),
            fates,
            zones,
            zone_names,
            grid,
            repeatability,
            rules,
        ),
        change_codes=change_raster(before.codes, after.codes, zones),
        grid=grid,
    )
    return pair, after, groups
