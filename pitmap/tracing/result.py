"""The traced drawing and its table of round openings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from ..drawing import Drawing, Opening, make_zones
from ..registration.camera import Camera
from ..tables import Column, Schema
from .cameras import EdgeSet, Solution, fit_circle
from .merge import LEAST_PLACES, NEAR_MM

__all__ = ["CIRCLES", "Trace", "make_trace"]

_EDGE_MM = 0.06
"""What the place of an edge is uncertain by whatever the number of photos: light on the broken edge."""
_Z90 = 1.6449

CIRCLES = Schema(
    "circles",
    (
        Column("name", "object", "opening in the drawing"),
        Column("x_mm", "float64", "centre"),
        Column("y_mm", "float64", "centre"),
        Column("centre_err_mm", "float64", "half width of the 90 % interval of the centre, each way"),
        Column("diameter_mm", "float64", "diameter at the drawn edge"),
        Column("diameter_low_mm", "float64", "90 % interval"),
        Column("diameter_high_mm", "float64", "90 % interval"),
        Column("n_photos", "int64", "photos that show it clearly"),
    ),
)
"""Round openings of a traced plate."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A traced plate.

    Parameters
    ----------
    drawing : Drawing
        Outline and openings; the whole face is rim until a bore trace is fitted. Origin at the first hole of
        the known distance, x axis towards the second.
    circles : DataFrame
        :data:`CIRCLES`.
    cameras : tuple of Camera
        One for each photo, for looking at the drawing over the photos.
    spread_mm : float
        Robust spread of the edges about the drawing.
    outline_err_mm : float
        Median half width of the 90 % interval across the outline, from the photos' disagreement.
    notes : tuple of str
        What was corrected or left out.
    """

    drawing: Drawing
    circles: pd.DataFrame
    cameras: tuple[Camera, ...]
    spread_mm: float
    outline_err_mm: float
    notes: tuple[str, ...]


def _polygon(points: NDArray[np.float64]) -> Polygon:
    shape = Polygon(points)
    return (
        shape
        if shape.is_valid
        else max(getattr(shape.buffer(0), "geoms", [shape.buffer(0)]), key=lambda g: g.area)
    )


def make_trace(
    sets: list[EdgeSet],
    plane: list[NDArray[np.float64]],
    errors: list[NDArray[np.float64]],
    solution: Solution,
    name: str,
    thickness_mm: float,
    edge_break_mm: float,
) -> Trace:
    """Outline and openings with the chamfer taken into account, and how sure each figure is."""
    outline = _polygon(plane[0]).buffer(edge_break_mm, quad_segs=16).simplify(0.005)
    openings, rows, notes = [], [], []  # type: ignore[var-annotated]
    for k in range(1, len(sets)):
        label = f"{'hole' if sets[k].is_round else 'opening'}_{len(openings) + 1:02d}"
        if sets[k].is_round:
            c = solution.circles[k]
            shape = shapely.Point(c[0], c[1]).buffer(c[2] - edge_break_mm, quad_segs=48)
            rows.append(_circle_row(label, sets[k], c, solution, edge_break_mm))
        else:
            shape = _polygon(plane[k]).buffer(-edge_break_mm, quad_segs=16).simplify(0.005)
        if not isinstance(shape, Polygon) or shape.is_empty or not outline.contains(shape):
            notes.append(
                f"a mark near x {plane[k][:, 0].mean():.1f}, y {plane[k][:, 1].mean():.1f} mm was left out"
            )
            continue
        openings.append(Opening(name=label, kind="other", polygon=Polygon(shape.exterior)))
    kept = {o.name for o in openings}
    if edge_break_mm:
        notes.append(f"edges were moved by their chamfer of {edge_break_mm:g} mm: outline out, openings in")
    drawing = Drawing(
        name=name,
        thickness_mm=thickness_mm,
        outline=Polygon(outline.exterior),
        openings=tuple(openings),
        zones=make_zones(Polygon(outline.exterior), openings, None, None),
    )
    return Trace(
        drawing=drawing,
        circles=CIRCLES.frame(row for row in rows if row["name"] in kept),
        cameras=tuple(solution.cameras),
        spread_mm=solution.rms_mm,
        outline_err_mm=_Z90 * float(np.hypot(np.nanmedian(errors[0]), _EDGE_MM)),
        notes=tuple(notes),
    )


def _circle_row(
    label: str, edges: EdgeSet, circle: NDArray[np.float64], solution: Solution, edge_break_mm: float
) -> dict[str, object]:
    """Centre and diameter with intervals from how far the photos disagree."""
    each = []
    for camera, points, good in zip(solution.cameras, edges.points_px, edges.is_good):
        p = camera.px_to_mm(points[good])
        near = np.abs(np.hypot(*(p - circle[:2]).T) - circle[2]) < NEAR_MM
        if near.sum() >= LEAST_PLACES:
            each.append(fit_circle(p[near]))
    n = len(each)
    spread = np.std(each, axis=0, ddof=1) / math.sqrt(n) if n > 1 else np.full(3, 0.1)
    diameter = 2 * (circle[2] - edge_break_mm)
    half = _Z90 * 2 * float(np.hypot(spread[2], _EDGE_MM))
    return {
        "name": label,
        "x_mm": circle[0],
        "y_mm": circle[1],
        "centre_err_mm": _Z90 * float(np.hypot(max(spread[0], spread[1]), _EDGE_MM / 2)),
        "diameter_mm": diameter,
        "diameter_low_mm": diameter - half,
        "diameter_high_mm": diameter + half,
        "n_photos": n,
    }
