"""Structuring elements whose size is stated in mm."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["disc", "odd_px"]


def odd_px(width_mm: float, px_per_mm: float) -> int:
    """A width as an odd number of pixels, 1 at least: an even one is rounded up, so that it has a middle."""
    return max(1, round(width_mm * px_per_mm)) | 1


def disc(width_mm: float, px_per_mm: float) -> NDArray[np.uint8]:
    """A disc for morphology, ``odd_px`` across.

    Parameters
    ----------
    width_mm : float
    px_per_mm : float
    """
    width = odd_px(width_mm, px_per_mm)
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)).astype(np.uint8)
