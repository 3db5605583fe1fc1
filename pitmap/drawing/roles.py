"""What a named shape of a drawing file means: outline, trace, opening of a kind, zone, band."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon, is_valid_reason
from shapely.ops import unary_union

from ..errors import DrawingError
from .beside import Beside
from .build import make_zones, polygons_only
from .model import OPENING_KINDS, ZONE_NAMES, Band, Drawing, Opening, check_name, check_range

__all__ = ["Piece", "assemble", "guess_role", "polygon_from_rings"]

EDGE_ROLES = ("outline", "trace", "coolant_edge")
_COMMON_MM2 = 1e-4
_MAX_SHAPES = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A closed shape with its meaning.

    Parameters
    ----------
    role : str
        ``outline``, ``trace``, ``coolant_edge``, ``opening:KIND``, ``zone:NAME``, ``band:NAME``, or
        ``plate``: of all such shapes the largest is the outline and the rest are openings of kind ``other``.
    name : str
        Of the opening.
    where : str
        What to call it in messages.
    polygon : Polygon or MultiPolygon
    """

    role: str
    name: str
    where: str
    polygon: Polygon | MultiPolygon


def check_role(role: str, where: str) -> str:
    """The role as it is, once found to be a known one."""
    head, _, tail = role.partition(":")
    known = {"opening": OPENING_KINDS, "zone": ZONE_NAMES}
    if (
        (role in (*EDGE_ROLES, "plate", "ignore"))
        or (head == "band" and tail)
        or (head in known and tail in known[head])
    ):
        return role
    raise DrawingError(
        f"{where}: {role!r} is no meaning for a shape; expected {', '.join(EDGE_ROLES)}, plate, "
        "opening:KIND, zone:NAME, band:NAME or ignore"
    )


_NO_OPENING = {
    "trace", "land", "zone", "track", "surface", "seal", "groove", "circle", "pcd", "pitch", "centre", "center",
    "centreline", "centerline", "axis", "axes", "line", "cross", "dim", "dimension", "text", "note", "label", "mark",
    "thread", "head", "washer", "boss", "chamfer",
}  # fmt: skip
"""Beside the kind of an opening these say that the line is not its edge: a circle through the bolts is no hole."""
_OTHER_WORDS = {
    "viewport", "support", "report", "import", "imported", "export", "exported", "transport", "portrait", "counterbore",
    "counterbored",
}  # fmt: skip
"""Words that begin or end like the kind of an opening, and are none."""
_TAGS = {"circle", "line", "text"}
"""Names that a drawing program gives a shape by itself, with a number; alone they say nothing."""
_KINDS = tuple(kind for kind in OPENING_KINDS if kind != "other")
_HOLE_WORDS = {"hole", "opening"}
_TRACE_WORDS = {"bore", "trace", "rotor", "housing", "trochoid", "epitrochoid", "of", "the"}
_LAND_WORDS = {"seal", "land", "sealing", "coolant", "water", "the"}


def _plain(label: str) -> str:
    """A label as layers are compared by: small letters, words held together by one sign."""
    return re.sub(r"[\s\-]+", "_", label.strip().casefold())


def _role_in_words(label: str) -> str:
    """What the words of a label say that a shape is: ``ignore`` for a line that helps to draw, empty for no such word."""
    words = set(re.findall(r"[^\W\d_]+", label.casefold()))
    if "trace" in words and words <= _TRACE_WORDS:
        return "trace"
    if "land" in words and words <= _LAND_WORDS:
        return "zone:seal_land"
    words |= {word.removesuffix("s") for word in words}
    kinds = (k for w in sorted(words - _OTHER_WORDS) for k in _KINDS if w.startswith(k) or w.endswith(k))
    kind = next(kinds, "other" if words & _HOLE_WORDS else "")
    beside = words & _NO_OPENING
    if beside and (kind or beside - _TAGS):
        return "ignore"
    return f"opening:{kind}" if kind else ""


def guess_role(labels: Iterable[str], mapping: Mapping[str, str], where: str) -> str:
    """Role from labels, nearest first: the user's mapping, then plain words; ``ignore`` when nothing tells.

    Parameters
    ----------
    labels : iterable of str
        The shape's own label, then those of the groups or the layer around it.
    mapping : mapping
        Label (any case) to role.
    where : str
    """
    folded = {k.casefold(): v for k, v in mapping.items()}
    for label in labels:
        if label.casefold() in folded:
            return check_role(folded[label.casefold()], where)
        word = _plain(label)
        if word in EDGE_ROLES:
            return word
        if word in ZONE_NAMES:
            return f"zone:{word}"
        if word.startswith(("band_", "band:")) and len(word) > 5:
            return f"band:{word[5:]}"
        if said := _role_in_words(label):
            return said
        if word == "other":
            return "opening:other"
    return "ignore"


def _simple(points: NDArray[np.float64], where: str) -> Polygon:
    keep = np.ones(len(points), bool)
    keep[1:] = np.hypot(*np.diff(points, axis=0).T) > 1e-9
    points = points[keep]
    if len(points) > 1 and np.hypot(*(points[0] - points[-1])) <= 1e-9:
        points = points[:-1]
    if len(points) < 3:
        raise DrawingError(f"{where}: a ring of fewer than three points encloses no area")
    polygon = Polygon(points)
    if not polygon.is_valid:
        reason = is_valid_reason(polygon)
        place = re.search(r"\[(\S+) (\S+)\]", reason)
        at = f" near x {float(place[1]):.2f}, y {float(place[2]):.2f} mm" if place else ""
        raise DrawingError(f"{where}: crosses itself{at}")
    if polygon.area <= 1e-9:
        raise DrawingError(f"{where}: encloses no area")
    return polygon


def _is_seen_otherwise(polygons: list[Polygon]) -> bool:
    """By the rule of SVG that is called nonzero a picture fills other parts of these rings than by even and odd."""
    for one in polygons:
        around = [
            p for p in polygons if p is one or (p.area > one.area and 2 * p.intersection(one).area > one.area)
        ]
        turns = sum(1 if p.exterior.is_ccw else -1 for p in around)
        if (turns != 0) != (len(around) % 2 == 1):
            return True
    return False


def polygon_from_rings(
    rings: Iterable[tuple[NDArray[np.float64], bool]], where: str, *, fills_nonzero: bool = False
) -> Polygon | MultiPolygon:
    """Rings of one shape as areas: rings inside others are holes (even-odd).

    Parameters
    ----------
    rings : iterable of (points, is_closed)
    where : str
    fills_nonzero : bool
        A picture fills the shape by the other rule of SVG (nonzero); refused where the two differ.

    Raises
    ------
    DrawingError
        An open ring, one that crosses itself or encloses nothing, rings that cross each other, or a ring inside another
        one that a picture does not show as a hole.
    """
    rings = list(rings)
    if len(rings) > _MAX_SHAPES:
        raise DrawingError(f"{where}: {len(rings)} rings in one shape, which is no plate drawing")
    polygons = []
    for points, closed in rings:
        if not closed:
            gap = float(np.hypot(*(points[0] - points[-1])))
            x, y = points[-1]
            raise DrawingError(
                f"{where}: is open, its ends are {gap:.4g} mm apart near x {x:.2f}, y {y:.2f} mm; close it"
            )
        polygons.append(_simple(points, where))
    if not polygons:
        raise DrawingError(f"{where}: holds no shape")
    if fills_nonzero and _is_seen_otherwise(polygons):
        raise DrawingError(
            f"{where}: a ring inside another one of it runs the same way round, so that a picture fills it and shows no "
            "hole; set the fill rule of the shape to even-odd if it is one, or take the inner ring out"
        )
    polygons.sort(key=lambda p: -p.area)
    area: Polygon | MultiPolygon = polygons[0]
    for inner in polygons[1:]:
        common = area.intersection(inner).area
        # Inside or outside, but not both; rings may touch.
        if min(common, inner.area - common) > _COMMON_MM2:
            raise DrawingError(f"{where}: its rings cross each other")
        area = area.symmetric_difference(inner)
    area = polygons_only(area)
    if area.is_empty and len(polygons) == 1:
        raise DrawingError(f"{where}: encloses hardly any area; draw it in its true size, or take it out")
    if area.is_empty:
        raise DrawingError(f"{where}: its rings cancel each other")
    return area


def _single(piece: Piece) -> Polygon:
    if not isinstance(piece.polygon, Polygon) or piece.polygon.interiors:
        raise DrawingError(f"{piece.where}: {piece.role} must be one ring")
    return piece.polygon


def _sort_plate(pieces: list[Piece]) -> list[Piece]:
    loose = sorted((p for p in pieces if p.role == "plate"), key=lambda p: -p.polygon.area)
    roles = ["outline"] + ["opening:other"] * len(loose)
    return [p for p in pieces if p.role != "plate"] + [replace(p, role=r) for p, r in zip(loose, roles)]


def assemble(pieces: Iterable[Piece], *, where: str, beside: Beside, default_name: str) -> Drawing:
    """A drawing from shapes that have a meaning and what stands in the TOML beside them.

    Zones that are drawn are taken as drawn; without any they are made from trace and land
    (:func:`make_zones`).

    Raises
    ------
    DrawingError
        No outline, two of what there is one of, a repeated opening name, a band without a seal width.
    """
    pieces = _sort_plate(list(pieces))
    if len(pieces) > _MAX_SHAPES:
        raise DrawingError(f"{where}: {len(pieces)} shapes are too many for a plate drawing")
    widths = beside.seal_width_mm
    edges: dict[str, Polygon] = {}
    openings: list[Opening] = []
    zones: dict[str, list[Polygon | MultiPolygon]] = {}
    bands: list[Band] = []
    for piece in pieces:
        head, _, tail = piece.role.partition(":")
        if head in EDGE_ROLES:
            if head in edges:
                raise DrawingError(f"{piece.where}: a second {head}; there can be one")
            edges[head] = _single(piece)
        elif head == "opening":
            check_name(piece.name, f"{piece.where}: opening")
            openings.append(Opening(name=piece.name, kind=tail, polygon=_single(piece)))
        elif head == "zone":
            zones.setdefault(tail, []).append(piece.polygon)
        elif head == "band":
            tail = (
                next((name for name in widths if _plain(name) == _plain(tail)), tail)
                if tail not in widths
                else tail
            )
            if tail not in widths:
                raise DrawingError(
                    f"{piece.where}: band {tail!r} has no seal_width_mm in the TOML beside the drawing"
                )
            bands.append(Band(name=tail, polygon=piece.polygon, seal_width_mm=widths[tail]))
    missing = set(widths) - {b.name for b in bands}
    if missing:
        raise DrawingError(
            f"{where}: the TOML names band {', '.join(sorted(missing))}, which is not in the drawing"
        )
    if "outline" not in edges:
        raise DrawingError(f"{where}: no outline; name the outer edge of the plate 'outline'")
    check_range(edges["outline"], where)
    trace, edge = edges.get("trace"), edges.get("coolant_edge")
    if edge is None and trace is not None and math.isfinite(beside.land_width_mm):
        edge = Polygon(trace.buffer(beside.land_width_mm, quad_segs=48).exterior)
    if zones:
        made = {k: v[0] if len(v) == 1 else unary_union(v) for k, v in zones.items()}
    else:
        made = make_zones(edges["outline"], openings, trace, edge)
    return Drawing(
        name=beside.name or default_name,
        thickness_mm=beside.thickness_mm,
        outline=edges["outline"],
        openings=tuple(openings),
        zones=made,
        trace=trace,
        bands=tuple(bands),
        coolant_edge=edge,
        photo_hints=beside.photo_hints,
        limits=beside.limits,
        zone_purposes=beside.zone_purposes,
    )
