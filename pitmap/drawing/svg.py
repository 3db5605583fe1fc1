"""Drawings as SVG files in millimetres, with a TOML beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from shapely import MultiPolygon, Polygon

from ..errors import DrawingError
from .beside import Beside, read_beside, written_beside
from .model import Drawing
from .roles import Piece, assemble, check_role, guess_role, polygon_from_rings
from .svg_read import SvgShape, read_svg_shapes

__all__ = ["SvgImport", "import_svg", "load_svg", "save_svg"]

_STYLE = """
    .rim { fill: #d9d9d9 } .running_surface { fill: #a6bddb } .seal_land { fill: #a1d99b }
    .opening { fill: #ffffff; stroke: #404040; stroke-width: 0.2 }
    .band { fill: #fdae6b; fill-opacity: 0.35 }
    .edge { fill: none; stroke: #000000; stroke-width: 0.3 }
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SvgImport:
    """A drawing from an SVG file and what was left out of it.

    Parameters
    ----------
    drawing : Drawing
    notes : tuple of str
        A sentence for every shape that nothing gives a meaning, with its place, and for every one that is not seen.
    """

    drawing: Drawing
    notes: tuple[str, ...]


def _ring_data(coords: object) -> str:
    points = np.asarray(coords, float)[:-1, :2] * [1.0, -1.0]
    # -0.0 and trailing zeros only make the file longer.
    text = [" ".join(f"{v:.4f}".rstrip("0").rstrip(".").replace("-0", "0", 1) if abs(v) < 5e-5
                     else f"{v:.4f}".rstrip("0").rstrip(".") for v in p) for p in points]  # fmt: skip
    # one command for all its pairs (SVG 1.1, section 8.3.4): a command for each took most of the time of reading a plate
    return f"M{text[0]}L{' '.join(text[1:])}Z"


def _path_data(area: Polygon | MultiPolygon) -> str:
    parts = getattr(area, "geoms", [area])
    return " ".join(_ring_data(r.coords) for p in parts for r in (p.exterior, *p.interiors))


def save_svg(drawing: Drawing, path: str | Path, *, beside: bool = True) -> None:
    """Write a drawing as an SVG in millimetres (y turned down), and the TOML beside it.

    Parameters
    ----------
    drawing : Drawing
    path : path
        Ends in .svg; the TOML gets the same name.
    beside : bool
        False leaves the TOML out.

    Notes
    -----
    Coordinates carry four decimals, 0.1 um.
    """
    path = Path(path)
    x0, y0, x1, y1 = drawing.outline.bounds
    x0, y0, x1, y1 = math.floor(x0 - 2), math.floor(y0 - 2), math.ceil(x1 + 2), math.ceil(y1 + 2)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{x1 - x0}mm" height="{y1 - y0}mm" '
        f'viewBox="{x0} {-y1} {x1 - x0} {y1 - y0}">',
        f"  <title>{escape(drawing.name)}</title>",
        f"  <style>{_STYLE}  </style>",
    ]

    def add(role: str, name: str, css: str, area: Polygon | MultiPolygon, extra: str = "") -> None:
        lines.append(
            f'  <path id={quoteattr(name)} class="{css}" data-role="{role}"{extra} fill-rule="evenodd" '
            f'd="{_path_data(area)}"/>'
        )

    for name, zone in reversed(drawing.zones.items()):  # type: ignore[call-overload]
        add("zone", name, name, zone, f' data-zone="{name}"')
    for band in drawing.bands:
        add("band", f"band_{band.name}", "band", band.polygon, f" data-band={quoteattr(band.name)}")
    for opening in drawing.openings:
        add("opening", opening.name, "opening", opening.polygon, f' data-kind="{opening.kind}"')
    for role, edge in (
        ("coolant_edge", drawing.coolant_edge),
        ("trace", drawing.trace),
        ("outline", drawing.outline),
    ):
        if edge is not None:
            add(role, role, "edge", edge)
    with written_beside(drawing, path, beside=beside) as temp:
        temp.write_text("\n".join([*lines, "</svg>", ""]), encoding="utf-8")


def _role(shape: SvgShape, mapping: Mapping[str, str]) -> str:
    role, data = shape.data.get("role", ""), shape.data
    if role == "opening" or (not role and "kind" in data):
        return check_role(f"opening:{data.get('kind', 'other')}", shape.where)
    if role == "zone" or (not role and "zone" in data):
        return check_role(f"zone:{data.get('zone', shape.label)}", shape.where)
    if role == "band" or (not role and "band" in data):
        return check_role(f"band:{data.get('band') or shape.label.removeprefix('band_')}", shape.where)
    if role:
        return check_role(role, shape.where)
    return guess_role((shape.label, *reversed(shape.groups)), mapping, shape.where)


def import_svg(
    path: str | Path, *, beside: Beside | None = None, user_unit_mm: float | None = None
) -> SvgImport:
    """Read a drawing from an SVG and the TOML beside it, and say what was left out.

    A shape's meaning comes from its ``data-role`` (``data-kind``, ``data-zone``, ``data-band``), else from
    the mapping of the TOML, else from words in its label or in that of a group around it; shapes that
    nothing names are left out.

    Parameters
    ----------
    path : path
    beside : Beside or None
        None reads the TOML of the same name where there is one.
    user_unit_mm : float or None
        Millimetres of one unit for files that do not say.

    Raises
    ------
    DrawingError
        Unsafe, not SVG, no units, an open or crossing ring, one that is not seen as it is drawn, no outline; the element is
        named.
    """
    path = Path(path)
    toml = path.with_suffix(".toml")
    if beside is None:
        beside = read_beside(toml) if toml.exists() else Beside()
    if user_unit_mm is None and math.isfinite(beside.user_unit_mm):
        user_unit_mm = beside.user_unit_mm
    pieces: list[Piece] = []
    notes: list[str] = []
    taken: set[str] = set()
    for shape in read_svg_shapes(path, user_unit_mm=user_unit_mm):
        role = _role(shape, beside.roles)
        if role == "ignore":
            if shape.is_seen:
                notes.append(_left_out(shape, path))
            continue
        if not shape.is_seen:
            name = shape.where.removeprefix(f"{path}: ")
            notes.append(
                f"{name} is not seen in the drawing and was left out: it is hidden, without fill and line, or cut away"
            )
            continue
        if shape.doubt:
            raise DrawingError(
                f"{shape.where}: {shape.doubt}, so what is seen is not what is drawn; save the drawing as plain shapes"
            )
        # every other shape is one ring, and refused for more
        may_have_holes = role.startswith(("zone", "band"))
        polygon = polygon_from_rings(
            shape.rings, shape.where, fills_nonzero=may_have_holes and shape.fills_nonzero
        )
        name = shape.label or f"{role.partition(':')[2] or role}_{len(pieces) + 1}"
        if role.startswith("opening"):
            # Zones and edges have names of their own kind: an opening may be called like one of them.
            if name in taken:
                raise DrawingError(f"{shape.where}: a second opening called {name!r}")
            taken.add(name)
        pieces.append(Piece(role=role, name=name, where=shape.where, polygon=polygon))
    drawing = assemble(pieces, where=str(path), beside=beside, default_name=path.stem)
    return SvgImport(drawing=drawing, notes=tuple(notes))


def _left_out(shape: SvgShape, path: Path) -> str:
    name, near = shape.where.removeprefix(f"{path}: "), ""
    if shape.rings:
        x, y = shape.rings[0][0].mean(0)
        near = f" near x {x:.1f}, y {y:.1f} mm"
    return f"{name}{near} was left out: nothing says what it is; name it or its layer"


def load_svg(path: str | Path, *, beside: Beside | None = None, user_unit_mm: float | None = None) -> Drawing:
    """The drawing of an SVG file; :func:`import_svg` also tells what was left out of it."""
    return import_svg(path, beside=beside, user_unit_mm=user_unit_mm).drawing
