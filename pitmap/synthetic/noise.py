"""Random textures: fractal noise, streaks, blobs; fast enough for rasters of ten million pixels."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["fractal", "smoothstep", "streaks", "tile", "value_noise"]


def smoothstep(low: float, high: float, value: NDArray) -> NDArray:
    """0 below `low`, 1 above `high`, a smooth S between."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def fractal(
    rng: np.random.Generator,
    shape: tuple[int, int],
    cell_px: float,
    finest_px: float = 1.0,
    gain: float = 0.55,
) -> NDArray[np.float32]:
    """Noise with detail from `cell_px` down to `finest_px`, mean about 0 and standard deviation about 1.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : (int, int)
        Rows, columns.
    cell_px, finest_px : float
        Size of the largest and of the smallest blobs.
    gain : float
        Strength of each octave against the one twice as coarse.

    Notes
    -----
    A pyramid: each level is the one before at twice the size plus fresh noise, so all octaves together cost
    little more than the finest.
    """
    finest_px = max(1.0, finest_px)
    n = max(1, round(math.log2(max(cell_px / finest_px, 1.0))) + 1)
    rows, cols = (math.ceil(s / finest_px) + 4 for s in shape)
    out: Any = None
    weight, total = 1.0, 0.0
    for level in range(n - 1, -1, -1):
        k = 2**level
        size = (math.ceil(rows / k) + 2, math.ceil(cols / k) + 2)
        fresh = rng.standard_normal(size, dtype=np.float32)
        if out is not None:
            out = cv2.resize(out, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)[
                1 : size[0] + 1, 1 : size[1] + 1
            ]
            fresh *= np.float32(weight)
            out = out + fresh if out.shape == fresh.shape else cv2.resize(out, fresh.shape[::-1]) + fresh
        else:
            out = fresh
        total += weight**2
        weight *= gain
    out = cv2.GaussianBlur(out, (3, 3), 0.7)
    if finest_px > 1:
        full = (max(shape[1], int(out.shape[1] * finest_px)), max(shape[0], int(out.shape[0] * finest_px)))
        out = cv2.resize(out, full, interpolation=cv2.INTER_CUBIC)
    out = np.ascontiguousarray(out[: shape[0], : shape[1]])
    out -= np.float32(out.mean())
    out /= np.float32(out.std() + 1e-6)
    return out


def value_noise(
    rng: np.random.Generator, shape: tuple[int, int], cell_rc_px: tuple[float, float]
) -> NDArray[np.float32]:
    """One octave of smooth noise with its own cell size along rows and columns."""
    small = (max(2, math.ceil(shape[0] / cell_rc_px[0]) + 2), max(2, math.ceil(shape[1] / cell_rc_px[1]) + 2))
    out = cv2.resize(rng.standard_normal(small, dtype=np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
    return out / np.float32(out.std() + 1e-6)


def streaks(
    rng: np.random.Generator, shape: tuple[int, int], long_px: float, wide_px: float
) -> NDArray[np.float32]:
    """Noise drawn out along the columns: wood grain, brush and grinding marks."""
    out = sum(
        (
            w * value_noise(rng, shape, (max(1.0, wide_px * f), long_px * f))
            for f, w in ((1, 0.7), (0.5, 0.6), (2.5, 0.6))
        ),
        start=np.zeros(shape, np.float32),
    )
    return out / np.float32(out.std() + 1e-6)


def tile(texture: NDArray[np.float32], overlap_px: int) -> NDArray[np.float32]:
    """The texture made to wrap round without a seam, `overlap_px` smaller on both sides."""
    k = overlap_px
    ramp = np.linspace(0, 1, k, dtype=np.float32)
    for axis in (0, 1):
        t = np.moveaxis(texture, axis, 0)
        body = t[:-k].copy()
        r = ramp.reshape(-1, *([1] * (t.ndim - 1)))
        body[:k] = t[:k] * r + t[-k:] * (1 - r)
        texture = np.moveaxis(body, 0, axis)
    return np.ascontiguousarray(texture)
