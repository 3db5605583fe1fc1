"""Drawings as DXF files: layers to outline, openings and zones; tiny gaps closed and reported."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import MultiPolygon, Polygon

from ..errors import DrawingError
from .beside import Beside, read_beside, written_beside
from .dxf_read import APP_NAME, Stroke, read_strokes
from .model import Drawing
from .roles import Piece, assemble, guess_role, polygon_from_rings
from .svg_path import Ring

__all__ = ["GAP_MM", "DxfImport", "import_dxf", "load_dxf", "save_dxf"]

GAP_MM = 0.05
"""Ends this close are joined, and said to have been (house choice: half of a 0.1 mm pen width)."""
_SAME_MM = 1e-6
_NOT_IN_LAYERS = re.compile(r"[<>/\\\":;?*=`|,']")
"""Characters that no layer may carry (DXF reference)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DxfImport:
    """A drawing from a DXF file and what was done to get it.

    Parameters
    ----------
    drawing : Drawing
    notes : tuple of str
        A sentence for every gap closed, line drawn twice, layer left out and kind of entity not read.
    layers : mapping of str to str
        Layer name to the role that was taken for it (``ignore`` for those left out).
    """

    drawing: Drawing
    notes: tuple[str, ...]
    layers: Mapping[str, str]


def _chain(strokes: list[Stroke], gap_mm: float, notes: list[str]) -> list[tuple[Ring, Stroke]]:
    """Open strokes of one layer joined end to end into rings."""
    done: list[tuple[Ring, Stroke]] = [((s.points, True), s) for s in strokes if s.is_closed]
    loose = [s for s in strokes if not s.is_closed]
    ends = np.array([p for s in loose for p in (s.points[0], s.points[-1])]).reshape(-1, 2)
    tree = cKDTree(ends) if len(ends) else None
    used = np.zeros(len(loose), bool)
    for first in range(len(loose)):
        if used[first]:
            continue
        used[first] = True
        ring = [loose[first].points]
        while True:
            here, start = ring[-1][-1], ring[0][0]
            back = float(np.hypot(*(here - start)))
            assert tree is not None
            near = [i for i in tree.query_ball_point(here, gap_mm) if not used[i // 2]]
            away = [float(np.hypot(*(ends[i] - here))) for i in near]
            is_long = len(ring) > 1 or len(ring[0]) > 2
            if is_long and back <= min([gap_mm, *away]):
                done.append(((np.concatenate(ring), True), loose[first]))
                _note_gap(notes, back, here, loose[first].layer)
                break
            if not near:
                done.append(((np.concatenate(ring), False), loose[first]))
                break
            k = near[int(np.argmin(away))]
            _note_gap(notes, min(away), here, loose[first].layer)
            used[k // 2] = True
            piece = loose[k // 2].points
            ring.append(piece if k % 2 == 0 else piece[::-1])
    return done


def _note_gap(notes: list[str], gap: float, xy: NDArray[np.float64], layer: str) -> None:
    if gap > _SAME_MM:
        notes.append(
            f"layer {layer!r}: a gap of {gap:.4f} mm near x {xy[0]:.2f}, y {xy[1]:.2f} mm was closed"
        )


def _pieces(
    layer: str, role: str, strokes: list[Stroke], gap_mm: float, path: Path, notes: list[str]
) -> Iterator[Piece]:
    rings = _chain(strokes, gap_mm, notes)
    if role.startswith(("zone", "band")):
        named: dict[str, list[Ring]] = {}
        for ring, stroke in rings:
            named.setdefault(stroke.name, []).append(ring)
        for name, part in named.items():
            where = f"{path}: layer {layer!r}"
            own = f"band:{name}" if name and role.startswith("band") else role
            yield Piece(role=own, name=layer, where=where, polygon=polygon_from_rings(part, where))
        return
    for i, (ring, stroke) in enumerate(rings, 1):
        name = stroke.name or f"{role.partition(':')[2] or role}_{i:02d}"
        yield Piece(
            role=role, name=name, where=stroke.where, polygon=polygon_from_rings([ring], stroke.where)
        )


def _unique(pieces: Iterable[Piece]) -> Iterator[Piece]:
    taken: set[str] = set()
    for piece in pieces:
        if not piece.role.startswith(("opening", "plate")):
            yield piece
            continue
        name, k = piece.name, 1
        while name in taken:
            k += 1
            name = f"{piece.name}_{k}"
        taken.add(name)
        yield replace(piece, name=name)


def import_dxf(path: str | Path, *, beside: Beside | None = None, gap_mm: float = GAP_MM) -> DxfImport:
    """Read a drawing from a DXF file, and say what was done to it.

    What a layer means comes from the ``[map]`` of the TOML beside the file, else from words in its name
    (``outline``, ``trace``, ``coolant_edge``, ``seal_land``, ``bolt holes``, ``band_NAME`` ...). A layer
    mapped to ``plate`` gives the outline and every opening at once.

    Parameters
    ----------
    path : path
    beside : Beside or None
        None reads the TOML of the same name where there is one: mapping, name, thickness, unit, seal widths.
    gap_mm : float
        Ends up to this far apart are joined.

    Returns
    -------
    DxfImport

    Raises
    ------
    DrawingError
        Not a sound DXF, no unit, an open or crossing ring, no outline, another file needed; the element is
        named.
    """
    path = Path(path)
    toml = path.with_suffix(".toml")
    if beside is None:
        beside = read_beside(toml) if toml.exists() else Beside()
    left_out: set[str] = set()
    by_layer: dict[str, list[Stroke]] = {}
    for stroke in read_strokes(path, beside.user_unit_mm, left_out):
        by_layer.setdefault(stroke.layer, []).append(stroke)
    layers = {name: guess_role((name,), beside.roles, f"{path}: layer {name!r}") for name in by_layer}
    notes: list[str] = []
    pieces: list[Piece] = []
    for name, role in layers.items():
        if role == "ignore":
            notes.append(f"layer {name!r} with {len(by_layer[name])} lines and curves was left out")
        else:
            pieces.extend(_pieces(name, role, by_layer[name], gap_mm, path, notes))
    if not layers:
        raise DrawingError(
            f"{path}: its model space holds no line that is shown; draw the plate there, for what lies on a sheet (paper "
            "space), is switched off or hidden is not read"
        )
    if not any(role in ("outline", "plate") for role in layers.values()):
        raise DrawingError(
            f"{path}: no layer is the outline; its layers are {', '.join(sorted(layers))[:300]}. "
            'Say which in the [map] of the TOML beside it, for example "0" = "plate"'
        )
    drawing = assemble(_unique(pieces), where=str(path), beside=beside, default_name=path.stem)
    return DxfImport(drawing=drawing, notes=(*notes, *sorted(left_out)), layers=layers)


def load_dxf(path: str | Path, *, beside: Beside | None = None) -> Drawing:
    """The drawing of a DXF file; :func:`import_dxf` also tells what was done to it."""
    return import_dxf(path, beside=beside).drawing


def save_dxf(drawing: Drawing, path: str | Path, *, beside: bool = True) -> None:
    """Write a drawing as DXF in millimetres, one layer per meaning, and the TOML beside it.

    Parameters
    ----------
    drawing : Drawing
    path : path
        Ends in .dxf.
    beside : bool
        False leaves the TOML out.
    """
    import ezdxf

    path = Path(path)
    document = ezdxf.new("R2010", setup=False)
    document.header["$INSUNITS"] = 4
    document.header["$MEASUREMENT"] = 1
    document.appids.add(APP_NAME)
    space = document.modelspace()

    def add(layer: str, colour: int, area: Polygon | MultiPolygon, name: str) -> None:
        if layer not in document.layers:
            document.layers.add(layer, color=colour)
        for part in getattr(area, "geoms", [area]):
            for ring in (part.exterior, *part.interiors):
                line = space.add_lwpolyline(
                    np.asarray(ring.coords)[:-1, :2].tolist(), close=True, dxfattribs={"layer": layer}
                )
                line.set_xdata(APP_NAME, [(1000, name)])

    for name, zone in drawing.zones.items():
        add(name, 8, zone, name)
    for band in drawing.bands:
        add(f"band_{_NOT_IN_LAYERS.sub('_', band.name)}", 30, band.polygon, band.name)
    for opening in drawing.openings:
        add("openings" if opening.kind == "other" else opening.kind, 1, opening.polygon, opening.name)
    for layer, edge in (("coolant_edge", drawing.coolant_edge), ("trace", drawing.trace)):
        if edge is not None:
            add(layer, 5, edge, layer)
    add("outline", 7, drawing.outline, "outline")
    with written_beside(drawing, path, beside=beside) as temp:
        document.saveas(temp)
