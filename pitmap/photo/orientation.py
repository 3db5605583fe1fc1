"""Turn a picture upright by its EXIF orientation."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["upright"]

_FLIP = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}
"""OpenCV's flip code (0 rows, 1 columns, -1 both) to apply after the transposition of orientations 5 to 8."""


def upright(array: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """The picture as a viewer shows it, contiguous in memory.

    Parameters
    ----------
    array : (rows, columns) or (rows, columns, 3) uint8 array
    orientation : int
        EXIF tag 0x0112, 1 to 8; anything else counts as 1.

    References
    ----------
    CIPA DC-008 (Exif 2.3), tag Orientation: which visual side row 0 and column 0 are.
    """
    if orientation in (5, 6, 7, 8):
        array = cv2.transpose(array)
    if orientation in _FLIP:
        array = cv2.flip(array, _FLIP[orientation])
    return np.ascontiguousarray(array)
