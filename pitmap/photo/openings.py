"""The straightened picture as coarse as asking about its openings needs it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..grid import Grid

__all__ = ["FEWEST_OPENINGS", "INTO_MM", "coarse_picture"]

_PX_PER_MM = 2.5
INTO_MM = 1.5
"""Wall and broken edge are left out inside an opening."""
FEWEST_OPENINGS = 4
"""With fewer one that is filled in or holds a lamp would decide; house choice."""


def coarse_picture(
    grey: NDArray[np.uint8], in_frame: NDArray[np.bool_], grid: Grid
) -> tuple[Grid, NDArray[np.uint8], NDArray[np.bool_]]:
    """Grid of 2.5 px per mm or that of the picture, the picture on it, and where it holds the plate.

    Parameters
    ----------
    grey : (rows, columns) uint8 array
        Straightened picture on `grid`.
    in_frame : (rows, columns) bool array
    grid : Grid
    """
    small = grid.at_scale(min(grid.px_per_mm, _PX_PER_MM))
    size_wh = small.shape[::-1]
    tone = cv2.resize(grey, size_wh, interpolation=cv2.INTER_AREA)
    shown = cv2.resize(in_frame.astype(np.uint8), size_wh, interpolation=cv2.INTER_NEAREST) > 0
    return small, tone.astype(np.uint8), shown
