"""What is left after lapping: stock, case, thickness, and the squeeze of the coolant-seal ring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy.special import ndtri

from ..errors import InputError
from ..estimate import DEFAULT_LEVEL, Estimate
from .limits import LimitSheet

__all__ = [
    "BudgetLine",
    "fill_percent",
    "normal_half",
    "past_the_case_um",
    "squeeze_percent",
    "stock_allowed_um",
    "stock_budget",
]

_MOST_OF_LEAST = 2.0
"""A thickness so many times the least that the plate may have is a slip of the unit (house choice: no plate is made to be
lapped to its half)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One budget: what is there now and after the planned removal.

    Parameters
    ----------
    name : str
        total_stock, case_left, thickness, squeeze or fill.
    unit : str
        um, mm or percent.
    now, after : Estimate
        Before and after the planned removal.
    per_10_um : float
        Change for each further 10 um of stock.
    limit, limit_high : float
        Least or largest value allowed (`is_minimum` tells), NaN when not entered; `limit_high` for the squeeze.
    is_minimum : bool
    source : str
        Where the limit comes from, in the user's words.
    lacking : str
        What was not entered, so that `now` and `after` are the best case only; empty when nothing lacks.
    doubt : str
        Why an entry of the sheet that the figures rest on does not hold for the face as it is; empty when none is doubted.
    is_history_open : bool
        The stock of earlier rebuilds was not entered: `now`, too, is no more than the best case.
    """

    name: str
    unit: str
    now: Estimate
    after: Estimate
    per_10_um: float
    limit: float = math.nan
    limit_high: float = math.nan
    is_minimum: bool = True
    source: str = ""
    lacking: str = ""
    doubt: str = ""
    is_history_open: bool = False


def past_the_case_um(line: BudgetLine, amount: Estimate) -> Estimate | None:
    """How far stock goes through the hardened case, um; None where some case is left, and for every other budget.

    `amount` is `line.now` or `line.after`. Nobody can have less than no case left, so that is said in words.
    """
    if line.name != "case_left" or not amount.value < 0:
        return None
    if not amount.has_interval:
        return replace(amount, value=-amount.value)
    return replace(amount, value=-amount.value, low=max(-amount.high, 0.0), high=-amount.low)


def stock_allowed_um(budget: Sequence[BudgetLine]) -> float:
    """Further stock until the first budget meets its limit; infinite when no limit was entered.

    Best values, not ends of intervals; 0 when a limit is passed already. Where the stock of earlier rebuilds was not
    entered it is the most that can be allowed.
    """
    spare = [math.inf]
    for line in budget:
        if line.name == "squeeze" and not math.isnan(line.limit_high):
            spare.append((line.limit_high - line.now.value) / line.per_10_um * 10)
        elif not math.isnan(line.limit) and line.name != "squeeze":
            # The sign of the change per 10 um says on which side the limit is met.
            spare.append((line.limit - line.now.value) / line.per_10_um * 10)
    return max(min(spare), 0.0)


def squeeze_percent(section_mm: float, groove_depth_mm: float, removed_um: float = 0.0) -> float:
    """Squeeze of a ring in a face groove, (W - L) / W in percent; stock lapped off the face makes L smaller.

    Parameters
    ----------
    section_mm, groove_depth_mm : float
        Ring section W and groove depth L, mm, above 0.
    removed_um : float
        Stock taken off the face that carries the groove since L was measured.

    Raises
    ------
    InputError
        A size of 0 or less.

    References
    ----------
    Common groove-design formula (O-ring handbooks); lapping d off the face takes d off the depth.
    """
    if not (section_mm > 0 and groove_depth_mm > 0):
        raise InputError(f"squeeze: expected sizes above 0, got W {section_mm}, L {groove_depth_mm}")
    return 100 * (section_mm - (groove_depth_mm - removed_um / 1000)) / section_mm


def fill_percent(
    section_mm: float, groove_depth_mm: float, groove_width_mm: float, removed_um: float = 0.0
) -> float:
    """Fill of the groove, (pi/4) W^2 / (L G) in percent (ring volume over groove volume, same centre line).

    Raises
    ------
    InputError
        A size of 0 or less, or a groove that the lap has taken off.
    """
    depth = groove_depth_mm - removed_um / 1000
    if not (section_mm > 0 and depth > 0 and groove_width_mm > 0):
        raise InputError(f"fill: expected sizes above 0, got W {section_mm}, L {depth}, G {groove_width_mm}")
    return 100 * math.pi / 4 * section_mm**2 / (depth * groove_width_mm)


def stock_budget(
    limits: LimitSheet,
    removed_um: Estimate,
    planned_um: Estimate,
    *,
    level: float = DEFAULT_LEVEL,
    thickness_mm: Estimate | None = None,
    thickness_doubt: str = "",
    lacking: str = "",
) -> tuple[BudgetLine, ...]:
    """Every budget that the limit sheet allows to work out.

    Parameters
    ----------
    limits : LimitSheet
    removed_um : Estimate
        Stock taken off this face in this job so far. Earlier rebuilds stand in the sheet
        (``stock_removed_before``). Thickness and groove depth in the sheet are those of the face as it is now. What
        needs an entry that the sheet doubts is not judged.
    planned_um : Estimate
        Further stock planned; its interval is that of the bench's thickness check.
    thickness_mm : Estimate or None
        Thickness now as the micrometer says; None where it was not measured, then that of the sheet counts.
    thickness_doubt : str
        Why `thickness_mm` is not that of the plate now; then it is not judged.
    lacking : str
        Why the stock that is needed is not known; then `planned_um` is the least it can be, and nothing passes.

    Returns
    -------
    tuple of BudgetLine
        A line without a limit is still shown, with limit NaN: nothing passes unjudged. Stock and case are judged only
        once the stock of earlier rebuilds was entered, be it 0: of a plate with no known history nothing is assumed
        (common practice, no published source).
    """
    before = limits.get("stock_removed_before")
    past, past_u = (before.value, before.uncertainty) if before else (0.0, 0.0)
    no_history = "" if before else "the stock taken off at earlier rebuilds was not entered (0 for none)"
    history_doubt = limits.doubts.get("stock_removed_before", "")
    lines = []
    total = limits.get("total_stock")
    used_now, used_after = (
        _sum(removed_um, past, past_u, level),
        _sum(_add(removed_um, planned_um), past, past_u, level),
    )
    lines.append(
        BudgetLine(
            name="total_stock", unit="um", now=used_now, after=used_after, per_10_um=10.0,
            limit=total.value if total else math.nan, is_minimum=False, source=total.source if total else "",
            lacking=no_history, doubt=history_doubt, is_history_open=not before,
        )
    )  # fmt: skip
    case, case_min = limits.get("case_depth"), limits.get("case_left_min")
    if case:
        lines.append(
            BudgetLine(
                name="case_left", unit="um", now=_less(case.value, case.uncertainty, used_now, level),
                after=_less(case.value, case.uncertainty, used_after, level), per_10_um=-10.0,
                limit=case_min.value if case_min else math.nan, source=case_min.source if case_min else "",
                lacking=no_history, doubt=history_doubt, is_history_open=not before,
            )
        )  # fmt: skip
    sheet, least = limits.get("thickness"), limits.get("thickness_min")
    if thickness_mm is None:
        thickness_doubt = limits.doubts.get("thickness", "")
    if thickness_mm is None and sheet:
        half = normal_half(level) * sheet.uncertainty
        thickness_mm = Estimate(
            value=sheet.value, low=sheet.value - half, high=sheet.value + half, level=level
        )
    if thickness_mm is not None:
        if least and thickness_mm.value > _MOST_OF_LEAST * least.value:
            thickness_doubt = (
                "the thickness given is more than twice the least that the plate may have; check the unit"
            )
        lines.append(
            BudgetLine(
                name="thickness", unit="mm", now=thickness_mm,
                after=_add(thickness_mm, _scaled(planned_um, -1e-3, level)), per_10_um=-0.01,
                limit=least.value if least else math.nan, source=least.source if least else "",
                doubt=thickness_doubt,
            )
        )  # fmt: skip
    lines += _ring_lines(limits, planned_um, level)
    return tuple(replace(line, lacking=line.lacking or lacking) for line in lines)


def _ring_lines(limits: LimitSheet, planned_um: Estimate, level: float) -> list[BudgetLine]:
    ring, depth, width = (limits.get(k) for k in ("ring_section", "groove_depth", "groove_width"))
    if not (ring and depth):
        return []
    z = normal_half(level)
    doubt = limits.doubts.get("groove_depth", "")
    lines = []

    def squeeze(removed: Estimate) -> Estimate:
        value = squeeze_percent(ring.value, depth.value, removed.value)
        u = math.hypot(
            100 * depth.value / ring.value**2 * ring.uncertainty, 100 / ring.value * depth.uncertainty,
            (removed.high - removed.low) / (2 * z) * 0.1 / ring.value,
        )  # fmt: skip
        return Estimate(value=value, low=value - z * u, high=value + z * u, level=level)

    zero = Estimate(value=0, low=0, high=0, level=level)
    low, high = limits.get("squeeze_min"), limits.get("squeeze_max")
    lines.append(
        BudgetLine(
            name="squeeze", unit="percent", now=squeeze(zero), after=squeeze(planned_um), per_10_um=1.0 / ring.value,
            limit=low.value if low else math.nan, limit_high=high.value if high else math.nan,
            source="; ".join(dict.fromkeys(e.source for e in (low, high) if e)), doubt=doubt,
        )
    )  # fmt: skip
    if width:
        most = limits.get("fill_max")

        def fill(removed: Estimate) -> Estimate:
            values = [
                fill_percent(ring.value, depth.value, width.value, r)
                for r in (removed.low, removed.value, removed.high)
            ]
            u = values[1] * math.hypot(
                2 * ring.uncertainty / ring.value,
                depth.uncertainty / depth.value,
                width.uncertainty / width.value,
            )
            return Estimate(value=values[1], low=values[0] - z * u, high=values[2] + z * u, level=level)

        now, after = fill(zero), fill(planned_um)
        ten = Estimate(
            value=planned_um.value + 10, low=planned_um.value + 10, high=planned_um.value + 10, level=level
        )
        lines.append(
            BudgetLine(
                name="fill", unit="percent", now=now, after=after, per_10_um=fill(ten).value - after.value,
                limit=most.value if most else math.nan, is_minimum=False, source=most.source if most else "",
                doubt=doubt,
            )
        )  # fmt: skip
    return lines


def normal_half(level: float) -> float:
    """Half width of a normal interval of that level, in standard deviations."""
    return float(ndtri(0.5 + level / 2))


def _scaled(e: Estimate, factor: float, level: float) -> Estimate:
    low, high = sorted((e.low * factor, e.high * factor))
    return Estimate(value=e.value * factor, low=low, high=high, level=level)


def _add(a: Estimate, b: Estimate) -> Estimate:
    """Sum of two independent estimates, half widths in quadrature."""
    value = a.value + b.value
    return Estimate(
        value=value, low=value - math.hypot(a.value - a.low, b.value - b.low),
        high=value + math.hypot(a.high - a.value, b.high - b.value), level=a.level,
    )  # fmt: skip


def _sum(e: Estimate, value: float, u: float, level: float) -> Estimate:
    half = normal_half(level) * u
    return _add(e, Estimate(value=value, low=value - half, high=value + half, level=level))


def _less(value: float, u: float, e: Estimate, level: float) -> Estimate:
    return _sum(Estimate(value=-e.value, low=-e.high, high=-e.low, level=level), value, u, level)
