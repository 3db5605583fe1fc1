"""Do two straightened pictures show the same metal, and how do they lie on each other?"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["CLEAR", "FineStructure", "fine_structure", "lie_of"]

CLEAR = 8.0
"""How far above chance the best lie of two pictures must stand, in standard deviations of the likeness at lies that are
wrong. The best of a few hundred wrong ones stands 3 to 4 above; edges that every plate of a drawing has add to it. House
choice.
"""
_SIDE_PX = 700
_FROM_EDGE_PX = 13
"""Shadows in holes and at edges are alike on any face of the drawing: only metal away from them tells."""
_EVEN_PX = 6.0
_MOST = 2.5
_FAR_PX = 40
_PEAK_PX = 6

FineStructure = NDArray[np.float32]


def fine_structure(rgb: NDArray[np.uint8], metal: NDArray[np.bool_]) -> tuple[FineStructure, int]:
    """Steepness of the detail of the metal, as strong in one place as in another, and the raster's reduction.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    metal : (rows, columns) bool
        The drawn face, as far as the picture holds it.

    Returns
    -------
    structure : (rows / step, columns / step) float32
        The same whichever side the lamp stands; 0 off the metal and near its edges.
    step : int
        Pixels of `rgb` to one of the structure.

    Notes
    -----
    Without the evening out, the outline of a cloth in one picture outweighs all the pits of the other.
    """
    step = max(1, round(max(rgb.shape[:2]) / _SIDE_PX))
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    if step > 1:
        grey = cv2.resize(grey, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    log = cv2.GaussianBlur(np.log(grey.astype(np.float32) + 8), (0, 0), 1.0)
    steep = cv2.magnitude(cv2.Sobel(log, cv2.CV_32F, 1, 0), cv2.Sobel(log, cv2.CV_32F, 0, 1))
    steep = np.minimum(steep, 0.8)
    small = cv2.resize(metal.astype(np.uint8), grey.shape[::-1], interpolation=cv2.INTER_NEAREST)
    # a picture's own border is no edge of the metal: the face may run on beyond it
    inner = cv2.erode(small, np.ones((_FROM_EDGE_PX, _FROM_EDGE_PX), np.uint8)).astype(np.float32)
    if not inner.any():
        return np.zeros_like(steep), step
    share = np.maximum(cv2.GaussianBlur(inner, (0, 0), _EVEN_PX), 1e-3)
    apart = (steep - cv2.GaussianBlur(steep * inner, (0, 0), _EVEN_PX) / share) * inner
    spread = np.sqrt(cv2.GaussianBlur(apart * apart, (0, 0), _EVEN_PX) / share)
    floor = 0.3 * float(np.median(spread[inner > 0]))
    return np.clip(apart / np.maximum(spread + floor, 1e-6), -_MOST, _MOST), step


def lie_of(moving: FineStructure, fixed: FineStructure, most_px: float) -> tuple[NDArray[np.float64], float]:
    """Shift at which one structure lies best on the other, and how clearly it does.

    Parameters
    ----------
    moving, fixed : (rows, columns) float32
        From :func:`fine_structure`, of one size.
    most_px : float
        Largest shift looked at, pixels of the structure.

    Returns
    -------
    shift_px : (2,) float
        (column, row) by which `moving` lies beside `fixed`.
    clear : float
        Standard deviations by which the best likeness stands above that at shifts away from it; 0 for nothing to compare.

    Notes
    -----
    Cross-correlation, and its peak against its side lobes: other metal has no peak, whatever covers part of the same
    metal makes the peak lower and the lobes with it. The peak is placed by the parabola through its neighbours.
    """
    norm = float(np.sqrt((moving * moving).sum(dtype=float) * (fixed * fixed).sum(dtype=float)))
    if norm == 0:
        return np.zeros(2), 0.0
    reach = np.arange(-_FAR_PX, _FAR_PX + 1)
    size = [cv2.getOptimalDFTSize(n + _FAR_PX) for n in fixed.shape]
    spectrum = np.conj(np.fft.rfft2(fixed, size)) * np.fft.rfft2(moving, size)
    alike = np.fft.irfft2(spectrum, size)[np.ix_(reach % size[0], reach % size[1])] / norm
    near = min(int(np.ceil(most_px)), _FAR_PX - 1)
    window = alike[_FAR_PX - near : _FAR_PX + near + 1, _FAR_PX - near : _FAR_PX + near + 1]
    row, col = (int(k) + _FAR_PX - near for k in np.unravel_index(int(window.argmax()), window.shape))
    side = np.ones(alike.shape, bool)
    side[max(0, row - _PEAK_PX) : row + _PEAK_PX + 1, max(0, col - _PEAK_PX) : col + _PEAK_PX + 1] = False
    lobes = alike[side]
    clear = float((alike[row, col] - lobes.mean()) / max(float(lobes.std()), 1e-9))
    at = np.array([col + _top(alike[row, col - 1 : col + 2]), row + _top(alike[row - 1 : row + 2, col])])
    return at - _FAR_PX, clear


def _top(three: NDArray[np.float64]) -> float:
    """Where the parabola through three neighbours is highest, from the middle one."""
    bend = three[0] + three[2] - 2 * three[1]
    return float(np.clip((three[0] - three[2]) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0
