"""Was a picture sharpened so much that its edges carry lines of their own?"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .sharpness import edge_crests

__all__ = ["overshoot"]

_SIDE_PX = 1600
"""So much of the middle is looked at: bounds time and memory, whatever the picture's size."""
_REACH_PX, _PLAIN_FROM_PX = 9, 7
"""An edge is looked at so far on both sides; from the second on there is the tone that it leads to."""
_NEAR_PX = (1, 4)
"""Where sharpening draws its lines, from the crest of the edge."""
_LEAST_STEP, _MOST_UNEVEN = 25.0, 0.1
"""8-bit levels that an edge must rise by, and the share of it by which the tone beside it may waver; house choices."""
_FEWEST, _MOST = 100, 20_000


def overshoot(rgb: NDArray[np.uint8]) -> float:
    """How far edges go beyond the tones they lead to, on the dark and on the bright side, as a share of their step.

    The lesser of the two sides, for a broken edge that shines, or the shadow beside it, makes a line on one side alone.
    Median of all edges between two plain tones; NaN of fewer than 100.
    """
    middle = tuple(
        slice(max(0, (n - _SIDE_PX) // 2), max(0, (n - _SIDE_PX) // 2) + _SIDE_PX) for n in rgb.shape[:2]
    )
    grey = cv2.cvtColor(np.ascontiguousarray(rgb[middle]), cv2.COLOR_RGB2GRAY)
    at_xy, way = edge_crests(grey)
    inside = ((at_xy >= _REACH_PX) & (at_xy < np.array(grey.shape[::-1]) - _REACH_PX)).all(1)
    at_xy, way = at_xy[inside], way[inside]
    every = max(1, -(-len(at_xy) // _MOST))
    at_xy, way = at_xy[::every], way[::every]
    if len(at_xy) < _FEWEST:
        return math.nan
    steps = np.arange(-_REACH_PX, _REACH_PX + 1)
    places = at_xy[:, None] + steps[:, None] * way[:, None]
    # remap takes fewer than 32768 rows at a time: _MOST stays under that
    tone = cv2.remap(grey.astype(np.float32), places.astype(np.float32), None, cv2.INTER_LINEAR)
    dark, bright = tone[:, steps <= -_PLAIN_FROM_PX], tone[:, steps >= _PLAIN_FROM_PX]
    low, high = dark.mean(1), bright.mean(1)
    rise = high - low
    uneven = np.maximum(dark.std(1), bright.std(1))
    told = (rise > _LEAST_STEP) & (uneven < _MOST_UNEVEN * rise)
    if np.count_nonzero(told) < _FEWEST:
        return math.nan
    near = [(k * steps >= _NEAR_PX[0]) & (k * steps <= _NEAR_PX[1]) for k in (-1, 1)]
    under = (low - tone[:, near[0]].min(1))[told] / rise[told]
    over = (tone[:, near[1]].max(1) - high)[told] / rise[told]
    return float(np.median(np.minimum(under, over)))
