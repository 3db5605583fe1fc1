"""Is it a photo of a screen or of a print? Then a fine, even raster lies over all of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from .sharpness import Tile

__all__ = ["raster_peak"]

_SIDE_PX = 128
_MOST_TILES, _FEWEST_TILES = 12, 4
_COARSEST_PX = 12
"""A raster is fine; what repeats in wider steps may be the scene: tiles of a floor, the marks of a rule."""
_AROUND_BINS = 13
"""A bin of the spectrum is compared with so wide a neighbourhood of it."""
_APART_DEG = 30.0
_BLOCK_PX, _NEAR_BINS = 8, 1.5
"""The blocks of a JPEG repeat too: their own frequencies are left out, that near."""


def raster_peak(rgb: NDArray[np.uint8], tiles: Sequence[Tile], *, most_without: float = 0.5) -> float:
    """How far the spectrum of a part of the picture rises above what lies round it in two directions, log of power.

    The lesser of both, for a cutter leaves even lines too, but in one direction; of parts spread over the picture that which
    a share of them falls short of, for a raster lies over all of them; NaN of fewer than four.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    tiles : sequence of Tile
        Where to look.
    most_without : float
        Share of the parts (0..1) that may be without the raster: washed out, or too dark.

    Notes
    -----
    The power of noise is exponentially distributed, so the largest of n bins lies about log(log n) + 0.58 above the mean of
    the log: 2.7 for all of them here. Edges and grain spread over many bins, a raster stands in a few.

    References
    ----------
    M. Priestley, Spectral Analysis and Time Series (1981), chapter 6: distribution of the periodogram.
    """
    rows, columns = (np.array([t.centre_xy[k] for t in tiles]) - (_SIDE_PX - 1) / 2 for k in (1, 0))
    starts = np.column_stack([rows, columns]).round().astype(int)
    starts = starts[((starts >= 0) & (starts + _SIDE_PX <= rgb.shape[:2])).all(1)]
    if len(starts) < _FEWEST_TILES:
        return math.nan
    some = starts[np.linspace(0, len(starts) - 1, min(len(starts), _MOST_TILES)).round().astype(int)]
    return float(np.quantile([_peak(rgb[y : y + _SIDE_PX, x : x + _SIDE_PX]) for y, x in some], most_without))


def _peak(part: NDArray[np.uint8]) -> float:
    window, may_count, way = _spectrum()
    grey = cv2.cvtColor(part, cv2.COLOR_RGB2GRAY).astype(np.float32)
    power = np.abs(np.fft.fftshift(np.fft.fft2((grey - grey.mean()) * window))) ** 2
    # one squared level in all, so that rounding in plain parts makes no peak
    log_power = np.log(power + 1.0)
    above = (log_power - cv2.blur(log_power, (_AROUND_BINS, _AROUND_BINS)))[may_count]
    is_apart = np.abs(way @ way[above.argmax()]) < np.cos(np.radians(_APART_DEG))
    return float(above[is_apart].max())


@lru_cache(maxsize=1)
def _spectrum() -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """The weights of a part, the bins of its spectrum that may hold a raster, and which way each of them runs."""
    window = np.hanning(_SIDE_PX)
    frequency = np.fft.fftshift(np.fft.fftfreq(_SIDE_PX))
    of_blocks = np.abs(frequency - np.round(frequency * _BLOCK_PX) / _BLOCK_PX) < _NEAR_BINS / _SIDE_PX
    may_count = np.hypot(frequency[:, None], frequency[None]) > 1 / _COARSEST_PX
    may_count &= ~np.logical_and.outer(of_blocks, of_blocks)
    at = np.argwhere(may_count) - _SIDE_PX // 2
    return np.outer(window, window), may_count, at / np.linalg.norm(at, axis=1, keepdims=True)
