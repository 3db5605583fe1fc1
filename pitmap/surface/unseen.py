"""Metal that the picture does not show: out of frame, blown glare, black shadow, too coarse a photo."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .morphology import disc

__all__ = ["LEAST_PHOTO_PX_PER_MM", "unreadable"]

LEAST_PHOTO_PX_PER_MM = 1.5
"""Below this a pit of 1 mm is one and a half photo pixels across; house choice."""
_BLOWN = 250
"""8-bit level from which all three channels carry no more signal."""
_BLACK = 10
"""8-bit level below which the best channel is noise."""
_LEAST_MM = 1.5
"""Smaller blown or black spots are sparkle, dust or pits, not missing picture."""


def unreadable(
    rgb: NDArray[np.uint8],
    px_per_mm: float,
    *,
    in_frame: NDArray[np.bool_] | None = None,
    photo_px_per_mm: float | NDArray[np.floating] | None = None,
) -> NDArray[np.bool_]:
    """Pixels that must not be read, whatever a classifier says.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    px_per_mm : float
        Scale of the raster.
    in_frame : (rows, columns) bool, optional
        False where the photo ends.
    photo_px_per_mm : float or (rows, columns) array, optional
        Scale of the photo itself.

    Returns
    -------
    (rows, columns) bool
    """
    red, green, blue = cv2.split(rgb)
    top, bottom = cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue)
    lost = ((bottom >= _BLOWN) | (top < _BLACK)).astype(np.uint8)
    least = disc(_LEAST_MM, px_per_mm)
    # opened, that is eroded and grown again, the second only where something is left
    left = cv2.erode(lost, least) if lost.any() else lost
    out = np.zeros(lost.shape, bool)
    x, y, w, h = cv2.boundingRect(left)
    if w:
        rim = least.shape[0]
        window = np.s_[max(0, y - rim) : y + h + rim, max(0, x - rim) : x + w + rim]
        out[window] = cv2.dilate(left[window], least)
    if in_frame is not None:
        out |= ~in_frame
    if photo_px_per_mm is not None:
        out |= np.asarray(photo_px_per_mm) < LEAST_PHOTO_PX_PER_MM
    return out
