"""Hypotheses of where the plate lies: a round opening found as an ellipse, then every way round it can lie.

The largest round opening of the drawing (on a rotary plate the shaft bore) is sought densely over place, size
and view; every good ellipse stands for two views of the plate and all rotations of it, and each of these is
scored with all drawn edges. Nothing is assumed of tone or colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing
from .edges import DrawnEdges, drawn_edges
from .evidence import N_DIRECTIONS, EdgeField, edge_field, shrink
from .poses import Poses, exp_rotation, pull, score

__all__ = ["TYPICAL_HFOV_DEG", "Hypotheses", "focal_for", "round_openings", "search"]

TYPICAL_HFOV_DEG = 58.0
"""Along the long side of the frame; phones' main cameras lie between 40 and 75 deg (common practice)."""

_SEARCH_PX = 320
_VIEWS = ((0.0, 1), (22.0, 4), (32.0, 6), (41.0, 8), (49.0, 8))
"""Angle between line of sight and plate normal, deg, and how many directions of it are tried over 180 deg."""
_TURNS = 72
_SIZE_STEP = 1.1
_SPAN = (0.35, 1.8)
"""Longest side of the plate over the long side of the frame."""
_STRIDE = 2
_AROUND = 24
"""Samples round an ellipse; their sum of thousandths must fit into 16 bits."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hypotheses:
    """Poses in order of falling score, for the small picture of the search; ``scale`` is its size over the photo's."""

    poses: Poses
    score: NDArray[np.float64]
    scale: float
    field: EdgeField


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
        if r.max() - r.min() < tolerance * r.mean():
            out.append((float(centre[0]), float(centre[1]), float(r.mean())))
    return sorted(out, key=lambda c: -c[2])


def _views() -> NDArray:
    """(V, 2): tilt and its direction, rad."""
    return np.array([(math.radians(t), math.pi * k / n) for t, n in _VIEWS for k in range(n)])


class _EllipseMaps:
    """Scores of an ellipse centred at every stride-th pixel, by adding shifted maps (whole rows at a time)."""

    def __init__(self, field: EdgeField, pad: int) -> None:
        w, h = field.size_wh
        self.pad = pad + pad % _STRIDE
        self.shape = -(-h // _STRIDE), -(-w // _STRIDE)
        thousandths = np.rint(field.gain * 1000).astype(np.int16)
        extra = self.pad + _STRIDE
        padded = np.pad(thousandths, ((0, 0), (self.pad, extra), (self.pad, extra)))
        self.phase = [
            [np.ascontiguousarray(padded[:, r::_STRIDE, q::_STRIDE]) for q in range(_STRIDE)]
            for r in range(_STRIDE)
        ]

    def __call__(self, radius_px: float, tilt: float, azimuth: float) -> NDArray[np.int16]:
        phi = 2 * np.pi * (np.arange(_AROUND) + 0.5) / _AROUND
        c, s = math.cos(azimuth), math.sin(azimuth)
        squeeze = math.cos(tilt)
        u, v = np.cos(phi) * squeeze, np.sin(phi)
        x = np.rint(radius_px * (c * u - s * v)).astype(int) + self.pad
        y = np.rint(radius_px * (s * u + c * v)).astype(int) + self.pad
        nu, nv = np.cos(phi), np.sin(phi) * squeeze
        direction = np.arctan2(s * nu + c * nv, c * nu - s * nv) * (N_DIRECTIONS / np.pi)
        direction = np.rint(direction).astype(int) % N_DIRECTIONS
        h, w = self.shape
        total = np.zeros(self.shape, np.int16)
        for q, r, d in zip(x, y, direction):
            i, j = r // _STRIDE, q // _STRIDE
            total += self.phase[r % _STRIDE][q % _STRIDE][d, i : i + h, j : j + w]
        return total


def _ellipses(
    field: EdgeField, radius_mm: float, span_mm: float, hint: float | None, per_size: int, per_place: int
) -> NDArray:
    """Good ellipses (E, 5): centre x, y in px, px per mm, tilt, direction of tilt."""
    w, h = field.size_wh
    sizes = []
    smallest, largest = (
        ((s * max(w, h) / span_mm) for s in _SPAN) if hint is None else (hint / 1.3, hint * 1.3)
    )
    size = smallest
    while size < largest:
        sizes.append(size)
        size *= _SIZE_STEP
    views = _views()
    score_map = _EllipseMaps(field, math.ceil(sizes[-1] * radius_mm) + 2)
    out = []
    for size in sizes:
        maps = np.stack([score_map(size * radius_mm, t, a) for t, a in views])
        best = maps.max(0)
        peak = (best >= cv2.dilate(best, np.ones((5, 5), np.uint8))).ravel()
        places = np.nonzero(peak)[0]
        places = places[np.argsort(-best.ravel()[places])[:per_size]]
        at = maps.reshape(len(views), -1)[:, places]
        order = np.argsort(-at, axis=0)[:per_place]
        rows, cols = np.divmod(places, best.shape[1])
        for k in range(len(order)):
            v = order[k]
            value = at[v, np.arange(len(places))]
            out.append(
                np.stack(
                    [cols * _STRIDE, rows * _STRIDE, np.full(len(v), size), views[v, 0], views[v, 1], value],
                    -1,
                )
            )
    found = np.concatenate(out)
    return found[np.argsort(-found[:, 5])]


def _poses_of(
    ellipses: NDArray, turns: NDArray, centre_mm: NDArray, focal_px: float, centre_px: tuple[float, float]
) -> Poses:
    """Every ellipse seen from both of its sides, with every turn of the plate."""
    two = np.concatenate([ellipses, ellipses])
    two[len(ellipses) :, 4] += np.pi
    n_e, n_t = len(two), len(turns)
    ray = np.concatenate([(two[:, :2] - centre_px) / focal_px, np.ones((n_e, 1))], 1)
    # turn the optical axis to the line of sight, lean the plate over, lay it face up, spin it
    off = np.linalg.norm(ray[:, :2], axis=1)
    axis = np.stack([-ray[:, 1], ray[:, 0], np.zeros(n_e)], -1) / np.maximum(off, 1e-9)[:, None]
    to_ray = exp_rotation(axis * np.arctan(off)[:, None])
    lean = exp_rotation(np.stack([-np.sin(two[:, 4]), np.cos(two[:, 4]), np.zeros(n_e)], -1) * two[:, 3:4])
    spin = exp_rotation(np.stack([np.zeros(n_t), np.zeros(n_t), turns], -1))
    base = to_ray @ lean @ np.diag([1.0, -1.0, -1.0])
    rotation = (base[:, None] @ spin[None]).reshape(-1, 3, 3)
    distance = focal_px / two[:, 2]
    place = ray / np.linalg.norm(ray, axis=1)[:, None] * distance[:, None]
    shift = np.repeat(place, n_t, axis=0) - rotation[:, :, :2] @ centre_mm
    return Poses(
        rotation=rotation, shift_mm=shift, focal_px=np.full(n_e * n_t, focal_px), centre_xy=centre_px
    )


def _score_all(poses: Poses, edges: DrawnEdges, field: EdgeField, chunk: int = 4000) -> NDArray:
    return np.concatenate(
        [
            score(poses.take(np.arange(k, min(k + chunk, len(poses)))), edges, field)
            for k in range(0, len(poses), chunk)
        ]
    )


def _thin(edges: DrawnEdges, n: int) -> DrawnEdges:
    """About n of the samples, each part keeping its share."""
    return edges.take(np.arange(0, len(edges.part), max(1, len(edges.part) // n)))


def search(
    rgb: NDArray[np.uint8],
    drawing: Drawing,
    *,
    keep: int = 12,
    px_hint: float | None = None,
    focal_px: float | None = None,
) -> Hypotheses:
    """Poses worth refining.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    drawing : Drawing
    keep : int
        How many to return at most.
    px_hint : float, optional
        Photo pixels per mm to within a quarter.
    focal_px : float, optional
        In photo pixels.
    """
    small, scale = shrink(rgb, _SEARCH_PX)
    field = edge_field(small, tolerance_px=2.0)
    w, h = field.size_wh
    centre = ((w - 1) / 2, (h - 1) / 2)
    focal = focal_for((w, h)) if focal_px is None else focal_px * scale
    hint = None if px_hint is None else px_hint * scale
    x_min, y_min, x_max, y_max = drawing.outline.bounds
    span = max(x_max - x_min, y_max - y_min)
    coarse = drawn_edges(drawing, span / 30)
    turns = 2 * np.pi * np.arange(_TURNS) / _TURNS
    (cx, cy, radius), *_ = round_openings(drawing)
    found = _ellipses(field, radius, span, hint, per_size=16, per_place=4)[:400]
    poses = _poses_of(found[:, :5], turns, np.array([cx, cy]), focal, centre)
    poses = poses.take(np.argsort(-_score_all(poses, _thin(coarse, 60), field))[:3000])
    value = _score_all(poses, coarse, field)
    best = np.argsort(-value)[:120]
    poses = poses.take(best)
    poses = pull(poses, coarse, field, reach_px=(8, 8, 6, 6, 4, 4), log_focal=math.log(focal))
    value = score(poses, coarse, field)
    first = _distinct(poses, value, edges=coarse, apart_px=0.04 * max(w, h), keep=4)
    poses = _around(poses.take(first), np.array(drawing.outline.centroid.coords[0]))
    poses = pull(poses, coarse, field, reach_px=(4, 4, 3, 3), log_focal=math.log(focal))
    value = score(poses, coarse, field)
    poses = poses.take(np.argsort(-value)[:60])
    fine = drawn_edges(drawing, span / 90)
    poses = pull(poses, fine, field, reach_px=(3, 3, 2, 2, 2), log_focal=math.log(focal))
    value = score(poses, fine, field)
    best = _distinct(poses, value, edges=coarse, apart_px=0.004 * max(w, h), keep=keep)
    return Hypotheses(poses=poses.take(best), score=value[best], scale=scale, field=field)


def _around(poses: Poses, middle_mm: NDArray) -> Poses:
    """Every pose again, leaning over a little more in each direction, with a longer and a shorter lens.

    A plate's wall is as long an edge as the face itself, and a pose can settle on it on one side; the middle
    of the plate stays where it is.
    """
    angles = 2 * np.pi * np.arange(8) / 8
    lean = [np.zeros(3)] + [a * np.array([np.cos(t), np.sin(t), 0]) for a in (0.08, 0.18) for t in angles]
    turn = exp_rotation(np.array(lean))
    rotation, shift, focal = [], [], []
    for k in range(len(poses)):
        middle = poses.rotation[k][:, :2] @ middle_mm + poses.shift_mm[k]
        for longer in (0.8, 1.0, 1.3):
            at = middle * np.array([1, 1, longer])
            r = turn @ poses.rotation[k]
            rotation.append(r)
            shift.append(at - r[:, :, :2] @ middle_mm)
            focal.append(np.full(len(turn), poses.focal_px[k] * longer))
    return Poses(
        rotation=np.concatenate(rotation),
        shift_mm=np.concatenate(shift),
        focal_px=np.concatenate(focal),
        centre_xy=poses.centre_xy,
    )


def _distinct(poses: Poses, value: NDArray, *, edges: DrawnEdges, apart_px: float, keep: int) -> NDArray:
    """Rows of the best poses that lay the plate differently: root mean square over the samples above apart_px."""
    px = poses.project(edges.points_mm)
    chosen: list[int] = []
    for k in np.argsort(-value):
        if all(np.sqrt(((px[k] - px[j]) ** 2).sum(-1).mean()) > apart_px for j in chosen):
            chosen.append(int(k))
            if len(chosen) == keep:
                break
    return np.array(chosen)
