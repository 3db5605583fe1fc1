"""Is there light where the plate has its holes? Then it is a negative, or lit from behind."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing, fill_mask
from ..grid import Grid
from .openings import FEWEST_OPENINGS, INTO_MM, coarse_picture

__all__ = ["bright_openings"]

_RING_MM = (1.0, 3.0)
"""The broken edge is left out on the metal's side too."""
_BRIGHTER = 25
"""8-bit levels; house choice."""
_FEWEST_PX = 20


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
    small, tone, shown = coarse_picture(grey, in_frame, grid)
    face = drawing.mask(small) & shown
    bright = []
    for opening in drawing.openings:
        near, far = (fill_mask(opening.polygon.buffer(mm), small) for mm in _RING_MM)
        inner, ring = fill_mask(opening.polygon.buffer(-INTO_MM), small) & shown, far & ~near & face
        if min(np.count_nonzero(inner), np.count_nonzero(ring)) >= _FEWEST_PX:
            bright.append(np.median(tone[inner]) - np.median(tone[ring]) > _BRIGHTER)
    return float(np.mean(bright)) if len(bright) >= FEWEST_OPENINGS else math.nan
