"""Rules of the verdict: each with its inputs, its limit, where the limit comes from, and how it came out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from ..estimate import Estimate
from ..units import UnitSystem, format_entered, format_estimate
from .budget import BudgetLine, past_the_case_um
from .limits import LIMIT_TEXT, LimitSheet

__all__ = ["Finding", "Status", "judge", "judge_budget", "judge_limit", "unguarded_limits"]

Status = Literal["pass", "watch", "stop", "not judged"]

_SLACK = 1e-9

_BUDGET_WORDS = {
    "total_stock": "stock taken off this face over its life",
    "case_left": "hardened case left",
    "thickness": "thickness",
    "squeeze": "squeeze of the coolant-seal ring",
    "fill": "fill of the ring groove",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """How one rule came out.

    Parameters
    ----------
    rule : str
        Short name.
    status : {"pass", "watch", "stop", "not judged"}
        watch: the interval reaches over the limit, so neither side is proven.
    sentence : str
        For a customer.
    value : Estimate
        What was compared, in `unit`.
    unit : str
    limit : float
        NaN when none was entered.
    source : str
        Of the limit, in the user's words.
    is_eased : bool
        More stock brings the value nearer to the limit that it misses: no reason to leave the stock on.
    """

    rule: str
    status: Status
    sentence: str
    value: Estimate
    unit: str
    limit: float = math.nan
    source: str = ""
    is_eased: bool = False


def judge(value: Estimate, limit: float, *, is_minimum: bool) -> Status:
    """Compare an interval with a limit.

    Returns
    -------
    str
        pass: the whole interval is inside, up to the limit itself; stop: the whole interval, or the value itself, is
        outside; watch: the value is inside but the interval reaches over; not judged: no limit or no value.

    References
    ----------
    ISO 14253-1 (conformity is proven only inside the limit by the uncertainty). Calling a value outside the limit
    "stop" although its interval reaches back inside is a house choice on the safe side.
    """
    if math.isnan(limit) or not value.is_known:
        return "not judged"
    sign = 1.0 if is_minimum else -1.0
    # 0.1 and 2.2 thou are 2.3 thou: what sums lose in their last figure is nobody's stock.
    slack = _SLACK * max(1.0, abs(limit))
    if sign * (value.value - limit) < -slack:
        return "stop"
    if not value.has_interval:
        return "watch"
    worst = value.low if is_minimum else value.high
    return "pass" if sign * (worst - limit) >= -slack else "watch"


def judge_limit(
    rule: str,
    what: str,
    value: Estimate,
    limits: LimitSheet,
    entry: str,
    *,
    is_minimum: bool,
    system: UnitSystem = "mm",
) -> Finding:
    """One rule against one entry of the sheet, with its sentence."""
    unit = LIMIT_TEXT[entry][0]
    given = limits.get(entry)
    limit = given.value if given else math.nan
    status = judge(value, limit, is_minimum=is_minimum)
    if not value.is_known:
        sentence = f"{what}: not known ({value.reason})."
    elif given is None:
        sentence = f"{what}: {_with_interval(value, unit, system)}. Not judged: no limit entered."
    else:
        side = "at least" if is_minimum else "at most"
        said = _said(status, is_minimum)
        sentence = (
            f"{what}: {_with_interval(value, unit, system, limit)}, {said} the limit of {side} {_limit(limit, unit, system)}"
            f" ({given.source})."
        )
    return Finding(
        rule=rule,
        status=status,
        sentence=sentence,
        value=value,
        unit=unit,
        limit=limit,
        source=given.source if given else "",
    )


def judge_budget(line: BudgetLine, *, system: UnitSystem = "mm") -> Finding:
    """One budget after the planned removal."""
    what = _BUDGET_WORDS[line.name]
    now = _amount(line, line.now, "stock taken off", system)
    high = line.limit_high
    # of two limits that which the figure is nearer to, beside which its digits matter
    held = min(
        (v for v in (line.limit, high) if not math.isnan(v)),
        key=lambda v: abs(v - line.after.value),
        default=math.nan,
    )
    after = _amount(line, line.after, "planned stock", system, held)
    start = f"After this work, {what}: {after}; now {now}"
    is_short = False
    if line.name == "squeeze" and not math.isnan(high):
        status = _worse(
            judge(line.after, high, is_minimum=False), judge(line.after, line.limit, is_minimum=True)
        )
        is_short = line.after.value < line.limit
        low_text = "" if math.isnan(line.limit) else f"{_limit(line.limit, line.unit, system)} to "
        limit, text = high, f"{low_text}{_limit(high, line.unit, system)}"
    else:
        status = judge(line.after, line.limit, is_minimum=line.is_minimum)
        is_short = line.is_minimum
        limit = line.limit
        text = f"{'at least' if line.is_minimum else 'at most'} {_limit(limit, line.unit, system)}"
    is_best_case = bool(line.lacking or line.doubt)
    # Stock that is not counted makes every figure worse, but for a ring that is squeezed too little.
    is_doubtful_ease = bool(line.doubt) and line.name == "squeeze" and is_short
    if is_best_case and (status in ("pass", "watch") or is_doubtful_ease):
        status = "not judged"
    has_limit = not (math.isnan(line.limit) and math.isnan(high))
    if line.doubt and status != "stop":
        sentence = f"{what[:1].upper()}{what[1:]}: not judged, {line.doubt}."
    elif line.lacking and status == "not judged":
        # a figure for after the work would be that of no work at all
        why = line.lacking if has_limit else f"no limit entered, and {line.lacking}"
        sentence = f"{what[:1].upper()}{what[1:]}, now: {now}. After this work: not judged, {why}."
    elif not has_limit:
        sentence = f"{start}. Not judged: no limit entered."
    else:
        sentence = f"{start}, {_said(status, is_short)} the limit of {text} ({line.source})."
    if line.name == "squeeze" and math.isnan(line.limit) != math.isnan(high):
        side = "least" if math.isnan(line.limit) else "largest"
        sentence += f" The {side} squeeze is not judged: no limit entered."
    return Finding(
        rule=line.name,
        status=status,
        sentence=sentence,
        value=line.after,
        unit=line.unit,
        limit=limit,
        source=line.source,
        is_eased=is_short and line.per_10_um > 0,
    )


_NEEDS = {
    "case_left_min": ("case_left", "the depth of the case when new was not entered"),
    "thickness_min": ("thickness", "no thickness was measured or entered"),
    "squeeze_min": ("squeeze", "the ring's section or the depth of its groove was not entered"),
    "squeeze_max": ("squeeze", "the ring's section or the depth of its groove was not entered"),
    "fill_max": ("fill", "the ring's section, or depth or width of its groove, was not entered"),
}


def unguarded_limits(
    limits: LimitSheet, budget: Sequence[BudgetLine], *, system: UnitSystem = "mm"
) -> list[Finding]:
    """Limits that were entered and guard nothing, because what they are held against is not known."""
    worked_out = {line.name for line in budget}
    return [
        Finding(
            rule=rule,
            status="not judged",
            sentence=(
                f"{_BUDGET_WORDS[rule][:1].upper()}{_BUDGET_WORDS[rule][1:]}: not judged, {why}; the limit of "
                f"{_limit(entry.value, LIMIT_TEXT[name][0], system)} ({entry.source}) guards nothing."
            ),
            value=Estimate.unknown(why),
            unit=LIMIT_TEXT[name][0],
            limit=entry.value,
            source=entry.source,
        )
        for name, (rule, why) in _NEEDS.items()
        if rule not in worked_out and (entry := limits.get(name))
    ]


def _said(status: Status, is_minimum: bool) -> str:
    if status == "stop":
        return "short of" if is_minimum else "beyond"
    return {"pass": "within", "watch": "inside, though not for certain,"}.get(status, "not judged against")


def _worse(a: Status, b: Status) -> Status:
    order: list[Status] = ["stop", "watch", "pass", "not judged"]
    return min(a, b, key=order.index)


def _amount(line: BudgetLine, e: Estimate, stock: str, system: UnitSystem, limit: float = math.nan) -> str:
    past = past_the_case_um(line, e)
    if past is None:
        # what earlier rebuilds took off is not in the figure: it is an end of what may be, and no measured amount
        bound = ("at most " if line.is_minimum else "at least ") if line.is_history_open else ""
        return f"{bound}{_with_interval(e, line.unit, system, limit)}"
    return f"none, the {stock} goes through the case by {_with_interval(past, line.unit, system)}"


def _with_interval(e: Estimate, unit: str, system: UnitSystem, limit: float = math.nan) -> str:
    if unit == "percent":
        part = replace(e, value=e.value / 100, low=e.low / 100, high=e.high / 100)
        return format_estimate(part, "share", limit=limit / 100)
    return format_estimate(e, "depth" if unit == "um" else "length", system, limit=limit)


def _limit(value: float, unit: str, system: UnitSystem) -> str:
    return f"{value:g} %" if unit == "percent" else format_entered(value, unit, system)
