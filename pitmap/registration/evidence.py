"""Where a small copy of the photo has edges, by direction: the ground that pose hypotheses are scored on."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["N_DIRECTIONS", "EdgeField", "edge_field", "shrink"]

N_DIRECTIONS = 8
"""Edge directions modulo 180 deg, 22.5 deg apart; every edge pixel counts for its own and the nearest neighbour."""

_FAR = 1 << 20


def shrink(rgb: NDArray[np.uint8], long_side_px: int) -> tuple[NDArray[np.uint8], float]:
    """A copy no larger than asked, area-averaged, and its size relative to the original (at most 1)."""
    scale = min(1.0, long_side_px / max(rgb.shape[:2]))
    if scale == 1.0:
        return rgb, 1.0
    # by the scale and not to a size: rounded to whole pixels, the two sides would shrink by different amounts
    return cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), scale


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeField:
    """Edges of one small picture by direction.

    Parameters
    ----------
    near_xy : (D, H, W, 2) float32 array
        Nearest edge pixel of about that direction, refined along the gradient, px.
    near_normal : (D, H, W, 2) float32 array
        Unit gradient there.
    distance : (D, H, W) float32 array
        Distance to it, px.
    gain : (D, H, W) float32 array
        1 on an edge, falling with distance, less what a random place would get; 0 by chance.
    """

    near_xy: NDArray[np.float32]
    near_normal: NDArray[np.float32]
    distance: NDArray[np.float32]
    gain: NDArray[np.float32]

    @property
    def size_wh(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.distance.shape[2], self.distance.shape[1]


def _edges(rgb: NDArray[np.uint8], density: float) -> tuple[NDArray, NDArray, NDArray]:
    """Edge pixels (bool) and gradient (gx, gy) of the channel that changes most."""
    smooth = cv2.GaussianBlur(rgb, (0, 0), 1.0).astype(np.float32)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    power = gx * gx + gy * gy
    pick = power.argmax(2)[..., None]
    gx, gy = np.take_along_axis(gx, pick, 2)[..., 0], np.take_along_axis(gy, pick, 2)[..., 0]
    magnitude = np.sqrt(np.take_along_axis(power, pick, 2)[..., 0])
    h, w = magnitude.shape
    # a lit bench must not outvote a plate in the shade: edges are judged against their surroundings
    around = cv2.blur(magnitude, (w // 6 | 1, w // 6 | 1))
    strength = magnitude / (around + 0.25 * magnitude.mean() + 0.5)
    step = np.maximum(np.maximum(np.abs(gx), np.abs(gy)), 1e-6)
    dx, dy = np.rint(gx / step).astype(np.int64), np.rint(gy / step).astype(np.int64)
    rows, cols = np.mgrid[0:h, 0:w]

    def shifted(sign: int) -> NDArray:
        return magnitude[np.clip(rows + sign * dy, 0, h - 1), np.clip(cols + sign * dx, 0, w - 1)]

    ridge = (magnitude >= shifted(1)) & (magnitude > shifted(-1))
    ridge[:2], ridge[-2:], ridge[:, :2], ridge[:, -2:] = False, False, False, False
    keep = round(density * h * w)
    if ridge.sum() > keep:
        floor = np.partition(strength[ridge], -keep)[-keep]
        ridge &= strength >= floor
    return ridge, gx, gy


def edge_field(rgb: NDArray[np.uint8], *, tolerance_px: float = 2.0, density: float = 0.06) -> EdgeField:
    """Edges of a small picture, by direction.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    tolerance_px : float
        Distance at which an edge counts half.
    density : float
        Largest share of the pixels that are taken for edges.
    """
    ridge, gx, gy = _edges(rgb, density)
    h, w = ridge.shape
    angle = np.mod(np.arctan2(gy, gx), np.pi) * (N_DIRECTIONS / np.pi)
    norm = np.maximum(np.hypot(gx, gy), 1e-6)
    near = np.empty((N_DIRECTIONS, h, w, 2), np.float32)
    normal = np.empty((N_DIRECTIONS, h, w, 2), np.float32)
    distance = np.empty((N_DIRECTIONS, h, w), np.float32)
    for d in range(N_DIRECTIONS):
        off = np.abs(np.mod(angle - d + N_DIRECTIONS / 2, N_DIRECTIONS) - N_DIRECTIONS / 2)
        here = ridge & (off <= 1.0)
        if not here.any():
            distance[d], near[d], normal[d] = _FAR, _FAR, 0
            continue
        dist, label = cv2.distanceTransformWithLabels(
            (~here).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        rows, cols = np.nonzero(here)
        # what is known of each edge pixel, by its label, is dealt out to the pixels nearest to it
        known = np.zeros((label.max() + 1, 4), np.float32)
        n = norm[here]
        known[label[here]] = np.stack([cols, rows, gx[here] / n, gy[here] / n], -1)
        dealt = np.take(known, label, axis=0)
        near[d], normal[d] = dealt[..., :2], dealt[..., 2:]
        distance[d] = dist
    similarity = np.exp(-np.log(2) * (distance / tolerance_px) ** 2)
    base = similarity.reshape(N_DIRECTIONS, -1).mean(1)[:, None, None]
    return EdgeField(
        near_xy=near,
        near_normal=normal,
        distance=distance,
        gain=(similarity - base) / (1 - base),
    )
