"""Strokes of a lap: faint lines side by side that run one way. They are no scores."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .axes import Axes, axes_of

__all__ = ["is_lay", "is_stroke"]

_MOST_STUBBY = 0.25
"""Width of a stroke over its length, at most."""
_LAY_DEG, _LAY_BESIDE_MM, _LEAST_OF_LAY = 8.0, 2.0, 4
"""Strokes of one lap run the same way within this, lie so far from one another, and are so many. House choice, as below."""
_CLEAR = 15.0
"""A line so many times as likely as the metal beside it is a score, whatever runs beside it."""


def is_stroke(axes: Axes) -> bool:
    """True for the axes of a straight, narrow piece."""
    return bool(axes.spread[1] <= _MOST_STUBBY * axes.spread[0])


def is_lay(line_mm: NDArray[np.float64], ratio: float, strokes: list[Axes]) -> bool:
    """True for a faint line with many others beside it that run its way: the strokes of the lap.

    Parameters
    ----------
    line_mm : (n, 2) float64
        Its places.
    ratio : float
        How many times as likely as the metal beside it the line is.
    strokes : list of Axes
        Of all strokes on the face, the line's own among them.
    """
    own = axes_of(line_mm)
    if ratio >= _CLEAR or not is_stroke(own):
        return False
    way, across = own.turn
    parallel = np.abs([s.turn[0] @ way for s in strokes]) >= np.cos(np.radians(_LAY_DEG))
    beside = np.abs([(s.middle - own.middle) @ across for s in strokes]) > _LAY_BESIDE_MM
    return int((parallel & beside).sum()) >= _LEAST_OF_LAY
