"""A number with its interval, or with the reason why it has none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from .errors import InputError

__all__ = ["DEFAULT_LEVEL", "Estimate"]

DEFAULT_LEVEL = 0.90
"""Coverage of every interval unless another one is asked for (house choice, stated beside each figure)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured number, its interval and the level of that interval.

    Parameters
    ----------
    value : float
        Best value, in the unit that the owning field's name ends in. NaN when it could not be measured.
    low, high : float
        Ends of the interval, ``low <= value <= high``; NaN when there is none. ``high`` may be infinite
        (a lower bound only) and ``low`` may be minus infinity.
    level : float
        Coverage aimed at, between 0 and 1.
    reason : str
        Why there is no value or no interval. Must be given when ``low`` or ``high`` is NaN.

    Raises
    ------
    InputError
        Ends out of order, level out of range, or no interval and no reason.
    """

    value: float
    low: float
    high: float
    level: float = DEFAULT_LEVEL
    reason: str = ""

    def __post_init__(self) -> None:
        if not 0 < self.level < 1:
            raise InputError(f"Estimate.level: expected a number between 0 and 1, got {self.level!r}")
        if math.isnan(self.low) or math.isnan(self.high):
            if not self.reason:
                raise InputError("Estimate: no interval was given, so `reason` must say why")
            return
        slack = 1e-9 * max(1.0, abs(self.value)) if math.isfinite(self.value) else 0.0
        if self.low > self.high or (
            not math.isnan(self.value) and not self.low - slack <= self.value <= self.high + slack
        ):
            raise InputError(
                f"Estimate: expected low <= value <= high, got {self.low}, {self.value}, {self.high}"
            )

    @classmethod
    def unknown(cls, reason: str, *, level: float = DEFAULT_LEVEL) -> Estimate:
        """A number that could not be measured, and why."""
        return cls(value=math.nan, low=math.nan, high=math.nan, level=level, reason=reason)

    @classmethod
    def from_sd(
        cls, value: float, sd: float, *, level: float = DEFAULT_LEVEL, low: float = -math.inf
    ) -> Estimate:
        """A value with a normal interval from its standard deviation, cut off below at `low`.

        Raises
        ------
        InputError
            A standard deviation below 0 or not finite.
        """
        if not (math.isfinite(sd) and sd >= 0):
            raise InputError(f"Estimate.from_sd: expected a standard deviation of 0 or more, got {sd!r}")
        half = NormalDist().inv_cdf((1 + level) / 2) * sd
        return cls(value=value, low=min(value, max(low, value - half)), high=value + half, level=level)

    @classmethod
    def give_or_take(cls, value: float, half: float) -> Estimate:
        """A size that somebody entered with how far off it may be, either way; no size is less than nothing."""
        return cls(value=value, low=max(0.0, value - half), high=value + half)

    @property
    def is_known(self) -> bool:
        """True when there is a value."""
        return not math.isnan(self.value)

    @property
    def has_interval(self) -> bool:
        """True when both ends are numbers (infinite ends count)."""
        return not (math.isnan(self.low) or math.isnan(self.high))

    def covers(self, truth: float) -> bool:
        """True when the interval holds `truth`; False without an interval."""
        return self.has_interval and self.low <= truth <= self.high
