"""The contours of a face on its plane: voted for by all photos, then measured to sub-pixel in each."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from ..grid import Grid
from ..registration.camera import Camera
from .cameras import EdgeSet
from .merge import LEAST_PLACES
from .photos import PhotoClicks
from .silhouette import solid
from .subpixel import EdgeLook, even_points, sharpen

__all__ = ["STEP_MM", "clearly_shown", "measure_edges", "metal_mask", "usable_contours", "vote"]

STEP_MM = 0.8
_ROUND_MM = 0.25
"""Openings that a circle fits this well are round (house choice: a drilled or bored hole)."""
_LEAST_MM = 3.0
"""Smaller marks inside the outline are pits and stains, not openings (house choice)."""
_ROOM_MM = 10.0
_VOTE_PX_PER_MM = 3.0
_NOTCH_MM = 8.0
"""Notches of the outline up to twice this wide are rust or shadow where any one photo shows metal in them (house choice)."""
_LEAST_SHOWN = 0.6
"""Share of a contour's places that must show clearly; less is a mark, not an opening."""


def _is_round(points: NDArray[np.float64]) -> bool:
    """Round but for perspective: an ellipse fits it, and it is nearly as wide as long."""
    (cx, cy), (w, h), turn = cv2.fitEllipse(points.astype(np.float32))
    if min(w, h) < 0.8 * max(w, h):
        return False
    t = np.radians(turn)
    local = (points - [cx, cy]) @ np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    off = (np.hypot(local[:, 0] / (w / 2), local[:, 1] / (h / 2)) - 1) * (w + h) / 4
    return float(np.median(np.abs(off))) * 1.4826 < _ROUND_MM


def usable_contours(contours: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """The outline and every opening that is large enough, evenly sampled, mm."""
    large = [c for k, c in enumerate(contours) if k == 0 or (len(c) >= 8 and np.ptp(c, 0).min() >= _LEAST_MM)]
    return [even_points(c, STEP_MM, 1.2) for c in large]


def metal_mask(photo: PhotoClicks, contours: list[NDArray[np.float64]]) -> NDArray[np.uint8]:
    """1 on the metal, as segmented, photo pixels."""
    mask = np.zeros(photo.rgb.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(contours[0]).astype(np.int32)], 1)
    for c in contours[1:]:
        # The contour of an opening runs through the last pixels of the metal; a thin bridge must not be filled away.
        ring = [np.round(c).astype(np.int32)]
        cv2.fillPoly(mask, ring, 0)
        cv2.polylines(mask, ring, True, 1)
    return mask


def _notched(metal: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """1 in narrow notches of the outline."""
    plate = solid(metal)
    width = 2 * round(_NOTCH_MM * _VOTE_PX_PER_MM) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    return cv2.morphologyEx(plate, cv2.MORPH_CLOSE, kernel) - plate


def vote(
    masks: list[NDArray[np.uint8]], cameras: Sequence[Camera], outline: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    """Outline and openings on the plane where most photos show metal, the first deciding a draw."""
    low, high = outline.min(0) - _ROOM_MM, outline.max(0) + _ROOM_MM
    grid = Grid.over_bounds((*low, *high), _VOTE_PX_PER_MM)
    xx, yy = np.meshgrid(*grid.centres_mm())
    points = np.stack([xx, yy], -1).reshape(-1, 2)
    votes = np.full(grid.shape, 0.0)
    for i, (mask, camera) in enumerate(zip(masks, cameras)):
        px = camera.mm_to_px(points).astype(np.float32)
        x, y = px[:, 0].reshape(grid.shape), px[:, 1].reshape(grid.shape)
        votes += (1.1 if i == 0 else 1.0) * cv2.remap(mask, x, y, cv2.INTER_NEAREST)
    metal = (votes > (len(masks) + 0.1) / 2).astype(np.uint8)
    metal |= _notched(metal) & (votes > 0.5)
    contours, tree = cv2.findContours(metal, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max((c for c, t in zip(contours, tree[0]) if t[3] < 0), key=cv2.contourArea)
    holes = [c for c, t in zip(contours, tree[0]) if t[3] >= 0]
    return [grid.px_to_mm(c[:, 0].astype(float)) for c in (outer, *holes)]


def measure_edges(
    photos: Sequence[PhotoClicks],
    plane: list[NDArray[np.float64]],
    cameras: Sequence[Camera],
    reach_mm: float,
    edge: EdgeLook,
    is_round: list[bool] | None,
) -> list[EdgeSet]:
    """Every contour in every photo, sharpened."""
    sets = []
    for k, c in enumerate(plane):
        points, good = [], []
        for i, (photo, camera) in enumerate(zip(photos, cameras, strict=True)):
            scale = float(np.median(camera.px_per_mm(c)))
            p, g = sharpen(
                photo.rgb,
                camera.mm_to_px(c),
                scale,
                is_hole=k > 0,
                reach_mm=reach_mm,
                level=edge.level(i, scale),
            )
            points.append(p)
            good.append(g)
        if is_round is None:
            # A shadow may spoil the rim in one photo; one clear view of a circle is enough.
            back = [camera.px_to_mm(p[g]) for camera, p, g in zip(cameras, points, good)]
            flag = k > 0 and any(len(p) >= LEAST_PLACES and _is_round(p) for p in back)
        else:
            flag = is_round[k]
        sets.append(
            EdgeSet(is_round=flag, points_px=points, is_good=good, plane=c, base_px=cameras[0].mm_to_px(c))
        )
    return sets


def clearly_shown(sets: list[EdgeSet], count: Callable[[list[float]], float]) -> list[EdgeSet]:
    """The outline, and the openings with a clear edge: in every photo with `min` as `count`, in one of them with `max`."""
    shown = [count([float(g.mean()) for g in s.is_good]) > _LEAST_SHOWN for s in sets]
    return [s for k, s in enumerate(sets) if k == 0 or shown[k]]
