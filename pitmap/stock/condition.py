"""What the last survey shows of the working zones, and the rules about form that need no depth model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypedDict

import numpy as np
import pandas as pd
from scipy.special import ndtri

from ..classes import Stage, SurfaceClass
from ..depth import FaceSurvey, in_zone
from ..depth.removed import thickness_spots
from ..drawing import WORKING_ZONES
from ..estimate import Estimate
from ..flags import Flag
from ..units import UnitSystem, format_depth, format_estimate, format_length
from .budget import normal_half
from .limits import LimitSheet
from .rules import Finding, judge_limit

__all__ = [
    "Condition",
    "form_findings",
    "sound_width_now",
    "thickness_now",
    "unruled_readings",
    "zone_condition",
]


class Condition(TypedDict):
    """Arguments of :func:`pitmap.stock.decide` that come from the map."""

    has_damage: bool
    has_discoloration: bool
    is_stained: bool
    has_score: bool
    is_uncut_unjudged: bool
    is_film_left: bool
    is_leaking: bool
    unseen: dict[str, float]
    hidden_crossings: tuple[tuple[float, float, float], ...]


def zone_condition(survey: FaceSurvey, limits: LimitSheet) -> Condition:
    """Damage, discoloration and stain in the working zones of one survey.

    Uncut metal is damage after a lap, up to the share that the limit sheet allows; at intake old finish says
    nothing. Colour alone is never damage.
    """
    marks = survey.marks.loc[np.logical_or.reduce([in_zone(survey.marks, z) for z in WORKING_ZONES])]
    has = {code: bool((marks["class_code"] == int(code)).any()) for code in SurfaceClass}
    uncut = has[SurfaceClass.UNCUT] and Stage(survey.stage).is_lapped
    allowed = limits.value("uncut_share_max") / 100
    if uncut and not math.isnan(allowed) and survey.zones is not None:
        table = survey.zones
        share = table.loc[table["zone"].isin(WORKING_ZONES) & (table["class_word"] == "uncut"), "share_high"]
        uncut = bool((share > allowed).any())
    return Condition(
        has_damage=has[SurfaceClass.PIT] or has[SurfaceClass.SCORE] or uncut,
        has_discoloration=has[SurfaceClass.TINT] or has[SurfaceClass.STAIN],
        is_stained=has[SurfaceClass.STAIN],
        has_score=has[SurfaceClass.SCORE],
        is_uncut_unjudged=uncut and math.isnan(allowed),
        is_film_left=has[SurfaceClass.TINT] and Stage(survey.stage).is_lapped,
        is_leaking=survey.lands is not None and bool(survey.lands["is_leak_path"].any()),
        unseen={z: s for z, s in (survey.unseen_shares() or {}).items() if z in WORKING_ZONES},
        hidden_crossings=_hidden_crossings(survey.lands, limits.value("sound_width_min")),
    )


def _hidden_crossings(lands: pd.DataFrame | None, least_mm: float) -> tuple[tuple[float, float, float], ...]:
    """Places where metal not seen may leave the land too narrow: x, y and the least width that may be left, mm.

    Too narrow is under the least sound width that was entered; without one, no sound metal at all. A strip right across
    the land is a small part of its area, so the share of the zone that was not seen does not tell of it.
    """
    if lands is None:
        return ()
    low = lands["sound_width_low_mm"]
    is_narrow = low <= 0 if math.isnan(least_mm) else low < least_mm
    is_hidden = (lands["flags"].astype("int64") & int(Flag.TOUCHES_UNSEEN)) > 0
    hidden = lands.loc[is_narrow & is_hidden, ["x_mm", "y_mm", "sound_width_low_mm"]].to_numpy(float)
    return tuple((float(x), float(y), float(least)) for x, y, least in hidden)


def form_findings(
    surveys: Sequence[FaceSurvey],
    limits: LimitSheet,
    flatness_um: Estimate | None,
    joint_gap_um: Estimate | None,
    level: float,
    system: UnitSystem,
) -> list[Finding]:
    """Rules on flatness, wear step, joint gap and sound width; each says so where it was not measured.

    `surveys` in the order of work; the last one is the face as it is.
    """
    flat = flatness_um or Estimate.unknown("heights were not measured")
    gap = joint_gap_um or Estimate.unknown("the rotor housing's dip was not entered")
    rows = (
        ("flatness", "Flatness of the face", flat, "flatness", False),
        ("wear_step", "Largest wear step", _wear_step(surveys, level, system), "wear_step", False),
        ("joint_gap", "Gap at the joint", gap, "joint_gap", False),
        (
            "sound_width",
            "Narrowest sound width of the seal land now",
            sound_width_now(surveys[-1]),
            "sound_width_min",
            True,
        ),
    )
    return [
        judge_limit(rule, what, value, limits, entry, is_minimum=is_minimum, system=system)
        for rule, what, value, entry, is_minimum in rows
    ]


_NO_RULE = ("straightedge", "hardness")
"""Kinds of readings that no rule looks at."""


def unruled_readings(surveys: Sequence[FaceSurvey]) -> str:
    """What was measured and is judged by no rule, as a sentence; empty where there is none."""
    kinds = pd.concat([s.readings["kind"] for s in surveys])
    counts = [(kind, int((kinds == kind).sum())) for kind in _NO_RULE]
    told = [f"{n} {kind} reading{'s' if n > 1 else ''}" for kind, n in counts if n]
    return f"Judged by no rule: {' and '.join(told)}; hold them against the manual yourself." if told else ""


def _wear_step(surveys: Sequence[FaceSurvey], level: float, system: UnitSystem) -> Estimate:
    """The largest wear step of the face as it is: one measured before the last lap is named, not judged."""
    measured = [(s.stage, s.readings.loc[s.readings["kind"] == "wear_step"]) for s in surveys]
    measured = [(stage, steps) for stage, steps in measured if len(steps)]
    if not measured:
        return Estimate.unknown("no wear step was measured")
    stage, steps = measured[-1]
    heights = steps["value_um"].abs().to_numpy(float)
    sd = steps["uncertainty_um"].to_numpy(float)
    # A step that was read less surely than the largest one may be larger still.
    ends = heights, heights - _far_half(level, len(sd)) * sd, heights + normal_half(level) * sd
    value, low, high = (float(end.max()) for end in ends)
    if stage != surveys[-1].stage:
        return Estimate.unknown(f"{format_depth(value, system)} {Stage(stage).moment}, not measured since")
    return Estimate(value=value, low=max(low, 0.0), high=high, level=level)


def thickness_now(
    surveys: Sequence[FaceSurvey], limits: LimitSheet, level: float, system: UnitSystem
) -> tuple[Estimate | None, list[str]]:
    """Thickness of the plate now where it is thinnest, mm, from the newest micrometer readings; and what contradicts it.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        In the order of work.
    limits : LimitSheet
        Its ``thickness`` is what the user typed; a reading is newer than that.
    level : float
    system : {"mm", "inch"}

    Returns
    -------
    Estimate or None
        Mean of the readings of the thinnest spot, less what has come off since; None where none was taken. A spot that
        was read less surely than the thinnest one may be thinner still. The thinnest of many readings is thin by chance
        too: the value leans to that side, which is safe, and the high end leaves room for it.
    list of str
        The sheet says otherwise by more than three standard errors.
    """
    last = surveys[-1]
    for survey in reversed(surveys):
        table = survey.readings.loc[survey.readings["kind"] == "thickness"]
        if not len(table):
            continue
        spots = thickness_spots(table)
        places = np.nan_to_num(spots[:, :2])
        now_um = spots[:, 2] - (last.removed.at(places) - survey.removed.at(places))
        sd_um = np.sqrt(spots[:, 3])
        if survey is not last:
            sd_um = np.sqrt(sd_um**2 + last.removed.sd_at(places) ** 2 + survey.removed.sd_at(places) ** 2)
        ends = now_um, now_um - normal_half(level) * sd_um, now_um + _far_half(level, len(sd_um)) * sd_um
        value, low, high = (float(end.min()) / 1000 for end in ends)
        sd = float(sd_um[int(np.argmin(now_um))]) / 1000
        found = Estimate(value=value, low=low, high=high, level=level)
        sheet = limits.get("thickness")
        problems = []
        if sheet and abs(sheet.value - value) > 3 * math.hypot(sd, sheet.uncertainty):
            problems.append(
                f"the limit sheet says {format_length(sheet.value, system)} of thickness now, the micrometer"
                f" {Stage(survey.stage).moment} says {format_estimate(found, 'length', system)}; the micrometer counts"
            )
        return found, problems
    return None, []


def _far_half(level: float, n: int) -> float:
    """Half width, in standard deviations, of the end at which the least (or largest) of `n` readings may be so by chance.

    Where all are truly alike, the end of every one of them must hold (Sidak, J. Am. Stat. Assoc. 62 (1967) 626, from
    memory); then the other end hardly ever fails, and all of what may is left to this one.
    """
    return max(normal_half(level), float(ndtri(level ** (1 / n))))


def sound_width_now(survey: FaceSurvey) -> Estimate:
    """Narrowest sound width that the survey measured, mm, at its own level."""
    if survey.lands is None or not len(survey.lands):
        return Estimate.unknown("the land was not measured")
    # Whatever place is the narrowest: a wider one that was partly not seen can be narrower than all.
    least = survey.lands[["sound_width_mm", "sound_width_low_mm", "sound_width_high_mm"]].min()
    value, low, high = (float(least.iat[k]) for k in range(3))
    return Estimate(value=value, low=min(low, value), high=max(high, value), level=survey.level)
