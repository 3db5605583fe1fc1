"""What is wrong or doubtful about a drawing, each finding with its element and place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from shapely import STRtree, is_valid_reason
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points, unary_union

from ..units import MM_PER_INCH, UnitSystem, format_length, in_digits
from .look_alikes import look_alikes
from .model import SIDE_OF_OPENING, WORKING_ZONES, Drawing

__all__ = ["DOUBTFUL_SHARE", "Finding", "check_drawing"]

Severity = Literal["error", "warning", "note"]

_SIZE_MM = (60.0, 800.0)
_OTHER_UNITS = {"centimetres": 10.0, "inches": MM_PER_INCH}
"""Across the outline; side plates are a hand or two wide (common practice, no published source)."""
_THICKNESS_MM = (3.0, 80.0)
_SLACK_MM = 0.01
"""Edges that are drawn to coincide may miss each other by this."""
_AREA_MM2 = 0.05
_STRAY_MM2 = 5.0
"""A drawn zone may stray from a drawn edge by a hundredth of a millimetre all round, which adds up (house choice)."""
_BRIDGE_MM = 0.8
"""Thinner metal between openings is more likely a slip of the pen than a casting (house choice)."""
DOUBTFUL_SHARE = 0.80
_SAME = 0.97
"""Shares of common edges from which a pose is doubtful, and cannot be told apart (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that the check found.

    Parameters
    ----------
    severity : {"error", "warning", "note"}
        ``error``: figures from this drawing would be wrong. ``warning``: look at it. ``note``: good to know.
    element : str
        Which element, by its name in the drawing.
    text : str
        What is the matter with it and what to do; reads as a sentence after the element's name.
    xy : (float, float) or None
        Where, mm.
    """

    severity: Severity
    element: str
    text: str
    xy: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Sizes in the units of whoever reads the sentences; the drawing itself is in millimetres."""

    system: UnitSystem

    def length(self, mm: float) -> str:
        """One that may be anything."""
        return f"{in_digits(mm, 4)} mm" if self.system == "mm" else f"{in_digits(mm / MM_PER_INCH, 4)} in"

    def small(self, mm: float) -> str:
        """A gap or a narrow place."""
        return format_length(mm, self.system, digits=2 if self.system == "mm" else 4)

    def area(self, mm2: float, digits: int = 4) -> str:
        if self.system == "mm":
            return f"{in_digits(mm2, digits)} mm2"
        return f"{in_digits(mm2 / MM_PER_INCH**2, digits)} in2"


def _at(severity: Severity, element: str, text: str, place: BaseGeometry | None = None) -> Finding:
    """A finding with a point inside `place`."""
    if place is None or place.is_empty:
        return Finding(severity=severity, element=element, text=text)
    p = place.representative_point()
    return Finding(severity=severity, element=element, text=text, xy=(float(p.x), float(p.y)))


def _shapes(d: Drawing) -> Iterator[Finding]:
    for name, shape in (("trace", d.trace), ("coolant_edge", d.coolant_edge), *d.zones.items()):
        if shape is not None and not shape.is_valid:
            yield _at("error", name, f"crosses itself ({is_valid_reason(shape)}); redraw it")
    for opening in d.openings:
        if not opening.polygon.is_valid or opening.polygon.is_empty:
            yield _at("error", opening.name, "is empty or crosses itself; redraw it")


def _sizes(d: Drawing, size: _Sizes) -> Iterator[Finding]:
    x0, y0, x1, y1 = d.outline.bounds
    across = max(x1 - x0, y1 - y0)
    if not _SIZE_MM[0] <= across <= _SIZE_MM[1]:
        others = [unit for unit, mm in _OTHER_UNITS.items() if _SIZE_MM[0] <= across * mm <= _SIZE_MM[1]]
        plausible = f" It would be plausible in {' or '.join(others)}" if others else ""
        text = f"is {size.length(across)} across, no size for a side plate; are the units right?{plausible}"
        yield _at("error", "outline", text, d.outline)
    off = math.hypot((x0 + x1) / 2, (y0 + y1) / 2)
    if off > 3 * across:
        text = f"lies {size.length(off)} from the origin; move the drawing so that its origin is on the plate"
        yield _at("warning", "outline", text)
    if math.isnan(d.thickness_mm):
        text = "is not given; hole walls in tilted photos cannot be told from damage. Enter it, in the TOML as thickness_mm"
        yield _at("warning", "thickness", text)
    elif not _THICKNESS_MM[0] <= d.thickness_mm <= _THICKNESS_MM[1]:
        yield _at("warning", "thickness", f"of {size.length(d.thickness_mm)} is unusual; is the unit right?")
    for opening in d.openings:
        diameter = 2 * math.sqrt(opening.polygon.area / math.pi)
        if diameter < 1.0:
            text = f"is only {size.small(diameter)} across; is it an opening?"
            yield _at("warning", opening.name, text, opening.polygon)


def _openings(d: Drawing, size: _Sizes) -> Iterator[Finding]:
    inside = d.outline.buffer(_SLACK_MM)
    for opening in d.openings:
        outside = opening.polygon.difference(inside)
        if not outside.is_empty:
            yield _at("error", opening.name, "reaches outside the outline", outside)
        elif (gap := opening.polygon.distance(d.outline.exterior)) < _BRIDGE_MM:
            text = f"leaves {size.small(gap)} of metal to the outline; check both"
            yield _at("warning", opening.name, text, opening.polygon)
    polygons = np.array([o.polygon for o in d.openings], dtype=object)
    pairs = STRtree(polygons).query(polygons, "dwithin", _BRIDGE_MM).T.tolist()
    for i, j in sorted(pair for pair in pairs if pair[0] < pair[1]):
        one, other = d.openings[i], d.openings[j]
        common = one.polygon.intersection(other.polygon)
        if common.area > 0:
            text = f"overlaps opening {other.name!r} by {size.area(common.area, 3)}"
            yield _at("error", one.name, text, common)
        else:
            gap = one.polygon.distance(other.polygon)
            text = f"leaves {size.small(gap)} of metal to opening {other.name!r}; check both"
            yield _at("warning", one.name, text, nearest_points(one.polygon, other.polygon)[0])


def _zones(d: Drawing, size: _Sizes) -> Iterator[Finding]:
    if not any(name in d.zones for name in WORKING_ZONES):
        text = "hold no running surface and no seal land; draw or fit the bore trace to get figures per zone"
        yield _at("warning", "zones", text)
    elif "seal_land" not in d.zones:
        yield _at("warning", "seal_land", "is missing; give its width or its outer edge")
    inside = d.outline.buffer(_SLACK_MM)
    names = list(d.zones)
    for i, name in enumerate(names):
        zone = d.zones[name]
        outside = zone.difference(inside)
        if outside.area > _AREA_MM2:
            yield _at("error", name, "reaches outside the outline", outside)
        for other in names[i + 1 :]:
            common = zone.intersection(d.zones[other])
            if common.area > _AREA_MM2:
                text = f"overlaps zone {other!r} by {size.area(common.area)}; metal may be counted once only"
                yield _at("error", name, text, common)
        for opening in d.openings:
            common = zone.intersection(opening.polygon)
            if common.area > _AREA_MM2:
                text = f"covers {size.area(common.area)} of opening {opening.name!r}, where there is no metal"
                yield _at("warning", name, text, common)
    left = d.face()
    for zone in d.zones.values():
        left = left.difference(zone.buffer(_SLACK_MM))
    if left.area > max(1.0, 0.001 * d.outline.area):
        yield _at("warning", "zones", f"leave {size.area(left.area)} of the face in no zone", left)


def _land(d: Drawing, size: _Sizes) -> Iterator[Finding]:
    """The seal land must go all round the bore trace, and be wide enough to seal."""
    if "seal_land" not in d.zones or d.trace is None or d.coolant_edge is None:
        return
    if not d.coolant_edge.buffer(_SLACK_MM).contains(d.trace):
        return
    width = d.trace.distance(d.coolant_edge.exterior)
    if width < _BRIDGE_MM:
        place = nearest_points(d.trace, d.coolant_edge.exterior)[1]
        text = f"is only {size.small(width)} wide where it is narrowest; check the bore trace and the land's outer edge"
        yield _at("warning", "seal_land", text, place)
        return
    for opening in d.openings:
        from_running = d.trace.distance(opening.polygon)
        beyond = opening.polygon.difference(d.coolant_edge).area > _AREA_MM2
        from_coolant = 0.0 if beyond else opening.polygon.distance(d.coolant_edge.exterior)
        on_land = opening.polygon.intersection(d.coolant_edge).difference(d.trace)
        if on_land.area <= _AREA_MM2:
            continue
        # an opening full of coolant is the coolant side itself: past it there is no land that seals
        of_side = {"coolant": from_running, "running": from_coolant}
        left = of_side.get(SIDE_OF_OPENING.get(opening.kind, ""), from_running + from_coolant)
        if left <= _SLACK_MM:
            text = "cuts the seal land through, so that nothing can seal there; check its place, the trace and the land"
            yield _at("error", opening.name, text, on_land)
        elif left < _BRIDGE_MM:
            text = f"leaves {size.small(left)} of the seal land; check its place and size"
            yield _at("warning", opening.name, text, on_land)


def _edges(d: Drawing, size: _Sizes) -> Iterator[Finding]:
    inside = d.outline.buffer(_SLACK_MM)
    if d.trace is not None:
        if not inside.contains(d.trace):
            yield _at("error", "trace", "is not inside the outline", d.trace.difference(inside))
        if d.coolant_edge is not None and not d.coolant_edge.buffer(_SLACK_MM).contains(d.trace):
            text = "does not enclose the bore trace, so the land has no width there"
            yield _at("error", "coolant_edge", text, d.trace.difference(d.coolant_edge))
    if d.coolant_edge is not None and not inside.contains(d.coolant_edge):
        text = "reaches outside the outline, where there is no metal to seal on"
        yield _at("error", "coolant_edge", text, d.coolant_edge.difference(inside))
    yield from _zones_and_edges(d, size)
    names = [b.name for b in d.bands]
    for band in d.bands:
        if names.count(band.name) > 1:
            yield _at("error", band.name, "is the name of two bands; rename one", band.polygon)
        if not band.seal_width_mm > 0:
            yield _at("error", band.name, "needs a seal width above 0", band.polygon)
        outside = band.polygon.difference(inside)
        if outside.area > _AREA_MM2:
            yield _at("error", band.name, "reaches outside the outline", outside)
        if (
            band.seal_width_mm > 0
            and _without_openings(band.polygon, d).buffer(-band.seal_width_mm / 2).is_empty
        ):
            text = f"is nowhere as wide as its seal of {size.length(band.seal_width_mm)}; check both"
            yield _at("warning", band.name, text, band.polygon)


def _without_openings(area: BaseGeometry, d: Drawing) -> BaseGeometry:
    """An area with the openings that were cut out of it filled again."""
    return area.union(unary_union([o.polygon for o in d.openings if o.polygon.intersects(area)]))


def _zones_and_edges(d: Drawing, size: _Sizes) -> Iterator[Finding]:
    """Zones that are drawn must lie where the drawn edges put them: figures take both."""
    land = None
    if d.trace is not None and d.coolant_edge is not None:
        land = d.coolant_edge.difference(d.trace)
    for name, area, words in (
        ("running_surface", d.trace, "inside the bore trace"),
        ("seal_land", land, "between the bore trace and the land's outer edge"),
    ):
        if name not in d.zones or area is None:
            continue
        beside = d.zones[name].difference(area.buffer(_SLACK_MM))
        if beside.area > _STRAY_MM2:
            text = f"has {size.area(beside.area)} that are not {words}; redraw the one or the other"
            yield _at("warning", name, text, beside)


def _limits(d: Drawing) -> Iterator[Finding]:
    if not any(isinstance(v, dict) and "value" in v for v in d.limits.values()):
        text = (
            "are not in this drawing. Give the stock plan a sheet of them, or type them in here from the engine maker's"
            " manual, with the page, and give the plan this file: what has no limit is not judged"
        )
        yield _at("note", "limits", text)


def _poses(d: Drawing) -> Iterator[Finding]:
    for alike in look_alikes(d):
        if alike.edge_share < DOUBTFUL_SHARE:
            continue
        # Half a turn is the same both ways round.
        turn = abs(alike.angle_deg) if abs(alike.angle_deg) > 179 else alike.angle_deg
        how = f"turned by {turn:.0f} deg"
        if alike.is_mirrored:
            how = "mirrored" if abs(turn) < 1 else f"mirrored and {how}"
        edges, area = 100 * alike.edge_share, 100 * alike.area_share
        measured = f"{edges:.0f} % of its edges and {area:.1f} % of its area in common"
        if alike.edge_share >= _SAME:
            text = f"fits as well when {how} ({measured}): photos cannot tell; draw a feature that differs"
        else:
            text = f"nearly fits when {how} ({measured}); small features alone tell the poses apart"
        yield _at("warning", "outline", text)


def check_drawing(drawing: Drawing, *, poses: bool = True, system: UnitSystem = "mm") -> list[Finding]:
    """Everything that the check finds in a drawing, errors first.

    Parameters
    ----------
    drawing : Drawing
        Loaded or built: its rings are closed and do not cross themselves, or loading refused and said which.
    poses : bool
        False leaves out whether the plate looks like itself turned or mirrored, which takes most of the time; it is
        left out of a drawing of no plate's size too.
    system : {"mm", "inch"}
        Units of the sentences.

    Returns
    -------
    list of Finding
        Empty when nothing was found.

    Notes
    -----
    Sizes, openings inside the outline and clear of each other, working zones inside the outline and not
    overlapping, metal in no zone, trace inside the land's edge, a land that goes all round and is wide enough,
    zones where the edges put them, bands, limits, and poses in which the plate looks like itself (turned or
    mirrored) with the shares of area and edges in common.
    """
    findings, size = [*_shapes(drawing)], _Sizes(system)
    if not findings:
        findings = [*_sizes(drawing, size)]
        # turned and mirrored copies of what is no plate cost the most and say nothing
        poses &= not any(f.severity == "error" for f in findings)
        for check in (_openings, _zones, _edges, _land):
            findings.extend(check(drawing, size))
        for check_whole in (_limits, *((_poses,) if poses else ())):
            findings.extend(check_whole(drawing))
    order = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda f: order[f.severity])
