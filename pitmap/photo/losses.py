"""What a picture has lost on its way: its colours, its fine tones to a file made small, or all of them to noise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["bars_share", "block_step", "colour_apart", "grain", "without_bars"]

_COLOUR_SIDE_PX = 200
"""Colours are compared on a copy so small: what compression leaves of colour noise is gone in it, a stain is not."""
_COLOUR_PERCENTILE = 90
_BLOCK_PX = 8
_PLAIN_LEVELS = 2
"""A row of a photo has more levels than this between its darkest and its brightest pixel; a bar has no more."""
_EVERY_PX = 32
_GRAIN_KERNEL = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
_GRAIN_GAIN = 6.0
"""Root of the sum of squares of the kernel."""
_MEDIAN_OF_ABSOLUTE = 0.6745
"""Median of the absolute value of a normal variable of standard deviation 1."""


def colour_apart(rgb: NDArray[np.uint8]) -> float:
    """How far colours of equal green stand apart, 8-bit levels: 0 to 1 in a grey or toned picture, 3 and more in a photo.

    In a grey, sepia or two-tone picture every tone has one colour, whatever it is.
    """
    scale = min(1.0, _COLOUR_SIDE_PX / max(rgb.shape[:2]))
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else rgb
    red, green, blue = small.reshape(-1, 3).astype(np.int64).T
    count = np.maximum(np.bincount(green, minlength=256), 1)
    off = [np.abs(c - (np.bincount(green, c, 256) / count)[green]) for c in (red, blue)]
    return float(max(np.percentile(o, _COLOUR_PERCENTILE) for o in off))


def block_step(rgb: NDArray[np.uint8]) -> float:
    """How much larger the steps between the 8 x 8 blocks of a JPEG are than those inside; about 1 where there are none.

    The least of both directions, for a straight thing in the picture may chance to lie along the blocks in one.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    ratios = []
    for axis in (0, 1):
        apart = cv2.absdiff(grey[1:], grey[:-1]) if axis == 0 else cv2.absdiff(grey[:, 1:], grey[:, :-1])
        step = cv2.reduce(apart, 1 - axis, cv2.REDUCE_AVG, dtype=cv2.CV_64F).ravel()
        if len(step) < 2 * _BLOCK_PX:
            return 1.0
        by_place = np.array([step[k::_BLOCK_PX].mean() for k in range(_BLOCK_PX)])
        inside = float(np.median(by_place))
        ratios.append(float(by_place.max()) / inside if inside > 0 else 1.0)
    return min(ratios)


def grain(grey: NDArray[np.uint8]) -> float:
    """Standard deviation of the noise from pixel to pixel, 8-bit levels.

    References
    ----------
    J. Immerkaer, Fast noise variance estimation, Computer Vision and Image Understanding 64 (1996) 300-302; here by the
    median, so that edges do not count.
    """
    if min(grey.shape) < 3:
        return 0.0
    rest = np.abs(cv2.filter2D(grey.astype(np.float32), -1, _GRAIN_KERNEL)[1:-1, 1:-1])
    return float(np.median(rest)) / _MEDIAN_OF_ABSOLUTE / _GRAIN_GAIN


def _is_even(rgb: NDArray[np.uint8], axis: int) -> NDArray[np.bool_]:
    low, high = (cv2.reduce(rgb, axis, kind).squeeze(axis) for kind in (cv2.REDUCE_MIN, cv2.REDUCE_MAX))
    return np.asarray((high - low).max(-1) <= _PLAIN_LEVELS)


def _plain(rgb: NDArray[np.uint8], axis: int) -> NDArray[np.bool_]:
    # of most rows a few pixels tell that they hold more than one colour
    plain = _is_even(np.ascontiguousarray(rgb[:, ::_EVERY_PX] if axis else rgb[::_EVERY_PX]), axis)
    left = np.flatnonzero(plain)
    if len(left):
        plain[left] = _is_even(np.ascontiguousarray(rgb[left] if axis else rgb[:, left]), axis)
    return plain


def _apart_from_bars(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Rows and columns that hold more than one colour; all of them where nothing else is left."""
    rows, columns = ~_plain(rgb, 1), ~_plain(rgb, 0)
    if rows.any() and columns.any():
        return rows, columns
    return np.ones_like(rows), np.ones_like(columns)


def without_bars(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The picture without the rows and columns that hold one colour; whole where nothing else is left."""
    rows, columns = _apart_from_bars(rgb)
    return rgb[rows][:, columns]


def bars_share(rgb: NDArray[np.uint8]) -> float:
    """Share of the picture in rows and columns of one colour; 0 where all of it is of one."""
    rows, columns = _apart_from_bars(rgb)
    return 1 - float(rows.mean() * columns.mean())
