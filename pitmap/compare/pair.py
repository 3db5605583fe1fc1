"""Two surveys of one face laid on each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..estimate import Estimate
from ..grid import Grid
from ..units import UnitSystem
from .decide import Place, Rules, decide_fates
from .fates import Fate
from .layer import Layer
from .marks import onto_grid
from .matching import Groups, match_marks
from .repeatability import Repeatability
from .shift import Shift, shift_from_marks, shift_from_pictures
from .step import Step
from .zones import Zones, change_raster, pair_key, tells_uncut, zone_changes

__all__ = ["PairChange", "compare_pair"]

_BLIND_ERROR_MM = 0.3
"""Error of an alignment that does not state its own (house choice: three pixels of a 10 px per mm map)."""

_RADIAL_95 = 1.731
"""95 % point of a plane distance over its root mean square (Rayleigh)."""


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


def _alignment_error_mm(inspection: Any, given: float | None) -> tuple[float, float]:
    """Error of a survey's place on the drawing, mm: as it is, and at the high end of its interval."""
    residual = getattr(getattr(inspection, "alignment", None), "residual_mm", None)
    if given is not None:
        return given, given
    if not isinstance(residual, Estimate) or not residual.is_known:
        return _BLIND_ERROR_MM, _BLIND_ERROR_MM
    high = residual.high if residual.has_interval and math.isfinite(residual.high) else residual.value
    return float(residual.value), float(high)


def compare_pair(
    before: Layer,
    after: Layer,
    zones: Zones,
    *,
    step: Step,
    alignment_error_mm: float | None,
    repeatability: Repeatability,
    rules: Rules,
    system: UnitSystem = "mm",
) -> tuple[PairChange, Layer, Groups]:
    """Compare two layers; also returns the later one in the frame of the earlier one, and the matched groups.

    Parameters
    ----------
    before, after : Layer
    zones : Zones
        The drawing's zones on the common grid.
    step : Step
        What was done to the face between the two.
    alignment_error_mm : float or None
        Error of one survey's place on the drawing; None takes it from the alignments, else 0.3 mm.
    repeatability : Repeatability
    rules : Rules
    system : {"mm", "inch"}
        Units of the reasons.
    """
    grid = zones.grid
    errors = [_alignment_error_mm(layer.inspection, alignment_error_mm) for layer in (before, after)]
    blind_mm = max(0.2, _RADIAL_95 * math.hypot(errors[0][1], errors[1][1]))
    pits = [m.class_code == SurfaceClass.PIT for m in (before.marks, after.marks)]
    shift = shift_from_marks(
        before.marks.xy_mm[pits[0]],
        after.marks.xy_mm[pits[1]],
        before.marks.area_mm2[pits[0]],
        after.marks.area_mm2[pits[1]],
        search_mm=blind_mm,
        level=rules.level,
    )
    if shift.method == "none" and not step.is_cut and before.picture_grid is not None:
        a, b = before.inspection, after.inspection
        if getattr(b, "picture", None) is not None and a.picture_grid == b.picture_grid:
            face = onto_grid(zones.codes, grid, a.picture_grid, fill=0) > 0
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
        Place.of(before.marks, after, rules, grid),
        Place.of(after.marks, before, rules),
        step,
        repeatability,
        rules,
        zones.names,
        system,
    )
    key = pair_key(before.codes, after.codes, zones.codes)
    pair = PairChange(
        before=before.survey,
        after=after.survey,
        step=step,
        shift=shift,
        tolerance_mm=tolerance,
        fates=fates,
        zone_changes=zone_changes(
            key, before, after, fates, zones, repeatability, rules, place_sd_mm=errors[0][0] / math.sqrt(2)
        ),
        change_codes=change_raster(key, is_uncut_told=tells_uncut(before, after)),
        grid=grid,
    )
    return pair, after, groups
