"""How long will it take? From earlier steps on the same bench, with Preston's law."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate

__all__ = ["LapStep", "lap_rate", "minutes_to_go"]

_RATE_SPREAD = 0.35
"""Relative spread of the rate between passes (grit wears, pressure varies) until three passes show it; house choice
on the wide side, after Le & Peterson (1999): in lapping the rate falls with time and behaves like a random variable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LapStep:
    """One pass on the table.

    Parameters
    ----------
    minutes : float
        Time on the table, above 0.
    stock_um, stock_sd_um : float
        What came off and its standard deviation.
    load, speed : float
        Pressure and speed in any unit, the same for all steps; 1 when not known.
    """

    minutes: float
    stock_um: float
    stock_sd_um: float
    load: float = 1.0
    speed: float = 1.0

    def __post_init__(self) -> None:
        if not (
            self.minutes > 0
            and self.load > 0
            and self.speed > 0
            and self.stock_sd_um >= 0
            and self.stock_um >= 0
        ):
            raise InputError(
                f"lap step: minutes, load and speed must be above 0, stock 0 or more; got {self.minutes} min,"
                f" {self.stock_um} um"
            )


def lap_rate(steps: Sequence[LapStep], *, level: float = DEFAULT_LEVEL) -> Estimate:
    """Stock per minute at load 1 and speed 1 for the next pass, um/min.

    Raises
    ------
    NotEnoughData
        No trial pass, or none that took off anything: no time can be said.

    Notes
    -----
    Preston: rate = k p v. Rates of the passes, weighted by their errors and the spread between passes, give k and,
    with the spread of one more pass added, an interval for the next one (Student's t with one degree less than the
    passes, at least 2).

    References
    ----------
    F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214; Le & Peterson, J. Manuf. Processes 1 (1999) 71.
    """
    useful = [s for s in steps if s.stock_um > 0]
    if not useful:
        raise NotEnoughData(
            "time: a trial pass with its minutes and its stock is needed before a time can be said"
        )
    log_rate = np.log([s.stock_um / (s.minutes * s.load * s.speed) for s in useful])
    measured = np.array([(s.stock_sd_um / s.stock_um) ** 2 for s in useful])
    between = _RATE_SPREAD**2
    if len(useful) >= 3:
        # The prior spread counts as two passes.
        seen = max(float(np.var(log_rate, ddof=1) - measured.mean()), 0.0)
        between = (2 * between + (len(useful) - 1) * seen) / (len(useful) + 1)
    weight = 1 / (measured + between)
    middle = float(weight @ log_rate / weight.sum())
    sd = math.sqrt(1 / weight.sum() + between)
    half = float(stdtrit(max(2, len(useful) - 1), 0.5 + level / 2)) * sd
    return Estimate(
        value=math.exp(middle), low=math.exp(middle - half), high=math.exp(middle + half), level=level
    )


def minutes_to_go(
    stock_um: Estimate, rate: Estimate, *, load: float = 1.0, speed: float = 1.0, level: float = DEFAULT_LEVEL
) -> Estimate:
    """Minutes for the stock still to come off: stock over rate, relative errors in quadrature.

    Raises
    ------
    InputError
        Load or speed not above 0.
    """
    if not (load > 0 and speed > 0):
        raise InputError(f"minutes_to_go: load and speed must be above 0, got {load}, {speed}")
    if not stock_um.is_known:
        return Estimate.unknown(f"the stock is not known: {stock_um.reason}", level=level)
    if stock_um.value <= 0:
        return Estimate(value=0.0, low=0.0, high=0.0, level=level)
    value = stock_um.value / (rate.value * load * speed)
    up = math.hypot(stock_um.high / stock_um.value - 1, rate.value / rate.low - 1)
    down = math.hypot(1 - stock_um.low / stock_um.value, 1 - rate.value / rate.high)
    return Estimate(value=value, low=value * max(0.0, 1 - down), high=value * (1 + up), level=level)
