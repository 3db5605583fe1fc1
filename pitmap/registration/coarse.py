"""Hypotheses of where the plate lies, and the way from many rough ones to a few good ones.

Two generators. The quick one seeks the largest round opening of the drawing (on a rotary plate the shaft bore) as
an ellipse, densely over place, size and view; every good ellipse stands for two views of the plate and all turns of
it. The thorough one lays the whole plate on a smaller picture, at every place, size, view and turn. Each hypothesis
is scored with all drawn edges. Nothing is assumed of tone or colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing
from .edges import DrawnEdges, drawn_edges
from .evidence import EdgeField, edge_field, shrink
from .poses import Poses, exp_rotation, lie_beside, pull, score
from .templates import MOST_SAMPLES, ShapeMaps

__all__ = ["TYPICAL_HFOV_DEG", "Hypotheses", "focal_for", "round_openings", "search"]

TYPICAL_HFOV_DEG = 58.0
"""Along the long side of the frame; phones' main cameras lie between 40 and 75 deg (common practice)."""

_SEARCH_PX = 320
_PLATE_SEARCH_PX = 160
_VIEWS = ((0.0, 1), (22.0, 4), (32.0, 6), (41.0, 8), (49.0, 8))
"""Angle between line of sight and plate normal, deg, and how many directions of it are tried over 180 deg."""
_PLATE_VIEWS = ((0.0, 1), (25.0, 4), (40.0, 6))
_TURNS = 72
_PLATE_TURNS = 48
_N_PLATES = 400
_PLATE_REACH_PX = (14.0, 10.0, 7.0)
"""How far the edges may lie from a whole-plate pose: half a step of turn and of view, at the rim of the plate."""
_SIZE_STEP = 1.1
_SPAN = (0.35, 1.8)
"""Longest side of the plate over the long side of the frame."""
_AROUND = 24
_QUICK_ELLIPSES = 60
_THOROUGH_ELLIPSES = 400
_ZOOMS = ((0.8, 1.0), (1.0, 1.0), (1.3, 1.0), (1.0, 0.95), (1.0, 1.05))
"""Longer or shorter lens at the same size of the plate, and the plate nearer or farther."""
_LEANS = (0.08, 0.18)
_FAR_LEANS = (0.08, 0.18, 0.32)
"""How far to lean over from a good pose in search of a better one, rad."""
_N_BESIDE, _PLATE_BESIDE = 12, 0.55
"""So many rough poses beside the best one are looked at; one that meets this share of what the best one meets may be another
plate. Of two plates in one picture the other had 0.70 and more, of one plate nothing had more than 0.46."""
_SEED_SHARE = 0.05
"""A round opening is worth seeking as an ellipse when its radius is at least this share of the plate."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hypotheses:
    """Poses in order of falling score, for the small picture of the search; ``scale`` is its size over the photo's.

    ``beside`` is the best pose (a batch of one) of what may be another plate beside that of the first; None without one.
    """

    poses: Poses
    score: NDArray[np.float64]
    scale: float
    beside: Poses | None = None


def focal_for(size_wh: tuple[int, int], hfov_deg: float = TYPICAL_HFOV_DEG) -> float:
    """Focal length in px of a picture with this field of view along its long side."""
    return max(size_wh) / 2 / math.tan(math.radians(hfov_deg) / 2)


def round_openings(drawing: Drawing, tolerance: float = 0.02) -> list[tuple[float, float, float]]:
    """(x, y, radius) in mm of the openings that are circles, largest first."""
    out = []
    for opening in drawing.openings:
        xy = np.asarray(opening.polygon.exterior.coords)
        centre = np.asarray(opening.polygon.centroid.coords[0])
        r = np.hypot(*(xy - centre).T)
        # the corners of a square lie on a circle too: the area tells them apart
        filled = opening.polygon.area / (math.pi * r.mean() ** 2)
        if r.max() - r.min() < tolerance * r.mean() and abs(filled - 1) < 2 * tolerance:
            out.append((float(centre[0]), float(centre[1]), float(r.mean())))
    return sorted(out, key=lambda c: -c[2])


def _views(views: tuple[tuple[float, int], ...]) -> list[tuple[float, float]]:
    """Tilt and its direction, rad."""
    return [(math.radians(t), math.pi * k / n) for t, n in views for k in range(n)]


def _leaning(points: NDArray, normals: NDArray, tilt: float, azimuth: float) -> tuple[NDArray, NDArray]:
    """A flat shape (y down) and its edge normals, seen from afar with the plane leaning over."""
    c, s = math.cos(azimuth), math.sin(azimuth)
    turn = np.array([[c, s], [-s, c]])
    squeeze = math.cos(tilt)
    return points @ turn.T * [squeeze, 1] @ turn, normals @ turn.T * [1, squeeze] @ turn


def _sizes(field: EdgeField, span_mm: float, hint: float | None) -> NDArray:
    """px per mm to try."""
    if hint is not None:
        low, high = hint / 1.3, hint * 1.3
    else:
        low, high = (s * max(field.size_wh) / span_mm for s in _SPAN)
    return low * _SIZE_STEP ** np.arange(math.ceil(math.log(high / low) / math.log(_SIZE_STEP)) + 1)


def _ellipses(field: EdgeField, radius_mm: float, sizes: NDArray, n: int) -> NDArray:
    """The n best ellipses (n, 5): centre x, y in px, px per mm, tilt, direction of tilt."""
    per_size, per_place = 16, 4
    phi = 2 * np.pi * (np.arange(_AROUND) + 0.5) / _AROUND
    circle = np.stack([np.cos(phi), np.sin(phi)], -1)
    views = _views(_VIEWS)
    maps = ShapeMaps(field, sizes[-1] * radius_mm + 1)
    out = []
    for size in sizes:
        stack = np.empty((len(views), *maps.shape), np.int16)
        for k, view in enumerate(views):
            points, normals = _leaning(circle, circle, *view)
            stack[k] = maps(size * radius_mm * points, normals)
        best = stack.max(0)
        peak = np.nonzero((best >= cv2.dilate(best, np.ones((5, 5), np.uint8))).ravel())[0]
        places = peak[np.argsort(-best.ravel()[peak])[:per_size]]
        rows, cols = np.divmod(places, best.shape[1])
        at = stack.reshape(len(views), -1)[:, places]
        for v in np.argsort(-at, axis=0)[:per_place]:
            view = np.array(views)[v]
            value = at[v, np.arange(len(places))]
            size_column = np.full(len(v), size)
            out.append(np.stack([cols * maps.stride, rows * maps.stride, size_column, *view.T, value], -1))
    found = np.concatenate(out)
    return found[np.argsort(-found[:, 5])][:n, :5]


def _whole_plates(field: EdgeField, edges: DrawnEdges, middle_mm: NDArray, sizes: NDArray, n: int) -> NDArray:
    """The n best ways to lay the whole plate, (n, 6): as an ellipse about its middle, and the turn, rad."""
    some = edges.take(edges.length_mm > 0)
    some = some.take(np.arange(0, len(some.part), max(1, -(-len(some.part) // MOST_SAMPLES))))
    flip = np.array([1.0, -1.0])
    reach = np.hypot(*(some.points_mm - middle_mm).T).max()
    maps = ShapeMaps(field, sizes[-1] * reach + 1)
    out = []
    for turn in 2 * np.pi * np.arange(_PLATE_TURNS) / _PLATE_TURNS:
        c, s = math.cos(turn), math.sin(turn)
        spin = np.array([[c, s], [-s, c]])
        points, normals = (some.points_mm - middle_mm) @ spin * flip, some.normals @ spin * flip
        for view in _views(_PLATE_VIEWS):
            seen, facing = _leaning(points, normals, *view)
            for size in sizes:
                values = maps(size * seen, facing)
                at = int(values.argmax())
                row, col = divmod(at, values.shape[1])
                out.append((col * maps.stride, row * maps.stride, size, *view, turn, values[row, col]))
    found = np.array(out)
    return found[np.argsort(-found[:, 6])][:n, :6]


def _poses_of(
    ellipses: NDArray, turns: NDArray, centre_mm: NDArray, focal_px: float, centre_px: NDArray
) -> Poses:
    """Every ellipse (E, 5) seen from both of its sides, with its turns (E, T): 2 E T poses."""
    two = np.concatenate([ellipses, ellipses])
    two[len(ellipses) :, 4] += np.pi
    turns = np.concatenate([turns, turns])
    n_e, n_t = turns.shape
    ray = np.concatenate([(two[:, :2] - centre_px) / focal_px, np.ones((n_e, 1))], 1)
    # turn the optical axis to the line of sight, lean the plate over, lay it face up, spin it
    off = np.linalg.norm(ray[:, :2], axis=1)
    axis = np.stack([-ray[:, 1], ray[:, 0], np.zeros(n_e)], -1) / np.maximum(off, 1e-9)[:, None]
    to_ray = exp_rotation(axis * np.arctan(off)[:, None])
    lean = exp_rotation(np.stack([-np.sin(two[:, 4]), np.cos(two[:, 4]), np.zeros(n_e)], -1) * two[:, 3:4])
    flat = turns.ravel()
    spin = exp_rotation(np.stack([0 * flat, 0 * flat, flat], -1))
    rotation = np.repeat(to_ray @ lean @ np.diag([1.0, -1.0, -1.0]), n_t, axis=0) @ spin
    place = ray / np.linalg.norm(ray, axis=1)[:, None] * (focal_px / two[:, 2])[:, None]
    return Poses(
        rotation=rotation,
        shift_mm=np.repeat(place, n_t, axis=0) - rotation[:, :, :2] @ centre_mm,
        focal_px=np.full(len(flat), focal_px),
        centre_xy=(float(centre_px[0]), float(centre_px[1])),
    )


def _score_all(poses: Poses, edges: DrawnEdges, field: EdgeField, chunk: int = 2000) -> NDArray:
    rows = np.arange(len(poses))
    return np.concatenate(
        [score(poses.take(rows[k : k + chunk]), edges, field) for k in range(0, len(poses), chunk)]
    )


def _thin(edges: DrawnEdges, n: int) -> DrawnEdges:
    """About n of the samples, each part keeping its share."""
    return edges.take(np.arange(0, len(edges.part), max(1, len(edges.part) // n)))


def search(
    rgb: NDArray[np.uint8],
    drawing: Drawing,
    *,
    thorough: bool = False,
    keep: int = 12,
    px_hint: float | None = None,
    focal_px: float | None = None,
) -> Hypotheses:
    """Poses worth refining, best first.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    drawing : Drawing
    thorough : bool
        Also without the round opening, which may be covered; some seconds instead of one.
    keep : int
        How many to return at most.
    px_hint : float, optional
        Photo pixels per mm to within a quarter.
    focal_px : float, optional
        In photo pixels.
    """
    small, scale = shrink(rgb, _SEARCH_PX)
    field = edge_field(small)
    size_wh = field.size_wh
    centre = (np.array(size_wh) - 1) / 2
    focal = focal_for(size_wh) if focal_px is None else focal_px * scale
    hint = None if px_hint is None else px_hint * scale
    x_min, y_min, x_max, y_max = drawing.outline.bounds
    span = max(x_max - x_min, y_max - y_min)
    middle = np.array(drawing.outline.centroid.coords[0])
    edges = drawn_edges(drawing, span / 30)
    rough = []
    seeds = [c for c in round_openings(drawing)[:1] if c[2] > _SEED_SHARE * span]
    turns = 2 * np.pi * np.arange(_TURNS) / _TURNS
    for x, y, radius in seeds:
        n = _THOROUGH_ELLIPSES if thorough else _QUICK_ELLIPSES
        found = _ellipses(field, radius, _sizes(field, span, hint), n)
        rough.append(_poses_of(found, np.tile(turns, (len(found), 1)), np.array([x, y]), focal, centre))
    if thorough or not seeds:
        tiny, k = shrink(small, _PLATE_SEARCH_PX)
        sizes = _sizes(edge_field(tiny), span, None if hint is None else hint * k)
        found = _whole_plates(edge_field(tiny), edges, middle, sizes, _N_PLATES)
        found[:, :2] = (found[:, :2] + 0.5) / k - 0.5
        found[:, 2] /= k
        plates = _poses_of(found[:, :5], found[:, 5:], middle, focal, centre)
        # the steps of turn and view are coarse: unpulled, the right one of them meets no more than a wrong one
        thin = _thin(edges, 120)
        rough.append(pull(plates, thin, field, reach_px=_PLATE_REACH_PX, log_focal=math.log(focal)))
    poses = Poses.joined(rough)
    poses = poses.take(np.argsort(-_score_all(poses, _thin(edges, 60), field))[:2000])
    best = poses.take(np.argsort(-_score_all(poses, edges, field))[:80])
    leans = _FAR_LEANS if thorough else _LEANS
    most_likely = _sharpen(best, drawing, edges, field, focal, scale, keep, leans=leans)
    others = _beside(poses, most_likely.poses.take(np.arange(1)), edges, middle, field, math.log(focal))
    if not len(others):
        return most_likely
    other = _sharpen(others, drawing, edges, field, focal, scale, 1, leans=leans)
    return replace(most_likely, beside=other.poses)


def _beside(
    poses: Poses, first: Poses, edges: DrawnEdges, middle_mm: NDArray, field: EdgeField, log_focal: float
) -> Poses:
    """Of the rough poses, best first, those that may lay the drawing on another plate beside that of the `first` one."""
    plate_px, middle_px = first.project(edges.points_mm)[0], first.project(middle_mm[None])[0, 0]

    def beside(some: Poses) -> NDArray:
        return lie_beside(some.project(middle_mm[None])[:, 0], plate_px, middle_px)

    rough = poses.take(np.nonzero(beside(poses))[0][:_N_BESIDE])
    if not len(rough):
        return rough
    rough = pull(rough, edges, field, reach_px=(8, 8, 6, 5, 4, 3, 3), log_focal=log_focal)
    least = _PLATE_BESIDE * score(first, edges, field)[0]
    return rough.take(np.nonzero(beside(rough) & (score(rough, edges, field) > least))[0])


def _sharpen(
    poses: Poses,
    drawing: Drawing,
    edges: DrawnEdges,
    field: EdgeField,
    focal: float,
    scale: float,
    keep: int,
    leans: tuple[float, ...],
) -> Hypotheses:
    """Pull rough poses onto the edges, look around the best few, pull again."""
    long_side, log_focal = max(field.size_wh), math.log(focal)
    poses = pull(poses, edges, field, reach_px=(8, 8, 6, 5, 4), log_focal=log_focal)
    first = _distinct(
        poses, score(poses, edges, field), edges, apart_px=0.02 * long_side, keep=3 * len(leans) - 3
    )
    poses = _around(poses.take(first), np.array(drawing.outline.centroid.coords[0]), leans)
    poses = pull(poses, edges, field, reach_px=(4, 4, 3, 3), log_focal=log_focal)
    poses = poses.take(np.argsort(-score(poses, edges, field))[:40])
    x_min, y_min, x_max, y_max = drawing.outline.bounds
    fine = drawn_edges(drawing, max(x_max - x_min, y_max - y_min) / 60)
    poses = pull(poses, fine, field, reach_px=(3, 3, 2, 2), log_focal=log_focal)
    value = score(poses, fine, field)
    best = _distinct(poses, value, edges, apart_px=0.004 * long_side, keep=keep)
    return Hypotheses(poses=poses.take(best), score=value[best], scale=scale)


def _around(poses: Poses, middle_mm: NDArray, leans: tuple[float, ...]) -> Poses:
    """Every pose again, leaning over a little more in each direction, with another lens or another size.

    A plate's wall is as long an edge as the face itself, and a pose can settle on it on one side; the middle
    of the plate stays where it is.
    """
    angles = 2 * np.pi * np.arange(8) / 8
    lean = [np.zeros(3)] + [a * np.array([np.cos(t), np.sin(t), 0]) for a in leans for t in angles]
    turn = exp_rotation(np.array(lean))
    out = []
    for k in range(len(poses)):
        middle = poses.rotation[k][:, :2] @ middle_mm + poses.shift_mm[k]
        for longer, farther in _ZOOMS:
            rotation = turn @ poses.rotation[k]
            out.append(
                Poses(
                    rotation=rotation,
                    shift_mm=middle * farther * [1, 1, longer] - rotation[:, :, :2] @ middle_mm,
                    focal_px=np.full(len(turn), poses.focal_px[k] * longer),
                    centre_xy=poses.centre_xy,
                )
            )
    return Poses.joined(out)


def _distinct(poses: Poses, value: NDArray, edges: DrawnEdges, *, apart_px: float, keep: int) -> NDArray:
    """Rows of the best poses that lay the plate differently: root mean square over the samples above apart_px."""
    px = poses.project(edges.points_mm)
    chosen: list[int] = []
    for k in np.argsort(-value):
        if all(np.sqrt(((px[k] - px[j]) ** 2).sum(-1).mean()) > apart_px for j in chosen):
            chosen.append(int(k))
            if len(chosen) == keep:
                break
    return np.array(chosen, dtype=np.int64)
