"""The interval of a difference, from the intervals of its two parts."""

from __future__ import annotations

import math

__all__ = ["difference_interval"]


def difference_interval(
    before: tuple[float, float, float], after: tuple[float, float, float]
) -> tuple[float, float]:
    """Interval of after less before, each given as (value, low, high) at one level, errors independent.

    Returns
    -------
    (low, high)
        NaN where an end that it needs is NaN.

    Notes
    -----
    Recovers the variance on the side that matters from each interval, so that lopsided intervals (a share near 0)
    stay lopsided. Errors that both share make the true interval narrower than this one.

    References
    ----------
    R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10; G. Y. Zou and A. Donner, Statistics in
    Medicine 27 (2008) 1693-1702; both from memory.
    """
    a, a_low, a_high = before
    b, b_low, b_high = after
    change = b - a
    return change - math.hypot(b - b_low, a_high - a), change + math.hypot(b_high - b, a - a_low)
