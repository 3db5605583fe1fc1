"""The two edges of the seal land, and the holes in it, as dense points."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import LinearRing, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from ..drawing import SIDE_OF_OPENING, Drawing
from ..errors import MeasurementError
from .strip_sides import dense, openings_along, strip_sides

__all__ = ["LandEdges", "find_land_edges", "land_metal", "nearest"]

_CRUMB_SHARE = 0.01
_OVERLAP_MM2 = 0.05
"""Less is the rounding of edges that are drawn to coincide."""
_STRAY_MM = 0.1
"""So far a place of a narrow land may lie off it by the spacing of the points on its edges."""


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
        far, where = nearest(self.coolant_tree, self.running_xy)
        k = int(np.argmin(far))
        ends = self.running_xy[k], self.coolant_xy[where[k]]
        object.__setattr__(self, "narrowest", (*ends, float(far[k])))


def nearest(tree: cKDTree, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Distance from each point (n, 2) to the nearest one of a tree, and which that is; on every core."""
    return tree.query(points, workers=-1)


def land_metal(drawing: Drawing) -> BaseGeometry:
    """The seal land without the openings in it, which not every drawing cuts out; empty when it has no land."""
    land: BaseGeometry = drawing.zones.get("seal_land", Polygon())
    for opening in drawing.openings:
        if land.intersection(opening.polygon).area > _OVERLAP_MM2:
            land = land.difference(opening.polygon)
    return land


def find_land_edges(drawing: Drawing) -> LandEdges | None:
    """The edges of a drawing's seal land; None when it has no land.

    Notes
    -----
    An inner ring that surrounds most of the bore trace (without a trace: the longest inner ring) is the running side,
    and the outer ring around it the coolant side; so is an inner ring around running surface, as each of two rotors has.
    Edges of coolant openings belong to the coolant side, of ports to the running side, wherever they cut into the band;
    other inner rings are holes. What is drawn as open strips, instead of that band or beside it, is parted by
    :func:`pitmap.measure.strip_sides.strip_sides`. Beside a band, parts of under a hundredth of the land are crumbs
    between openings and count as coolant side.

    Raises
    ------
    MeasurementError
        The land has no running side or no coolant side, or a strip of it ends so that they cannot be told apart; or it is
        two bands, one around the other, or parts of it lie nearer to each other than they are wide.
    """
    land = land_metal(drawing)
    if land.is_empty:
        return None
    running: list[NDArray[np.float64]] = []
    coolant: list[NDArray[np.float64]] = []
    holes: list[NDArray[np.float64]] = []
    parts = [p for p in getattr(land, "geoms", [land]) if isinstance(p, Polygon)]
    inner = [LinearRing(r) for p in parts for r in p.interiors]
    main = _running_ring(inner, drawing.trace)
    _must_be_one_band(main, inner, drawing)
    bands = [ring for ring in inner if ring is main or _surrounds_running(ring, drawing)]
    line = main or (None if drawing.trace is None else drawing.trace.exterior)
    for part in parts:
        outer = dense(part.exterior)
        is_band = any(Polygon(part.exterior).contains(ring) for ring in bands)
        if is_band or line is None or (main is not None and part.area < _CRUMB_SHARE * land.area):
            of_running, of_coolant = _parted(outer, False, drawing)
            running.append(of_running)
            coolant.append(of_coolant)
            continue
        sides = strip_sides(outer, line, drawing)
        running.append(outer[sides.is_running])
        coolant.append(outer[sides.is_coolant])
        holes.extend(sides.holes_xy)
    for ring in inner:
        points = dense(ring)
        if ring in bands:
            of_running, of_coolant = _parted(points, True, drawing)
            running.append(of_running)
            coolant.append(of_coolant)
            continue
        {"running": running, "coolant": coolant}.get(_kind_of_hole(ring, drawing), holes).append(points)
    if not any(map(len, running)) or not any(map(len, coolant)):
        side = "coolant" if any(map(len, running)) else "running"
        raise MeasurementError(
            f"drawing {drawing.name!r}: zone seal_land has no {side} side, so its sound width cannot be measured; "
            "draw the land as a band around the bore trace"
        )
    edges = LandEdges(
        running_xy=np.concatenate(running), coolant_xy=np.concatenate(coolant), holes_xy=tuple(holes)
    )
    _must_be_narrowest_on_metal(edges, land, drawing)
    return edges


def _running_ring(rings: list[LinearRing], trace: Polygon | None) -> LinearRing | None:
    if not rings:
        return None
    if trace is None:
        return max(rings, key=lambda r: r.length)
    around = [(Polygon(r).intersection(trace).area, r) for r in rings]
    area, ring = max(around, key=lambda pair: pair[0])
    return ring if area > 0.5 * trace.area else None


def _surrounds_running(ring: LinearRing, drawing: Drawing) -> bool:
    """True when most of the metal inside it is running surface."""
    metal = Polygon(ring).difference(unary_union([o.polygon for o in drawing.openings]))
    running = drawing.zones.get("running_surface", Polygon())
    return bool(metal.intersection(running).area > 0.5 * metal.area)


def _parted(
    points_xy: NDArray[np.float64], by_rule: bool, drawing: Drawing
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of an edge of the land on its running and its coolant side: all on one, but for those on edges of openings."""
    is_running = np.full(len(points_xy), by_rule)
    for opening, on_it in openings_along(points_xy, drawing):
        if side := SIDE_OF_OPENING.get(opening.kind):
            is_running[on_it] = side == "running"
    return points_xy[is_running], points_xy[~is_running]


def _must_be_one_band(main: LinearRing | None, rings: list[LinearRing], drawing: Drawing) -> None:
    """Of two bands one would be measured and the other, with every leak across it, left out without a word."""
    for ring in rings:
        if main is None or ring is main:
            continue
        if Polygon(ring).contains(main) or Polygon(main).contains(ring):
            raise MeasurementError(
                f"drawing {drawing.name!r}: zone seal_land is two bands, one around the other, so its sound width cannot be "
                "measured; leave in it only the band between the bore trace and the coolant openings"
            )


def _must_be_narrowest_on_metal(edges: LandEdges, land: BaseGeometry, drawing: Drawing) -> None:
    """Beside a second land the way from one to the other would be taken for a crossing."""
    start, end, width = edges.narrowest
    middle = Point(0.5 * (start + end))
    if land.distance(middle) > _STRAY_MM and all(
        o.polygon.distance(middle) > _STRAY_MM for o in drawing.openings
    ):
        raise MeasurementError(
            f"drawing {drawing.name!r}: two parts of zone seal_land lie {width:.2f} mm from each other at {middle.x:.1f}, "
            f"{middle.y:.1f} mm, which is less than they are wide, so its sound width cannot be measured; leave in it only "
            "the band between the bore trace and the coolant openings"
        )


def _kind_of_hole(ring: LinearRing, drawing: Drawing) -> str:
    middle = Polygon(ring).representative_point()
    for opening in drawing.openings:
        if opening.polygon.contains(middle):
            return SIDE_OF_OPENING.get(opening.kind, "hole")
    return "hole"
