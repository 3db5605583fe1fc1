"""Turn a picture upright by its EXIF orientation."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["upright"]

_T = TypeVar("_T", bound=np.generic)


def upright(array: NDArray[_T], orientation: int) -> NDArray[_T]:
    """The picture as a viewer shows it, contiguous in memory.

    Parameters
    ----------
    array : (rows, columns, ...) array
    orientation : int
        EXIF tag 0x0112, 1 to 8; anything else counts as 1.

    References
    ----------
    CIPA DC-008 (Exif 2.3), tag Orientation: which visual side row 0 and column 0 are.
    """
    if orientation in (5, 6, 7, 8):
        array = array.swapaxes(0, 1)
    if orientation in (3, 4, 7, 8):
        array = array[::-1]
    if orientation in (2, 3, 6, 7):
        array = array[:, ::-1]
    return np.ascontiguousarray(array)
