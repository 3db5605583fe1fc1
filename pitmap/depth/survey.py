"""One survey of one face, as far as depth and stock need it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from ..errors import InputError
from .readings import READINGS
from .removed import RemovedStock

__all__ = ["FaceSurvey"]

_MARK_COLUMNS = ("mark_id", "class_code", "x_mm", "y_mm", "eq_diam_mm", "zone")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaceSurvey:
    """Tables of one survey.

    Parameters
    ----------
    stage : str
        intake, test_lap, lap_1 ... final.
    removed : RemovedStock
        Stock taken off before this survey, all steps together, under the first face.
    marks : DataFrame
        Marks of the survey's map; ``mark_id class_code x_mm y_mm eq_diam_mm zone`` are needed, ``length_mm
        dist_trace_mm dist_coolant_mm`` are used where present.
    readings : DataFrame
        Readings of this survey, attached to its marks.
    zones, lands : DataFrame or None
        Zone and land tables of the survey, where measured.
    is_seen : callable or None
        From points (N, 2) in mm to (N,) bool: does the photo show that place? None takes the marks' word for
        it: everything was seen.
    """

    stage: str
    removed: RemovedStock
    marks: pd.DataFrame
    readings: pd.DataFrame
    zones: pd.DataFrame | None = None
    lands: pd.DataFrame | None = None
    is_seen: Callable[[NDArray[np.float64]], NDArray[np.bool_]] | None = None

    def __post_init__(self) -> None:
        Stage(self.stage)
        missing = [c for c in _MARK_COLUMNS if c not in self.marks.columns]
        if missing:
            raise InputError(f"survey {self.stage}: marks lack the columns {', '.join(missing)}")
        READINGS.check(self.readings)

    @classmethod
    def from_inspection(cls, inspection: Any, *, removed: RemovedStock | None = None) -> FaceSurvey:
        """From a frozen inspection record; `removed` replaces its single number where a plane is known.

        A place that the map calls unseen is not seen, so a pit there is never taken for gone.
        """
        measured = inspection.measurement
        return cls(
            stage=str(inspection.stage),
            removed=removed or RemovedStock.from_estimate(inspection.removed_um),
            marks=measured.marks,
            readings=inspection.readings,
            zones=measured.zones,
            lands=measured.lands,
            is_seen=_seen_in(inspection.class_map),
        )


def _seen_in(class_map: Any) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]] | None:
    """From places to whether the map shows them; None for a map without a place in the plate frame."""
    grid = class_map.grid
    if grid is None:
        return None
    codes = class_map.codes

    def is_seen(xy: NDArray[np.float64]) -> NDArray[np.bool_]:
        column, row = np.rint(grid.mm_to_px(xy)).astype(int).T
        inside = (row >= 0) & (row < codes.shape[0]) & (column >= 0) & (column < codes.shape[1])
        seen = np.zeros(len(row), bool)
        code = codes[row[inside], column[inside]]
        seen[inside] = (code != SurfaceClass.UNSEEN) & (code != SurfaceClass.OUTSIDE)
        return seen

    return is_seen
