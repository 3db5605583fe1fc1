"""Read a plate from a plain JSON of rings, a layout that other programs write easily.

Layout: ``outline`` and ``trace`` (rings of [x, y] in mm), ``holes`` {name: ring}, ``zones`` {name: list of
{``exterior``, ``interiors``}}, ``thickness`` (mm), and optionally ``template`` (``mm_per_px``, ``x0``,
``y1``, ``width``, ``height``) for a raster that goes with it.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from shapely import MultiPolygon, Polygon

from ..errors import DrawingError
from ..grid import Grid
from .model import Drawing, Opening, check_name, check_range

__all__ = ["load_rings", "opening_kind_from_name", "template_grid"]

_KIND_WORDS = ("bolt", "dowel", "coolant", "port", "bore", "drain", "lift")


def opening_kind_from_name(name: str) -> str:
    """Kind of an opening from a word in its name, ``other`` when none is known."""
    low = name.lower()
    return next((kind for kind in _KIND_WORDS if kind in low), "other")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object; of two entries of one name the reader would keep the last and lose a hole."""
    names = [name for name, _ in pairs]
    repeated = sorted({name for name in names if names.count(name) > 1})
    if repeated:
        raise ValueError(f"{', '.join(map(repr, repeated))} is there twice; give each its own name")
    return dict(pairs)


def _read(path: str | Path) -> dict[str, Any]:
    path = Path(path)
    try:
        data = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=_once_each)
    except OSError as error:
        raise DrawingError(
            f"{path}: cannot be read ({error.strerror}); give the path of a JSON file of rings"
        ) from error
    except ValueError as error:
        raise DrawingError(f"{path}: is not JSON that can be read ({error})") from error
    if not isinstance(data, dict):
        raise DrawingError(f"{path}: expected an object with outline, holes and zones")
    return data


def _polygon(path: Path, field: str, exterior: Any, interiors: Any = ()) -> Polygon:
    try:
        polygon = Polygon(exterior, interiors)
    except (TypeError, ValueError) as error:
        raise DrawingError(f"{path}: {field} is not a ring of at least three [x, y] points") from error
    if polygon.is_empty or polygon.area == 0 or not all(map(math.isfinite, polygon.bounds)):
        raise DrawingError(f"{path}: {field} encloses no area, or has a coordinate that is not a number")
    if not polygon.is_valid:
        raise DrawingError(f"{path}: {field} crosses itself")
    return polygon


def _zone(path: Path, field: str, parts: Any) -> Polygon | MultiPolygon:
    if not isinstance(parts, list) or not all(isinstance(p, dict) for p in parts):
        raise DrawingError(f"{path}: {field} is not a list of {{exterior, interiors}}")
    if not parts:
        raise DrawingError(f"{path}: {field} is empty; leave out a zone that has no area")
    polygons = [_polygon(path, field, p.get("exterior"), p.get("interiors") or ()) for p in parts]
    return polygons[0] if len(polygons) == 1 else MultiPolygon(polygons)


def load_rings(path: str | Path) -> Drawing:
    """A drawing from a JSON of rings.

    Raises
    ------
    DrawingError
        Not JSON, a missing field, a ring that is open, empty or crosses itself.
    """
    path = Path(path)
    data = _read(path)
    try:
        outline = _polygon(path, "outline", data["outline"])
        holes, zone_lists = dict(data["holes"]), dict(data["zones"])
        thickness = float(data["thickness"])
    except (KeyError, TypeError, ValueError) as error:
        raise DrawingError(f"{path}: expected outline, holes, zones and thickness ({error})") from error
    check_range(outline, str(path))
    if not (math.isnan(thickness) or 0 < thickness < math.inf):
        raise DrawingError(f"{path}: thickness must be above 0 mm, got {thickness:g}")
    for name in holes:
        check_name(name, f"{path}: hole")
    zones = {name: _zone(path, f"zones.{name}", parts) for name, parts in zone_lists.items()}
    trace = _polygon(path, "trace", data["trace"]) if data.get("trace") else None
    land = zones.get("seal_land")
    return Drawing(
        name=str(data.get("name", path.stem)),
        thickness_mm=thickness,
        outline=outline,
        openings=tuple(
            Opening(name=n, kind=opening_kind_from_name(n), polygon=_polygon(path, f"holes.{n}", ring))
            for n, ring in holes.items()
        ),
        zones=zones,
        trace=trace,
        coolant_edge=Polygon(land.exterior) if isinstance(land, Polygon) else None,
    )


def template_grid(path: str | Path) -> Grid:
    """The raster that the JSON asks results to be written on.

    Raises
    ------
    DrawingError
        No usable ``template`` in the file.
    """
    t: Any = _read(path).get("template")
    try:
        return Grid(
            x0_mm=float(t["x0"]),
            y1_mm=float(t["y1"]),
            px_per_mm=1 / float(t["mm_per_px"]),
            n_rows=int(t["height"]),
            n_cols=int(t["width"]),
        )
    except (TypeError, KeyError, ValueError, ZeroDivisionError) as error:
        raise DrawingError(f"{path}: expected template with mm_per_px, x0, y1, width and height") from error
