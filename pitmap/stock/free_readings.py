"""Pit readings that belong to no one pit of the map: what they ask of the stock all the same."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from ..depth import DepthModel, FaceSurvey, LapBounds
from ..depth.pit_model import open_reading_words
from ..depth.reached import below_plane_um
from ..depth.zones import NEAR_MM, zones_near
from ..units import UnitSystem, format_depth

__all__ = ["FreeReadings", "free_readings"]

_AS_DEEP = 0.01
"""A later reading answers an earlier one that it lies under only by such a chance (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeReadings:
    """Pit readings that belong to no one pit of the map, of every survey.

    Parameters
    ----------
    left_um : ndarray (draws, readings) float32
        Depth under the present face.
    zones : tuple of frozenset of str
        Zones of the pits near each, any of which it may be; empty where there is none, then it counts for every
        working zone.
    is_at_least : ndarray (readings,) of bool
        The needle did not reach the floor.
    words : tuple of str
        Depth and survey of each.
    """

    left_um: NDArray[np.float32]
    zones: tuple[frozenset[str], ...]
    is_at_least: NDArray[np.bool_]
    words: tuple[str, ...]

    def of(self, zone: str) -> FreeReadings:
        """Those that count for a zone."""
        own = np.array([not z or zone in z for z in self.zones], bool)
        return FreeReadings(
            left_um=self.left_um[:, own],
            zones=tuple(z for z, mine in zip(self.zones, own) if mine),
            is_at_least=self.is_at_least[own],
            words=tuple(w for w, mine in zip(self.words, own) if mine),
        )

    def lacking(self, need_um: NDArray, confidence: float) -> str:
        """Why a need without a bound from above cannot be said; empty when no open reading reaches over it."""
        enough = float(np.quantile(need_um, confidence))
        for k in np.flatnonzero(self.is_at_least):
            if float(np.median(self.left_um[:, k])) > enough:
                return open_reading_words(self.words[k])
        return ""

    def beyond(self, least_um: float, zones: Collection[str]) -> str:
        """Why a tilted plane cannot be told; empty when it reaches all readings that count for the zones.

        Where such a reading's pit lies is not known, so the plane must reach it at the place that loses least.
        """
        for zone in zones:
            own = self.of(zone)
            for k in np.flatnonzero((own.left_um > least_um).any(axis=0)):
                return (
                    f"no tilted plane is given: the reading of {own.words[k]} belongs to no pit of the map, so where the"
                    " plane must reach it is not known; name its pit"
                )
        return ""

    def told(self) -> tuple[str, ...]:
        """One sentence on those that lie under the present face; none where there is none."""
        deep = [w for w, left in zip(self.words, self.left_um.T) if np.median(left) > 0]
        if not deep:
            return ()
        what, counts = (
            ("a reading belongs", "it counts")
            if len(deep) == 1
            else (f"{len(deep)} readings belong", "they count")
        )
        return (f"{what} to no one pit of the map; for the stock {counts} all the same: {', '.join(deep)}",)


def free_readings(
    surveys: Sequence[FaceSurvey],
    bounds: LapBounds,
    model: DepthModel | None,
    n_draws: int,
    rng: np.random.Generator,
    system: UnitSystem,
) -> FreeReadings:
    """Pit readings of all surveys that belong to no one pit, brought under the present face.

    One of the pits around each is that deep, whether the map shows it or not, so the zone is not clean before it is
    reached. The zone is that of the pits near by (:func:`~pitmap.depth.zones.zones_near`), else not known. A place that
    was read again at a later survey, and found as deep, needs its first reading no more. The draws carry the error of
    the stock that came off between the reading's survey and the present face, and of how far the metal there stood below the
    plane when it was read.
    """
    linked = {(int(k), int(m)) for _, k, m in bounds.links.to_numpy()}
    columns: list[NDArray] = []
    zones: list[frozenset[str]] = []
    at_least: list[bool] = []
    words: list[str] = []
    for k, survey in enumerate(surveys):
        table = survey.readings.loc[survey.readings["kind"] == "pit_depth"]
        of_mark = survey.marks.set_index("mark_id")
        pits = survey.marks.loc[survey.marks["class_code"] == int(SurfaceClass.PIT)]
        for _, r in table.iterrows():
            mark = int(r["mark_id"])
            if (k, mark) in linked:
                continue
            place = np.array([r["x_mm"], r["y_mm"]], float)
            if mark in of_mark.index:
                place = of_mark.loc[mark, ["x_mm", "y_mm"]].to_numpy(float)
            left = r["value_um"] + r["uncertainty_um"] * rng.standard_normal(n_draws)
            if k < len(surveys) - 1:
                at = place if np.isfinite(place).all() else bounds.middle_xy
                left -= _stock_since(k, surveys, at, model, n_draws, rng)
            left += _low_metal(k, surveys, place, bool(r["is_lower_bound"]), n_draws, rng)
            if _is_read_again(place, left, surveys, k):
                continue
            columns.append(left)
            zones.append(zones_near(place, pits))
            at_least.append(bool(r["is_lower_bound"]))
            words.append(_words_of(r, survey, system))
    left_um = np.column_stack(columns) if columns else np.empty((n_draws, 0))
    return FreeReadings(
        left_um=left_um.astype(np.float32),
        zones=tuple(zones),
        is_at_least=np.array(at_least, bool),
        words=tuple(words),
    )


def _low_metal(
    k: int,
    surveys: Sequence[FaceSurvey],
    place: NDArray,
    is_at_least: bool,
    n_draws: int,
    rng: np.random.Generator,
) -> NDArray:
    """Draws of how far the metal at a place stood below the plane of survey `k`, um: the needle measured from it."""
    if not np.isfinite(place).all():
        return np.zeros(n_draws)
    least, most = below_plane_um(surveys, place[None], np.zeros(1))[0, k]
    return np.full(n_draws, least) if is_at_least or most <= least else rng.uniform(least, most, n_draws)


def _cut_since(then: FaceSurvey, now: FaceSurvey, at: NDArray) -> float:
    """Stock that came off between two surveys at a place, um."""
    return float(now.removed.at(at) - then.removed.at(at))


def _stock_since(
    k: int,
    surveys: Sequence[FaceSurvey],
    at: NDArray,
    model: DepthModel | None,
    n_draws: int,
    rng: np.random.Generator,
) -> NDArray:
    """Draws of the stock that came off between survey `k` and the last one at a place, um."""
    then, now = surveys[k], surveys[-1]
    if model is not None:
        error = model.stock_error_um[:, -1] - model.stock_error_um[:, k]
    else:
        error = float(np.hypot(now.removed.sd_at(at), then.removed.sd_at(at))) * rng.standard_normal(n_draws)
    return _cut_since(then, now, at) + error


def _words_of(reading: pd.Series, survey: FaceSurvey, system: UnitSystem) -> str:
    """Its depth and survey, and what its note says: why it belongs to no pit (:func:`pitmap.depth.attach_readings`)."""
    words = f"{format_depth(float(reading['value_um']), system)} {Stage(survey.stage).moment}"
    return f"{words} ({reading['note']})" if reading["note"] else words


def _is_read_again(place: NDArray, left: NDArray, surveys: Sequence[FaceSurvey], k: int) -> bool:
    """A later survey has a reading at the place that is as deep, within what the first one leaves open."""
    least, now = float(np.quantile(left, _AS_DEEP)), surveys[-1]
    for survey in surveys[k + 1 :]:
        later = survey.readings.loc[
            (survey.readings["kind"] == "pit_depth") & ~survey.readings["is_lower_bound"]
        ]
        for _, r in later.iterrows():
            at = np.array([r["x_mm"], r["y_mm"]], float)
            if np.hypot(*(at - place)) <= NEAR_MM and r["value_um"] - _cut_since(survey, now, at) >= least:
                return True
    return False
