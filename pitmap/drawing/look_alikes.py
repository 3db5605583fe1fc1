"""Would this plate also fit when it is turned or mirrored? Measured, for registration and for the user."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import get_coordinates, line_interpolate_point
from shapely.affinity import affine_transform

from ..grid import Grid
from .model import Drawing

__all__ = ["LookAlike", "look_alikes"]

EDGE_TOLERANCE_MM = 0.5
"""An edge is common when it falls this close: about the error that registration may make (house choice)."""
_SAMPLE_MM = 1.0
_PX_PER_MM = 1.0
_REACH_MM = 6.0
"""Distances beyond this weigh the same, so a hole that is missing does not pull the fit."""
_SAME_POSE_DEG = 4.0
_N_REFINE = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAlike:
    """Another way to lay the plate on itself.

    Parameters
    ----------
    is_mirrored : bool
        Seen from the other side.
    angle_deg : float
        Turn, counter-clockwise; for a mirrored plate the turn after x -> -x.
    area_share : float
        Area in common / area of both together, of the face with its openings.
    edge_share : float
        Share of the drawn edges (outline and openings) that fall within 0.5 mm of a drawn edge.
    centre_shift_mm : float
        How far the middle of the plate moves.
    affine : tuple of six floats
        The pose itself, as ``shapely.affinity.affine_transform`` takes it.
    """

    is_mirrored: bool
    angle_deg: float
    area_share: float
    edge_share: float
    centre_shift_mm: float
    affine: tuple[float, float, float, float, float, float]


def _edge_points(drawing: Drawing, step_mm: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points (N, 2) about `step_mm` apart on the outline and on every opening, and unit normals (N, 2)."""
    points, normals = [], []
    for ring in (drawing.outline.exterior, *(o.polygon.exterior for o in drawing.openings)):
        n = max(8, round(ring.length / step_mm))
        p = get_coordinates(line_interpolate_point(ring, np.arange(n) / n, normalized=True))
        along = np.roll(p, -1, 0) - np.roll(p, 1, 0)
        points.append(p)
        normals.append(along @ [[0, -1], [1, 0]] / np.hypot(*along.T)[:, None])
    return np.concatenate(points), np.concatenate(normals)


def _distance_lookup(
    drawing: Drawing, reach_mm: float
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Distance to the nearest drawn edge, mm, by lookup in a raster with room around the plate."""
    grid = Grid.over_bounds(drawing.outline.bounds, _PX_PER_MM, margin_mm=reach_mm)
    free = np.full(grid.shape, 255, np.uint8)
    for ring in (drawing.outline.exterior, *(o.polygon.exterior for o in drawing.openings)):
        corners = np.round(16 * grid.mm_to_px(np.asarray(ring.coords)[:, :2])).astype(np.int32)
        cv2.polylines(free, [corners], True, 0, 1, cv2.LINE_8, shift=4)
    distance = cv2.distanceTransform(free, cv2.DIST_L2, 5).astype(np.float32) / _PX_PER_MM

    def lookup(points: NDArray[np.float64]) -> NDArray[np.float64]:
        p = grid.mm_to_px(points).astype(np.float32)
        x, y = p[:, 0].reshape(1, -1), p[:, 1].reshape(1, -1)
        d = cv2.remap(distance, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=reach_mm)
        return d.ravel().astype(float)

    return lookup


def _turned(
    points: NDArray[np.float64], angle_rad: float, centre: NDArray[np.float64]
) -> NDArray[np.float64]:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return (points - centre) @ np.array([[c, s], [-s, c]]) + centre


def _apart_deg(one: float, other: float) -> float:
    return abs((one - other + 180) % 360 - 180)


def _minima(
    cost: NDArray[np.float64], angles: NDArray[np.float64], n: int, allowed: NDArray[np.bool_]
) -> list[int]:
    """The `n` best allowed places that are lower than both neighbours and some degrees apart."""
    is_low = (cost <= np.roll(cost, 1)) & (cost <= np.roll(cost, -1)) & allowed
    out: list[int] = []
    for i in np.flatnonzero(is_low)[np.argsort(cost[is_low])]:
        if all(_apart_deg(angles[i], angles[j]) > _SAME_POSE_DEG for j in out):
            out.append(int(i))
        if len(out) == n:
            break
    return out


def _refine(
    base: NDArray[np.float64],
    angle: float,
    centre: NDArray[np.float64],
    tree: cKDTree,
    normals: NDArray[np.float64],
) -> tuple[float, NDArray[np.float64]]:
    """Turn and shift that bring the points onto the edge: iterated closest point, point to line, robust."""
    shift = np.zeros(2)
    edge = np.asarray(tree.data)
    for step in range(_N_REFINE):
        p = _turned(base, angle, centre) + shift
        away, near = tree.query(p, distance_upper_bound=_REACH_MM)
        is_near = np.isfinite(away)
        if is_near.sum() < 10:
            break
        p, n, q = p[is_near], normals[near[is_near]], edge[near[is_near]]
        r = np.einsum("ij,ij->i", p - q, n)
        # The farther off, the less weight; the scale closes in as the fit settles.
        weight = 1 / (1 + (away[is_near] / max(0.3, 3.0 * 0.7**step)) ** 2) ** 2
        lever = np.stack([-(p - centre - shift)[:, 1], (p - centre - shift)[:, 0]], -1)
        a = np.column_stack([np.einsum("ij,ij->i", lever, n), n]) * weight[:, None]
        d = np.linalg.lstsq(a, -r * weight, rcond=None)[0]
        angle, shift = angle + float(d[0]), shift + d[1:]
        if abs(d[0]) * 100 < 1e-4 and np.hypot(*d[1:]) < 1e-4 and step > 8:
            break
    return angle, shift


def look_alikes(drawing: Drawing, n: int = 3) -> tuple[LookAlike, ...]:
    """The `n` other poses, turned or mirrored, in which the plate comes closest to its own drawing.

    Parameters
    ----------
    drawing : Drawing
    n : int

    Returns
    -------
    tuple of LookAlike
        The most alike by edges first. Turns under 4 degrees are the pose itself and are left out.

    Notes
    -----
    Every degree of turn is tried about the middle of the outline, with and without mirroring, on points of
    the edges; the best are refined in turn and place by robust least squares on the distance across the
    nearest edge.
    """
    points, _ = _edge_points(drawing, _SAMPLE_MM)
    edge, normals = _edge_points(drawing, _SAMPLE_MM / 2)
    tree = cKDTree(edge)
    centre = np.asarray(drawing.outline.centroid.coords[0])
    size = float(np.hypot(*(points - centre).T).max())
    nearest_side = min(abs(v) for v in np.subtract(drawing.outline.bounds, [*centre, *centre]))
    distance = _distance_lookup(drawing, reach_mm=max(0.0, size - nearest_side) + 2 * _REACH_MM)
    angles = np.arange(0.0, 360.0, 1.0)
    itself = (angles < _SAME_POSE_DEG) | (angles > 360 - _SAME_POSE_DEG)
    face = drawing.face()
    found: list[LookAlike] = []
    for is_mirrored in (False, True):
        flip = -1.0 if is_mirrored else 1.0
        base = (points - centre) * [flip, 1.0] + centre
        # Every third point is enough to find the turns that are worth refining.
        cost = np.array(
            [
                np.minimum(distance(_turned(base[::3], math.radians(a), centre)), _REACH_MM).mean()
                for a in angles
            ]
        )
        for i in _minima(cost, angles, n, is_mirrored | ~itself):
            angle, shift = _refine(base, math.radians(angles[i]), centre, tree, normals)
            turn_deg = float(180 - (180 - math.degrees(angle)) % 360)
            if not is_mirrored and abs(turn_deg) < _SAME_POSE_DEG:
                continue
            moved_points = _turned(base, angle, centre) + shift
            # The nearest point of the edge may be a quarter of a millimetre off along it.
            away, near = tree.query(moved_points)
            across = np.abs(np.einsum("ij,ij->i", moved_points - edge[near], normals[near]))
            is_common = (across <= EDGE_TOLERANCE_MM) & (away <= EDGE_TOLERANCE_MM + _SAMPLE_MM / 2)
            c, s = math.cos(angle), math.sin(angle)
            turn = np.array([[c * flip, -s], [s * flip, c]])
            affine = (*turn.ravel().tolist(), *(centre + shift - turn @ centre).tolist())
            moved = affine_transform(face, affine)
            both = face.intersection(moved).area
            found.append(
                LookAlike(
                    is_mirrored=is_mirrored,
                    angle_deg=turn_deg,
                    area_share=both / (2 * face.area - both),
                    edge_share=float(is_common.mean()),
                    centre_shift_mm=float(np.hypot(*shift)),
                    affine=affine,
                )
            )
    out: list[LookAlike] = []
    for new in sorted(found, key=lambda x: -x.edge_share):
        # Two starts may slide into one pose.
        same = (o for o in out if o.is_mirrored == new.is_mirrored)
        if all(_apart_deg(new.angle_deg, o.angle_deg) >= _SAME_POSE_DEG for o in same):
            out.append(new)
    return tuple(out[:n])
