"""The lines and curves of a DXF file in millimetres, layer by layer; says nothing about what they mean.

Nothing is fetched: blocks in other files are refused, pictures and other references are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from ..errors import DrawingError
from .model import FARTHEST_MM
from .svg_element import CURVE_TOLERANCE_MM
from .svg_path import MAX_POINTS, arc_points

__all__ = ["APP_NAME", "Stroke", "read_strokes"]

APP_NAME = "PITMAP"
"""Under this name an entity carries the name of what it draws."""

_MAX_BYTES = 32_000_000
_MAX_ENTITIES = 10_000
_MAX_DEPTH = 8
_FLAT_MM = 0.01
_MEET_MM = 0.01
"""A spline that calls itself closed has its ends this near to each other; else the straight way between is none of it."""
_FULL_TURN = 1e-4
"""An ellipse whose parameters span a turn to within this is whole, wherever it begins: files carry few digits."""
_MOST_PIECES = 512
_SAME_MM = 1e-4
"""Shorter is no line, and nearer is no other line."""
_DRAWN = {"LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "LWPOLYLINE", "POLYLINE"}
_MM_PER_UNIT = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 8: 25.4e-6, 9: 0.0254, 13: 0.001, 14: 100.0}
"""By $INSUNITS (DXF reference): inch, foot, mm, cm, m, microinch, mil, micrometre, decimetre."""


@dataclass(slots=True)
class Stroke:
    """A drawn line or curve on a layer, mm."""

    layer: str
    points: NDArray[np.float64]
    is_closed: bool
    name: str
    where: str


def _read(path: Path) -> Any:
    import ezdxf

    try:
        if path.stat().st_size > _MAX_BYTES:
            raise DrawingError(f"{path}: over {_MAX_BYTES // 1_000_000} MB, which is no plate drawing")
        return ezdxf.readfile(path)
    except DrawingError:
        raise
    except OSError as error:
        # ezdxf says "not a DXF file" with an OSError that has no system message.
        raise DrawingError(f"{path}: cannot be read as DXF ({error.strerror or error})") from error
    except Exception as error:  # noqa: BLE001 - whatever a foreign reader throws at a damaged file is the file's fault
        raise DrawingError(
            f"{path}: is not a sound DXF file ({type(error).__name__}: {str(error)[:120]})"
        ) from error


def _unit_mm(document: Any, path: Path, user_unit_mm: float) -> float:
    if math.isfinite(user_unit_mm):
        return user_unit_mm
    code = document.header.get("$INSUNITS", 0)
    if code not in _MM_PER_UNIT:
        raise DrawingError(
            f"{path}: the file states no unit that is read ($INSUNITS is {code}); write user_unit_mm in the TOML beside "
            "it, 1.0 for millimetres or 25.4 for inches"
        )
    return _MM_PER_UNIT[code]


def _layers_not_shown(document: Any) -> tuple[set[str], set[str]]:
    """Names in small letters of the layers that are switched off, and of those that are frozen."""
    layers = [(v.dxf.name.casefold(), v) for v in document.layers]
    return {name for name, v in layers if v.is_off()}, {name for name, v in layers if v.is_frozen()}


def _entities(document: Any, path: Path, notes: set[str]) -> Iterator[Any]:
    """Every entity that a picture of the file shows, blocks opened, within a budget of number and depth."""
    count = 0
    off, frozen = _layers_not_shown(document)
    todo: list[tuple[Any, int]] = [(e, 0) for e in document.modelspace()]
    todo.reverse()
    while todo:
        entity, depth = todo.pop()
        count += 1
        if count > _MAX_ENTITIES:
            raise DrawingError(f"{path}: more than {_MAX_ENTITIES} entities, which is no plate drawing")
        kind, layer = entity.dxftype(), entity.dxf.layer
        if entity.dxf.get("invisible", 0):
            notes.add(f"layer {layer!r}: what is made invisible was left out")
            continue
        # A block on a layer that is only switched off still shows what it holds on other layers (DXF reference).
        if layer.casefold() in (frozen if kind == "INSERT" else off | frozen):
            notes.add(f"layer {layer!r} is switched off or frozen: what is on it was left out")
            continue
        if kind == "INSERT":
            block = entity.block()
            if block is None:
                notes.add(f"a block that is not in the file ({entity.dxf.name}) was left out")
                continue
            if block.block.is_xref:
                raise DrawingError(
                    f"{path}: block {entity.dxf.name!r} is another file (XREF); bind it, nothing is fetched"
                )
            if depth >= _MAX_DEPTH or entity.mcount > 1:
                raise DrawingError(
                    f"{path}: block {entity.dxf.name!r} is nested too deep or in rows; explode it first"
                )
            if count + len(todo) + len(block) > _MAX_ENTITIES:
                raise DrawingError(f"{path}: blocks hold more than {_MAX_ENTITIES} entities in all")
            inner = list(entity.virtual_entities())
            for e in inner:
                # What a block holds on layer 0 belongs to the layer that the block is laid on (DXF reference).
                if e.dxf.layer == "0":
                    e.dxf.layer = layer
            todo.extend((e, depth + 1) for e in reversed(inner))
        elif kind in _DRAWN:
            yield entity
        else:
            notes.add(f"entities of kind {kind} were left out")


def _bulge_points(
    xyb: list[tuple[float, float, float]], closed: bool, tolerance: float
) -> NDArray[np.float64]:
    """Corners and arcs of a polyline, (N, 2); a bulge is the tangent of a quarter of the arc's angle."""
    out = [np.array([xyb[0][:2]])]
    for (x0, y0, bulge), (x1, y1, _) in zip(xyb, [*xyb[1:], *(xyb[:1] if closed else [])]):
        start, end = np.array([x0, y0]), np.array([x1, y1])
        chord = float(np.hypot(*(end - start)))
        if abs(bulge) < 1e-12 or chord < 1e-12:
            out.append(end[None])
            continue
        radius = chord * (1 + bulge**2) / (4 * abs(bulge))
        # SVG's arc has the same ends; large when over half a turn, sweep to the left for a positive bulge.
        out.append(arc_points(start, (radius, radius), 0.0, abs(bulge) > 1, bulge > 0, end, tolerance))
    return np.concatenate(out)


def _spline_points(spline: Any, sag: float) -> Any:
    """Points (N, 2 or 3) along a spline; only where its knots define it, which for a periodic one is not all of them."""
    if spline.closed and not len(spline.control_points):
        raise ValueError("a closed spline without control points; turn it into a polyline")
    knots, degree, n = np.asarray(spline.knots, float), spline.dxf.degree, len(spline.control_points)
    if not n or (knots[0] == knots[degree] and knots[n] == knots[-1]):
        return list(spline.flattening(sag, segments=8))
    weights = np.asarray(spline.weights, float) if len(spline.weights) else np.ones(n)
    handles = np.array([tuple(p) for p in spline.control_points], float)
    curve = BSpline(knots, np.column_stack([handles * weights[:, None], weights]), degree)
    spans = np.unique(knots[degree : n + 1])

    def at(pieces: int) -> NDArray[np.float64]:
        steps = np.arange(pieces) / pieces
        t = np.append((spans[:-1, None] + np.diff(spans)[:, None] * steps).ravel(), spans[-1])
        p = curve(t)
        return p[:, :-1] / p[:, -1:]

    pieces = 8
    while pieces < _MOST_PIECES:
        finer = at(2 * pieces)
        off = np.abs(finer[1:-1:2] - (finer[:-2:2] + finer[2::2]) / 2).max()
        if off < sag:
            return finer
        pieces *= 2
    return at(pieces)


def _must_turn(start_rad: float, end_rad: float) -> None:
    """Refuse an arc without an angle: left out, a hole would be metal where a program shows a whole circle."""
    if abs(end_rad - start_rad) < _FULL_TURN:
        raise ValueError(
            "it starts and ends at one angle, which some programs show as a whole circle and others not at all; draw it "
            "as a circle, or take it out"
        )


def _xy_closed(entity: Any, unit_mm: float) -> tuple[Any, bool]:
    """World coordinates (N, 2 or 3) along an entity, and whether it says that it is closed."""
    kind = entity.dxftype()
    sag = CURVE_TOLERANCE_MM / unit_mm
    if kind == "LINE":
        return [entity.dxf.start, entity.dxf.end], False
    if kind in ("CIRCLE", "ARC"):
        radius_mm = entity.dxf.radius * unit_mm
        if not 4 * CURVE_TOLERANCE_MM < radius_mm < FARTHEST_MM:
            raise ValueError(f"a radius of {radius_mm:.4g} mm")
        if kind == "ARC":
            _must_turn(math.radians(entity.dxf.start_angle), math.radians(entity.dxf.end_angle))
        return list(entity.flattening(sag)), kind == "CIRCLE"
    if kind == "ELLIPSE":
        if not entity.dxf.major_axis.magnitude * unit_mm < FARTHEST_MM:
            raise ValueError("an axis too long")
        is_whole = math.isclose(
            abs(entity.dxf.end_param - entity.dxf.start_param), math.tau, abs_tol=_FULL_TURN
        )
        if is_whole:
            entity = entity.copy()
            entity.dxf.start_param, entity.dxf.end_param = 0.0, math.tau
        else:
            _must_turn(entity.dxf.start_param, entity.dxf.end_param)
        return list(entity.flattening(sag, segments=32)), is_whole
    if kind == "SPLINE":
        handles = [v * unit_mm for p in (*entity.control_points, *entity.fit_points) for v in p]
        if not all(abs(v) < FARTHEST_MM for v in handles):
            raise ValueError("a control point too far away")
        points = _spline_points(entity, sag)
        return points, bool(entity.closed) and math.dist(points[0], points[-1]) * unit_mm < _MEET_MM
    if kind == "POLYLINE":
        if not (entity.is_2d_polyline or entity.is_3d_polyline):
            raise ValueError("a mesh, which is no line")
        closed = bool(entity.is_closed)
        vertices = [v.dxf for v in entity.vertices if not v.dxf.flags & 16]
        xyb = [(v.location.x, v.location.y, v.get("bulge", 0.0)) for v in vertices]
        if entity.is_3d_polyline:
            return [v.location for v in vertices], closed
    else:
        closed = bool(entity.closed)
        xyb = [(p[0], p[1], p[2]) for p in entity.get_points("xyb")]
    if not xyb:
        raise ValueError("no corners")
    if not all(abs(v) * unit_mm < FARTHEST_MM for p in xyb for v in p[:2]) or not all(
        abs(p[2]) < 1e4 for p in xyb
    ):
        raise ValueError("a corner too far away, or an arc that is none")
    flat = _bulge_points(xyb, closed, sag)
    # A polyline lies in a plane of its own; a mirrored one has its z axis turned down.
    return list(entity.ocs().points_to_wcs((x, y, 0.0) for x, y in flat)), closed


def read_strokes(path: Path, user_unit_mm: float, notes: set[str]) -> list[Stroke]:
    """Every line and curve of the model space, mm.

    Parameters
    ----------
    path : Path
    user_unit_mm : float
        Millimetres of one unit; NaN takes it from the file.
    notes : set of str
        Gets a sentence for every kind of entity that is left out.

    Raises
    ------
    DrawingError
        Not a sound DXF, no unit, another file needed, or an entity that cannot be read; it is named.
    """
    document = _read(path)
    unit_mm = _unit_mm(document, path, user_unit_mm)
    out: list[Stroke] = []
    n_points = 0
    taken: set[tuple[str, str, bytes]] = set()
    for entity in _entities(document, path, notes):
        where = f"{path}: {entity.dxftype()} {entity.dxf.handle or ''} on layer {entity.dxf.layer!r}"
        try:
            xyz, closed = _xy_closed(entity, unit_mm)
            points = np.array([tuple(p)[:3] for p in xyz], float) * unit_mm
        except (ValueError, ArithmeticError, TypeError, AttributeError, IndexError, _ezdxf_errors()) as error:
            raise DrawingError(f"{where}: cannot be read: {error}") from error
        if not (np.isfinite(points).all() and (np.abs(points) < FARTHEST_MM).all()):
            raise DrawingError(f"{where}: lies more than {FARTHEST_MM:.0f} mm away, or nowhere")
        if len(points) and np.ptp(points[:, 2]) > _FLAT_MM:
            raise DrawingError(f"{where}: is not flat; draw the face in the x-y plane")
        n_points += len(points)
        if n_points > MAX_POINTS:
            raise DrawingError(f"{where}: more than {MAX_POINTS} points in all, which is no plate drawing")
        if len(points) < 2 or np.ptp(points[:, :2], axis=0).max() < _SAME_MM:
            notes.add(f"{where}: has no length and was left out")
            continue
        stroke = Stroke(entity.dxf.layer, points[:, :2], closed, _xdata_name(entity), where)
        key = _drawn_as(stroke)
        if key in taken:
            x, y = stroke.points[0]
            notes.add(
                f"layer {stroke.layer!r}: a line near x {x:.2f}, y {y:.2f} mm is drawn twice and was taken once"
            )
            continue
        taken.add(key)
        out.append(stroke)
    return out


def _drawn_as(stroke: Stroke) -> tuple[str, str, bytes]:
    """The same for two strokes of one layer and name that lie on each other, whichever way they run."""
    there = np.round(stroke.points / _SAME_MM).astype(np.int64)
    return stroke.layer, stroke.name, min(there.tobytes(), there[::-1].tobytes())


def _ezdxf_errors() -> type[Exception]:
    """The root of ezdxf's own errors, looked up late because its import is slow."""
    from ezdxf import DXFError

    return DXFError


def _xdata_name(entity: Any) -> str:
    if entity.has_xdata(APP_NAME):
        return next((str(tag.value) for tag in entity.get_xdata(APP_NAME) if tag.code == 1000), "")
    return ""
