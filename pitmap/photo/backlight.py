"""Is there light where the plate has its holes? Then it is a negative, or lit from behind."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing, fill_mask
from ..grid import Grid

__all__ = ["bright_openings"]

_PX_PER_MM = 2.5
_INTO_MM, _RING_MM = 1.5, (1.0, 3.0)
"""Wall and broken edge are left out on both sides of an opening's edge."""
_BRIGHTER = 25
"""8-bit levels; house choice."""
_FEWEST_PX, _FEWEST_OPENINGS = 20, 4


def bright_openings(
    grey: NDArray[np.uint8], in_frame: NDArray[np.bool_], drawing: Drawing, grid: Grid
) -> float:
    """Share of the openings in which it is clearly brighter than on the metal round them; NaN of fewer than four.

    Parameters
    ----------
    grey : (rows, columns) uint8 array
        Straightened picture on `grid`.
    in_frame : (rows, columns) bool array
    drawing : Drawing
    grid : Grid
    """
    small = grid.at_scale(min(grid.px_per_mm, _PX_PER_MM))
    size_wh = small.shape[::-1]
    tone = cv2.resize(grey, size_wh, interpolation=cv2.INTER_AREA)
    shown = cv2.resize(in_frame.astype(np.uint8), size_wh, interpolation=cv2.INTER_NEAREST) > 0
    face = drawing.mask(small) & shown
    bright = []
    for opening in drawing.openings:
        near, far = (fill_mask(opening.polygon.buffer(mm), small) for mm in _RING_MM)
        inner, ring = fill_mask(opening.polygon.buffer(-_INTO_MM), small) & shown, far & ~near & face
        if min(np.count_nonzero(inner), np.count_nonzero(ring)) >= _FEWEST_PX:
            bright.append(np.median(tone[inner]) - np.median(tone[ring]) > _BRIGHTER)
    return float(np.mean(bright)) if len(bright) >= _FEWEST_OPENINGS else math.nan
