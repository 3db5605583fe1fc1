"""One survey of one face, as far as depth and stock need it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from ..errors import InputError
from ..estimate import DEFAULT_LEVEL
from .gone import GONE_BELOW_MM, SOUND_SHARE, shown_mm, smooth_confidence, sound_floor
from .reached import IsReached, reached_in
from .readings import READINGS
from .removed import RemovedStock

__all__ = ["UNSEEN_MOST", "FaceSurvey", "IsBare", "no_pit_means_little", "unseen_shares"]

IsBare = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.bool_]]

UNSEEN_MOST = 0.05
"""Share of a zone that was not seen, from which nothing is said of the zone as a whole (house choice)."""

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
        dist_trace_mm dist_coolant_mm confidence`` are used where present.
    readings : DataFrame
        Readings of this survey, attached to its marks.
    zones, lands : DataFrame or None
        Zone and land tables of the survey, where measured.
    level : float
        Level of the intervals in them.
    is_bare : callable or None
        From places (N, 2) and radii (N,) in mm to (N,) bool: does the map show a disc there as sound metal? None takes
        the marks' word for it: what has no mark was sound.
    is_reached : callable or None
        :func:`~pitmap.depth.reached.reached_in` of the map. None: nothing is known of the metal about a pit.
    shown_mm : float
        Width from which a hole shows in the photo.
    """

    stage: str
    removed: RemovedStock
    marks: pd.DataFrame
    readings: pd.DataFrame
    zones: pd.DataFrame | None = None
    lands: pd.DataFrame | None = None
    level: float = DEFAULT_LEVEL
    is_bare: IsBare | None = None
    is_reached: IsReached | None = None
    shown_mm: float = GONE_BELOW_MM

    def __post_init__(self) -> None:
        Stage(self.stage)
        missing = [c for c in _MARK_COLUMNS if c not in self.marks.columns]
        if missing:
            raise InputError(f"survey {self.stage}: marks lack the columns {', '.join(missing)}")
        READINGS.check(self.readings)
        bad = self.readings.loc[~(self.readings["uncertainty_um"] > 0)]
        if len(bad):
            raise InputError(
                f"survey {self.stage}: reading {bad.reading_id.iloc[0]}: uncertainty_um: expected a number above 0, got "
                f"{bad.uncertainty_um.iloc[0]:g}"
            )

    def unseen_shares(self) -> dict[str, float] | None:
        """As :func:`unseen_shares`, of the survey's zones; None where zones were not measured."""
        return None if self.zones is None else unseen_shares(self.zones)

    @classmethod
    def from_inspection(cls, inspection: Any, *, removed: RemovedStock | None = None) -> FaceSurvey:
        """From a frozen inspection record; `removed` replaces its single number where a plane is known.

        A place that the map does not call sound over :data:`~pitmap.depth.gone.SOUND_SHARE` of a pit's area, or calls so
        by a close call anywhere, is not bare, so a pit there is never taken for gone: what was not seen, old finish that
        the lap has not reached, or stain may hide it.
        """
        measured = inspection.measurement
        return cls(
            stage=str(inspection.stage),
            removed=removed or RemovedStock.from_estimate(inspection.removed_um),
            marks=measured.marks,
            readings=inspection.readings,
            zones=measured.zones,
            lands=measured.lands,
            level=measured.sound_width_mm.level,
            is_bare=_bare_in(inspection.class_map),
            is_reached=reached_in(inspection.class_map),
            shown_mm=shown_mm(getattr(inspection, "photo_px_per_mm", math.inf)),
        )


def unseen_shares(zones: pd.DataFrame) -> dict[str, float]:
    """Share of each zone of the drawing that the photo does not show (0..1), from a survey's table of zones."""
    # maps of earlier releases have no share for a zone that lies between their pixels: nothing of it was seen
    of_zone = zones.groupby("zone", sort=False)["unseen_share"].max().fillna(1.0)
    return {str(zone): float(share) for zone, share in of_zone.items()}


def no_pit_means_little(unseen: Mapping[str, float] | None, zone: str, *, what: str = "pit") -> str:
    """Why it says nothing of a zone that no pit (or `what`) was found in it; empty where it was seen, or not measured.

    Parameters
    ----------
    unseen : mapping of str to float, or None
        :meth:`FaceSurvey.unseen_shares` of the last survey.
    zone : str
    what : str
    """
    if unseen is None:
        return ""
    if zone not in unseen:
        return "the drawing has no such zone"
    if not unseen[zone] <= UNSEEN_MOST:
        share = f"{100 * unseen[zone]:.0f} % of the zone" if math.isfinite(unseen[zone]) else "the zone"
        return f"no {what} shows, but {share} was not seen: photograph it again"
    return ""


def _bare_in(class_map: Any) -> IsBare | None:
    """From places to whether the map shows them as sound; None for a map without a place in the plate frame."""
    grid = class_map.grid
    if grid is None:
        return None
    codes = np.asarray(class_map.codes)
    sound = codes == SurfaceClass.SOUND
    doubtful = np.zeros(codes.shape, bool)
    if getattr(class_map, "confidence", None) is not None:
        smooth = smooth_confidence(class_map.confidence, grid.px_per_mm)
        doubtful = sound & (smooth < sound_floor(smooth, codes))
    rows, cols = sound.shape

    def is_bare(xy: NDArray[np.float64], radius_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
        out = np.zeros(len(xy), bool)
        radii = np.maximum(radius_mm * grid.px_per_mm, 1.0)
        for k, ((column, row), radius) in enumerate(zip(grid.mm_to_px(xy), radii)):
            top, left = math.floor(row - radius), math.floor(column - radius)
            r, c = np.mgrid[top : math.ceil(row + radius) + 1, left : math.ceil(column + radius) + 1]
            disc = np.hypot(r - row, c - column) <= radius
            held = disc & (r >= 0) & (r < rows) & (c >= 0) & (c < cols)
            at = r[held], c[held]
            out[k] = sound[at].sum() >= SOUND_SHARE * disc.sum() and not doubtful[at].any()
        return out

    return is_bare
