"""The two edges of the seal land, and the holes in it, as dense points."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import LinearRing, Point, Polygon
from shapely.geometry.base import BaseGeometry

from ..drawing import Drawing
from ..errors import MeasurementError

__all__ = ["LandEdges", "find_land_edges", "nearest"]

_STEP_MM = 0.05
"""Spacing of the points: the distance to the nearest one is off by under 0.3 um at 1 mm."""
_ON_EDGE_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandEdges:
    """Edges of the seal land.

    Parameters
    ----------
    running_xy, coolant_xy : (n, 2) float array
        Dense points of the edge towards the rotor and of the edge towards the coolant, mm.
    holes_xy : tuple of (n, 2) float array
        Rings of other openings in the land (bolts, dowels): no metal, so a crossing is free there.
    """

    running_xy: NDArray[np.float64]
    coolant_xy: NDArray[np.float64]
    holes_xy: tuple[NDArray[np.float64], ...] = ()
    running_tree: cKDTree = field(init=False)
    coolant_tree: cKDTree = field(init=False)
    narrowest: tuple[NDArray[np.float64], NDArray[np.float64], float] = field(init=False)
    """Where the undamaged land is narrowest: its ends on both edges, mm, and its width there, mm."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "running_tree", cKDTree(self.running_xy))
        object.__setattr__(self, "coolant_tree", cKDTree(self.coolant_xy))
        some = self.running_xy[::4]
        far, where = nearest(self.coolant_tree, some)
        k = int(np.argmin(far))
        object.__setattr__(self, "narrowest", (some[k], self.coolant_xy[where[k]], float(far[k])))


def nearest(tree: cKDTree, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Distance from each point (n, 2) to the nearest one of a tree, and which that is; on every core."""
    return tree.query(points, workers=-1)


def find_land_edges(drawing: Drawing) -> LandEdges | None:
    """The edges of a drawing's seal land; None when it has no land.

    Notes
    -----
    An inner ring that surrounds most of the bore trace (without a trace: the longest inner ring) is the
    running side. Inner rings of coolant openings belong to the coolant side, of ports to the running
    side; other inner rings are holes. The outer ring is the coolant side. A land drawn as open strips, with no
    ring around the trace, is split by how far its outline is from the trace; the ends of a strip are neither.

    Raises
    ------
    MeasurementError
        The land has no running side or no coolant side.
    """
    land = drawing.zones.get("seal_land")
    if land is None or land.is_empty:
        return None
    running: list[NDArray[np.float64]] = []
    coolant: list[NDArray[np.float64]] = []
    holes: list[NDArray[np.float64]] = []
    parts = [p for p in getattr(land, "geoms", [land]) if isinstance(p, Polygon)]
    inner = [LinearRing(r) for p in parts for r in p.interiors]
    main = _running_ring(inner, drawing.trace)
    for part in parts:
        _sort_outer(_dense(part.exterior), drawing.trace, main is not None, running, coolant)
    for ring in inner:
        points = _dense(ring)
        kind = "running" if ring is main else _kind_of_hole(ring, drawing)
        {"running": running, "coolant": coolant}.get(kind, holes).append(points)
    if not running or not coolant:
        side = "running" if not running else "coolant"
        raise MeasurementError(
            f"drawing {drawing.name!r}: zone seal_land has no {side} side, so its sound width cannot be measured; "
            "draw the land as a band around the bore trace"
        )
    return LandEdges(
        running_xy=np.concatenate(running), coolant_xy=np.concatenate(coolant), holes_xy=tuple(holes)
    )


def _running_ring(rings: list[LinearRing], trace: Polygon | None) -> LinearRing | None:
    if not rings:
        return None
    if trace is None:
        return max(rings, key=lambda r: r.length)
    around = [(Polygon(r).intersection(trace).area, r) for r in rings]
    area, ring = max(around, key=lambda pair: pair[0])
    return ring if area > 0.5 * trace.area else None


def _kind_of_hole(ring: LinearRing, drawing: Drawing) -> str:
    middle = Polygon(ring).representative_point()
    for opening in drawing.openings:
        if opening.polygon.contains(middle):
            return {"coolant": "coolant", "port": "running", "bore": "running"}.get(opening.kind, "hole")
    return "hole"


def _sort_outer(
    points: NDArray[np.float64],
    trace: Polygon | None,
    has_inner: bool,
    running: list[NDArray[np.float64]],
    coolant: list[NDArray[np.float64]],
) -> None:
    if has_inner or trace is None:
        coolant.append(points)
        return
    # A land drawn as open strips: the side along the trace is the running side, the far side the coolant
    # side,
    # and the ends of the strip are neither.
    far = cKDTree(_dense(trace.exterior)).query(points)[0]
    inside = np.array([trace.covers(Point(p)) for p in points[:: max(1, len(points) // 50)]])
    near, out = far.min(), far.max()
    middle = 0.5 * (near + out)
    is_running = far <= near + 0.05 * (out - near) + _ON_EDGE_MM
    is_coolant = far >= middle if not inside.all() else ~is_running
    if is_running.any():
        running.append(points[is_running])
    coolant.append(points[is_coolant & (far >= out - 0.25 * (out - near))])


def _dense(line: BaseGeometry) -> NDArray[np.float64]:
    return np.asarray(line.segmentize(_STEP_MM).coords)[:, :2]
