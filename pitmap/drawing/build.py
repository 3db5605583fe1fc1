"""Build a drawing from a plate's numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import shapely
from shapely import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from ..errors import DrawingError
from .model import Band, Drawing, Opening, check_range
from .numbers import BandNumbers, Ear, Hole, PlateNumbers, PortShape, Slot

__all__ = ["build_drawing", "make_zones"]

GRID_MM = 1e-4
"""Every built corner lies on this grid, so that a file with four decimals holds the drawing exactly."""

_QUAD_SEGS = 48
"""Corners per quarter circle: the chord stays within 3 um of a 50 mm radius."""
_CORNER_SLACK_MM = 0.25
"""Roundings that run into each other move an edge by less than this (house choice; 0.07 mm on invented plates)."""
_TINY_MM2 = 0.01
"""Slivers below this, left over where edges coincide, are no part of a zone."""


def snap(geometry: BaseGeometry) -> BaseGeometry:
    """The geometry on the 0.1 um grid, still valid."""
    return shapely.set_precision(geometry, GRID_MM)


def polygons_only(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    """The areas of a geometry, slivers dropped; an empty polygon when nothing is left."""
    parts = [
        p for p in getattr(geometry, "geoms", [geometry]) if isinstance(p, Polygon) and p.area > _TINY_MM2
    ]
    if len(parts) == 1:
        return parts[0]
    return MultiPolygon(parts) if parts else Polygon()


def make_zones(
    outline: Polygon,
    openings: Iterable[Opening],
    trace: Polygon | None,
    coolant_edge: Polygon | None,
) -> dict[str, Polygon | MultiPolygon]:
    """The zones of a face from its edges.

    Running surface: inside the trace. Seal land: between the trace and `coolant_edge`. Rim: the rest.
    Openings are cut out of each. Without a trace the whole face is rim; without a coolant edge there is no
    seal land.
    """
    cut = unary_union([o.polygon for o in openings])
    face = outline.difference(cut)
    zones: dict[str, Polygon | MultiPolygon] = {}
    used: BaseGeometry = Polygon()
    if trace is not None:
        zones["running_surface"] = polygons_only(snap(trace.intersection(face)))
        used = trace
        if coolant_edge is not None:
            zones["seal_land"] = polygons_only(snap(coolant_edge.difference(trace).intersection(face)))
            used = trace.union(coolant_edge)
    zones["rim"] = polygons_only(snap(face.difference(used)))
    return {name: zone for name, zone in zones.items() if not zone.is_empty}


def single_shape(name: str, geometry: BaseGeometry) -> Polygon:
    """The one closed shape of a geometry, on the grid and without holes; a refusal that names it otherwise."""
    is_whole = geometry.is_valid
    geometry = polygons_only(snap(geometry)) if is_whole else geometry
    if not is_whole or not isinstance(geometry, Polygon) or geometry.is_empty:
        raise DrawingError(
            f"{name}: its numbers make no single closed shape; check sizes, their unit and corner radii"
        )
    return Polygon(geometry.exterior)


def _rounded(points: Iterable[tuple[float, float]], corner_mm: float, name: str) -> BaseGeometry:
    try:
        shape = Polygon(points)
    except (ValueError, TypeError) as error:
        raise DrawingError(f"{name}: needs at least three [x, y] corners") from error
    if not shape.is_valid or shape.is_empty:
        raise DrawingError(f"{name}: its corners make a shape that crosses itself")
    r = corner_mm
    # Erode and grow rounds the outer corners, grow and erode the inner ones.
    out = shape.buffer(-r, quad_segs=_QUAD_SEGS).buffer(2 * r, quad_segs=_QUAD_SEGS)
    out = out.buffer(-r, quad_segs=_QUAD_SEGS)
    _must_hold_its_corners(shape, out, r, name)
    return out


def _must_hold_its_corners(sharp: Polygon, rounded: BaseGeometry, corner_mm: float, name: str) -> None:
    """Refuse a radius that takes away, or fills, more than corners: a finger narrower than two radii vanishes with it.

    A corner of the angle t is left by its rounding ``r (1 / sin(t / 2) - 1)`` away, and no more.
    """
    corners = shapely.get_coordinates(sharp.exterior)[:-1]
    before, after = np.roll(corners, 1, 0) - corners, np.roll(corners, -1, 0) - corners
    cosine = (before * after).sum(1) / np.maximum(np.hypot(*before.T) * np.hypot(*after.T), 1e-12)
    half = np.arccos(np.clip(cosine, -1, 1)) / 2
    allowed_mm = corner_mm * (1 / np.maximum(np.sin(half), 1e-6) - 1) + _CORNER_SLACK_MM
    away_mm = shapely.distance(shapely.points(corners), rounded.boundary)
    if rounded.is_empty or (away_mm > allowed_mm).any():
        x, y = corners[int(np.argmax(away_mm - allowed_mm))]
        raise DrawingError(
            f"{name}: is too narrow near x {x:.4g}, y {y:.4g} mm for corners of {corner_mm:g} mm, which would change its "
            "shape; make the corner radius smaller"
        )


def disc(x: float, y: float, radius: float) -> Polygon:
    """A round hole as a polygon with corners on the circle."""
    return Point(x, y).buffer(radius, quad_segs=max(16, min(_QUAD_SEGS, round(8 * math.sqrt(radius)))))


def _ear(ear: Ear, body: Polygon) -> BaseGeometry:
    """The ear's disc and a neck straight towards the middle of the body."""
    round_part = disc(ear.x_mm, ear.y_mm, ear.radius_mm)
    half = (ear.neck_mm or 2 * ear.radius_mm) / 2
    centre = body.centroid
    reach = math.hypot(centre.x - ear.x_mm, centre.y - ear.y_mm)
    near = body.exterior.distance(Point(ear.x_mm, ear.y_mm)) + ear.radius_mm
    share = min(1.0, near / reach) if reach else 0.0
    foot = (ear.x_mm + share * (centre.x - ear.x_mm), ear.y_mm + share * (centre.y - ear.y_mm))
    neck = shapely.LineString([(ear.x_mm, ear.y_mm), foot]).buffer(half, quad_segs=_QUAD_SEGS)
    return round_part.union(neck)


def _outline(n: PlateNumbers, trace: Polygon) -> Polygon:
    if n.body_points_mm:
        body = _rounded(n.body_points_mm, n.body_corner_mm, f"plate {n.name!r}: body")
    else:
        body = trace.buffer(n.body_offset_mm, quad_segs=_QUAD_SEGS)
    body = single_shape(f"plate {n.name!r}: body", body)
    whole = unary_union([body, *(_ear(ear, body) for ear in n.ears)])
    f = n.fillet_mm
    if n.body_points_mm and f > n.body_corner_mm:
        filled = body.buffer(f, quad_segs=_QUAD_SEGS).buffer(-f, quad_segs=_QUAD_SEGS)
        _must_hold_its_corners(
            Polygon(n.body_points_mm), filled, f, f"plate {n.name!r}: body with its fillet_mm"
        )
    whole = whole.buffer(f, quad_segs=_QUAD_SEGS).buffer(-f, quad_segs=_QUAD_SEGS)
    return single_shape(f"plate {n.name!r}: outline", whole.simplify(0.001))


def _slot(n: PlateNumbers, slot: Slot, land_edge: Polygon, trace: Polygon) -> Polygon:
    outer = trace.buffer(n.land_width_mm + slot.depth_mm, quad_segs=_QUAD_SEGS)
    cx, cy = n.trace.centre_xy_mm
    reach = 4 * max(n.trace.long_axis_mm, 1.0)
    turns = max(2, math.ceil((slot.to_deg - slot.from_deg) / 10))
    rim = [math.radians(slot.from_deg + (slot.to_deg - slot.from_deg) * i / turns) for i in range(turns + 1)]
    wedge = Polygon([(cx, cy), *((cx + reach * math.cos(t), cy + reach * math.sin(t)) for t in rim)])
    r = slot.corner_mm
    shape = outer.difference(land_edge).intersection(wedge)
    shape = shape.buffer(-r, quad_segs=_QUAD_SEGS).buffer(r, quad_segs=_QUAD_SEGS)
    return single_shape(f"plate {n.name!r}: slot {slot.name!r}", shape.simplify(0.001))


def band_area(band: BandNumbers, trace: Polygon, centre_xy_mm: tuple[float, float]) -> BaseGeometry:
    """The strip between a band's two distances, openings not cut out."""
    if band.about == "trace":
        outer, inner = (trace.buffer(d, quad_segs=_QUAD_SEGS) for d in (band.to_mm, band.from_mm))
    else:
        outer, inner = (disc(*centre_xy_mm, d) for d in (band.to_mm, band.from_mm))
    return outer.difference(inner)


def _band(n: PlateNumbers, band: BandNumbers, trace: Polygon, running: BaseGeometry) -> Band:
    area = polygons_only(snap(band_area(band, trace, n.trace.centre_xy_mm).intersection(running)))
    if area.is_empty:
        raise DrawingError(f"plate {n.name!r}: band {band.name!r} lies nowhere on the metal")
    return Band(name=band.name, polygon=area, seal_width_mm=band.seal_width_mm)


def _hole(hole: Hole) -> Opening:
    shape = single_shape(hole.name, disc(hole.x_mm, hole.y_mm, hole.diameter_mm / 2))
    return Opening(name=hole.name, kind=hole.kind, polygon=shape)


def _port(n: PlateNumbers, port: PortShape) -> Opening:
    where = f"plate {n.name!r}: port {port.name!r}"
    return Opening(
        name=port.name,
        kind=port.kind,
        polygon=single_shape(where, _rounded(port.points_mm, port.corner_mm, where)),
    )


def build_drawing(numbers: PlateNumbers) -> Drawing:
    """A drawing from a plate's numbers.

    Parameters
    ----------
    numbers : PlateNumbers

    Returns
    -------
    Drawing
        With zones that tile the face: running surface inside the trace, seal land between the trace and its
        outer offset, rim the rest; the openings cut out of each. Corners lie on a 0.1 um grid.

    Raises
    ------
    DrawingError
        Numbers that make an opening leave the plate, shapes that cross themselves or overlap; the element is
        named.
    """
    n = numbers
    trace = single_shape(f"plate {n.name!r}: trace", n.trace.polygon())
    land_edge = single_shape(
        f"plate {n.name!r}: land", trace.buffer(n.land_width_mm, quad_segs=_QUAD_SEGS).simplify(0.0005)
    )
    outline = _outline(n, trace)
    check_range(outline, f"plate {n.name!r}")
    openings = (
        *(_hole(h) for h in n.holes),
        *(Opening(name=s.name, kind="coolant", polygon=_slot(n, s, land_edge, trace)) for s in n.slots),
        *(_port(n, p) for p in n.ports),
    )
    for i, opening in enumerate(openings):
        if not outline.contains(opening.polygon):
            raise DrawingError(f"plate {n.name!r}: opening {opening.name!r} is not inside the outline")
        for other in openings[:i]:
            if opening.polygon.intersects(other.polygon):
                raise DrawingError(f"plate {n.name!r}: openings {other.name!r} and {opening.name!r} overlap")
    if not outline.contains(land_edge):
        raise DrawingError(f"plate {n.name!r}: the seal land reaches over the outline; make the body larger")
    zones = make_zones(outline, openings, trace, land_edge)
    drawing = Drawing(
        name=n.name,
        thickness_mm=n.thickness_mm,
        outline=outline,
        openings=openings,
        zones=zones,
        trace=trace,
        bands=tuple(_band(n, b, trace, zones["running_surface"]) for b in n.bands),
        coolant_edge=land_edge,
        zone_purposes=n.zone_purposes,
        photo_hints=n.photo_hints,
        limits=n.limits,
    )
    return drawing.mirrored(n.name) if n.mirrored else drawing
