"""What the working zones of a face need: the draws of every pit's depth turned into stock, zone by zone."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..depth import DepthModel, FaceSurvey, LapBounds
from ..depth.next_readings import NEXT_READINGS, next_readings
from ..depth.pit_model import MAX_RATIO
from ..estimate import Estimate
from ..tables import Column, Schema
from ..units import UnitSystem, format_depth, format_length
from .budget import BudgetLine
from .curves import DrawnNeed, Needed, width_draws
from .sound import SoundWidth, disc_sound_width

__all__ = [
    "STEPS",
    "FreeReadings",
    "face_need",
    "free_readings",
    "left_um",
    "read_next",
    "step_rows",
    "uses_words",
    "why_not",
    "width_function",
    "within_limit_words",
]

STEPS = Schema(
    "steps",
    (
        Column("zone", "object", "working zone"),
        Column("from_um", "float64", "further stock before this step"),
        Column("to_um", "float64", "after it"),
        Column("pits_cleared", "float64", "pits that the step is expected to clear"),
        Column("pits_left", "float64", "pits expected to be left after it"),
        Column("p_clean_before", "float64", "chance that no pit is left before it"),
        Column("p_clean_after", "float64", "after it"),
        Column("sound_width_gain_mm", "float64", "median gain of sound width; NaN off the land"),
        Column("uses", "object", "what the step uses up of each budget"),
    ),
)

_STEP_UM = 10.0
_MAX_STEPS = 30
_N_STEP_DRAWS = 12
_NEAR_MM = 2.0
"""A reading with a place of its own may be of any pit so near (house choice)."""
_AS_DEEP = 0.01
"""A later reading answers an earlier one that it lies under only by such a chance (house choice)."""


def left_um(
    model: DepthModel | None, bounds: LapBounds, last: FaceSurvey, n_draws: int
) -> NDArray[np.float32]:
    """Depth of every pit under the present face (draws, pits), um; negative when it is gone.

    The draws carry the error of the removed stock that belongs to them, so a step that cut more than was measured
    leaves shallower pits. A pit that the last survey saw is there in every draw.
    """
    if model is None:
        return np.empty((n_draws, 0), np.float32)
    xy = bounds.pits[["x_mm", "y_mm"]].to_numpy(float)
    now = last.removed.at(xy)[None, :] + model.stock_error_um[:, -1:]
    return (model.draws_um - now).astype(np.float32)


def why_not(
    left: NDArray, deepest_um: NDArray, lacking: str, is_known: NDArray[np.bool_], level: float
) -> str:
    """Why the stock of a zone cannot be said; empty when it can.

    Parameters
    ----------
    left : ndarray (draws, pits)
        Depths under the present face.
    deepest_um : ndarray (draws,)
        Deepest pit under the first face.
    lacking : str
        What the depth model as a whole lacks.
    is_known : ndarray of bool
        Pits whose depth is known from both sides.
    level : float
    """
    if not left.shape[1] or not (left.max(axis=1) > 0).any():
        return ""
    if is_known.all():
        return ""
    if lacking:
        return lacking
    tail = (1 - level) / 2
    low, high = np.quantile(deepest_um, [tail, 1 - tail])
    if high > MAX_RATIO * low:
        return f"not enough readings: the deepest pit could be anything from {low:.0f} to {high:.0f} um"
    return ""


def width_function(
    zone: str,
    pits: pd.DataFrame,
    surveys: Sequence[FaceSurvey],
    make: Callable[[pd.DataFrame], SoundWidth] | None,
) -> SoundWidth | None:
    """Sound width as a function of the land's pits that are left; None off the land or without its width."""
    if zone != "seal_land":
        return None
    if make is not None:
        return make(pits)
    nominal = [s.lands["nominal_width_mm"].min() for s in surveys if s.lands is not None and len(s.lands)]
    if not nominal or not math.isfinite(nominal[-1]):
        return None
    return disc_sound_width(pits, float(nominal[-1]))


def step_rows(
    zone: str, left: NDArray, with_free: NDArray, top_um: float, width: SoundWidth | None, uses: str
) -> pd.DataFrame:
    """What each further 10 um buys in one zone, up to `top_um` and at most thirty steps.

    `with_free` are the pits of `left` and the readings that belong to no one of them, as in
    :func:`~pitmap.stock.curves.pit_curve`.
    """
    n = min(_MAX_STEPS, max(1, math.ceil(top_um / _STEP_UM)))
    levels = np.arange(n + 1) * _STEP_UM
    count = np.array([(left > level).sum(axis=1).mean() for level in levels])
    clean = np.array([(with_free <= level).all(axis=1).mean() for level in levels])
    widths = (
        np.full(n + 1, np.nan)
        if width is None
        else np.median(width_draws(left[:: max(1, len(left) // _N_STEP_DRAWS)], width, levels), axis=0)
    )
    return STEPS.frame(
        {
            "zone": zone, "from_um": levels[i], "to_um": levels[i + 1], "pits_cleared": count[i] - count[i + 1],
            "pits_left": count[i + 1], "p_clean_before": clean[i], "p_clean_after": clean[i + 1],
            "sound_width_gain_mm": widths[i + 1] - widths[i], "uses": uses,
        }
        for i in range(n)
    )  # fmt: skip


def within_limit_words(
    zones: Sequence[tuple[str, NDArray, SoundWidth | None]], allowed_um: float, system: UnitSystem
) -> str:
    """What the stock that is still allowed would reach, zone by zone; empty without a limit."""
    if not math.isfinite(allowed_um):
        return ""
    parts = []
    for zone, left, width in zones:
        count = (left > allowed_um).sum(axis=1)
        part = f"{zone.replace('_', ' ')} about {count.mean():.1f} pits left"
        if width is not None:
            narrowest = float(np.median(width_draws(left, width, np.array([allowed_um]))))
            part += f" and {format_length(narrowest, system)} of sound width"
        parts.append(part)
    if not parts:
        return ""
    return f"Your limits allow {format_depth(allowed_um, system)} more; that would reach: {'; '.join(parts)}."


def uses_words(budget: Sequence[BudgetLine], system: UnitSystem) -> str:
    """What each further 10 um takes from every budget, in words."""
    parts, step = [], format_depth(10.0, system)
    for line in budget:
        spare = line.limit - line.now.value if not line.is_minimum else line.now.value - line.limit
        if line.name == "total_stock":
            of = f" of {format_depth(spare, system)} allowed" if math.isfinite(spare) else ""
            parts.append(f"{step} of stock{of}")
        elif line.name == "case_left":
            parts.append(f"{step} of {format_depth(line.now.value, system)} case")
        elif line.name == "thickness":
            parts.append(f"{step} of thickness")
        else:
            parts.append(f"{line.per_10_um:+.2f} points of {line.name}")
    return "; ".join(parts)


def face_need(goals: Sequence[DrawnNeed], confidence: float, level: float) -> tuple[float, Estimate, str]:
    """Recommended stock, true need and what is lacking for the face as a whole.

    Draw by draw the zone that needs most decides, so that the recommended stock is enough for all zones together
    at the wanted confidence.
    """
    for goal in goals:
        if not goal.needed.stock_um.is_known:
            zone = goal.needed.zone.replace("_", " ")
            return math.nan, goal.needed.stock_um, f"{zone}: {goal.needed.stock_um.reason}"
    if not goals:
        return 0.0, Estimate(value=0.0, low=0.0, high=0.0, level=level), ""
    n = max(len(g.draws_um) for g in goals)
    # Shorter tables of draws are spread evenly through the same joint draws; each is held in its place.
    most = np.max([g.draws_um[np.arange(n) * len(g.draws_um) // n] for g in goals], axis=0)
    face = DrawnNeed.of("face", "all", most, confidence, level).needed
    return face.recommended_um, face.stock_um, ""


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
                return (
                    f"the reading of {self.words[k]} belongs to no pit of the map and says only that the floor lies"
                    " deeper: read it to the floor, or name its pit"
                )
        return ""

    def told(self) -> tuple[str, ...]:
        """One sentence on those that lie under the present face; none where there is none."""
        deep = [w for w, left in zip(self.words, self.left_um.T) if np.median(left) > 0]
        if not deep:
            return ()
        count = "a reading belongs" if len(deep) == 1 else f"{len(deep)} readings belong"
        return (f"{count} to no one pit of the map; for the stock it counts all the same: {', '.join(deep)}",)


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
    reached. The zone is that of the pits near by (:data:`_NEAR_MM` beyond their rims), else not known. A place that was
    read again at a later survey, and found as deep, needs its first reading no more. The draws carry the error of the
    stock that came off between the reading's survey and the present face.
    """
    linked = {(int(k), int(m)) for _, k, m in bounds.links.to_numpy()}
    now = len(surveys) - 1
    columns: list[NDArray] = []
    zones: list[frozenset[str]] = []
    at_least: list[bool] = []
    words: list[str] = []
    for k, survey in enumerate(surveys):
        table = survey.readings.loc[survey.readings["kind"] == "pit_depth"]
        of_mark = survey.marks.set_index("mark_id")
        for _, r in table.iterrows():
            mark = int(r["mark_id"])
            if (k, mark) in linked:
                continue
            place = np.array([r["x_mm"], r["y_mm"]], float)
            if mark in of_mark.index:
                place = of_mark.loc[mark, ["x_mm", "y_mm"]].to_numpy(float)
            left = r["value_um"] + r["uncertainty_um"] * rng.standard_normal(n_draws)
            if k < now:
                left -= _cut_since(survey, surveys[now], place)
                left -= _error_since(k, now, survey, surveys[now], place, model, n_draws, rng)
            if _is_read_again(place, left, surveys, k):
                continue
            columns.append(left)
            zones.append(_zones_at(place, survey.marks))
            at_least.append(bool(r["is_lower_bound"]))
            depth = format_depth(float(r["value_um"]), system)
            words.append(f"{depth} at {survey.stage.replace('_', ' ')}")
    left_um = np.column_stack(columns) if columns else np.empty((n_draws, 0))
    return FreeReadings(
        left_um=left_um.astype(np.float32),
        zones=tuple(zones),
        is_at_least=np.array(at_least, bool),
        words=tuple(words),
    )


def _cut_since(then: FaceSurvey, now: FaceSurvey, place: NDArray) -> float:
    """Stock that came off between two surveys at a place, um; the middle of the face where it is not known."""
    at = place if np.isfinite(place).all() else np.zeros(2)
    return float(now.removed.at(at) - then.removed.at(at))


def _error_since(
    k: int,
    last: int,
    then: FaceSurvey,
    now: FaceSurvey,
    place: NDArray,
    model: DepthModel | None,
    n_draws: int,
    rng: np.random.Generator,
) -> NDArray:
    if model is not None:
        return model.stock_error_um[:, last] - model.stock_error_um[:, k]
    at = place if np.isfinite(place).all() else np.zeros(2)
    return float(np.hypot(now.removed.sd_at(at), then.removed.sd_at(at))) * rng.standard_normal(n_draws)


def _is_read_again(place: NDArray, left: NDArray, surveys: Sequence[FaceSurvey], k: int) -> bool:
    """A later survey has a reading at the place that is as deep, within what the first one leaves open."""
    least, now = float(np.quantile(left, _AS_DEEP)), surveys[-1]
    for survey in surveys[k + 1 :]:
        later = survey.readings.loc[
            (survey.readings["kind"] == "pit_depth") & ~survey.readings["is_lower_bound"]
        ]
        for _, r in later.iterrows():
            at = np.array([r["x_mm"], r["y_mm"]], float)
            if np.hypot(*(at - place)) <= _NEAR_MM and r["value_um"] - _cut_since(survey, now, at) >= least:
                return True
    return False


def _zones_at(place: NDArray, marks: pd.DataFrame) -> frozenset[str]:
    """Zones of the pits at a place, or near by; none where there is no pit."""
    pits = marks.loc[marks["class_code"] == int(SurfaceClass.PIT)]
    if not len(pits) or not np.isfinite(place).all():
        return frozenset()
    beyond = np.hypot(pits["x_mm"] - place[0], pits["y_mm"] - place[1]) - pits["eq_diam_mm"] / 2
    return frozenset(pits.loc[beyond <= _NEAR_MM, "zone"].astype(str))


def read_next(
    model: DepthModel | None,
    bounds: LapBounds,
    goals: Sequence[Needed],
    left: NDArray,
    rng: np.random.Generator,
    system: UnitSystem,
    *,
    n: int = 5,
) -> tuple[pd.DataFrame, str]:
    """Pits to read next for the zone that decides, and the advice in words; empty when nothing is left to clear.

    Numbers are those of the last survey's map, depths are under the present face: what the person at the bench sees.
    """
    last = len(bounds.stages) - 1
    now = bounds.links.loc[bounds.links["survey"] == last].drop_duplicates("pit_id")
    number = dict(zip(now["pit_id"], now["mark_id"]))
    here = bounds.pits["pit_id"].isin(number).to_numpy()
    pit_goals = [g for g in goals if g.aim != "uncut"]
    if model is None or not here.any() or not pit_goals:
        return NEXT_READINGS.empty(), ""
    unknown = [g for g in pit_goals if not g.stock_um.is_known]
    worst = unknown[0] if unknown else max(pit_goals, key=lambda g: g.stock_um.high - g.stock_um.low)
    table = next_readings(model, n, rng=rng, zone=worst.zone, present=here)
    if not len(table):
        return table, ""
    place = {int(p): i for i, p in enumerate(bounds.pits["pit_id"])}
    depth = [float(np.median(left[:, place[int(p)]])) for p in table["mark_id"]]
    table = table.assign(mark_id=[int(number[p]) for p in table["mark_id"]], depth_um=depth)
    names = ", ".join(str(i) for i in table["mark_id"])
    before = float(table["spread_before_um"].to_numpy()[0])
    after = float(table["spread_after_um"].to_numpy()[-1])
    words = (
        f"Read these pits next, in this order: {names}; the error of the deepest would go from about"
        f" {format_depth(before, system)} to {format_depth(after, system)}."
    )
    return NEXT_READINGS.check(table.astype({"mark_id": "int64"})), words
