"""A drawing of a plate from a few photos and one known distance."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from ..drawing import Drawing, Opening, make_zones
from ..errors import InputError, MeasurementError, NotEnoughData
from ..registration.camera import Camera, apply_homography
from ..tables import Column, Schema
from .cameras import EdgeSet, Solution, fit_circle, solve_cameras
from .silhouette import find_silhouette
from .subpixel import even_points, sharpen

__all__ = ["CIRCLES", "PhotoClicks", "Trace", "trace_plate"]

_STEP_MM = 0.8
_ROUND_MM = 0.15
"""Openings that a circle fits this well are round (house choice: a drilled or bored hole)."""
_LEAST_MM = 3.0
"""Smaller marks inside the outline are pits and stains, not openings (house choice)."""
_EDGE_MM = 0.06
"""What the place of an edge is uncertain by whatever the number of photos: light on the broken edge."""
_Z90 = 1.6449
_NEAR_MM = 0.5
_LEAST_PLACES = 12
_DIRECTIONS = np.linspace(-np.pi, np.pi, 48, endpoint=False)

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
class PhotoClicks:
    """A photo and where the user clicked on it.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    clicks_px : mapping of str to (x, y)
        Hole centres by a name that is the same in every photo; at least four, well apart. Within about a
        millimetre is enough: the hole is measured, not the click.
    """

    rgb: NDArray[np.uint8]
    clicks_px: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A traced plate.

    Parameters
    ----------
    drawing : Drawing
        Outline and openings; the whole face is rim until a bore trace is fitted. Origin at the first hole of
        the known distance, x axis towards the second.
    circles : DataFrame
        :data:`CIRCLES`.
    cameras : tuple of Camera
        One for each photo, for looking at the drawing over the photos.
    spread_mm : float
        Robust spread of the edges about the drawing.
    outline_err_mm : float
        Median half width of the 90 % interval across the outline, from the photos' disagreement.
    notes : tuple of str
        What was corrected or left out.
    """

    drawing: Drawing
    circles: pd.DataFrame
    cameras: tuple[Camera, ...]
    spread_mm: float
    outline_err_mm: float
    notes: tuple[str, ...]


def _check(photos: Sequence[PhotoClicks], known: tuple[str, str, float]) -> list[str]:
    if len(photos) < 2:
        raise NotEnoughData(
            "one photo and a distance leave the tilt open; take two or three from different sides"
        )
    names = [n for n in photos[0].clicks_px if all(n in p.clicks_px for p in photos)]
    if len(names) < 4:
        raise NotEnoughData(
            f"{len(names)} holes are clicked in every photo; click the same four or more in each"
        )
    a, b, distance = known
    if a not in names or b not in names or a == b:
        raise InputError(f"known distance: {a!r} and {b!r} must be two holes clicked in every photo")
    if not (math.isfinite(distance) and distance > 0):
        raise InputError(f"known distance: expected mm above 0, got {distance!r}")
    return names


def _to_plane(photo: PhotoClicks, known: tuple[str, str, float]) -> NDArray[np.float64]:
    """Similarity from the first photo to a first guess of the face's plane, y up."""
    a, b = (np.asarray(photo.clicks_px[k], float) * [1, -1] for k in known[:2])
    k = complex(*(b - a))
    turn = known[2] / k
    c, s = turn.real, turn.imag
    flip = np.array([[c, s, 0.0], [s, -c, 0.0], [0, 0, 1.0]])
    flip[:2, 2] = -(np.array([[c, -s], [s, c]]) @ a)
    return flip


def _local_scale(homography: NDArray[np.float64], points: NDArray[np.float64]) -> float:
    step = 0.5
    m = points.mean(0)
    x = apply_homography(homography, [m + [step, 0], m - [step, 0], m + [0, step], m - [0, step]])
    dx, dy = x[0] - x[1], x[2] - x[3]
    return float(np.sqrt(abs(dx[0] * dy[1] - dx[1] * dy[0])) / (2 * step))


def _first_homography(
    photo: PhotoClicks, names: list[str], clicks_mm: NDArray[np.float64], contours: list[NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Plane to photo: from the clicks, then pulled onto the edges from far to near."""
    target = np.array([photo.clicks_px[n] for n in names], float)
    h, _ = cv2.findHomography(clicks_mm, target)
    for reach in (6.0, 4.0, 3.0):
        source, found = [], []
        for k, c in enumerate(contours):
            if k and np.ptp(c, axis=0).min() < 2.5 * reach:
                continue
            points, good = sharpen(
                photo.rgb, apply_homography(h, c), _local_scale(h, c), is_hole=k > 0, reach_mm=reach
            )
            source.append(c[good])
            found.append(points[good])
        thr = reach / 3 * _local_scale(h, contours[0])
        new, _ = cv2.findHomography(np.concatenate(source), np.concatenate(found), cv2.RANSAC, thr)
        if new is not None:
            h = new
    return h


def _is_round(points: NDArray[np.float64]) -> bool:
    """Round but for perspective: an ellipse fits it, and it is nearly as wide as long."""
    (cx, cy), (w, h), turn = cv2.fitEllipse(points.astype(np.float32))
    if min(w, h) < 0.8 * max(w, h):
        return False
    t = np.radians(turn)
    local = (points - [cx, cy]) @ np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    off = (np.hypot(local[:, 0] / (w / 2), local[:, 1] / (h / 2)) - 1) * (w + h) / 4
    return float(np.median(np.abs(off))) * 1.4826 < _ROUND_MM


def _measure(
    photos: Sequence[PhotoClicks],
    plane: list[NDArray[np.float64]],
    homographies: list[NDArray[np.float64]],
    solution: Solution | None,
    reach_mm: float,
    is_round: list[bool] | None,
) -> list[EdgeSet]:
    """Every contour in every photo, sharpened."""
    sets = []
    for k, c in enumerate(plane):
        points, good = [], []
        for i, photo in enumerate(photos):
            if solution is None:
                base, scale = apply_homography(homographies[i], c), _local_scale(homographies[i], c)
            else:
                base = solution.cameras[i].mm_to_px(c)
                scale = float(np.median(solution.cameras[i].px_per_mm(c)))
            p, g = sharpen(photo.rgb, base, scale, is_hole=k > 0, reach_mm=reach_mm)
            points.append(p)
            good.append(g)
            if i == 0:
                base_px = base
        if is_round is None:
            # A shadow may spoil the rim in one photo; one clear view of a circle is enough.
            back = [apply_homography(np.linalg.inv(h), p[g]) for h, p, g in zip(homographies, points, good)]
            flag = k > 0 and any(len(p) >= _LEAST_PLACES and _is_round(p) for p in back)
        else:
            flag = is_round[k]
        sets.append(EdgeSet(is_round=flag, points_px=points, is_good=good, plane=c, base_px=base_px))
    return sets


def _pair(sets: list[EdgeSet], photo: PhotoClicks, known: tuple[str, str, float]) -> tuple[int, int, float]:
    """The edge sets of the two holes whose distance is known."""
    found = []
    for name in known[:2]:
        click = np.asarray(photo.clicks_px[name], float)
        away = [float(np.hypot(*(s.base_px.mean(0) - click))) for s in sets]
        k = 1 + int(np.argmin(away[1:])) if len(sets) > 1 else 0
        size = float(np.ptp(sets[k].base_px, axis=0).min()) / 2
        if k == 0 or away[k] > size:
            raise MeasurementError(f"no opening was found at the click on {name!r} in the first photo")
        if not sets[k].is_round:
            raise MeasurementError(f"the opening at {name!r} is not round; take two drilled holes")
        found.append(k)
    return found[0], found[1], known[2]


def _area(points: NDArray[np.float64]) -> float:
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def _inner_circle(edges: EdgeSet, solution: Solution, circle: NDArray[np.float64]) -> NDArray[np.float64]:
    """The circle through the edges that lie deepest in the metal, direction by direction, of all photos.

    On the side of a hole that faces the light its broken edge is as bright as the face, and the metal seems to
    reach further; another photo, lit from elsewhere, shows where the face ends.
    """
    radius = []
    for camera, points, good in zip(solution.cameras, edges.points_px, edges.is_good):
        away = camera.px_to_mm(points[good]) - circle[:2]
        r = np.hypot(away[:, 0], away[:, 1])
        near = np.abs(r - circle[2]) < _NEAR_MM
        if near.sum() < _LEAST_PLACES:
            continue
        turn = np.arctan2(away[near, 1], away[near, 0])
        order = np.argsort(turn)
        radius.append(np.interp(_DIRECTIONS, turn[order], _smooth(r[near][order]), period=2 * np.pi))
    if not radius:
        return circle
    deepest = np.max(radius, axis=0)
    shown = circle[:2] + deepest[:, None] * np.stack([np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)], -1)
    return fit_circle(shown)


def _merge(
    sets: list[EdgeSet], solution: Solution
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Each contour on the plane by all photos, and the photos' disagreement across it (N,) each."""
    out, errors = [], []
    for k, s in enumerate(sets):
        # Normals point to the right of travel: off the metal round the outline when that is drawn to the left.
        off_metal = 1.0 if (_area(s.plane) > 0) == (k == 0) else -1.0
        back = np.stack([cam.px_to_mm(p) for cam, p in zip(solution.cameras, s.points_px)])
        along = np.roll(s.plane, -1, 0) - np.roll(s.plane, 1, 0)
        normal = np.stack([along[:, 1], -along[:, 0]], -1) / np.hypot(*along.T)[:, None]
        across = ((back - s.plane) * normal).sum(-1)
        across[~np.stack(s.is_good)] = np.nan
        n_seen = np.isfinite(across).sum(0)
        with_any = np.where(n_seen > 0, across, 0.0)
        middle = np.nanmedian(with_any, 0)
        if k:
            # In openings the deepest edge counts, as in _inner_circle, unless it is far from the others.
            off = across * off_metal
            deepest = np.nanmin(np.where(np.abs(across - middle) < _NEAR_MM, off, np.inf), 0)
            middle = np.where(np.isfinite(deepest), deepest * off_metal, middle)
        spread = np.nanmedian(np.abs(with_any - middle), 0) * 1.4826 / np.sqrt(np.maximum(n_seen, 1))
        # Places that no photo shows are carried over from their neighbours.
        seen = np.flatnonzero(n_seen > 0)
        if len(seen) < 8:
            out.append(s.plane)
            errors.append(np.full(len(s.plane), np.nan))
            continue
        n = len(s.plane)
        middle = np.interp(np.arange(n), seen, middle[seen], period=n)
        out.append(s.plane + _smooth(middle)[:, None] * normal)
        errors.append(np.where(n_seen > 1, spread, np.nan))
    return out, errors


def _smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median of seven, then a short running mean: one bad profile moves nothing."""
    n = len(values)
    window = np.stack([np.roll(values, k) for k in range(-3, 4)])
    steady = np.median(window, 0)
    kernel = np.array([1, 2, 3, 2, 1.0]) / 9
    return np.convolve(np.r_[steady[-2:], steady, steady[:2]], kernel, "valid")[:n]


def _polygon(points: NDArray[np.float64]) -> Polygon:
    shape = Polygon(points)
    return (
        shape
        if shape.is_valid
        else max(getattr(shape.buffer(0), "geoms", [shape.buffer(0)]), key=lambda g: g.area)
    )


def trace_plate(
    photos: Sequence[PhotoClicks],
    known: tuple[str, str, float],
    *,
    name: str = "traced plate",
    thickness_mm: float = math.nan,
    edge_break_mm: float = 0.0,
) -> Trace:
    """Draw a plate from a few photos of it.

    Parameters
    ----------
    photos : sequence of PhotoClicks
        Two or more, best three: the first square-on and sharp, the others tilted by 10 to 30 degrees.
    known : (str, str, float)
        Two clicked round holes and the true distance of their centres, mm.
    name : str
    thickness_mm : float
        For the drawing only.
    edge_break_mm : float
        Width of the chamfer that breaks every edge. The metal seen ends that much before the drawn edge, so
        the outline is grown by it and the openings are shrunk by it. 0 draws the flat face as it is seen.

    Returns
    -------
    Trace

    Raises
    ------
    NotEnoughData
        Fewer than two photos or four common clicks.
    InputError
        A known distance that is none.
    MeasurementError
        The plate does not stand out from the bench, a hole of the known distance was not found or is not
        round, or the photos do not fit together.

    Notes
    -----
    The first photo is segmented; its contours are carried into the others by the clicks and pulled onto the
    edges there. All cameras, lens terms and round holes are then solved together (:func:`solve_cameras`), the
    edges measured again in narrow windows, and solved again.
    """
    names = _check(photos, known)
    to_plane = _to_plane(photos[0], known)
    clicks_mm = apply_homography(to_plane, [photos[0].clicks_px[n] for n in names])
    contours = find_silhouette(photos[0].rgb, [photos[0].clicks_px[n] for n in names])
    plane = []
    for k, contour in enumerate(contours):
        c = apply_homography(to_plane, contour)
        if k and (np.ptp(c, axis=0).min() < _LEAST_MM or len(c) < 8):
            continue
        plane.append(even_points(c, _STEP_MM, 1.2))
    sizes = [(p.rgb.shape[1], p.rgb.shape[0]) for p in photos]
    homographies = [np.linalg.inv(to_plane)] + [
        _first_homography(p, names, clicks_mm, plane) for p in photos[1:]
    ]
    start, round_before = None, None
    reaches = (2.4, 1.6, 1.2)
    solution: Solution | None = None
    errors: list[NDArray[np.float64]] = []
    for reach in reaches:
        sets = _measure(photos, plane, homographies, solution, reach, round_before)
        if solution is None:
            keep = [0, *(k for k in range(1, len(sets)) if min(g.mean() for g in sets[k].is_good) > 0.6)]
            sets, plane = [sets[k] for k in keep], [plane[k] for k in keep]
        round_before = [s.is_round for s in sets]
        if solution is None:
            pair = _pair(sets, photos[0], known)
        solution, start = solve_cameras(sets, sizes, pair, start)
        for s in sets:
            s.plane = solution.cameras[0].px_to_mm(s.base_px)
        plane, errors = _merge(sets, solution)
        for k in solution.circles:
            solution.circles[k] = c = _inner_circle(sets[k], solution, solution.circles[k])
            t = np.linspace(0, 2 * np.pi, max(24, round(2 * np.pi * c[2] / _STEP_MM)), endpoint=False)
            direction = 1 if _area(plane[k]) > 0 else -1
            plane[k] = c[:2] + c[2] * np.stack([np.cos(direction * t), np.sin(direction * t)], -1)
    assert solution is not None
    if not solution.rms_mm < 0.4:
        raise MeasurementError(
            f"the photos do not fit together ({solution.rms_mm:.2f} mm); are the clicks on the same holes?"
        )
    return _result(sets, plane, errors, solution, name, thickness_mm, edge_break_mm)


def _result(
    sets: list[EdgeSet],
    plane: list[NDArray[np.float64]],
    errors: list[NDArray[np.float64]],
    solution: Solution,
    name: str,
    thickness_mm: float,
    edge_break_mm: float,
) -> Trace:
    outline = _polygon(plane[0]).buffer(edge_break_mm, quad_segs=16).simplify(0.005)
    openings, rows, notes = [], [], []
    for k in range(1, len(sets)):
        label = f"{'hole' if sets[k].is_round else 'opening'}_{len(openings) + 1:02d}"
        if sets[k].is_round:
            c = solution.circles[k]
            shape = shapely.Point(c[0], c[1]).buffer(c[2] - edge_break_mm, quad_segs=48)
            rows.append(_circle_row(label, sets[k], c, solution, edge_break_mm))
        else:
            shape = _polygon(plane[k]).buffer(-edge_break_mm, quad_segs=16).simplify(0.005)
        if not isinstance(shape, Polygon) or shape.is_empty or not outline.contains(shape):
            notes.append(
                f"a mark near x {plane[k][:, 0].mean():.1f}, y {plane[k][:, 1].mean():.1f} mm was left out"
            )
            continue
        openings.append(Opening(name=label, kind="other", polygon=Polygon(shape.exterior)))
    kept = {o.name for o in openings}
    if edge_break_mm:
        notes.append(f"edges were moved by their chamfer of {edge_break_mm:g} mm: outline out, openings in")
    drawing = Drawing(
        name=name,
        thickness_mm=thickness_mm,
        outline=Polygon(outline.exterior),
        openings=tuple(openings),
        zones=make_zones(Polygon(outline.exterior), openings, None, None),
    )
    return Trace(
        drawing=drawing,
        circles=CIRCLES.frame(row for row in rows if row["name"] in kept),
        cameras=tuple(solution.cameras),
        spread_mm=solution.rms_mm,
        outline_err_mm=_Z90 * float(np.hypot(np.nanmedian(errors[0]), _EDGE_MM)),
        notes=tuple(notes),
    )


def _circle_row(
    label: str, edges: EdgeSet, circle: NDArray[np.float64], solution: Solution, edge_break_mm: float
) -> dict[str, object]:
    """Centre and diameter with intervals from how far the photos disagree."""
    each = []
    for camera, points, good in zip(solution.cameras, edges.points_px, edges.is_good):
        p = camera.px_to_mm(points[good])
        near = np.abs(np.hypot(*(p - circle[:2]).T) - circle[2]) < _NEAR_MM
        if near.sum() >= _LEAST_PLACES:
            each.append(fit_circle(p[near]))
    n = len(each)
    spread = np.std(each, axis=0, ddof=1) / math.sqrt(n) if n > 1 else np.full(3, 0.1)
    diameter = 2 * (circle[2] - edge_break_mm)
    half = _Z90 * 2 * float(np.hypot(spread[2], _EDGE_MM))
    return {
        "name": label,
        "x_mm": circle[0],
        "y_mm": circle[1],
        "centre_err_mm": _Z90 * float(np.hypot(max(spread[0], spread[1]), _EDGE_MM / 2)),
        "diameter_mm": diameter,
        "diameter_low_mm": diameter - half,
        "diameter_high_mm": diameter + half,
        "n_photos": n,
    }
