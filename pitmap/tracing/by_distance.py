"""Trace from several photos and one known distance: cameras and face are found together."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import MeasurementError
from ..registration.camera import Camera, Lens, apply_homography
from ..units import in_both
from .bundle import Solution, solve_cameras
from .cameras import EdgeSet
from .chamfers import read_chamfers
from .contours import clearly_shown, measure_edges, metal_mask, usable_contours, vote
from .merge import draw_plane
from .photos import PhotoClicks, check_known, told_of
from .silhouette import again, check_around, find_silhouette
from .subpixel import EdgeLook, sharpen

__all__ = ["trace_by_distance"]

_CLEAR = 0.9
"""Share of a rim that every photo must show for a hole that segmentation missed (house choice)."""
_REACHES_MM = (2.4, 2.4, 1.6, 1.2)
"""How far from where an edge is expected it is looked for, round by round."""
_BAND_MM = 5.0
"""What the photos together have of the plate is off by less than this (house choice)."""


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


def _clear_rims(
    sets: list[EdgeSet], camera: Camera, voted: list[NDArray[np.float64]]
) -> list[NDArray[np.float64]]:
    """Round openings with a clear rim in every photo that the vote filled: a hole may show bench like the metal."""
    out = []
    for s in sets[1:]:
        rim = camera.px_to_mm(s.base_px)
        half = 0.5 * float(np.ptp(rim, axis=0).max())
        is_new = all(np.hypot(*(v.mean(0) - rim.mean(0))) > half for v in voted[1:])
        if s.is_round and is_new and min(g.mean() for g in s.is_good) > _CLEAR:
            out.append(rim)
    return out


def trace_by_distance(
    photos: Sequence[PhotoClicks], known: tuple[str, str, float] | None, edge: EdgeLook, thickness_mm: float
) -> tuple[list[EdgeSet], list[NDArray[np.float64]], list[NDArray[np.float64]], Solution]:
    """Edges, contours on the plane, the photos' disagreement across them, and the cameras.

    Raises
    ------
    MeasurementError
        The photos do not fit together.

    Notes
    -----
    Every photo is segmented; the contours of the first are carried into the others by the clicks and pulled onto
    the edges there. All cameras, lens terms and round holes are then solved together (:func:`solve_cameras`); the
    photos vote on outline and openings, each is segmented again with that known, and they vote again. The edges are
    then measured in ever narrower windows, a known chamfer with its light (:func:`read_chamfers`), and solved again.
    """
    names = check_known(photos, known)
    assert known is not None
    to_plane = _to_plane(photos[0], known)
    clicks_mm = apply_homography(to_plane, [photos[0].clicks_px[n] for n in names])

    def cut(k: int) -> list[NDArray[np.float64]]:
        with told_of(k + 1, len(photos)):
            return find_silhouette(photos[k].rgb, [photos[k].clicks_px[n] for n in names])

    with ThreadPoolExecutor() as pool:  # OpenCV lets go of the interpreter while it cuts
        silhouettes = list(pool.map(cut, range(len(photos))))
    plane = usable_contours([apply_homography(to_plane, c) for c in silhouettes[0]])
    sizes = [(p.rgb.shape[1], p.rgb.shape[0]) for p in photos]
    homographies = [np.linalg.inv(to_plane)] + [
        _first_homography(p, names, clicks_mm, plane) for p in photos[1:]
    ]
    cameras = [Camera(homography=np.asarray(h, np.float64), lens=Lens()) for h in homographies]
    start, is_round, poses = None, None, None
    for step, reach in enumerate(_REACHES_MM):
        sets = measure_edges(photos, plane, cameras, reach, edge, is_round)
        if poses is not None and step >= 2 and edge.break_mm > 0:
            read_chamfers(sets, photos, poses, edge.break_mm, edge.raw_blur_px, thickness_mm)
        if step < 2:
            sets = clearly_shown(sets, min)
            pair = _pair(sets, photos[0], known)
        is_round = [s.is_round for s in sets] if step else None
        is_last = step + 1 == len(_REACHES_MM)
        focals = [p.focal_px for p in photos]
        solution, start = solve_cameras(sets, sizes, pair, start, focals, is_last=is_last)
        cameras, poses = solution.cameras, solution.poses
        if step == 0:
            # One photo alone takes a shadow or a rusty ear for bench; the majority does not.
            masks = [metal_mask(p, s) for p, s in zip(photos, silhouettes, strict=True)]
            voted = vote(masks, cameras, cameras[0].px_to_mm(sets[0].base_px))
            check_around(voted[0], cameras[0].px_to_mm([photos[0].clicks_px[n] for n in names]))
            rings = [[c.mm_to_px(v) for v in voted] for c in cameras]
            band = [_BAND_MM * float(np.median(c.px_per_mm(voted[0]))) for c in cameras]
            with ThreadPoolExecutor() as pool:
                masks = list(pool.map(again, [p.rgb for p in photos], masks, rings, band))
            voted = vote(masks, cameras, voted[0])
            plane = usable_contours([*voted, *_clear_rims(sets, cameras[0], voted)])
            continue
        plane, errors, _ = draw_plane(sets, cameras, solution.circles)
    if not solution.rms_mm < 0.4:
        raise MeasurementError(
            f"the photos do not fit together ({in_both(round(solution.rms_mm, 2), 'mm')}); are the clicks on the same holes?"
        )
    return sets, plane, errors, solution
