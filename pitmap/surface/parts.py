"""Connected parts of a raster."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["large_parts"]


def large_parts(region: NDArray[np.bool_] | NDArray[np.uint8], least_px: float) -> NDArray[np.bool_]:
    """The 8-connected parts of a region that have at least `least_px` pixels.

    Parameters
    ----------
    region : (rows, columns) bool or uint8
        Part of the region where it is not 0.
    least_px : float
    """
    _, labels, stats, _ = cv2.connectedComponentsWithStats(region.astype(np.uint8), connectivity=8)
    keep = stats[:, cv2.CC_STAT_AREA] >= least_px
    keep[0] = False
    return keep[labels]
