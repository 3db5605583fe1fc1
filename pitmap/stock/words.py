"""A plan as sentences for a customer and as plain values for files."""

from __future__ import annotations

import math
from typing import Any

from ..estimate import Estimate
from ..units import UnitSystem, format_confidence, format_depth, format_estimate, format_length
from .plan import StockPlan

__all__ = ["plan_record", "plan_sentences"]

_AIM_WORDS = {
    "pits": "to clear the last pit",
    "sound_width": "to reach the sound width",
    "uncut": "to bring the uncut share down",
}


def plan_sentences(plan: StockPlan, *, system: UnitSystem = "mm") -> tuple[str, ...]:
    """The plan in sentences: verdict, reasons, what each zone needs, what the next 10 um buy, budgets, problems.

    Parameters
    ----------
    plan : StockPlan
    system : {"mm", "inch"}
        The verdict keeps the units that it was planned with.
    """
    out = [plan.verdict.headline, *plan.verdict.reasons[:-1]]
    for need in plan.needed:
        zone = need.zone.replace("_", " ")
        if not need.stock_um.is_known:
            out.append(
                f"{zone.capitalize()}: stock {_AIM_WORDS[need.aim]} is not known: {need.stock_um.reason}."
            )
            continue
        out.append(
            f"{zone.capitalize()}: {format_estimate(need.stock_um, 'depth', system)} {_AIM_WORDS[need.aim]};"
            f" {format_depth(need.recommended_um, system)} is enough with {format_confidence(need.confidence)} confidence."
        )
    for name, steps in plan.steps.groupby("zone", sort=False):
        first = steps.iloc[0]
        if first["pits_cleared"] + first["pits_left"] < 0.005:
            continue
        gain = first["sound_width_gain_mm"]
        width = (
            f", and widens the sound land by {format_length(gain, system)}"
            if math.isfinite(gain) and gain >= 0.05
            else ""
        )
        out.append(
            f"{str(name).replace('_', ' ').capitalize()}: the next {format_depth(10.0, system)} clears about"
            f" {first['pits_cleared']:.1f} pits and leaves {first['pits_left']:.1f}{width}; it uses up {first['uses']}."
        )
    if plan.plane is not None and plan.plane.saving_um.value >= 1.0:
        saved = plan.plane.saving_um.value
        out.append(
            f"Lapped with a tilt of {format_depth(plan.plane.tilt_x_um, system)} in x and"
            f" {format_depth(plan.plane.tilt_y_um, system)} in y, the face would lose {format_depth(saved, system)} less"
            " on average than lapped parallel."
        )
    out += [f.sentence for f in plan.verdict.findings if f.sentence not in out]
    out += [f"Check: {p}." for p in plan.problems]
    return (*out, plan.verdict.reasons[-1])


def plan_record(plan: StockPlan) -> dict[str, Any]:
    """The plan as plain values (JSON): numbers that are not known are None, with the reason beside them."""
    return {
        "outcome": plan.verdict.outcome,
        "headline": plan.verdict.headline,
        "reasons": list(plan.verdict.reasons),
        "stock_um": _plain(plan.verdict.stock_um),
        "confidence": plan.confidence,
        "level": plan.level,
        "removed_um": _estimate(plan.removed_um),
        "needed": [
            {
                "zone": n.zone,
                "aim": n.aim,
                "stock_um": _estimate(n.stock_um),
                "recommended_um": _plain(n.recommended_um),
            }
            for n in plan.needed
        ],
        "budget": [
            {
                "name": line.name,
                "unit": line.unit,
                "now": _estimate(line.now),
                "after": _estimate(line.after),
                "per_10_um": line.per_10_um,
                "limit": _plain(line.limit),
                "source": line.source,
                "doubt": line.doubt,
            }
            for line in plan.budget
        ],
        "findings": [
            {
                "rule": f.rule,
                "status": f.status,
                "sentence": f.sentence,
                "value": _estimate(f.value),
                "unit": f.unit,
                "limit": _plain(f.limit),
                "source": f.source,
            }
            for f in plan.verdict.findings
        ],
        "steps": _rows(plan.steps),
        "curves": _rows(plan.curves),
        "read_next": _rows(plan.read_next),
        "problems": list(plan.problems),
    }


def _rows(table: Any) -> list[dict[str, Any]]:
    return [{k: _plain(v) for k, v in row.items()} for row in table.to_dict("records")]


def _estimate(e: Estimate) -> dict[str, Any]:
    return {
        "value": _plain(e.value),
        "low": _plain(e.low),
        "high": _plain(e.high),
        "level": e.level,
        "reason": e.reason,
    }


def _plain(value: Any) -> Any:
    """Numbers as JSON knows them: no NaN, no infinity."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
