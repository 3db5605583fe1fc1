"""Rings and circles as the editor handles them: which openings are round, moving a stretch of a contour."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from shapely import Polygon, is_valid_reason

from ...errors import DrawingError
from ...units import in_both
from ..build import disc, single_shape, snap

__all__ = [
    "Circle",
    "circle_of",
    "circle_polygon",
    "closed_curve",
    "corners_of",
    "moved_stretch",
    "ring_polygon",
]

_ROUND_MM = 0.02
"""Corners this near one circle make a round hole (house choice: a tenth of what a caliper tells in a hole)."""
_N_ROUND = 12
"""Fewer corners than this are a polygon on purpose."""
_CURVE_STEP_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """A round hole: centre and diameter, mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float


def corners_of(polygon: Polygon) -> NDArray[np.float64]:
    """Corners (N, 2) of a polygon's outer ring, mm, the first not repeated."""
    return np.asarray(polygon.exterior.coords, float)[:-1, :2]


def circle_of(polygon: Polygon) -> Circle | None:
    """The circle that a polygon's corners lie on, or None for any other shape.

    Parameters
    ----------
    polygon : shapely.Polygon

    Returns
    -------
    Circle or None
        A circle when there are at least twelve corners, all within 0.02 mm of it and spread right round it.

    Notes
    -----
    Algebraic least squares (I. Kasa, IEEE Trans. Instrum. Meas. 25, 1976, from memory); exact for corners
    that lie on a circle, which is the only case that is accepted.
    """
    p = corners_of(polygon)
    if len(p) < _N_ROUND:
        return None
    middle = p.mean(0)
    q = p - middle
    k, *_ = np.linalg.lstsq(np.column_stack([2 * q, np.ones(len(q))]), (q**2).sum(1), rcond=None)
    radius = math.sqrt(max(0.0, k[2] + k[0] ** 2 + k[1] ** 2))
    away = np.hypot(*(q - k[:2]).T)
    directions = np.sort(np.arctan2(*(q - k[:2]).T[::-1]))
    gaps = np.diff(np.append(directions, directions[0] + 2 * np.pi))
    if np.abs(away - radius).max() > _ROUND_MM or gaps.max() > 2 * np.pi / _N_ROUND * 1.5:
        return None
    return Circle(x_mm=float(middle[0] + k[0]), y_mm=float(middle[1] + k[1]), diameter_mm=2 * radius)


def circle_polygon(circle: Circle, name: str) -> Polygon:
    """A round hole as the polygon that drawings keep.

    Raises
    ------
    DrawingError
        A diameter that is not above 0, a number that is not finite.
    """
    if not all(map(math.isfinite, (circle.x_mm, circle.y_mm))):
        raise DrawingError(f"{name}: its centre needs two numbers")
    if not (math.isfinite(circle.diameter_mm) and circle.diameter_mm > 0):
        raise DrawingError(f"{name}: its diameter must be above 0, got {in_both(circle.diameter_mm, 'mm')}")
    return single_shape(name, disc(circle.x_mm, circle.y_mm, circle.diameter_mm / 2))


def ring_polygon(points: ArrayLike, name: str) -> Polygon:
    """A closed ring as a polygon on the drawing's 0.1 um grid.

    Raises
    ------
    DrawingError
        Fewer than three points, no area, or a ring that crosses itself; `name` and the place are told.
    """
    p = np.asarray(points, float)
    if p.ndim != 2 or p.shape[1] != 2 or len(p) < 3 or not np.isfinite(p).all():
        raise DrawingError(f"{name}: needs at least three points, each with x and y")
    polygon = Polygon(p)
    if not polygon.is_valid:
        reason = is_valid_reason(polygon)
        at = ""
        if "[" in reason:
            x, y = (float(v) for v in reason.split("[")[1].rstrip("]").split()[:2])
            at = f" near x {in_both(round(x, 1) + 0.0, 'mm')}, y {in_both(round(y, 1) + 0.0, 'mm')}"
        raise DrawingError(
            f"{name}: its edge would cross itself{at}; move the point less far, or take one out"
        )
    out = snap(polygon)
    if not isinstance(out, Polygon) or out.area < 0.01:
        raise DrawingError(f"{name}: its points enclose no area; spread them out")
    return out


def closed_curve(points: ArrayLike, name: str, *, step_mm: float = _CURVE_STEP_MM) -> Polygon:
    """A smooth closed curve through clicked points.

    Parameters
    ----------
    points : (N, 2) array
        In order round the curve, mm; at least five.
    name : str
        What to call it in a refusal.
    step_mm : float
        Distance of the corners that stand for the curve.

    Notes
    -----
    A periodic cubic spline over the root of the chord lengths (the centripetal parameters of E. T. Y. Lee,
    Computer-Aided Design 21, 1989, from memory), which keeps it from looping where clicks lie close together.

    Raises
    ------
    DrawingError
        Too few points, two in one place, or a curve that crosses itself.
    """
    p = np.asarray(points, float)
    if p.ndim != 2 or len(p) < 5:
        raise DrawingError(f"{name}: a smooth curve needs at least five points, got {len(p)}")
    ring = np.vstack([p, p[:1]])
    chord = np.hypot(*np.diff(ring, axis=0).T)
    if not (np.isfinite(chord).all() and (chord > 0.01).all()):
        raise DrawingError(f"{name}: two points lie in the same place; take one back")
    at = np.concatenate([[0.0], np.cumsum(np.sqrt(chord))])
    n = max(24, math.ceil(chord.sum() / step_mm))
    return ring_polygon(
        CubicSpline(at, ring, bc_type="periodic")(np.linspace(0, at[-1], n, endpoint=False)), name
    )


def moved_stretch(points: ArrayLike, index: int, to_xy: ArrayLike, stretch_mm: float) -> NDArray[np.float64]:
    """A ring with one point moved, and its neighbours along the ring after it, less and less.

    Parameters
    ----------
    points : (N, 2) array
        The ring, mm, first point not repeated.
    index : int
        Which point.
    to_xy : (2,) array
        Where it goes, mm.
    stretch_mm : float
        How far along the ring, to each side, points follow; 0 moves the one point alone.

    Returns
    -------
    (N, 2) array

    Notes
    -----
    The follow share at distance s along the ring is ``(1 - (s / stretch)^2)^2``: 1 with no slope at the point
    itself, 0 with no slope at the end of the stretch, so a smooth contour stays smooth (house choice).
    """
    p = np.array(points, float)
    shift = np.asarray(to_xy, float) - p[index]
    share = np.zeros(len(p))
    if stretch_mm > 0:
        step = np.hypot(*(np.roll(p, -1, 0) - p).T)
        along = np.concatenate([[0.0], np.cumsum(step)[:-1]])
        away = np.abs(along - along[index])
        away = np.minimum(away, step.sum() - away)
        share = np.clip(1 - (away / stretch_mm) ** 2, 0, None) ** 2
    share[index] = 1.0
    return p + share[:, None] * shift
