"""Walls of openings that one photo shows as bright as the face: what a round rim tells of them, and what stays open."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..registration.camera import Camera
from .cameras import fit_circle, off_metal

__all__ = ["camera_foot", "wall_doubt_mm", "whole_circles"]

_ON_RIM_MM = 0.35
"""A rough contour strays by this from a rim that it follows (house choice: half a pixel of the picture that is cut)."""
_LEAST_RIM, _MOST_RIM = 0.5, 0.95
"""Share of the contour that must lie on the circle; with more than the second nothing is missing."""
_N_STARTS = 24
_TOWARDS_WALL = 0.5
"""Cosine of the most that the missing side may lie off the side whose wall is in sight: 60 degrees (house choice)."""
_LEAST_WALL_MM = 0.5
"""Less of a wall in sight moves no edge by more than its interval."""
_SAME_TONE = 0.25
"""Beyond the edge there is a wall, and not at once the bench, where the two differ by this share of what the face and the
bench do (house choice)."""
_OTHER_TONE = 0.15
"""A strip is no face where it differs from it by this share of what the face and the bench do (house choice, from
renders: of 41 slots and ports two were drawn up to their walls, with 0.22 and 0.33; two of the others had more)."""
_MOST_OF_SIDE = 0.4
_METAL_MM = (1.0, 2.0)
_N_ALONG = 9


def camera_foot(pose: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where on the face's plane (2,), mm, the camera of the parameters (11,) stands over."""
    turn, _ = cv2.Rodrigues(pose[:3])
    return np.asarray(-turn.T @ (100 * pose[3:6]))[:2]


def _missing_side(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """The circle that most of a contour lies on, and the mean direction of the rest, which must be inside it."""
    n = len(points)
    arc = np.arange(int(np.ceil(_LEAST_RIM * n)))
    best, most = None, 0.0
    for start in range(0, n, max(1, n // _N_STARTS)):
        circle = fit_circle(points[(start + arc) % n])
        share = float((np.abs(np.hypot(*(points - circle[:2]).T) - circle[2]) < _ON_RIM_MM).mean())
        if share > most:
            best, most = circle, share
    if best is None or not _LEAST_RIM <= most <= _MOST_RIM:
        return None
    circle = best
    for share in (1.0, 0.6, 0.4):
        # Where the contour leaves the rim it lies near it still, and draws the circle in.
        off = np.hypot(*(points - circle[:2]).T) - circle[2]
        circle = fit_circle(points[np.abs(off) < share * _ON_RIM_MM])
    away = points - circle[:2]
    off = np.hypot(*away.T) - circle[2]
    inside = off < -_ON_RIM_MM
    if (off > 2 * _ON_RIM_MM).any() or not inside.any():
        return None
    side = (away[inside] / np.maximum(np.hypot(*away[inside].T), 1e-9)[:, None]).mean(0)
    return circle, side


def whole_circles(
    contours: list[NDArray[np.float64]], foot_xy: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    """Contours of which the openings that are circles but for their far side are whole circles.

    From one photo the wall of a hole is in sight on the side away from the camera; as bright as the face it passes for
    metal, and the hole ends at the wall's foot, some millimetres short.

    Parameters
    ----------
    contours : list of (N, 2) arrays
        The outline first, mm on the face.
    foot_xy : (2,) array
        :func:`camera_foot`.
    """
    out = contours[:1]
    for points in contours[1:]:
        found = _missing_side(points)
        if found is not None:
            circle, side = found
            outwards = circle[:2] - foot_xy
            if side @ outwards > _TOWARDS_WALL * np.hypot(*side) * np.hypot(*outwards):
                turn = np.arctan2(*(points - circle[:2]).T[::-1])
                points = circle[:2] + circle[2] * np.stack([np.cos(turn), np.sin(turn)], -1)
        out.append(points)
    return out


def wall_doubt_mm(
    rgb: NDArray[np.uint8],
    points: NDArray[np.float64],
    camera: Camera,
    pose: NDArray[np.float64],
    thickness_mm: float,
) -> NDArray[np.float64]:
    """How much larger than traced an opening may be, place by place (N,), mm.

    Where the wall must be in sight, and is not seen beyond the traced edge but a strip of its width and of another colour
    than the face before it, the edge may be the wall's foot; the face then ends that much farther out. 0 elsewhere.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    points : (N, 2) array
        The traced opening, mm on the face.
    camera, pose
        Of the face, and its parameters (11,).
    thickness_mm : float
        Of the plate.
    """
    turn, _ = cv2.Rodrigues(pose[:3])
    height = abs(float((-turn.T @ (100 * pose[3:6]))[2]))
    inwards = off_metal(points, is_hole=True)
    # The foot of a wall is seen nearer to where the camera stands over than its upper edge.
    to_foot = (camera_foot(pose) - points) * thickness_mm / (height + thickness_mm)
    width = np.maximum((to_foot * inwards).sum(1), 0.0)

    def tone(low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
        steps = low[:, None] + (high - low)[:, None] * np.linspace(0, 1, 5)
        px = camera.mm_to_px((points[:, None] + steps[..., None] * inwards[:, None]).reshape(-1, 2))
        x, y = (px[:, k].reshape(steps.shape).astype(np.float32) for k in (0, 1))
        return cv2.remap(rgb, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).mean(1)

    metal = tone(np.full(len(points), -_METAL_MM[1]), np.full(len(points), -_METAL_MM[0]))
    first, then = tone(0.25 * width, 0.75 * width), tone(1.25 * width, 1.75 * width)
    before, face = tone(-0.8 * width, -0.3 * width), tone(-width - 1.6, -width - 0.6)
    whole = _steady(metal - then)
    no_wall_beyond = _steady(first - then) < _SAME_TONE * whole
    wall_before = _steady(before - face) > _OTHER_TONE * whole
    in_sight = width > _LEAST_WALL_MM
    is_open = in_sight & no_wall_beyond & wall_before
    # Rust beside an edge looks so here and there; a wall does along most of its side.
    return (
        np.where(is_open, width, 0.0)
        if is_open.sum() > _MOST_OF_SIDE * in_sight.sum()
        else np.zeros(len(points))
    )


def _steady(difference: NDArray[np.float64]) -> NDArray[np.float64]:
    """Size of a difference of colours (N, 3), the middle one of the places around each: rust and grain move nothing."""
    size = np.sqrt((difference**2).sum(1))
    half = _N_ALONG // 2
    return np.asarray(np.median([np.roll(size, k) for k in range(-half, half + 1)], axis=0))
