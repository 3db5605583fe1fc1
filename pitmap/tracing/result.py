"""The traced drawing, its table of round openings, and how sure each figure is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely import Polygon, contains_xy

from ..drawing import Drawing, Opening, make_zones
from ..estimate import Estimate
from ..registration.camera import Camera
from ..tables import Column, Schema
from ..units import in_both
from .bundle import Solution
from .cameras import EdgeSet, off_metal
from .kinds import suggest_kinds
from .merge import LEAST_PLACES, NEAR_MM
from .spread import BIAS_MM, across_sd, place_covariance, place_shifts, place_slopes, size_sd, without_motion
from .stretches import Stretch, find_stretches, with_stretches

__all__ = ["CIRCLES", "Contour", "Trace", "count_words", "make_trace", "may_be_pit"]

_EDGE_MM = 0.06
"""What the place of an edge is uncertain by whatever the number of photos."""
_BREAK_SHARE = 0.3
"""A broken edge is seen somewhere between its inner and its outer line, by the light: this share of its width is the
standard deviation (a uniform place has 0.29)."""
_BREAK_SHARE_ROUND = 0.2
"""All round a hole part of that averages out, once several photos show it (house choice, from renders and pictures with
truth)."""
_LIT_SHARE = 0.5
"""One photo alone shows the broken edge as bright as the face on the half of a hole's rim that the light falls on, and no
other photo shows where the face ends there: this share of the edge's width is then taken for face (house choice, from
renders)."""
_LEAST_HOLE_MM, _LEAST_RAGGED_MM2 = 5.0, 60.0
"""Holes of plates are for bolts and dowels of 6 mm and more, slots and ports are larger; single pits are mostly smaller
(house choice: a hole that is missing shows on every map, a pit that is drawn as a hole on none)."""
_MAJORITY = 3
"""Of fewer photos the first decides alone what is metal."""
_Z90 = 1.6449
_LEAST_FIT_MM, _FIT_SHARE = 0.04, 0.6
"""A line or an arc fits when the edges scatter about it by no more than this, or this share of a single photo's edges'
scatter: several are averaged and smoothed (house choice)."""

CIRCLES = Schema(
    "circles",
    (
        Column("name", "object", "opening in the drawing"),
        Column("x_mm", "float64", "centre"),
        Column("y_mm", "float64", "centre"),
        Column("centre_err_mm", "float64", "half width of the 90 % interval of the centre, each way"),
        Column("diameter_mm", "float64", "diameter at the drawn edge"),
        Column("diameter_low_mm", "float64", "90 % interval"),
        Column("diameter_high_mm", "float64", "90 % interval"),
        Column("n_photos", "int64", "photos that show it clearly"),
    ),
)
"""Round openings of a traced plate."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contour:
    """The outline or an opening as it was traced.

    Parameters
    ----------
    name : str
        ``outline`` or the opening's name.
    points_mm : (N, 2) array
        Where the face ends, the edge break not yet taken into account.
    err_mm : (N,) array
        Half width of the 90 % interval across the edge at each point, cameras included.
    stretches : tuple of Stretch
        Lines and arcs that fit within the scatter of the edges; the rest is a smooth curve. Empty for a circle.
    """

    name: str
    points_mm: NDArray[np.float64]
    err_mm: NDArray[np.float64]
    stretches: tuple[Stretch, ...] = ()

    def __post_init__(self) -> None:
        for array in (self.points_mm, self.err_mm):
            array.setflags(write=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A traced plate.

    Parameters
    ----------
    drawing : Drawing
        Outline and openings; the whole face is rim until a bore trace is fitted. With a known distance the origin is
        at the first hole and the x axis points to the second; with a printed target origin and axes are the sheet's.
    circles : DataFrame
        :data:`CIRCLES`.
    contours : tuple of Contour
        The outline first, then every opening of the drawing.
    cameras : tuple of Camera
        One for each photo, for looking at the drawing over the photos.
    spread_mm : float
        Robust spread of the edges about the drawing.
    outline_err_mm : float
        Median half width of the 90 % interval across the outline, cameras included.
    size : Estimate
        Factor by which the whole drawing may be too large or too small; 1 as drawn. From :func:`trace_plate` with what
        measuring the printed line, or the known distance, by hand leaves open.
    height_correction : float
        Share by which lengths would have been too large without the height of the face over a sheet on the bench.
    suggested_kinds : dict of str to str
        What each opening may be; a suggestion to be confirmed, the drawing says ``other``.
    notes : tuple of str
        What was corrected or left out.
    """

    drawing: Drawing
    circles: pd.DataFrame
    contours: tuple[Contour, ...]
    cameras: tuple[Camera, ...]
    spread_mm: float
    outline_err_mm: float
    size: Estimate
    height_correction: float
    suggested_kinds: dict[str, str]
    notes: tuple[str, ...]


def _place(x_mm: float, y_mm: float) -> str:
    return " and ".join(
        f"{axis} {in_both(round(mm, 1) + 0.0, 'mm')}" for axis, mm in (("x", x_mm), ("y", y_mm))
    )


def _width_mm(shape: Polygon) -> float:
    """The shorter side of the narrowest box round a shape."""
    corners = np.asarray(shape.minimum_rotated_rectangle.exterior.coords)
    return float(np.hypot(*np.diff(corners, axis=0).T).min())


def may_be_pit(shape: Polygon, *, is_round: bool) -> bool:
    """Too small, or too small and ragged, to be told from a pit: as an opening, damage would leave every figure."""
    return _width_mm(shape) < _LEAST_HOLE_MM or (not is_round and shape.area < _LEAST_RAGGED_MM2)


def count_words(n_openings: int, n_photos: int) -> str:
    """What the photos cannot promise of the openings of a trace, so that a person counts them."""
    told = f"{n_openings} openings were drawn: count them on the plate. A large dark patch can pass for an opening"
    if n_photos < _MAJORITY:
        told += ", and with fewer than three photos a hole with a wall as bright as the face can be missing or too small"
    return told


def _polygon(points: NDArray[np.float64]) -> Polygon:
    shape = Polygon(points)
    return (
        shape
        if shape.is_valid
        else max(getattr(shape.buffer(0), "geoms", [shape.buffer(0)]), key=lambda g: g.area)
    )


def make_trace(
    sets: list[EdgeSet],
    plane: list[NDArray[np.float64]],
    errors: list[NDArray[np.float64]],
    solution: Solution,
    sizes_wh: Sequence[tuple[int, int]],
    name: str,
    thickness_mm: float,
    edge_break_mm: float,
    height_correction: float,
    notes: list[str],
    clicked_mm: NDArray[np.float64],
    wall_doubt_mm: list[NDArray[np.float64]] | None = None,
) -> Trace:
    """Outline and openings with the chamfer taken into account, and how sure each figure is.

    What is small or ragged enough for a pit is left out, unless it is one of the places (N, 2) that were clicked as holes.
    `wall_doubt_mm`, by contour and place, is how much larger an opening may be than it was traced.
    A solution without covariances of its circles has cameras from a sheet: its frame is the plate's own then.
    """
    stretches = [
        [] if s.is_round else find_stretches(p, max(_LEAST_FIT_MM, _FIT_SHARE * solution.rms_mm))
        for s, p in zip(sets, plane, strict=True)
    ]
    plane = [with_stretches(p, found) for p, found in zip(plane, stretches, strict=True)]
    from_sheet = not solution.circle_covariance
    outline = _polygon(plane[0]).buffer(edge_break_mm, quad_segs=16).simplify(0.005)
    slopes = [
        place_slopes(p, _shown(s, len(p)), solution.cameras, solution.poses, sizes_wh)
        for s, p in zip(sets, plane, strict=True)
    ]
    size = size_sd(slopes[0], plane[0], solution.pose_covariance)
    if from_sheet:
        ends = np.cumsum([len(p) for p in plane])
        fixed = np.arange(ends[-1]) < ends[0]
        slopes = np.split(without_motion(np.concatenate(slopes), np.concatenate(plane), fixed), ends[:-1])
    edge_sd = float(np.hypot(_EDGE_MM, _BREAK_SHARE * edge_break_mm))
    is_alone = len(solution.cameras) == 1
    seen_break_mm = (1 - _LIT_SHARE) * edge_break_mm if is_alone else edge_break_mm
    round_sd = edge_sd if is_alone else float(np.hypot(_EDGE_MM, _BREAK_SHARE_ROUND * edge_break_mm))
    shifts = [
        place_shifts(p, _shown(s, len(p)), solution.cameras, solution.poses, solution.others, sizes_wh)
        for s, p in zip(sets, plane, strict=True)
    ]
    spreads = [
        _across(p, s, m, e, solution, edge_sd, is_hole=k > 0)
        for k, (p, s, m, e) in enumerate(zip(plane, slopes, shifts, errors, strict=True))
    ]
    doubtful: list[tuple[str, float]] = []
    openings, rows = [], []  # type: ignore[var-annotated]
    contours = [Contour(name="outline", points_mm=plane[0], err_mm=spreads[0], stretches=tuple(stretches[0]))]
    for k in range(1, len(sets)):
        label = f"{'hole' if sets[k].is_round else 'opening'}_{len(openings) + 1:02d}"
        if sets[k].is_round:
            c = solution.circles[k]
            shape = shapely.Point(c[0], c[1]).buffer(c[2] - seen_break_mm, quad_segs=48)
        else:
            shape = _polygon(plane[k]).buffer(-seen_break_mm, quad_segs=16).simplify(0.005)
        if not isinstance(shape, Polygon) or shape.is_empty or not outline.contains(shape):
            notes.append(f"a mark near {_place(*plane[k].mean(0))} was left out")
            continue
        if may_be_pit(shape, is_round=sets[k].is_round) and not contains_xy(shape, *clicked_mm.T).any():
            x, y = shape.centroid.coords[0]
            notes.append(
                f"a dark mark {in_both(round(_width_mm(shape), 1), 'mm')} wide near {_place(x, y)} was left out, as "
                "it may be a pit; where it is a hole, draw it in"
            )
            continue
        if sets[k].is_round:
            n = _n_clear(sets[k], solution, c)
            covariance = solution.circle_covariance.get(k)
            if covariance is None:
                covariance = np.diag([0, 0, (BIAS_MM**2) / max(n, 1)])
                covariance[:2, :2] = place_covariance(
                    slopes[k].mean(0, keepdims=True), solution.pose_covariance
                )[0]
            rows.append(_circle_row(label, c, covariance, n, seen_break_mm, round_sd))
        if wall_doubt_mm is not None and (most := float(wall_doubt_mm[k].max())) > 0:
            doubtful.append((label, most))
            spreads[k] = np.maximum(spreads[k], wall_doubt_mm[k])
        openings.append(Opening(name=label, kind="other", polygon=Polygon(shape.exterior)))
        contours.append(
            Contour(name=label, points_mm=plane[k], err_mm=spreads[k], stretches=tuple(stretches[k]))
        )
    if doubtful:
        named = ", ".join(f"{label} ({in_both(round(most, 1), 'mm')})" for label, most in doubtful)
        notes.append(
            "one photo does not tell a wall as bright as the face from the face: on the side that shows its wall an opening "
            f"may be larger than drawn, {named}; compare them with the plate, or add a photo from another side"
        )
    notes.append(count_words(len(openings), len(solution.cameras)))
    fitted = [s.kind for c in contours for s in c.stretches]
    if fitted:
        notes.append(f"{fitted.count('line')} straight stretches and {fitted.count('arc')} arcs were fitted")
    if edge_break_mm:
        notes.append(
            f"edges were moved by their chamfer of {in_both(edge_break_mm, 'mm')}: outline out, openings in"
        )
    drawing = Drawing(
        name=name,
        thickness_mm=thickness_mm,
        outline=Polygon(outline.exterior),
        openings=tuple(openings),
        zones=make_zones(Polygon(outline.exterior), openings, None, None),
    )
    kinds = suggest_kinds(drawing.outline, [o.polygon for o in openings])
    return Trace(
        drawing=drawing,
        circles=CIRCLES.frame(rows),
        contours=tuple(contours),
        cameras=tuple(solution.cameras),
        spread_mm=solution.rms_mm,
        outline_err_mm=float(np.nanmedian(spreads[0])),
        size=Estimate(value=1.0, low=1 - _Z90 * size, high=1 + _Z90 * size),
        height_correction=height_correction,
        suggested_kinds={o.name: k for o, k in zip(openings, kinds, strict=True)},
        notes=tuple(notes),
    )


def _shown(edges: EdgeSet, n: int) -> NDArray[np.bool_]:
    """Which photo shows each of `n` places; a round contour is drawn anew and belongs to the photos that show it."""
    shown = np.stack(edges.is_good)
    if edges.is_round:
        return np.repeat((shown.sum(1) >= LEAST_PLACES)[:, None], n, 1)
    return shown


def _across(
    points: NDArray[np.float64],
    slopes: NDArray[np.float64],
    shifts: list[tuple[float, NDArray[np.float64]]],
    errors: NDArray[np.float64],
    solution: Solution,
    edge_sd: float,
    *,
    is_hole: bool,
) -> NDArray[np.float64]:
    """Half width of the 90 % interval across a contour: cameras, the photos' disagreement and the edge's own."""
    normal = off_metal(points, is_hole=is_hole)
    from_cameras = across_sd(place_covariance(slopes, solution.pose_covariance), normal)
    for share, moved in shifts:
        from_cameras = np.hypot(from_cameras, np.sqrt(share) * (moved * normal).sum(1))
    own = float(np.nanmedian(errors)) if np.isfinite(errors).any() else BIAS_MM
    return _Z90 * np.sqrt(from_cameras**2 + own**2 + edge_sd**2)


def _n_clear(edges: EdgeSet, solution: Solution, circle: NDArray[np.float64]) -> int:
    """Photos that show a circle clearly."""
    n = 0
    for camera, points, good in zip(solution.cameras, edges.points_px, edges.is_good, strict=True):
        away = np.hypot(*(camera.px_to_mm(points[good]) - circle[:2]).T) - circle[2]
        n += int((np.abs(away) < NEAR_MM).sum() >= LEAST_PLACES)
    return n


def _circle_row(
    label: str,
    circle: NDArray[np.float64],
    covariance: NDArray[np.float64],
    n_photos: int,
    seen_break_mm: float,
    edge_sd: float,
) -> dict[str, object]:
    """Centre and diameter with intervals."""
    diameter = 2 * (circle[2] - seen_break_mm)
    # The larger axis of the ellipse of errors, and what choosing the deepest edges moves a centre by.
    centre = float(np.linalg.eigvalsh(covariance[:2, :2])[-1])
    half = _Z90 * 2 * float(np.sqrt(covariance[2, 2] + edge_sd**2))
    return {
        "name": label,
        "x_mm": circle[0],
        "y_mm": circle[1],
        "centre_err_mm": _Z90 * float(np.sqrt(centre + BIAS_MM**2)),
        "diameter_mm": diameter,
        "diameter_low_mm": diameter - half,
        "diameter_high_mm": diameter + half,
        "n_photos": n_photos,
    }
