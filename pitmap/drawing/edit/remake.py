"""A changed drawing made whole again: zones and bands follow the edges and openings, or are kept as they were drawn."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from ...errors import DrawingError
from ..build import band_area, make_zones, polygons_only, snap
from ..model import Band, Drawing
from ..numbers import BandNumbers

__all__ = ["Edited", "adopted", "band_rule", "remade"]

_RULE_MM = 0.02
"""A band whose edges keep their distance this well is an offset of the trace or a ring about its centre."""
_CUT_MM = 0.05
_STRAY_MM2 = 1.0
"""Zones that differ by less from what their edges make are the same."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edited:
    """A drawing after one change, and the change as a sentence for the undo list."""

    drawing: Drawing
    sentence: str


def _filled(shape: BaseGeometry) -> Polygon:
    """The largest part of an area without its holes."""
    largest = max(getattr(shape, "geoms", [shape]), key=lambda g: g.area)
    return Polygon(largest.exterior)


def adopted(drawing: Drawing) -> Drawing:
    """The drawing with the edges that its zones imply, so that the zones can follow changes.

    A drawing whose zones were drawn, without a bore trace or an outer edge of the land, gets both from the zones:
    the trace round the running surface and the openings in it, the land's edge round the land.
    """
    trace, edge = drawing.trace, drawing.coolant_edge
    cut = [o.polygon for o in drawing.openings]
    running, land = drawing.zones.get("running_surface"), drawing.zones.get("seal_land")
    if trace is None and running is not None:
        trace = _filled(unary_union([running, *(c for c in cut if c.intersects(running))]))
    if edge is None and land is not None and trace is not None:
        edge = _filled(unary_union([trace, land]))
    if trace is drawing.trace and edge is drawing.coolant_edge:
        return drawing
    return dataclasses.replace(drawing, trace=trace, coolant_edge=edge)


def band_rule(drawing: Drawing, band: Band) -> BandNumbers | None:
    """The two distances that a band lies between, where it has such; None for a band of another shape.

    Offsets of the bore trace (negative inside it) are tried first, then radii about the trace's middle.
    """
    if drawing.trace is None:
        return None
    points = shapely.points(shapely.get_coordinates(band.polygon))
    cuts = shapely.union_all([o.polygon.exterior for o in drawing.openings])
    free = np.ones(len(points), bool)
    if not cuts.is_empty:
        shapely.prepare(cuts)
        free = ~shapely.dwithin(points, cuts, _CUT_MM)
    if free.sum() < 8:
        return None
    inside = shapely.contains(drawing.trace, points[free])
    offsets = np.where(inside, -1.0, 1.0) * shapely.distance(points[free], drawing.trace.exterior)
    middle = drawing.trace.centroid
    for about, values in (("trace", offsets), ("bore", shapely.distance(points[free], middle))):
        low, high = float(values.min()), float(values.max())
        if high - low > 4 * _RULE_MM and np.all((values - low < _RULE_MM) | (high - values < _RULE_MM)):
            return BandNumbers(
                name=band.name, seal_width_mm=band.seal_width_mm,
                from_mm=round(low, 3), to_mm=round(high, 3), about=about,
            )  # fmt: skip
    return None


def _recut(area: BaseGeometry, old: Drawing, new: Drawing) -> Polygon | MultiPolygon:
    """A drawn area after openings changed.

    The metal under an opening that went away belongs to the area again where the area lay all round it.
    """
    kept = {o.name: o.polygon for o in new.openings}
    gone = [o.polygon for o in old.openings if kept.get(o.name) is not o.polygon]
    rings = [Polygon(p.exterior) for p in getattr(area, "geoms", [area])]
    refilled = [g for g in gone if any(r.buffer(_CUT_MM).contains(g) for r in rings)]
    return polygons_only(snap(unary_union([area, *refilled]).intersection(new.face())))


def _band(band: Band, rule: BandNumbers | None, old: Drawing, new: Drawing) -> Band | None:
    running = new.zones.get("running_surface")
    if rule is not None and new.trace is not None and running is not None:
        middle = new.trace.centroid
        strip = band_area(rule, new.trace, (middle.x, middle.y)).intersection(running)
        area = polygons_only(snap(strip))
    else:
        area = _recut(band.polygon, old, new)
    return None if area.is_empty else Band(name=band.name, polygon=area, seal_width_mm=band.seal_width_mm)


def _follows(drawing: Drawing) -> bool:
    """The zones are those that the drawing's edges make."""
    made = make_zones(drawing.outline, drawing.openings, drawing.trace, drawing.coolant_edge)
    return set(made) == set(drawing.zones) and all(
        zone.symmetric_difference(drawing.zones[name]).area < _STRAY_MM2 for name, zone in made.items()
    )


def _zones(old: Drawing, new: Drawing) -> dict[str, Polygon | MultiPolygon]:
    """The zones of a changed drawing: laid anew where they follow its edges or an edge was drawn anew, else as drawn.

    A land that somebody drew otherwise than between the two edges must not become another because a hole got a name.
    """
    holes = [[o.polygon for o in d.openings] for d in (old, new)]
    is_same = len(holes[0]) == len(holes[1]) and all(a is b for a, b in zip(*holes))
    if is_same and new.outline is old.outline and _same_edges(old, new):
        return dict(old.zones)
    if _same_edges(old, new) and not _follows(old):
        kept = {name: _recut(zone, old, new) for name, zone in old.zones.items()}
        return {name: zone for name, zone in kept.items() if not zone.is_empty}
    return make_zones(new.outline, new.openings, new.trace, new.coolant_edge)


def _same_edges(old: Drawing, new: Drawing) -> bool:
    return new.trace is old.trace and new.coolant_edge is old.coolant_edge


def remade(drawing: Drawing, **changes: Any) -> Drawing:
    """A drawing with some of its fields changed, and zones and bands laid anew.

    Parameters
    ----------
    drawing : Drawing
        From :func:`adopted`.
    **changes
        Fields of :class:`Drawing`. Bands that are given are taken as they are.

    Raises
    ------
    DrawingError
        Shapes that make no zones.
    """
    new = dataclasses.replace(drawing, **changes)
    try:
        zones = _zones(drawing, new)
    except shapely.errors.GEOSException as error:
        raise DrawingError(
            f"drawing {new.name!r}: its edges make no zones ({error}); undo the change"
        ) from error
    new = dataclasses.replace(new, zones=zones)
    if "bands" in changes:
        return new
    bands = (_band(b, band_rule(drawing, b), drawing, new) for b in drawing.bands)
    return dataclasses.replace(new, bands=tuple(b for b in bands if b is not None))
