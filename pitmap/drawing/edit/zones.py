"""Changes to zones: the bore trace by its numbers, the land by its width, bands, what a zone is for."""

from __future__ import annotations

import dataclasses
import math

from shapely import Polygon

from ...errors import DrawingError, InputError
from ...units import in_both
from ..build import band_area, polygons_only, single_shape, snap
from ..model import ZONE_NAMES, Band, Drawing
from ..numbers import BandNumbers
from ..trochoid import Trochoid
from .remake import Edited, band_rule, remade

__all__ = [
    "land_width",
    "remove_band",
    "rename_band",
    "set_band",
    "set_land",
    "set_plate",
    "set_purpose",
    "set_trace",
]

_WIDEST_MM = 60.0
"""No land and no shift of a trace is wider than a hand is (house choice, catches wrong units)."""


def land_width(drawing: Drawing) -> float | None:
    """Width of a land that is an offset of the trace, or None for a land of another shape."""
    if drawing.trace is None or drawing.coolant_edge is None:
        return None
    ring = Band(name="", seal_width_mm=1.0, polygon=drawing.coolant_edge.difference(drawing.trace))
    rule = band_rule(dataclasses.replace(drawing, openings=()), ring)
    return None if rule is None or rule.about != "trace" or abs(rule.from_mm) > 0.01 else rule.to_mm


def _with_trace(drawing: Drawing, trace: Polygon) -> Drawing:
    """Another trace; a land that was an offset of the old one follows."""
    width = land_width(drawing)
    edge = drawing.coolant_edge
    if width is not None:
        edge = single_shape("seal land", trace.buffer(width, quad_segs=48))
    elif edge is not None and not edge.contains(trace):
        raise DrawingError(
            "bore trace: would reach over the outer edge of the seal land; take the land out first, or draw its edge anew"
        )
    return remade(drawing, trace=trace, coolant_edge=edge)


def trace_numbers(trochoid: Trochoid) -> dict[str, float]:
    """The numbers of a bore trace as :func:`set_trace` takes them."""
    return {
        "eccentricity_mm": trochoid.eccentricity_mm,
        "radius_mm": trochoid.radius_mm,
        "offset_mm": trochoid.offset_mm,
        "centre_x_mm": trochoid.centre_xy_mm[0],
        "centre_y_mm": trochoid.centre_xy_mm[1],
        "rotation_deg": trochoid.rotation_deg,
    }


def set_trace(
    drawing: Drawing,
    *,
    eccentricity_mm: float,
    radius_mm: float,
    offset_mm: float = 0.0,
    centre_x_mm: float = 0.0,
    centre_y_mm: float = 0.0,
    rotation_deg: float = 0.0,
) -> Edited:
    """The bore trace from its numbers (:class:`pitmap.drawing.Trochoid`); replaces the present one.

    A land that was an offset of the old trace keeps its width about the new one.

    Raises
    ------
    DrawingError
        Numbers that make no closed curve, or a trace that leaves the plate.
    """
    try:
        trochoid = Trochoid(
            eccentricity_mm=eccentricity_mm, radius_mm=radius_mm, offset_mm=offset_mm,
            centre_xy_mm=(centre_x_mm, centre_y_mm), rotation_deg=rotation_deg,
        )  # fmt: skip
    except DrawingError:
        raise
    except InputError as error:
        raise DrawingError(str(error)) from error
    trace = single_shape("bore trace", trochoid.polygon())
    if not drawing.outline.contains(trace):
        raise DrawingError(
            f"bore trace: {in_both(round(trochoid.long_axis_mm, 1), 'mm')} long and "
            f"{in_both(round(trochoid.waist_mm, 1), 'mm')} across the waist, it reaches over the outline; "
            "check the numbers, their units and the centre"
        )
    named = (("e", eccentricity_mm), ("R", radius_mm), ("offset", offset_mm))
    sizes = ", ".join(f"{word} {in_both(round(mm, 2), 'mm')}" for word, mm in named)
    return Edited(
        drawing=_with_trace(drawing, trace),
        sentence=f"bore trace with {sizes}",
    )


def set_land(drawing: Drawing, *, inner_mm: float = 0.0, outer_mm: float) -> Edited:
    """The seal land as the strip between two offsets of the bore trace, mm outwards.

    Parameters
    ----------
    drawing : Drawing
    inner_mm : float
        Where the land begins. Anything but 0 moves the bore trace there, because the land begins at the trace: for a
        trace that was clicked on a track beside the land's edge.
    outer_mm : float
        Where it ends.

    Raises
    ------
    DrawingError
        No bore trace, an end that is not beyond the beginning, a land over the outline.
    """
    if drawing.trace is None:
        raise DrawingError("seal land: lies along the bore trace; fit or type the trace first")
    if not (math.isfinite(inner_mm) and math.isfinite(outer_mm) and 0 < outer_mm - inner_mm < _WIDEST_MM):
        raise DrawingError(
            f"seal land: must end beyond where it begins, and be under {in_both(_WIDEST_MM, 'mm')} wide; got "
            f"{in_both(inner_mm, 'mm')} to {in_both(outer_mm, 'mm')} from the bore trace"
        )
    if abs(inner_mm) > _WIDEST_MM:
        raise DrawingError(
            f"seal land: {in_both(inner_mm, 'mm')} from the bore trace is too far; is the unit right?"
        )
    edge = single_shape("seal land", drawing.trace.buffer(outer_mm, quad_segs=48).simplify(0.0005))
    trace = drawing.trace
    if inner_mm:
        trace = single_shape("bore trace", trace.buffer(inner_mm, quad_segs=48).simplify(0.0005))
    if not drawing.outline.contains(edge):
        raise DrawingError(
            f"seal land: {in_both(outer_mm, 'mm')} out from the bore trace it reaches over the outline"
        )
    return Edited(
        drawing=remade(drawing, trace=trace, coolant_edge=edge),
        sentence=f"seal land from {in_both(inner_mm, 'mm')} to {in_both(outer_mm, 'mm')} of the bore trace",
    )


def set_band(
    drawing: Drawing, *, name: str, about: str, from_mm: float, to_mm: float, seal_width_mm: float
) -> Edited:
    """A named band between two offsets of the trace (negative inside it) or two radii about its middle.

    A band of that name is replaced.

    Raises
    ------
    DrawingError
        No bore trace, distances or a seal width that cannot be, or no metal of the running surface there.
    """
    name = name.strip()
    if not name or len(name) > 60 or not name.isprintable():
        raise DrawingError("band: needs a short name of your own")
    if drawing.trace is None or "running_surface" not in drawing.zones:
        raise DrawingError(f"band {name!r}: lies on the running surface; fit or type the bore trace first")
    if about not in ("trace", "bore"):
        raise DrawingError(f"band {name!r}: is measured from the trace or from the bore, not from {about!r}")
    if not (math.isfinite(from_mm) and math.isfinite(to_mm) and to_mm > from_mm):
        raise DrawingError(
            f"band {name!r}: must end beyond where it begins, got {in_both(from_mm, 'mm')} to {in_both(to_mm, 'mm')}"
        )
    if not (math.isfinite(seal_width_mm) and seal_width_mm > 0):
        raise DrawingError(f"band {name!r}: needs the width of the seal that runs on it, above 0")
    if about == "bore" and from_mm <= 0:
        raise DrawingError(f"band {name!r}: radii about the bore must be above 0")
    rule = BandNumbers(name=name, seal_width_mm=seal_width_mm, from_mm=from_mm, to_mm=to_mm, about=about)
    middle = drawing.trace.centroid
    strip = band_area(rule, drawing.trace, (middle.x, middle.y))
    area = polygons_only(snap(strip.intersection(drawing.zones["running_surface"])))
    if area.is_empty:
        raise DrawingError(
            f"band {name!r}: lies nowhere on the running surface; offsets inside the trace are negative"
        )
    new = Band(name=name, polygon=area, seal_width_mm=seal_width_mm)
    rest = tuple(b for b in drawing.bands if b.name != name)
    said = "changed" if len(rest) < len(drawing.bands) else "added"
    return Edited(drawing=dataclasses.replace(drawing, bands=(*rest, new)), sentence=f"band {name} {said}")


def _band_named(drawing: Drawing, name: str) -> Band:
    for band in drawing.bands:
        if band.name == name:
            return band
    raise DrawingError(f"band {name!r}: is not in the drawing any more; choose another")


def remove_band(drawing: Drawing, *, name: str) -> Edited:
    """The drawing without a band."""
    _band_named(drawing, name)
    rest = tuple(b for b in drawing.bands if b.name != name)
    return Edited(drawing=dataclasses.replace(drawing, bands=rest), sentence=f"band {name} taken out")


def rename_band(drawing: Drawing, *, name: str, new_name: str) -> Edited:
    """A band under another name.

    Raises
    ------
    DrawingError
        No name, one too long, or that of another band.
    """
    old, new_name = _band_named(drawing, name), new_name.strip()
    if not new_name or len(new_name) > 60 or not new_name.isprintable():
        raise DrawingError(f"band {name!r}: needs a short name of your own")
    if new_name in {b.name for b in drawing.bands if b is not old}:
        raise DrawingError(f"band {new_name!r}: is the name of another band; choose a different one")
    bands = tuple(dataclasses.replace(b, name=new_name) if b is old else b for b in drawing.bands)
    return Edited(drawing=dataclasses.replace(drawing, bands=bands), sentence=f"band {name} named {new_name}")


def set_purpose(drawing: Drawing, *, zone: str, text: str) -> Edited:
    """What a zone is for, in the user's words; empty takes the words away.

    Raises
    ------
    DrawingError
        No such zone, or 300 letters and more.
    """
    if zone not in ZONE_NAMES:
        raise DrawingError(f"zone {zone!r}: is not one of {', '.join(ZONE_NAMES)}")
    text = " ".join(text.split())
    if len(text) > 300:
        raise DrawingError(f"zone {zone!r}: its description is {len(text)} letters long; keep it under 300")
    purposes = {k: v for k, v in drawing.zone_purposes.items() if k != zone} | ({zone: text} if text else {})
    return Edited(
        drawing=dataclasses.replace(drawing, zone_purposes=purposes),
        sentence=f"{zone.replace('_', ' ')} described",
    )


def set_plate(drawing: Drawing, *, name: str, thickness_mm: float) -> Edited:
    """The drawing's name and the plate's thickness.

    Raises
    ------
    DrawingError
        No name, or a thickness that is not above 0.
    """
    name = name.strip()
    if not name or len(name) > 80 or not name.isprintable():
        raise DrawingError("drawing: needs a short name")
    if not (math.isfinite(thickness_mm) and thickness_mm > 0):
        raise DrawingError(f"thickness: must be above 0, got {in_both(thickness_mm, 'mm')}")
    return Edited(
        drawing=dataclasses.replace(drawing, name=name, thickness_mm=thickness_mm),
        sentence=f"named {name}, {in_both(thickness_mm, 'mm')} thick",
    )
