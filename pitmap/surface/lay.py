"""Strokes of a lap: faint lines side by side that run one way. They are no scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Stroke", "is_lay", "stroke_of"]

_MOST_STUBBY = 0.25
"""Width of a stroke over its length, at most."""
_LAY_DEG, _LAY_BESIDE_MM, _LEAST_OF_LAY = 8.0, 2.0, 4
"""Strokes of one lap run the same way within this, lie so far from one another, and are so many. House choice, as below."""
_CLEAR = 15.0
"""A line so many times as likely as the metal beside it is a score, whatever runs beside it."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A straight piece of what is likely scored: its middle, mm, and its direction."""

    middle: NDArray[np.float64]
    way: NDArray[np.float64]


def stroke_of(at_mm: NDArray[np.float64]) -> Stroke | None:
    """The stroke that these places (n, 2) make; None for a piece that is none."""
    middle = at_mm.mean(0)
    _, spread, turn = np.linalg.svd(at_mm - middle, full_matrices=False)
    return Stroke(middle, turn[0]) if spread[1] <= _MOST_STUBBY * spread[0] else None


def is_lay(line_mm: NDArray[np.float64], ratio: float, strokes: list[Stroke]) -> bool:
    """True for a faint line with many others beside it that run its way: the strokes of the lap.

    Parameters
    ----------
    line_mm : (n, 2) float64
        Its places.
    ratio : float
        How many times as likely as the metal beside it the line is.
    strokes : list of Stroke
        All there are on the face, the line's own among them.
    """
    own = stroke_of(line_mm)
    if own is None or ratio >= _CLEAR or len(strokes) < _LEAST_OF_LAY:
        return False
    parallel = np.abs([s.way @ own.way for s in strokes]) >= np.cos(np.radians(_LAY_DEG))
    across = np.array([-own.way[1], own.way[0]])
    beside = np.abs([(s.middle - own.middle) @ across for s in strokes]) > _LAY_BESIDE_MM
    return int((parallel & beside).sum()) >= _LEAST_OF_LAY
