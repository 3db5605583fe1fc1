"""What each removal of stock leaves behind: pits, sound width, uncut metal; and the least that is enough."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..errors import InputError
from ..estimate import Estimate
from ..tables import Column, Schema
from ..units import UnitSystem, format_entered
from .held_width import HeldWidth, chance_of_at_least
from .sound import SoundWidth

__all__ = [
    "CURVES",
    "DrawnNeed",
    "Needed",
    "least_enough",
    "needed_for_pits",
    "needed_for_width",
    "pits_left",
    "removal_levels",
    "width_draws",
]

CURVES = Schema(
    "curves",
    (
        Column("zone", "object", "working zone"),
        Column("aim", "object", "pits, sound_width or uncut"),
        Column("removal_um", "float64", "further stock from the face as it is now"),
        Column("value", "float64", "pits left, sound width in mm, or uncut share (0..1)"),
        Column("value_low", "float64", "lower end of its interval"),
        Column("value_high", "float64", "upper end"),
        Column("p_reached", "float64", "chance that the aim is reached at this removal; NaN without an aim"),
    ),
)

_N_WIDTH_DRAWS = 40
_N_BEYOND = 10
"""Draws of a width that a need should leave beyond it at its confidence (house choice)."""
_N_WIDTH_LEVELS = 7

NOT_MEASURED = Estimate.unknown("the sound width was not measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """Further stock that reaches one aim in one zone.

    Parameters
    ----------
    zone, aim : str
    stock_um : Estimate
        What truly is needed; unknown with the reason when the data do not say.
    recommended_um : float
        Least removal that reaches the aim at `confidence`; NaN when unknown.
    confidence : float
    """

    zone: str
    aim: str
    stock_um: Estimate
    recommended_um: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnNeed:
    """A need together with the draws behind it, so that the needs of several zones can be joined draw by draw.

    Parameters
    ----------
    needed : Needed
    draws_um : ndarray
        Spread evenly through the draws of the depth model; empty when unknown.
    """

    needed: Needed
    draws_um: NDArray[np.float64]

    @classmethod
    def of(cls, zone: str, aim: str, draws_um: NDArray, confidence: float, level: float) -> DrawnNeed:
        """Median, interval and recommendation from draws; unknown where they are too few for the confidence."""
        n = len(draws_um)
        enough = least_enough(draws_um, confidence)
        if math.isnan(enough):
            most = math.floor(1000 * n / (n + 1)) / 10
            why = (
                f"{n} simulated faces cannot tell what is enough with {100 * confidence:g} % confidence:"
                f" ask for {most:g} % at most"
            )
            return cls.unknown(zone, aim, why, confidence, level)
        tail = (1 - level) / 2
        low, value, high = (float(q) for q in np.quantile(draws_um, [tail, 0.5, 1 - tail]))
        needed = Needed(
            zone=zone,
            aim=aim,
            stock_um=Estimate(value=value, low=low, high=high, level=level),
            recommended_um=enough,
            confidence=confidence,
        )
        draws = np.array(draws_um, float)
        draws.setflags(write=False)
        return cls(needed=needed, draws_um=draws)

    @classmethod
    def unknown(cls, zone: str, aim: str, reason: str, confidence: float, level: float) -> DrawnNeed:
        """A need that cannot be said, and why."""
        needed = Needed(
            zone=zone,
            aim=aim,
            stock_um=Estimate.unknown(reason, level=level),
            recommended_um=math.nan,
            confidence=confidence,
        )
        return cls(needed=needed, draws_um=np.empty(0))


def least_enough(draws_um: NDArray, confidence: float) -> float:
    """Least of the draws that is enough with the wanted chance; NaN where they are too few to tell.

    The k-th smallest of n draws is enough with a chance of k / (n + 1), which an interpolated quantile falls short of
    where few draws lie beyond it (distribution-free tolerance limit; Wilks, Ann. Math. Stat. 12 (1941) 91, from memory).
    """
    n = len(draws_um)
    rank = math.ceil((n + 1) * confidence - 1e-9)
    return float(np.partition(draws_um, rank - 1)[rank - 1]) if rank <= n else math.nan


def removal_levels(top_um: float, *, step_um: float = 2.0) -> NDArray[np.float64]:
    """Removals of a curve: every `step_um` up to a little over `top_um`, at most 120 of them.

    Raises
    ------
    InputError
        `top_um` below 0 or not finite.
    """
    if not math.isfinite(top_um) or top_um < 0:
        raise InputError(f"removal_levels: expected a finite removal of 0 or more, got {top_um!r}")
    step = max(step_um, step_um * math.ceil(top_um / (118 * step_um)))
    return np.arange(0.0, top_um + 1.5 * step, step)


def needed_for_pits(
    zone: str, left_um: NDArray[np.float32], confidence: float, level: float, *, lacking: str = ""
) -> DrawnNeed:
    """Stock that clears the last pit.

    Parameters
    ----------
    left_um : ndarray (draws, pits)
        Depth of each pit under the present face; negative when it is gone.
    lacking : str
        Why the depths are not to be trusted; then the need is unknown.
    """
    if lacking:
        return DrawnNeed.unknown(zone, "pits", lacking, confidence, level)
    need = np.maximum(left_um.max(axis=1), 0.0) if left_um.shape[1] else np.zeros(len(left_um))
    return DrawnNeed.of(zone, "pits", need, confidence, level)


def needed_for_width(
    zone: str,
    left_um: NDArray[np.float32],
    width: SoundWidth,
    width_min_mm: float,
    confidence: float,
    level: float,
    *,
    now_mm: Estimate = NOT_MEASURED,
    lacking: str = "",
    system: UnitSystem = "mm",
) -> DrawnNeed:
    """Stock after which the sound width is at least `width_min_mm`, where `now_mm` was measured before it."""
    if lacking:
        return DrawnNeed.unknown(zone, "sound_width", lacking, confidence, level)
    some = _spread(left_um, max(_N_WIDTH_DRAWS, math.ceil(_N_BEYOND / (1 - confidence))))
    need = HeldWidth(some, width, now_mm).least_removal_um(width_min_mm)
    if not np.isfinite(need).all():
        entered = format_entered(width_min_mm, "mm", system)
        lacking = f"the land without any pit is narrower than the {entered} that you entered"
        return DrawnNeed.unknown(zone, "sound_width", lacking, confidence, level)
    return DrawnNeed.of(zone, "sound_width", need, confidence, level)


def _spread(left_um: NDArray, n: int = _N_WIDTH_DRAWS) -> NDArray:
    """So many draws, evenly through the table (the draws are in random order)."""
    n = min(n, len(left_um))
    return left_um[np.linspace(0, len(left_um) - 1, n).astype(int)]


def width_draws(
    left_um: NDArray, width: SoundWidth, levels_um: NDArray, now_mm: Estimate = NOT_MEASURED
) -> NDArray[np.float64]:
    """Sound width (draws, levels) in mm; the draws are a fixed number spread through the table.

    `now_mm` is the width measured on the face as it is; without it the pits alone count.
    """
    return HeldWidth(_spread(left_um), width, now_mm).after(levels_um)


def pits_left(left_um: NDArray, with_free_um: NDArray, removal_um: float) -> NDArray[np.int64]:
    """Pits that a removal leaves, draw by draw (draws,).

    Parameters
    ----------
    left_um, with_free_um : ndarray
        As in :func:`pit_curve`.
    removal_um : float

    Notes
    -----
    A reading that belongs to no pit of the map is of a pit all the same: until it is reached one is left at least.
    """
    count = (left_um > removal_um).sum(axis=1)
    return np.maximum(count, (with_free_um > removal_um).any(axis=1))


def pit_curve(
    zone: str,
    left_um: NDArray[np.float32],
    with_free_um: NDArray[np.float32],
    levels_um: NDArray[np.float64],
    level: float,
) -> pd.DataFrame:
    """Pits left at every level.

    Parameters
    ----------
    left_um : ndarray (draws, pits)
        Depth of each pit of the map under the present face.
    with_free_um : ndarray (draws, pits and readings)
        The same and the readings that belong to no one pit: they are of pits that are counted already, but the zone is
        not clean before they are reached.

    Returns
    -------
    DataFrame
        :data:`CURVES`.
    """
    tail = (1 - level) / 2
    rows = []
    for removal in levels_um:
        count = pits_left(left_um, with_free_um, float(removal))
        mean = float(count.mean())
        low, high = np.quantile(count, [tail, 1 - tail], method="inverted_cdf")
        rows.append(
            {
                "zone": zone, "aim": "pits", "removal_um": float(removal), "value": mean,
                "value_low": min(float(low), mean), "value_high": max(float(high), mean),
                "p_reached": float((with_free_um <= removal).all(axis=1).mean()),
            }
        )  # fmt: skip
    return CURVES.frame(rows)


def width_curve(
    zone: str,
    left_um: NDArray[np.float32],
    levels_um: NDArray[np.float64],
    level: float,
    width: SoundWidth,
    width_min_mm: float,
    now_mm: Estimate,
) -> pd.DataFrame:
    """Sound width at about seven of the levels, in mm.

    Parameters
    ----------
    now_mm : Estimate
        Sound width of the face as it is, where it was measured: it stands at a removal of 0 in place of what `width`
        makes of the pits, and no removal leaves less than it.

    Returns
    -------
    DataFrame
        :data:`CURVES`.
    """
    tail = (1 - level) / 2
    few = levels_um[np.unique(np.linspace(0, len(levels_um) - 1, _N_WIDTH_LEVELS).astype(int))]
    rows = []
    for removal, column in zip(few, width_draws(left_um, width, few, now_mm).T):
        low, middle, high = np.quantile(column, [tail, 0.5, 1 - tail])
        reached = float((column >= width_min_mm).mean()) if math.isfinite(width_min_mm) else math.nan
        rows.append(
            {
                "zone": zone, "aim": "sound_width", "removal_um": float(removal), "value": float(middle),
                "value_low": float(low), "value_high": float(high), "p_reached": reached,
            }
        )  # fmt: skip
    curve = CURVES.frame(rows)
    if now_mm.has_interval:
        columns = ["value", "value_low", "value_high", "p_reached"]
        measured = [now_mm.value, now_mm.low, now_mm.high, chance_of_at_least(now_mm, width_min_mm)]
        curve[columns] = np.maximum(curve[columns], measured)
        curve.loc[0, columns] = measured
    return curve
