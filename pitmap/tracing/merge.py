"""One contour from what several photos show of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..registration.camera import Camera
from .cameras import EdgeSet, fit_circle

__all__ = ["LEAST_PLACES", "NEAR_MM", "draw_plane", "inner_circle", "signed_area"]

NEAR_MM = 0.5
"""Edges farther than this from the others are walls, shadows or rust (house choice)."""
LEAST_PLACES = 12
_DRAWN_MM = 0.8
_DIRECTIONS = np.linspace(-np.pi, np.pi, 48, endpoint=False)


def signed_area(points: NDArray[np.float64]) -> float:
    """Area of a closed contour, positive when drawn counter-clockwise (y up)."""
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def inner_circle(edges: EdgeSet, cameras: list[Camera], circle: NDArray[np.float64]) -> NDArray[np.float64]:
    """The circle through the edges that lie deepest in the metal, direction by direction, of all photos.

    On the side of a hole that faces the light its broken edge is as bright as the face, and the metal seems to
    reach further; another photo, lit from elsewhere, shows where the face ends.
    """
    radius = []
    for camera, points, good in zip(cameras, edges.points_px, edges.is_good):
        away = camera.px_to_mm(points[good]) - circle[:2]
        r = np.hypot(away[:, 0], away[:, 1])
        near = np.abs(r - circle[2]) < NEAR_MM
        if near.sum() < LEAST_PLACES:
            continue
        turn = np.arctan2(away[near, 1], away[near, 0])
        order = np.argsort(turn)
        radius.append(np.interp(_DIRECTIONS, turn[order], _smooth(r[near][order]), period=2 * np.pi))
    if not radius:
        return circle
    deepest = np.max(radius, axis=0)
    shown = circle[:2] + deepest[:, None] * np.stack([np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)], -1)
    return fit_circle(shown)


def _merge_contours(
    sets: list[EdgeSet], cameras: list[Camera]
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Each contour on the plane by all photos, and the photos' disagreement across it (N,) each."""
    out, errors = [], []
    for k, s in enumerate(sets):
        # Normals point to the right of travel: off the metal round the outline when that is drawn to the left.
        off_metal = 1.0 if (signed_area(s.plane) > 0) == (k == 0) else -1.0
        back = np.stack([cam.px_to_mm(p) for cam, p in zip(cameras, s.points_px)])
        along = np.roll(s.plane, -1, 0) - np.roll(s.plane, 1, 0)
        normal = np.stack([along[:, 1], -along[:, 0]], -1) / np.hypot(*along.T)[:, None]
        across = ((back - s.plane) * normal).sum(-1)
        across[~np.stack(s.is_good)] = np.nan
        n_seen = np.isfinite(across).sum(0)
        with_any = np.where(n_seen > 0, across, 0.0)
        middle = np.nanmedian(with_any, 0)
        if k:
            # In openings the deepest edge counts, as in inner_circle, unless it is far from the others.
            off = across * off_metal
            deepest = np.nanmin(np.where(np.abs(across - middle) < NEAR_MM, off, np.inf), 0)
            middle = np.where(np.isfinite(deepest), deepest * off_metal, middle)
        spread = np.nanmedian(np.abs(with_any - middle), 0) * 1.4826 / np.sqrt(np.maximum(n_seen, 1))
        # Places that no photo shows are carried over from their neighbours.
        seen = np.flatnonzero(n_seen > 0)
        if len(seen) < 8:
            out.append(s.plane)
            errors.append(np.full(len(s.plane), np.nan))
            continue
        n = len(s.plane)
        middle = np.interp(np.arange(n), seen, middle[seen], period=n)
        out.append(s.plane + _smooth(middle)[:, None] * normal)
        errors.append(np.where(n_seen > 1, spread, np.nan))
    return out, errors


def _draw_circles(
    sets: list[EdgeSet],
    plane: list[NDArray[np.float64]],
    cameras: list[Camera],
    circles: dict[int, NDArray[np.float64]],
) -> None:
    """Put the deepest circle of every round opening into `circles`, and draw it into `plane`."""
    for k in circles:
        circles[k] = c = inner_circle(sets[k], cameras, circles[k])
        t = np.linspace(0, 2 * np.pi, max(24, round(2 * np.pi * c[2] / _DRAWN_MM)), endpoint=False)
        direction = 1 if signed_area(plane[k]) > 0 else -1
        plane[k] = c[:2] + c[2] * np.stack([np.cos(direction * t), np.sin(direction * t)], -1)


def draw_plane(
    sets: list[EdgeSet], cameras: list[Camera], circles: dict[int, NDArray[np.float64]] | None = None
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]], dict[int, NDArray[np.float64]]]:
    """What the photos show of every contour, laid on the plane by cameras that have just been found.

    Parameters
    ----------
    sets : list of EdgeSet
        Where their places are on the face is brought up to date.
    cameras : list of Camera
        One for each photo.
    circles : dict of int to (3,) array, optional
        Centre and radius, mm, of each round contour, by its place in the list, where the cameras were found with them;
        they become the deepest ones. Else they are fitted to the contours.

    Returns
    -------
    plane : list of (N, 2) arrays
        The contours, mm.
    errors : list of (N,) arrays
        The photos' disagreement across them, mm; NaN where fewer than two show the place.
    circles : dict of int to (3,) array
    """
    for s in sets:
        s.plane = cameras[0].px_to_mm(s.base_px)
    plane, errors = _merge_contours(sets, cameras)
    if circles is None:
        circles = {k: fit_circle(plane[k]) for k, s in enumerate(sets) if s.is_round}
    _draw_circles(sets, plane, cameras, circles)
    return plane, errors, circles


def _smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median of seven, then a short running mean: one bad profile moves nothing."""
    n = len(values)
    window = np.stack([np.roll(values, k) for k in range(-3, 4)])
    steady = np.median(window, 0)
    kernel = np.array([1, 2, 3, 2, 1.0]) / 9
    return np.convolve(np.r_[steady[-2:], steady, steady[:2]], kernel, "valid")[:n]
