"""Sound width of the land draw by draw, held to what the map measured: plan and map say one thing of the same land."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from ..estimate import Estimate
from .budget import normal_half
from .sound import SoundWidth

__all__ = ["HeldWidth", "chance_of_at_least"]

_GOLDEN = (math.sqrt(5) - 1) / 2


class HeldWidth:
    """What every removal leaves of the sound width, in draws of the pits' depths and of the error of the map.

    Parameters
    ----------
    left_um : ndarray (draws, pits)
        Depth of each pit under the present face; negative when it is gone.
    width : SoundWidth
    now_mm : Estimate
        Sound width of the face as it is; without an interval the pits alone count.

    Notes
    -----
    Without further stock the width is the measured one, with its interval, and no removal leaves less. Above that it is
    the width that `width` gives for the pits that are left, off by what the map may be off by: the pits are as wide as
    the map shows them, and its error is that of the measured width. Where `width` gives more at no removal than was
    measured it is lowered by the difference; where it gives less it is left, since the map tells only of the narrowest
    place how much more is there. Once no pit is left on the crossing it has the width of the bare land.
    """

    def __init__(self, left_um: NDArray, width: SoundWidth, now_mm: Estimate) -> None:
        self._rows, self._width = left_um, width
        n, n_pits = left_um.shape
        self._nominal_mm = float(width(np.zeros(n_pits, bool)))
        self._now_mm, self._off_mm = np.zeros(n), np.zeros(n)
        if now_mm.has_interval:
            self._now_mm = np.clip(_spread_through(now_mm, n), 0.0, self._nominal_mm)
            by_pits = float(np.median([width(row > 0) for row in left_um]))
            self._off_mm = self._now_mm - max(now_mm.value, by_pits)

    def after(self, levels_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sound width (draws, levels) after each of the removals, mm."""
        found = np.array([[self._width(row > level) for level in levels_um] for row in self._rows])
        is_clear = found >= self._nominal_mm
        held = np.minimum(found + np.where(is_clear, 0.0, self._off_mm[:, None]), self._nominal_mm)
        return np.maximum(held, self._now_mm[:, None])

    def least_removal_um(self, least_mm: float) -> NDArray[np.float64]:
        """Least removal (draws,) that leaves so much; infinite where the land without any pit is narrower."""
        if self._nominal_mm < least_mm:
            return np.full(len(self._rows), math.inf)
        asked = np.minimum(least_mm - self._off_mm, self._nominal_mm)
        asked[self._now_mm >= least_mm] = 0.0
        return np.array([_least_removal(row, self._width, a) for row, a in zip(self._rows, asked)])


def chance_of_at_least(found: Estimate, least: float) -> float:
    """Chance that the true value is at least so much; NaN without a least value.

    The error is taken as normal on either side, each with the spread that its end of the interval tells.
    """
    low_sd, high_sd = _sides(found)
    sd = high_sd if least > found.value else low_sd
    return float(ndtr((found.value - least) / max(sd, 1e-9)))


def _sides(found: Estimate) -> tuple[float, float]:
    half = normal_half(found.level)
    return (found.value - found.low) / half, (found.high - found.value) / half


def _spread_through(found: Estimate, n: int) -> NDArray[np.float64]:
    """So many values of what was measured, evenly through its interval and in no order that the draws could have."""
    place = np.argsort(np.argsort(_GOLDEN * np.arange(n) % 1))
    z = ndtri((place + 0.5) / n)
    low_sd, high_sd = _sides(found)
    return found.value + z * np.where(z > 0, high_sd, low_sd)


def _least_removal(left: NDArray, width: SoundWidth, least_mm: float) -> float:
    steps = np.unique(np.maximum(left, 0.0))
    if width(left > 0) >= least_mm:
        return 0.0
    # Known not to be enough: nothing taken off, which is no step where every pit is still there.
    lo, hi = -1, len(steps) - 1
    while hi - lo > 1:
        middle = (lo + hi) // 2
        if width(left > steps[middle]) >= least_mm:
            hi = middle
        else:
            lo = middle
    return float(steps[hi])
