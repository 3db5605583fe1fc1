"""The drawing of one face of a plate, in millimetres: outline, openings, bore trace, zones, bands."""

from __future__ import annotations

import hashlib
import math
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.affinity import scale, translate
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from ..errors import DrawingError
from ..grid import Grid

__all__ = [
    "FARTHEST_MM",
    "OPENING_KINDS",
    "SIDE_OF_OPENING",
    "WORKING_ZONES",
    "ZONE_NAMES",
    "Band",
    "Drawing",
    "Opening",
    "check_range",
    "fill_mask",
]

OPENING_KINDS = ("bolt", "dowel", "coolant", "port", "bore", "drain", "lift", "other")
SIDE_OF_OPENING = {"coolant": "coolant", "port": "running", "bore": "running"}
"""Side of the seal land that the edge of an opening belongs to, by its kind; other kinds are holes in the land."""
ZONE_NAMES = ("running_surface", "seal_land", "rim")
WORKING_ZONES = ("running_surface", "seal_land")
"""Zones that carry a seal or a rotor; the rim matters for flatness only."""

_ACROSS_MM = (20.0, 3000.0)
"""Outlines out of this range are units gone wrong, not plates, and rasters of them fill the memory; the check has closer
limits."""
FARTHEST_MM = 20_000.0
"""No part of a drawing lies farther from its origin along x or y: a whole sheet of several faces fits in."""

_SUBPIXEL_BITS = 6
"""fillPoly takes fixed-point corners; 1/64 px is finer than any drawing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A hole through the face.

    Parameters
    ----------
    name : str
        Unique in the drawing.
    kind : str
        One of :data:`OPENING_KINDS`.
    polygon : shapely.Polygon
        Its edge, mm.
    """

    name: str
    kind: str
    polygon: Polygon

    def __post_init__(self) -> None:
        check_name(self.name, "opening")
        if self.kind not in OPENING_KINDS:
            raise DrawingError(
                f"opening {self.name!r}: kind {self.kind!r} is not one of {', '.join(OPENING_KINDS)}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A named strip of the face that a seal sweeps, with the width of the seal that crosses it, mm."""

    name: str
    polygon: Polygon | MultiPolygon
    seal_width_mm: float

    def __post_init__(self) -> None:
        check_name(self.name, "band")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """One face of a plate, seen looking at the worked face.

    Parameters
    ----------
    name : str
        What the plate and face are called.
    thickness_mm : float
        Thickness of the plate; openings show a wall this deep. NaN where it is not known.
    outline : shapely.Polygon
        Outer edge, mm, without interiors.
    openings : tuple of Opening
    zones : mapping of str to shapely.Polygon or MultiPolygon
        Keys from :data:`ZONE_NAMES`; polygons with the openings already cut out.
    trace : shapely.Polygon or None
        Area inside the bore trace of the rotor housing.
    bands : tuple of Band
    coolant_edge : shapely.Polygon or None
        Area inside the outer edge of the seal land, where known.
    photo_hints, limits : mapping
        Free entries of the TOML beside the drawing.
    zone_purposes : mapping of str to str
        What each zone is for, in the user's words.

    Raises
    ------
    DrawingError
        Empty or invalid outline, one of no plate's size or too far from the origin, a thickness that is none, a name
        that no file can hold, repeated opening name, unknown zone, or one without area.
    """

    name: str
    thickness_mm: float
    outline: Polygon
    openings: tuple[Opening, ...]
    zones: Mapping[str, Polygon | MultiPolygon]
    trace: Polygon | None = None
    bands: tuple[Band, ...] = ()
    coolant_edge: Polygon | None = None
    photo_hints: Mapping[str, object] = field(default_factory=dict)
    limits: Mapping[str, object] = field(default_factory=dict)
    zone_purposes: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.outline.is_empty or not self.outline.is_valid:
            raise DrawingError(f"drawing {self.name!r}: the outline is empty or crosses itself")
        check_range(self.outline, f"drawing {self.name!r}")
        check_name(self.name, "drawing")
        if not (math.isnan(self.thickness_mm) or 0 < self.thickness_mm < math.inf):
            raise DrawingError(
                f"drawing {self.name!r}: thickness_mm must be above 0, got {self.thickness_mm:g}; leave it out where it is "
                "not known"
            )
        names = [o.name for o in self.openings]
        repeated = {n for n in names if names.count(n) > 1}
        if repeated:
            raise DrawingError(
                f"drawing {self.name!r}: opening names repeated: {', '.join(sorted(repeated))}"
            )
        odd = set(self.zones) - set(ZONE_NAMES)
        if odd:
            raise DrawingError(f"drawing {self.name!r}: unknown zones {', '.join(sorted(odd))}")
        empty = sorted(name for name, zone in self.zones.items() if zone.is_empty)
        if empty:
            raise DrawingError(f"drawing {self.name!r}: zone {', '.join(empty)} has no area; leave it out")
        ordered = {name: self.zones[name] for name in ZONE_NAMES if name in self.zones}
        object.__setattr__(self, "zones", MappingProxyType(ordered))

    @property
    def zone_names(self) -> tuple[str, ...]:
        """Names of the zones in the order of :data:`ZONE_NAMES`."""
        return tuple(self.zones)

    def face(self) -> BaseGeometry:
        """Machined metal: the outline less every opening, mm."""
        return self.outline.difference(unary_union([o.polygon for o in self.openings]))

    def grid(self, px_per_mm: float, margin_mm: float = 2.0) -> Grid:
        """A raster over the whole plate."""
        return Grid.over_bounds(self.outline.bounds, px_per_mm, margin_mm)

    def mask(self, grid: Grid) -> NDArray[np.bool_]:
        """True on the metal of the face."""
        return fill_mask(self.face(), grid)

    def zone_raster(self, grid: Grid, *, by_centre: bool = False) -> NDArray[np.uint8]:
        """0 outside every zone, else 1 + place in :attr:`zone_names`; borders go to the later zone.

        `by_centre` is for areas: a pixel is in a zone when its centre is, so that none is larger than drawn, and no
        opening is in one, whether the drawing cuts it out of its zone or not.
        """
        out, inside = np.zeros(grid.shape, np.uint8), _centre_mask if by_centre else fill_mask
        for value, geometry in enumerate(self.zones.values(), 1):
            out[inside(geometry, grid)] = value
        if by_centre:
            out[~self.mask(grid)] = 0
        return out

    def fingerprint(self) -> str:
        """What tells the shapes that are measured on from others: edges, openings, zones and bands, to 0.1 um."""
        edges = [e for e in (self.outline, self.trace, self.coolant_edge) if e is not None]
        shapes = [
            *edges,
            *(o.polygon for o in self.openings),
            *self.zones.values(),
            *(b.polygon for b in self.bands),
        ]
        # Zones are cut out when a drawing is read, and another release of the library may begin their rings elsewhere.
        plain = shapely.normalize(shapely.transform(shapes, lambda xy: np.round(xy, 4) + 0.0))
        digest = hashlib.sha256(b"".join(shapely.to_wkb(plain)))
        widths = [(b.name, b.seal_width_mm) for b in self.bands]
        digest.update(repr((list(self.zones), widths)).encode())
        return digest.hexdigest()

    def mirrored(self, name: str) -> Drawing:
        """The same drawing seen from the other side (x -> -x), under another name."""
        return replace(self._mapped(lambda g: scale(g, -1, 1, origin=(0, 0))), name=name)

    def moved(self, x_mm: float, y_mm: float) -> Drawing:
        """The same drawing with everything moved, mm."""
        return self._mapped(lambda g: translate(g, x_mm, y_mm))

    def _mapped(self, to: Callable[[Any], Any]) -> Drawing:
        return replace(
            self,
            outline=to(self.outline),
            openings=tuple(replace(o, polygon=to(o.polygon)) for o in self.openings),
            zones={k: to(v) for k, v in self.zones.items()},
            trace=None if self.trace is None else to(self.trace),
            bands=tuple(replace(b, polygon=to(b.polygon)) for b in self.bands),
            coolant_edge=None if self.coolant_edge is None else to(self.coolant_edge),
        )


def check_name(name: str, what: str) -> None:
    """Refuse a name that would make a file nobody can read.

    Raises
    ------
    DrawingError
        Line ends and other control characters, or halves of characters.
    """
    if any(unicodedata.category(c) in ("Cc", "Cs") or c in "\ufffe\uffff" for c in name):
        raise DrawingError(
            f"{what} {name!r}: has a character that no drawing file can hold; write the name again"
        )


def check_range(outline: Polygon, where: str) -> None:
    """Refuse an outline that cannot be a plate in millimetres; readers name the file before they make more of it.

    Raises
    ------
    DrawingError
        Under 20 mm or over 3 m across, or farther than 20 m from the origin.
    """
    x0, y0, x1, y1 = outline.bounds
    across, off = max(x1 - x0, y1 - y0), max(-x0, x1, -y0, y1)
    if not _ACROSS_MM[0] <= across <= _ACROSS_MM[1]:
        raise DrawingError(f"{where}: the outline is {across:g} mm across; are its units right?")
    if not off <= FARTHEST_MM:
        raise DrawingError(
            f"{where}: the outline lies {off:g} mm from the origin, over {FARTHEST_MM:.0f}; move it to its origin"
        )


def fill_mask(geometry: BaseGeometry, grid: Grid) -> NDArray[np.bool_]:
    """Pixels of `grid` covered by a polygon or multipolygon (mm), holes left out.

    Pixels that an edge passes through count as covered, so neighbouring areas share them.
    """
    out = np.zeros(grid.shape, np.uint8)
    parts = getattr(geometry, "geoms", [geometry])
    one = 1 << _SUBPIXEL_BITS
    for part in parts:
        if not isinstance(part, Polygon) or part.is_empty:
            continue
        rings = [part.exterior, *part.interiors]
        corners = [np.round(one * grid.mm_to_px(np.asarray(r.coords)[:, :2])).astype(np.int32) for r in rings]
        # a hole is left as it is, so that what another part has filled there stays
        cv2.fillPoly(out, corners, 1, shift=_SUBPIXEL_BITS)
    return out.view(bool)


def _centre_mask(geometry: BaseGeometry, grid: Grid) -> NDArray[np.bool_]:
    """Pixels of `grid` whose centre lies inside: areas then have no bias, while a fill that takes every touched pixel
    adds half a pixel all around."""
    mask = fill_mask(geometry, grid)
    filled = mask.view(np.uint8)
    border = filled - cv2.erode(filled, np.ones((3, 3), np.uint8), borderValue=0)
    row, col = np.unravel_index(np.flatnonzero(border), grid.shape)
    shapely.prepare(geometry)
    xy = grid.px_to_mm(np.column_stack([col, row]))
    mask[row, col] = shapely.contains_xy(geometry, xy[:, 0], xy[:, 1])
    return mask
