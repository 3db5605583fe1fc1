"""A drawing of a plate from a few photos and one known distance."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, MeasurementError, NotEnoughData
from ..grid import Grid
from ..registration.camera import Camera, Lens, apply_homography
from .cameras import EdgeSet, solve_cameras
from .merge import LEAST_PLACES, inner_circle, merge_contours, signed_area
from .result import Trace, make_trace
from .silhouette import find_silhouette
from .subpixel import BROKEN_LEVEL, SHARP_LEVEL, even_points, sharpen

__all__ = ["PhotoClicks", "trace_plate"]

_STEP_MM = 0.8
_ROUND_MM = 0.15
"""Openings that a circle fits this well are round (house choice: a drilled or bored hole)."""
_LEAST_MM = 3.0
"""Smaller marks inside the outline are pits and stains, not openings (house choice)."""
"""What the place of an edge is uncertain by whatever the number of photos: light on the broken edge."""
_Z90 = 1.6449
_ROOM_MM = 10.0
_VOTE_PX_PER_MM = 3.0
_LEAST_SHOWN = 0.6
"""Share of a contour's places that every photo must show clearly; less is a mark, not an opening."""


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


def _usable(contours: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """The outline and every opening that is large enough, evenly sampled, mm."""
    large = [c for k, c in enumerate(contours) if k == 0 or (len(c) >= 8 and np.ptp(c, 0).min() >= _LEAST_MM)]
    return [even_points(c, _STEP_MM, 1.2) for c in large]


def _mask(photo: PhotoClicks, contours: list[NDArray[np.float64]]) -> NDArray[np.uint8]:
    """1 on the metal, as segmented, photo pixels."""
    mask = np.zeros(photo.rgb.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(contours[0]).astype(np.int32)], 1)
    for c in contours[1:]:
        cv2.fillPoly(mask, [np.round(c).astype(np.int32)], 0)
    return mask


def _vote(
    masks: list[NDArray[np.uint8]], cameras: Sequence[Camera], outline: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    """Outline and openings on the plane where most photos show metal, the first deciding a draw."""
    low, high = outline.min(0) - _ROOM_MM, outline.max(0) + _ROOM_MM
    grid = Grid.over_bounds((*low, *high), _VOTE_PX_PER_MM)
    xx, yy = np.meshgrid(*grid.centres_mm())
    points = np.stack([xx, yy], -1).reshape(-1, 2)
    votes = np.full(grid.shape, 0.0)
    for i, (mask, camera) in enumerate(zip(masks, cameras)):
        px = camera.mm_to_px(points).astype(np.float32)
        x, y = px[:, 0].reshape(grid.shape), px[:, 1].reshape(grid.shape)
        votes += (1.1 if i == 0 else 1.0) * cv2.remap(mask, x, y, cv2.INTER_NEAREST)
    metal = (votes > (len(masks) + 0.1) / 2).astype(np.uint8)
    contours, tree = cv2.findContours(metal, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max((c for c, t in zip(contours, tree[0]) if t[3] < 0), key=cv2.contourArea)
    holes = [c for c, t in zip(contours, tree[0]) if t[3] >= 0]
    return [grid.px_to_mm(c[:, 0].astype(float)) for c in (outer, *holes)]


def _measure(
    photos: Sequence[PhotoClicks],
    plane: list[NDArray[np.float64]],
    cameras: Sequence[Camera],
    reach_mm: float,
    level: float,
    is_round: list[bool] | None,
) -> list[EdgeSet]:
    """Every contour in every photo, sharpened."""
    sets = []
    for k, c in enumerate(plane):
        points, good = [], []
        for photo, camera in zip(photos, cameras):
            scale = float(np.median(camera.px_per_mm(c)))
            p, g = sharpen(
                photo.rgb, camera.mm_to_px(c), scale, is_hole=k > 0, reach_mm=reach_mm, level=level
            )
            points.append(p)
            good.append(g)
        if is_round is None:
            # A shadow may spoil the rim in one photo; one clear view of a circle is enough.
            back = [camera.px_to_mm(p[g]) for camera, p, g in zip(cameras, points, good)]
            flag = k > 0 and any(len(p) >= LEAST_PLACES and _is_round(p) for p in back)
        else:
            flag = is_round[k]
        sets.append(
            EdgeSet(is_round=flag, points_px=points, is_good=good, plane=c, base_px=cameras[0].mm_to_px(c))
        )
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
        the outline is grown by it and the openings are shrunk by it. 0 for sharp edges.

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
    silhouette = find_silhouette(photos[0].rgb, [photos[0].clicks_px[n] for n in names])
    plane = _usable([apply_homography(to_plane, c) for c in silhouette])
    sizes = [(p.rgb.shape[1], p.rgb.shape[0]) for p in photos]
    homographies = [np.linalg.inv(to_plane)] + [
        _first_homography(p, names, clicks_mm, plane) for p in photos[1:]
    ]
    cameras = [Camera(homography=h, lens=Lens()) for h in homographies]  # type: ignore[arg-type]
    level = BROKEN_LEVEL if edge_break_mm > 0 else SHARP_LEVEL
    start, is_round = None, None
    for step, reach in enumerate((2.4, 2.4, 1.6, 1.2)):
        sets = _measure(photos, plane, cameras, reach, level, is_round)
        if step < 2:
            shown = [min(g.mean() for g in s.is_good) > _LEAST_SHOWN for s in sets]
            sets = [s for k, s in enumerate(sets) if k == 0 or shown[k]]
            pair = _pair(sets, photos[0], known)
        is_round = [s.is_round for s in sets] if step else None
        solution, start = solve_cameras(sets, sizes, pair, start)
        cameras = solution.cameras
        if step == 0:
            # One photo alone takes a shadow or a rusty ear for bench; the majority does not.
            masks = [_mask(photos[0], silhouette)] + [
                _mask(p, find_silhouette(p.rgb, [p.clicks_px[n] for n in names])) for p in photos[1:]
            ]
            plane = _usable(_vote(masks, cameras, cameras[0].px_to_mm(sets[0].base_px)))
            continue
        for s in sets:
            s.plane = cameras[0].px_to_mm(s.base_px)
        plane, errors = merge_contours(sets, solution)
        for k in solution.circles:
            solution.circles[k] = c = inner_circle(sets[k], solution, solution.circles[k])
            t = np.linspace(0, 2 * np.pi, max(24, round(2 * np.pi * c[2] / _STEP_MM)), endpoint=False)
            direction = 1 if signed_area(plane[k]) > 0 else -1
            plane[k] = c[:2] + c[2] * np.stack([np.cos(direction * t), np.sin(direction * t)], -1)
    if not solution.rms_mm < 0.4:
        raise MeasurementError(
            f"the photos do not fit together ({solution.rms_mm:.2f} mm); are the clicks on the same holes?"
        )
    return make_trace(sets, plane, errors, solution, name, thickness_mm, edge_break_mm)
