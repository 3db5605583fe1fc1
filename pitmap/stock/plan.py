"""How much must come off, and should it: surveys, readings and limits in, a plan with reasons out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from ..classes import Stage, SurfaceClass
from ..depth import (
    DepthModel,
    FaceSurvey,
    LapBounds,
    cross_checks,
    fit_series,
    in_zone,
    lap_bounds,
    more_entered_than_lost,
    readings_under_first_face,
    with_measured_stock,
)
from ..depth.doubles import surveys_with_each_once
from ..depth.survey import no_pit_means_little
from ..drawing import WORKING_ZONES
from ..errors import InputError
from ..estimate import DEFAULT_LEVEL, Estimate
from ..units import UnitSystem
from .budget import BudgetLine, normal_half, stock_allowed_um, stock_budget
from .condition import (
    form_findings,
    sound_width_now,
    thickness_now,
    unruled_readings,
    zone_condition,
)
from .curves import (
    CURVES,
    DrawnNeed,
    Needed,
    needed_for_pits,
    needed_for_width,
    pit_curve,
    removal_levels,
    width_curve,
)
from .free_readings import FreeReadings, free_readings
from .limits import LimitSheet
from .needs import (
    STEPS,
    face_need,
    left_um,
    step_rows,
    unseen_words,
    uses_words,
    why_not,
    width_doubt,
    width_function,
    within_limit_words,
)
from .on_trust import read_next, unreached_words, unread_words
from .plane import LappingPlane, confident_plane
from .rules import judge_budget, unguarded_limits
from .sound import SoundWidth
from .uncut import needed_for_uncut, uncut_curve
from .verdict import Verdict, decide

__all__ = ["Aim", "StockPlan", "plan_stock"]

_N_DRAWS = 1000
_MOST_CELLS = 1_200_000
"""Draws times pits; beyond it fewer draws are kept, so that time grows no faster than the number of pits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What counts as brought back, per working zone.

    Parameters
    ----------
    zones : dict of str to str
        Zone to ``pits`` (the last pit is gone) or ``sound_width`` (the land is sound over the width in the limit
        sheet).
    """

    zones: dict[str, str] = field(default_factory=lambda: dict.fromkeys(WORKING_ZONES, "pits"))

    def __post_init__(self) -> None:
        for zone, aim in self.zones.items():
            if zone not in WORKING_ZONES or aim not in ("pits", "sound_width"):
                raise InputError(
                    f"aim: expected pits or sound_width for {', '.join(WORKING_ZONES)}, got {zone}: {aim}"
                )
            if aim == "sound_width" and zone != "seal_land":
                raise InputError("aim: sound_width is asked of the seal land only")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StockPlan:
    """What to do with one face.

    Parameters
    ----------
    needed : tuple of Needed
        Per working zone and aim.
    unseen : tuple of str
        Of which zones `needed`, `curves` and `steps` are of a part alone, because the rest was not seen: a sentence each,
        to stand with them.
    curves : DataFrame
        :data:`~pitmap.stock.CURVES`.
    steps : DataFrame
        :data:`STEPS`: what each further 10 um buys and uses.
    budget : tuple of BudgetLine
    verdict : Verdict
    read_next : DataFrame
        :data:`~pitmap.depth.NEXT_READINGS`, with the numbers of the last survey's map and depths under the present
        face.
    plane : LappingPlane or None
        Best plane within the allowed tilt that clears the pits of the working zones at the same confidence; None
        without face bounds, without such pits, when their depths are not known, when a reading that belongs to no pit
        may lie under it, or when it would take more at its deepest corner than the limits allow.
    bounds : LapBounds
    model : DepthModel or None
        None on a face without pits.
    cross_checks : DataFrame
        :data:`~pitmap.depth.CROSS_CHECKS`: the deepest pit under the first face by the model and by published methods.
    removed_um : Estimate
        Stock taken off in this job so far.
    confidence, level : float
    problems : tuple of str
        Contradictions, in words.
    """

    needed: tuple[Needed, ...]
    unseen: tuple[str, ...]
    curves: pd.DataFrame
    steps: pd.DataFrame
    budget: tuple[BudgetLine, ...]
    verdict: Verdict
    read_next: pd.DataFrame
    plane: LappingPlane | None
    bounds: LapBounds
    model: DepthModel | None
    cross_checks: pd.DataFrame
    removed_um: Estimate
    confidence: float
    level: float
    problems: tuple[str, ...]

    @property
    def each_step_uses(self) -> str:
        """What every one of the steps takes from the budgets: the same for all; empty without steps or budgets."""
        return "" if self.steps.empty else str(self.steps["uses"].iat[0])


def plan_stock(
    surveys: Sequence[FaceSurvey],
    limits: LimitSheet | None = None,
    *,
    rng: np.random.Generator,
    aim: Aim | None = None,
    confidence: float = 0.90,
    level: float = DEFAULT_LEVEL,
    sound_width: Callable[[pd.DataFrame], SoundWidth] | None = None,
    flatness_um: Estimate | None = None,
    joint_gap_um: Estimate | None = None,
    lap_uncertainty_um: float = 3.0,
    face_bounds_mm: tuple[float, float, float, float] | None = None,
    tilt_max_um: float = 0.0,
    stock_from_thickness: bool = False,
    thickness_doubt: str = "",
    not_counted: Sequence[str] = (),
    system: UnitSystem = "mm",
) -> StockPlan:
    """Plan the stock of one face.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        All surveys of the face in this job, in any order, each with its readings.
    limits : LimitSheet or None
        What the user entered; None: nothing is judged.
    rng : numpy.random.Generator
    aim : Aim or None
        None: no pit left in either working zone.
    confidence : float
        Chance wanted that the recommended stock is enough.
    level : float
        Of every interval.
    sound_width : callable or None
        From the land's pits (a table) to a function of the pits left; None: pits as discs, as long as these agree with
        the measured width.
    flatness_um, joint_gap_um : Estimate or None
        From :mod:`pitmap.depth.flatness` and :mod:`pitmap.stock.gap`, where measured.
    lap_uncertainty_um : float
        How well the bench hits a planned removal, one standard deviation.
    face_bounds_mm : tuple or None
        (x_min, y_min, x_max, y_max) of the face; with it the tilted lapping plane is worked out.
    tilt_max_um : float
        Difference of stock across the face that is allowed, um.
    stock_from_thickness : bool
        Take the removed stock of each survey from its thickness spots in place of the number entered; only for a
        plate whose other face was not worked meanwhile.
    thickness_doubt : str
        Why the micrometer's thickness is not that of the plate now, as after a lap of its other face; then it is not
        judged.
    not_counted : sequence of str
        What is known of the face and could not be used, in words: the present face is another than that of the last
        survey, so no stock is advised and no budget passes.
    system : {"mm", "inch"}
        Units of the sentences.

    Raises
    ------
    InputError
        No survey, or tables that do not belong together.
    """
    if not surveys:
        raise InputError("plan_stock: no survey given")
    if not 0 < confidence < 1:
        raise InputError(f"confidence: expected a number between 0 and 1, got {confidence!r}")
    limits, aim = limits or LimitSheet(), aim or Aim()
    surveys = sorted(surveys, key=lambda s: Stage(s.stage).order)
    surveys, problems = surveys_with_each_once(surveys)
    if stock_from_thickness:
        surveys, stock_problems = with_measured_stock(surveys, system=system)
        problems += stock_problems
    else:
        problems += more_entered_than_lost(surveys, system=system)
    last = surveys[-1]
    bounds, model = _fit(surveys, level, rng, system)
    left = left_um(model, bounds, last, _N_DRAWS)
    removed = _most_removed(surveys, bounds, face_bounds_mm, level)
    free = free_readings(surveys, bounds, model, len(left), rng, system)
    wanted = _Wanted(limits=limits, confidence=confidence, level=level, system=system)
    width_now = sound_width_now(last)

    later: list[tuple[str, np.ndarray, np.ndarray, SoundWidth | None]] = []
    needed: list[DrawnNeed] = []
    curves = []
    seen, absent = last.unseen_shares(), set[str]()
    share_max = limits.value("uncut_share_max") / 100
    for zone in WORKING_ZONES:
        own = in_zone(bounds.pits, zone)
        width = width_function(zone, bounds.pits.loc[own], surveys, sound_width)
        of_zone = free.of(zone)
        with_free = np.hstack([left[:, own], of_zone.left_um])
        doubt = ""
        if width is not None and sound_width is None:
            doubt = width_doubt(width, left[:, own], width_now, system)
        unseen = "" if (with_free > 0).any() else no_pit_means_little(seen, zone)
        if seen is not None and zone not in seen and not with_free.shape[1]:
            # A drawing without a land has none to bring back.
            absent.add(zone)
        found, curve = _zone(
            zone, own, left, with_free, of_zone, model, width, width_now, unseen, doubt, wanted
        )
        width = None if doubt else width
        needed += found
        curves += curve
        if found[0].needed.stock_um.is_known:
            later.append((zone, left[:, own], with_free, width))
        for_uncut = needed_for_uncut(zone, surveys, share_max, confidence, level, rng=rng, system=system)
        # pits that are known of the zone do not tell how much of what was not seen the lap has reached
        why = no_pit_means_little(seen, zone, what="uncut metal")
        if for_uncut and why and for_uncut.needed.stock_um.is_known and not for_uncut.draws_um.any():
            for_uncut = DrawnNeed.unknown(zone, "uncut", why, confidence, level)
        needed += [for_uncut] if for_uncut else []
        curves.append(uncut_curve(zone, surveys, level, rng=rng, share_max=share_max))

    if not_counted:
        needed = [
            DrawnNeed.unknown(n.needed.zone, n.needed.aim, not_counted[0], confidence, level) for n in needed
        ]
        later, curves = [], []
    goals = [
        n
        for n in needed
        if n.needed.aim in (aim.zones.get(n.needed.zone, ""), "uncut") and n.needed.zone not in absent
    ]
    if aim.zones.get("seal_land") == "sound_width" and not any(n.needed.aim == "sound_width" for n in needed):
        goals.append(_no_width(limits, wanted))
    recommended, need, lacking = face_need(goals, confidence, level)
    planned = 0.0 if math.isnan(recommended) else recommended
    half = normal_half(level) * lap_uncertainty_um if planned > 0 else 0.0
    thickness, thickness_problems = thickness_now(surveys, limits, level, system)
    budget = stock_budget(
        limits,
        removed,
        Estimate(value=planned, low=max(planned - half, 0.0), high=planned + half, level=level),
        level=level,
        thickness_mm=thickness,
        thickness_doubt=thickness_doubt,
        lacking="how much must come off is not known" if math.isnan(recommended) else "",
    )
    if not_counted:
        budget = tuple(replace(line, doubt=line.doubt or not_counted[0]) for line in budget)
    uses = uses_words(budget, system)
    steps = [
        step_rows(zone, own_left, with_free, _top(with_free), width, width_now, uses)
        for zone, own_left, with_free, width in later
    ]
    allowed = stock_allowed_um(budget)
    is_most = any((line.is_history_open or line.doubt) and not math.isnan(line.limit) for line in budget)
    findings = [judge_budget(line, system=system) for line in budget]
    findings += unguarded_limits(limits, budget, system=system)
    findings += form_findings(surveys, limits, flatness_um, joint_gap_um, level, system)
    table, words = read_next(model, bounds, [g.needed for g in goals], left, rng, system)
    verdict = decide(
        stage=last.stage,
        **zone_condition(last, limits),
        is_read_deeper=bool((np.median(free.left_um, axis=0) > 0).any()),
        need_um=need,
        recommended_um=recommended,
        lacking=lacking,
        not_counted=not_counted,
        findings=findings,
        allowed_um=allowed,
        is_joint=recommended > max((g.needed.recommended_um for g in goals), default=0.0) + 1.0,
        read_next=words,
        unread=(
            *unreached_words(last, bounds, _pit_zones(goals), system),
            *unread_words(model, bounds, _pit_zones(goals), system),
        ),
        within_limit=within_limit_words(later, allowed, width_now, system, is_most=is_most),
        unruled=unruled_readings(surveys),
        system=system,
    )
    plane, no_plane = None, ""
    in_work = np.logical_or.reduce([in_zone(bounds.pits, z) for z in WORKING_ZONES]) & (left > 0).any(axis=0)
    if face_bounds_mm is not None and not lacking and in_work.any():
        plane = confident_plane(
            bounds.pits["x_mm"].to_numpy(float)[in_work],
            bounds.pits["y_mm"].to_numpy(float)[in_work],
            left[:, in_work],
            face_bounds_mm,
            tilt_max_um=tilt_max_um,
            confidence=confidence,
            level=level,
        )
        no_plane = free.beyond(plane.least_um, WORKING_ZONES)
        if no_plane or plane.largest_um > allowed:
            # A tilt saves stock on average and spends more of it at one corner, where the limits hold as well.
            plane = None
    return StockPlan(
        needed=tuple(n.needed for n in needed),
        unseen=unseen_words([n.needed for n in needed], seen or {}),
        curves=_stack(curves, CURVES.empty()),
        steps=_stack(steps, STEPS.empty()),
        budget=budget,
        verdict=verdict,
        read_next=table,
        plane=plane,
        bounds=bounds,
        model=model,
        cross_checks=cross_checks(
            readings_under_first_face(surveys, bounds)[0],
            bounds.pits,
            by_model_um=model.deepest() if model else None,
            level=level,
        ),
        removed_um=removed,
        confidence=confidence,
        level=level,
        problems=(
            *problems,
            *thickness_problems,
            *dict.fromkeys((*not_counted, *(line.doubt for line in budget if line.doubt))),
            *bounds.problems,
            *(model.problems if model else ()),
            *free.told(),
            *([no_plane] if no_plane else []),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    limits: LimitSheet
    confidence: float
    level: float
    system: UnitSystem


def _fit(
    surveys: Sequence[FaceSurvey], level: float, rng: np.random.Generator, system: UnitSystem
) -> tuple[LapBounds, DepthModel | None]:
    n_pits = sum(int((s.marks["class_code"] == int(SurfaceClass.PIT)).sum()) for s in surveys)
    if not n_pits:
        return lap_bounds(surveys, system=system), None
    most = max(int((s.marks["class_code"] == int(SurfaceClass.PIT)).sum()) for s in surveys)
    n_draws = int(np.clip(_MOST_CELLS // most, 300, _N_DRAWS))
    return fit_series(surveys, rng=rng, level=level, n_draws=n_draws, system=system)


def _zone(
    zone: str,
    own: np.ndarray,
    left: np.ndarray,
    with_free: np.ndarray,
    free: FreeReadings,
    model: DepthModel | None,
    width: SoundWidth | None,
    width_now: Estimate,
    unseen: str,
    doubt: str,
    wanted: _Wanted,
) -> tuple[list[DrawnNeed], list[pd.DataFrame]]:
    """Needs of one zone (pits first) and its curves; no curves where the depths are not known."""
    zone_left, confidence, level = left[:, own], wanted.confidence, wanted.level
    why = unseen
    if not why and model is not None and own.any():
        known = model.depths["basis"].eq("read").to_numpy() | model.is_bounded
        why = why_not(
            zone_left, model.draws_um[:, own].max(axis=1), model.not_enough, known[own], level, wanted.system
        )
    if not why and with_free.shape[1]:
        exact = np.hstack([zone_left, free.left_um[:, ~free.is_at_least]])
        need = exact.max(axis=1, initial=0.0)
        why = free.lacking(need, confidence)
    found = [needed_for_pits(zone, with_free, confidence, level, lacking=why)]
    least = wanted.limits.value("sound_width_min")
    if width is not None and not math.isnan(least):
        found.append(
            needed_for_width(
                zone,
                zone_left,
                width,
                least,
                confidence,
                level,
                now_mm=width_now,
                lacking=why or doubt,
                system=wanted.system,
            )
        )
    if why:
        return found, []
    levels = removal_levels(_top(with_free))
    curves = [pit_curve(zone, zone_left, with_free, levels, level)]
    if width is not None and not doubt:
        curves.append(width_curve(zone, zone_left, levels, level, width, least, width_now))
    return found, curves


def _pit_zones(goals: Sequence[DrawnNeed]) -> list[str]:
    """Zones whose pits settle what the face needs."""
    return list(dict.fromkeys(g.needed.zone for g in goals if g.needed.aim != "uncut"))


def _no_width(limits: LimitSheet, wanted: _Wanted) -> DrawnNeed:
    """The aim was a sound width, and it cannot be worked out: unknown, never reached."""
    if math.isnan(limits.value("sound_width_min")):
        why = "the aim is a sound width, but no least sound width was entered"
    else:
        why = "the aim is a sound width, but the width of the land was not measured"
    return DrawnNeed.unknown("seal_land", "sound_width", why, wanted.confidence, wanted.level)


def _top(left: np.ndarray) -> float:
    """Removal up to which a curve is worth drawing: nearly every draw is clean there."""
    return max(10.0, float(np.quantile(left.max(axis=1), 0.99)) if left.shape[1] else 0.0)


def _most_removed(
    surveys: Sequence[FaceSurvey],
    bounds: LapBounds,
    face_bounds_mm: tuple[float, float, float, float] | None,
    level: float,
) -> Estimate:
    """Stock that has come off where most of it has: a budget is spent at its worst place.

    Of the corners of the face and the pits; the stock of most faces is one number, the same everywhere. Metal does not
    come back: where an earlier survey says more than the last one by over two standard deviations, that counts.
    """
    places = bounds.pits[["x_mm", "y_mm"]].to_numpy(float)
    if face_bounds_mm is not None:
        x0, y0, x1, y1 = face_bounds_mm
        places = np.vstack([places, [(x0, y0), (x0, y1), (x1, y0), (x1, y1)]])
    if not len(places):
        places = np.zeros((1, 2))
    most = surveys[-1].removed
    for earlier in (s.removed for s in surveys[:-1]):
        apart = earlier.at(places) - most.at(places)
        if (apart > 2 * np.hypot(earlier.sd_at(places), most.sd_at(places))).any():
            most = earlier
    return most.estimate(tuple(places[int(np.argmax(most.at(places)))]), level=level)


def _stack(tables: Sequence[pd.DataFrame], empty: pd.DataFrame) -> pd.DataFrame:
    tables = [t for t in tables if len(t)]
    return pd.concat(tables).reset_index(drop=True) if tables else empty
