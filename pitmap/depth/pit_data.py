"""Pits with everything that is known of their depths, as arrays for the likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..errors import InputError
from ..flags import Flag
from .hidden_holes import is_told_by_laps, most_left_um, moves_with_stock
from .pit_words import PitWords
from .zones import zones_near

__all__ = ["PitData", "collect"]

REFERENCE_DIAM_MM = 1.0
"""Diameter at which the intercept of the model is the median log depth."""

_DISAGREE_SD = 4.0
"""A reading this many standard deviations outside the lap bounds contradicts them."""

_MIN_ZONE_INFORMATIVE = 4
"""Pits with a known depth that a zone needs before the data alone settle an effect of its own (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PitData:
    """What is known of each of n pits; depths in um under the first face.

    ``x`` log diameter over the reference; ``zone`` place in ``zone_names``, that with most known depths first;
    ``has_zone_effect`` where two zones hold enough of them to settle how they differ; ``lo``/``hi`` lap bounds and
    the surveys behind them (-1 none) whose common errors are ``stock_sd``; ``hi`` leaves room for a hole too narrow for the
    map, and ``hi_moves`` is by how much it rises with an error of its survey (by 1 less it falls with one of the entry's);
    ``gone`` the stock itself that a pit was gone with, ``is_told`` where that and ``lo`` tell of the depths of other pits;
    ``entry`` the stock that was already off
    when the pit was first seen, and that survey: a shallower pit would not be in the sample at all. Exact readings
    one by one, those of one pit and survey as their mean: ``read_pit`` the pit's place, ``read_y``/``read_u`` depth and
    error of the instrument, ``read_survey`` the survey (-1 none), because the stock that was added to the depth is off
    by that survey's common error. ``y``/``u`` the mean of all of a pit and its whole error (NaN none);
    ``at_least``/``at_least_u``/``at_least_survey`` the strongest lower-bound reading. Readings that belong to no pit:
    ``free_y``/``free_u`` and ``free_zones``, those of the pits near (none: any); ``free_is_at_least`` where the needle
    did not reach the floor.
    """

    x: NDArray[np.float64]
    zone: NDArray[np.int64]
    zone_names: tuple[str, ...]
    has_zone_effect: bool
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]
    lo_survey: NDArray[np.int64]
    hi_survey: NDArray[np.int64]
    hi_moves: NDArray[np.float64]
    gone: NDArray[np.float64]
    is_told: NDArray[np.bool_]
    entry: NDArray[np.float64]
    entry_survey: NDArray[np.int64]
    stock_sd: NDArray[np.float64]
    read_pit: NDArray[np.int64]
    read_y: NDArray[np.float64]
    read_u: NDArray[np.float64]
    read_survey: NDArray[np.int64]
    y: NDArray[np.float64]
    u: NDArray[np.float64]
    at_least: NDArray[np.float64]
    at_least_u: NDArray[np.float64]
    at_least_survey: NDArray[np.int64]
    free_y: NDArray[np.float64]
    free_u: NDArray[np.float64]
    free_zones: tuple[frozenset[str], ...]
    free_is_at_least: NDArray[np.bool_]
    flags: NDArray[np.int64]
    problems: tuple[str, ...]

    @property
    def n(self) -> int:
        """Number of pits."""
        return len(self.x)

    @property
    def is_read(self) -> NDArray[np.bool_]:
        """Pits with an exact reading."""
        return np.isfinite(self.y)

    @property
    def is_informative(self) -> NDArray[np.bool_]:
        """Pits whose depth is known from both sides: read, or gone after some step."""
        return self.is_read | np.isfinite(self.hi)


def collect(
    marks: pd.DataFrame,
    readings: pd.DataFrame,
    bounds: pd.DataFrame | None,
    stock_sd_um: NDArray[np.float64],
    reading_survey: NDArray[np.int64] | None = None,
    words: PitWords | None = None,
    below_um: NDArray[np.float64] | None = None,
    hidden_mm: float = 0.0,
) -> PitData:
    """Gather readings and bounds per pit; contradictions are resolved on the safe side, and named.

    A needle cannot reach deeper than the pit is, but a photo can miss a pit: a reading deeper than a lap step allows
    keeps its word against the map that no longer shows the pit. A needle can fail to reach the floor: a reading
    shallower than what has come off while the pit stayed gives way, and so does one beside a much deeper one of the same
    pit and survey. What the metal that a reading was taken from stood below the plane of the survey (`below_um`) is added to
    it, with what is not known of that as an error. A pit that is gone may have left a hole narrower than `hidden_mm`.
    """
    ids = marks["mark_id"].to_numpy(np.int64)
    if len(np.unique(ids)) < len(ids):
        raise InputError("fit_depths: a mark number stands twice among the pits")
    diameter = marks["eq_diam_mm"].to_numpy(float)
    if not (np.isfinite(diameter).all() and (diameter > 0).all()):
        raise InputError("fit_depths: every pit needs an equivalent diameter above 0")
    n = len(ids)
    place = {int(m): i for i, m in enumerate(ids)}
    lo, hi = np.zeros(n), np.full(n, np.inf)
    lo_survey, hi_survey = np.full(n, -1), np.full(n, -1)
    entry, entry_survey = np.zeros(n), np.full(n, -1)
    if bounds is not None and n:
        if set(bounds["pit_id"]) != set(ids):
            raise InputError("fit_depths: bounds and marks do not name the same pits")
        b = bounds.set_index("pit_id").loc[ids]
        lo, hi = b["deeper_than_um"].to_numpy(float).copy(), b["shallower_than_um"].to_numpy(float).copy()
        lo_survey, hi_survey = (
            b["deeper_survey"].to_numpy(int).copy(),
            b["shallower_survey"].to_numpy(int).copy(),
        )
        entry = np.maximum(b["seen_from_um"].to_numpy(float), 0.0)
        entry_survey = b["first_survey"].to_numpy(int).copy()
        # Nothing had come off before the survey that saw it: no bound, and no error of a bound.
        lo_survey[lo <= 0] = -1
        entry_survey[entry <= 0] = -1
    gone_um, hi = hi, most_left_um(hi, entry, diameter, hidden_mm)
    is_told = is_told_by_laps(diameter, hidden_mm)
    hi_moves = moves_with_stock(gone_um, entry, diameter, hidden_mm)
    sd_of = np.append(np.asarray(stock_sd_um, float), 0.0)

    flags = np.zeros(n, np.int64)
    problems: list[str] = []
    words = words or PitWords()
    exact: dict[tuple[int, int], list[tuple[float, float]]] = {}
    at_least, at_least_u, at_least_survey = np.full(n, np.nan), np.full(n, np.nan), np.full(n, -1)
    free: list[tuple[float, float, frozenset[str], bool]] = []
    low_metal: dict[tuple[int, int], tuple[float, float]] = {}
    survey_of = np.full(len(readings), -1) if reading_survey is None else np.asarray(reading_survey, int)
    if len(survey_of) != len(readings):
        raise InputError("fit_depths: expected the survey of every reading")
    below = np.zeros((len(readings), 2)) if below_um is None else below_um
    depth = readings.assign(survey=survey_of, least_um=below[:, 0], most_um=below[:, 1])
    depth = depth.loc[readings["kind"] == "pit_depth"]
    # Sorted by content, so that the order of entry cannot change a single bit of the result.
    depth = depth.sort_values(["mark_id", "value_um", "uncertainty_um", "x_mm", "y_mm"], kind="stable")
    for _, r in depth.iterrows():
        y, u, mark, at = (
            float(r["value_um"]),
            float(r["uncertainty_um"]),
            int(r["mark_id"]),
            int(r["survey"]),
        )
        least, most = float(r["least_um"]), float(r["most_um"])
        if mark < 0:
            near = zones_near(np.array([r["x_mm"], r["y_mm"]], float), marks)
            y, u = (y + least, u) if r["is_lower_bound"] else _from_the_plane(y, u, least, most)
            free.append((y, float(np.hypot(u, sd_of[at])), near, bool(r["is_lower_bound"])))
            continue
        if mark not in place:
            raise InputError(
                f"fit_depths: reading {int(r['reading_id'])} names pit {mark}, which is not among the marks"
            )
        i = place[mark]
        if y - hi[i] > _DISAGREE_SD * _apart_sd(
            u, sd_of, (at, 1.0), (hi_survey[i], -hi_moves[i]), (entry_survey[i], hi_moves[i] - 1)
        ):
            flags[i] |= int(Flag.CONTRADICTION)
            problems.append(
                f"{words.pit(mark, at)}: the reading of {words.read(y, mark, at)}{words.moment(at)} speaks against the later"
                f" map{words.moment(int(hi_survey[i]))}, which no longer shows the pit with {words.stock(gone_um[i])} off;"
                " the reading counts, look there again"
            )
            hi[i], hi_survey[i] = np.inf, -1
        if not r["is_lower_bound"] and lo[i] - y - most > _DISAGREE_SD * _apart_sd(
            u, sd_of, (at, 1.0), (lo_survey[i], -1.0)
        ):
            flags[i] |= int(Flag.CONTRADICTION)
            problems.append(
                f"{words.pit(mark, at)}: the reading of {words.read(y, mark, at)}{words.moment(at)} speaks against the lap"
                f" steps: with {words.stock(lo[i])} off the pit was still there; the steps count, read it again"
            )
        elif r["is_lower_bound"]:
            flags[i] |= int(Flag.DEPTH_LOWER_BOUND)
            if not y + least <= at_least[i]:
                at_least[i], at_least_u[i], at_least_survey[i] = y + least, u, at
        else:
            exact.setdefault((i, at), []).append((y, u))
            low_metal[i, at] = least, most
    for (i, at), found in sorted(exact.items()):
        stuck = at_least[i] - low_metal[i, at][0]
        floor = _from_the_floor(found, (stuck, at_least_u[i]) if at_least_survey[i] == at else None)
        if len(floor) < len(found):
            flags[i] |= int(Flag.CONTRADICTION)
            pit = int(ids[i])
            said = [words.read(y, pit, at) for y, _ in found]
            if at_least_survey[i] == at:
                said.append(f"at least {words.read(stuck, pit, at)}")
            when = words.moment(at) or " at one survey"
            problems.append(
                f"{words.pit(pit, at)}: readings of {' and '.join(said)}{when} are not of one floor; a needle can miss it,"
                " or the mark holds two holes, so the deepest counts; read it again"
            )
        exact[i, at] = floor
    exact = {key: found for key, found in exact.items() if found}
    read_pit, read_survey = np.array(sorted(exact), int).reshape(-1, 2).T
    pooled = np.array(
        [
            _from_the_plane(*_pooled(exact[key]), *low_metal[key])
            for key in zip(read_pit.tolist(), read_survey.tolist())
        ]
    ).reshape(-1, 2)
    read_y, read_u = pooled.T
    weight = 1 / (read_u**2 + sd_of[read_survey] ** 2)
    precision = np.bincount(read_pit, weight, minlength=n)
    weighted = np.bincount(read_pit, weight * read_y, minlength=n)
    read = precision > 0
    y_mean, y_sd = np.full(n, np.nan), np.full(n, np.nan)
    y_mean[read], y_sd[read] = weighted[read] / precision[read], precision[read] ** -0.5
    zone_names, zone, per_zone = _zones(marks, read | (np.isfinite(hi) & is_told))
    return PitData(
        x=np.log(diameter / REFERENCE_DIAM_MM), zone=zone, zone_names=zone_names,
        has_zone_effect=bool((per_zone >= _MIN_ZONE_INFORMATIVE).sum() >= 2),
        lo=lo, hi=hi, lo_survey=lo_survey, hi_survey=hi_survey, hi_moves=hi_moves, gone=gone_um, is_told=is_told,
        entry=entry, entry_survey=entry_survey, stock_sd=sd_of[:-1],
        read_pit=read_pit, read_y=read_y, read_u=read_u, read_survey=read_survey,
        y=y_mean, u=y_sd, at_least=at_least, at_least_u=at_least_u, at_least_survey=at_least_survey,
        free_y=np.array([f[0] for f in free]), free_u=np.array([f[1] for f in free]),
        free_zones=tuple(f[2] for f in free), free_is_at_least=np.array([f[3] for f in free], bool),
        flags=flags, problems=tuple(problems),
    )  # fmt: skip


def _zones(
    marks: pd.DataFrame, is_known: NDArray[np.bool_]
) -> tuple[tuple[str, ...], NDArray[np.int64], NDArray[np.int64]]:
    """Names of the zones, the place of each pit's among them, and how many known depths each holds, most first.

    Contrasts are counted from the first zone, so that one without any reading differs by one contrast from what was read.
    """
    names, zone = np.unique(marks["zone"].astype(str).to_numpy(), return_inverse=True)
    n_known = np.bincount(zone.ravel()[is_known], minlength=len(names))
    order = np.argsort(-n_known, kind="stable")
    return tuple(str(z) for z in names[order]), np.argsort(order)[zone.ravel()], n_known[order]


def _from_the_floor(
    readings: list[tuple[float, float]], at_least: tuple[float, float] | None
) -> list[tuple[float, float]]:
    """Readings (y, u) of one pit at one survey without those that lie too far over the deepest to be of the same floor."""
    deepest, u_deepest = max([*readings, *([at_least] if at_least else [])])
    return [(y, u) for y, u in readings if deepest - y <= _DISAGREE_SD * float(np.hypot(u, u_deepest))]


def _from_the_plane(y: float, u: float, least: float, most: float) -> tuple[float, float]:
    """A reading (y, u) from metal that stood anywhere between `least` and `most` below the plane: a uniform law."""
    return y + (least + most) / 2, float(np.hypot(u, (most - least) / 12**0.5))


def _pooled(readings: list[tuple[float, float]]) -> tuple[float, float]:
    """Mean of readings (y, u), weighted by their precision, and its error."""
    precision = sum(u**-2 for _, u in readings)
    return sum(y * u**-2 for y, u in readings) / precision, precision**-0.5


def _apart_sd(u: float, stock_sd: NDArray[np.float64], *stocks: tuple[int, float]) -> float:
    """Error of a reading less a bound: its own, and that of the stock of each survey as often as it stands in the two."""
    times = np.zeros(len(stock_sd))
    for survey, n in stocks:
        times[survey] += n
    return float(np.hypot(u, np.linalg.norm(times * stock_sd)))
