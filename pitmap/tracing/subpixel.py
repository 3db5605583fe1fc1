"""The edge of the metal along a rough contour, to a fraction of a pixel."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ..photo.sharpness import SPREAD_PER_SIGMA, sharpness_tiles

__all__ = ["SHARP_LEVEL", "EdgeLook", "blur_px", "edge_level", "even_points", "sharpen"]

SHARP_LEVEL = 0.5
"""Share of the way from the metal's colour to the colour beyond at which a sharp edge ends, however blurred."""
_BEFORE_PX = 0.6
"""Blur that is laid on a picture before its edges are read."""
_LEAST_BLUR_PX = 0.6
"""A pixel's own width blurs that much; less is sharpening, and steeper profiles than pixels can show."""


def blur_px(rgb: NDArray[np.uint8]) -> float:
    """Standard deviation, px, of a photo's own blur; 0.4 where it has no edges to tell."""
    spread = [t.spread_px for t in sharpness_tiles(rgb) if not math.isnan(t.spread_px)]
    return float(np.median(spread)) / SPREAD_PER_SIGMA if spread else 0.4


def edge_level(break_mm: float, blur_mm: float) -> float:
    """Share of the way from the metal's colour to the colour beyond at which the face ends.

    Parameters
    ----------
    break_mm : float
        Width of the chamfer seen from above, 0 for a sharp edge.
    blur_mm : float
        Standard deviation of the picture's blur, on the face.

    Notes
    -----
    A chamfer is taken to be of the colour half-way between (house choice; by the light it is anything between). Face,
    chamfer and what lies beyond are then two steps of half the height, and where the first of them is, a picture
    blurred by s shows a quarter and half of what s has spread of the second one.
    """
    return 0.25 + 0.5 * float(ndtr(-break_mm / max(blur_mm, 1e-9)))


class EdgeLook:
    """How the edges of a plate look in each photo.

    Parameters
    ----------
    pictures : sequence of (rows, columns, 3) uint8 arrays
    break_mm : float
        Width of the chamfer on every edge, 0 for sharp edges.

    Attributes
    ----------
    break_mm : float
    raw_blur_px : list of float
        Standard deviation of each picture's own blur, 0.6 and more.
    """

    def __init__(self, pictures: Sequence[NDArray[np.uint8]], break_mm: float) -> None:
        self.break_mm = break_mm
        own = [blur_px(rgb) for rgb in pictures]
        self._blur_px = [math.hypot(b, _BEFORE_PX) for b in own]
        self.raw_blur_px = [max(b, _LEAST_BLUR_PX) for b in own]

    def level(self, photo: int, px_per_mm: float) -> float:
        """The level for :func:`sharpen` in a photo, by its number, at a scale."""
        return edge_level(self.break_mm, self._blur_px[photo] / px_per_mm)


def even_points(contour: NDArray[np.float64], step: float, smooth: float) -> NDArray[np.float64]:
    """The closed contour smoothed over `smooth` pixels and sampled every `step` pixels."""
    closed = np.vstack([contour, contour[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    n = max(16, round(along[-1] / step))
    at = np.arange(n) * along[-1] / n
    points = np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], -1)
    width = max(1, round(smooth / step))
    kernel = np.hanning(2 * width + 3)[1:-1]
    kernel /= kernel.sum()
    padded = np.vstack([points[-width:], points, points[:width]])
    return np.stack([np.convolve(padded[:, k], kernel, "valid") for k in (0, 1)], -1)


def sharpen(
    rgb: NDArray[np.uint8],
    base: NDArray[np.float64],
    px_per_mm: float,
    *,
    is_hole: bool,
    reach_mm: float = 2.4,
    level: float = SHARP_LEVEL,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Where the metal ends along a contour.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    base : (N, 2) array
        Rough contour, photo pixels, closed and about evenly sampled (:func:`even_points`).
    px_per_mm : float
        Scale there.
    is_hole : bool
        True when the metal is outside the contour.
    reach_mm : float
        How far across the contour to look.
    level : float
        Share of the way to the colour beyond (:func:`edge_level`).

    Returns
    -------
    points : (N, 2) array
        One for each base point, across the contour from it.
    is_good : (N,) bool array
        False where no clear step was found.

    Notes
    -----
    The profile across the edge is projected on the colour difference between metal and what lies beyond;
    the edge is the first crossing from the metal side, so that a hole's wall, which a tilted photo shows
    beyond the edge, does not count.
    """
    along = np.roll(base, -1, 0) - np.roll(base, 1, 0)
    normal = np.stack([along[:, 1], -along[:, 0]], -1) / np.hypot(*along.T)[:, None]
    area = 0.5 * float(np.sum(base[:, 0] * np.roll(base[:, 1], -1) - base[:, 1] * np.roll(base[:, 0], -1)))
    # Pointing away from the metal: outwards from the outline, inwards in a hole.
    if (area > 0) == is_hole:
        normal = -normal
    reach = reach_mm * px_per_mm
    t = np.arange(-reach, reach + 0.25, 0.25)
    where = base[:, None] + t[None, :, None] * normal[:, None]
    # Only the window around the contour is blurred and read: photos are large and holes small.
    low = np.clip(np.floor(where.min((0, 1))).astype(int) - 3, 0, [rgb.shape[1] - 2, rgb.shape[0] - 2])
    high = np.clip(np.ceil(where.max((0, 1))).astype(int) + 4, low + 2, [rgb.shape[1], rgb.shape[0]])
    window = cv2.GaussianBlur(rgb[low[1] : high[1], low[0] : high[0]], (0, 0), _BEFORE_PX)
    x, y = np.moveaxis((where - low).astype(np.float32), -1, 0)
    profile = cv2.remap(window, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(float)
    profile = (np.roll(profile, 1, 0) + 2 * profile + np.roll(profile, -1, 0)) / 4
    metal = np.median(profile[:, t < -0.4 * reach], 1)
    beyond = profile[:, (t > 0.3 * reach) & (t < 0.8 * reach)].mean(1)
    difference = beyond - metal
    size = (difference**2).sum(1)
    share = ((profile - metal[:, None]) * difference[:, None]).sum(-1) / np.maximum(size, 1e-9)[:, None]
    is_over = (share[:, 1:] >= level) & (share[:, :-1] < level) & (t[1:] > -0.5 * reach)
    first = np.argmax(is_over, 1)
    rows = np.arange(len(base))
    a, b = share[rows, first], share[rows, first + 1]
    place = t[first] + 0.25 * (level - a) / np.where(b - a == 0, 1, b - a)
    is_inside = ((where >= 0) & (where <= [rgb.shape[1] - 1, rgb.shape[0] - 1])).all((1, 2))
    is_good = is_inside & is_over.any(1) & (np.sqrt(size) > 18) & (np.abs(place) < 0.8 * reach)
    return base + place[:, None] * normal, is_good
