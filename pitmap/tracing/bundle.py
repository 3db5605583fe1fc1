"""Cameras of several photos of one flat face, and the face's own geometry, from the edges seen in all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..registration.camera import Camera
from .cameras import (
    FOCAL_SD,
    LENSES,
    LOG_FOCAL,
    N_CAMERA,
    PRIOR_AT,
    PRIOR_MEAN,
    PRIOR_SD,
    EdgeSet,
    carry_back,
    first_pose,
    fit_circle,
    off_metal,
    pose_camera,
    unlikely_focal,
)
from .spread import model_covariance

__all__ = ["Solution", "solve_cameras"]

_LIGHT_SD_MM = (0.1, 0.1, 0.06, 0.06, 0.04, 0.04)
_PINNED_SD_MM = 0.001
"""A photo sees the edge of the metal elsewhere than another: by blur, of round and of other edges (first two); by light
from one side, which moves edges with the direction they face (one turn: cosine, sine); by the tilt, which shows more of
the broken edge on two opposite sides (two turns). The first photo's blur is what the others are counted from (house
choice, from renders). Left out, the last would pass for tilt of the camera."""
_N_LIGHT = len(_LIGHT_SD_MM)
_STEP = 1e-6
_MOST_STEPS = 40
_WEIGHINGS = 2
_SAME, _LEAST_SHARE = 0.02, 0.01
"""Solutions whose log focal lengths differ by less are one; less probable ones are left out."""
_SCALE_MM = 0.15
"""Edge errors beyond this are walls, shadows and rust, and lose weight."""
_LEAST_MM = 0.005
"""No edge is better than this."""
_LIKE_ONE = 20.0
"""Neighbouring edge points err together: about so many count as one against what is known of phone lenses (house
choice, from renders)."""
_PIECE = 25
"""Places along the outline or a port that share their light, and so their error: about 20 mm (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """Cameras and round openings that fit the edges best.

    Parameters
    ----------
    cameras : list of Camera
    circles : dict of int to (3,) array
        Centre and radius of each round edge set, mm, by its place in the list.
    rms_mm : float
        Robust spread of the edges about their shapes.
    poses : (photos, 11) array
        Camera parameters.
    pose_covariance : (11 photos, 11 photos) array
    circle_covariance : dict of int to (3, 3) array
        Of centre and radius, mm2, cameras included.
    others : list of (weight, (photos, 11) array)
        Camera parameters that fit nearly as well, another lens in a phone, with their probability.
    """

    cameras: list[Camera]
    circles: dict[int, NDArray[np.float64]]
    rms_mm: float
    poses: NDArray[np.float64]
    pose_covariance: NDArray[np.float64]
    circle_covariance: dict[int, NDArray[np.float64]]
    others: list[tuple[float, NDArray[np.float64]]]


class _Edges:
    """All edge points of all photos in long arrays, ready to be compared on the plane."""

    def __init__(
        self, sets: Sequence[EdgeSet], rounds: list[int], sizes_wh: Sequence[tuple[int, int]]
    ) -> None:
        first_row = np.cumsum([0, *(len(s.plane) for s in sets)])
        self._sizes = sizes_wh
        pixels = [np.concatenate([s.points_px[i] for s in sets]) for i in range(len(sizes_wh))]
        place = {k: j for j, k in enumerate(rounds)}
        good = [np.concatenate([s.is_good[i] for s in sets]) for i in range(len(sizes_wh))]
        owner = np.concatenate([np.full(len(s.plane), place.get(k, -1)) for k, s in enumerate(sets)])
        piece = np.concatenate(
            [
                np.full(len(s.plane), 1000 * k) + (0 if s.is_round else np.arange(len(s.plane)) // _PIECE)
                for k, s in enumerate(sets)
            ]
        )
        self.normal = np.concatenate([off_metal(s.plane, is_hole=k > 0) for k, s in enumerate(sets)])
        # Every second place of the long outline and of the ports is enough for the cameras.
        thin = np.arange(first_row[-1]) % 2 == 0
        self._round: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        self._line: list[NDArray[np.int64]] = []
        for g in good:
            at = np.flatnonzero(g & (owner >= 0))
            self._round.append((at, owner[at]))
            self._line.append(np.flatnonzero(g & good[0] & (owner < 0) & thin))
        self._line[0] = np.unique(np.concatenate(self._line[1:])) if len(good) > 1 else self._line[0]
        # Only points that are compared are carried back.
        self._used = [
            np.union1d(at, line).astype(int) for (at, _), line in zip(self._round, self._line, strict=True)
        ]
        self._place = [np.full(first_row[-1], -1) for _ in good]
        for table, used in zip(self._place, self._used, strict=True):
            table[used] = np.arange(len(used))
        self._pixels = [p[used] for p, used in zip(pixels, self._used, strict=True)]
        rows = [at for at, _ in self._round] + self._line[1:]
        self.row_normal = self.normal[np.concatenate(rows)]
        photo = [*range(len(good)), *range(1, len(good))]
        of_photo = np.repeat(photo, [len(at) for at in rows])
        is_line = np.arange(len(of_photo)) >= sum(len(at) for at, _ in self._round)
        self.rows_with = [np.flatnonzero((of_photo == i) | (is_line & (i == 0))) for i in range(len(good))]
        self.light = self._light_columns(len(good), rows)
        self.row_piece = np.concatenate(
            [piece[at] + 1_000_000 * i for i, at in zip(photo, rows, strict=True)]
        )

    def _light_columns(self, n_photo: int, rows: list[NDArray[np.int64]]) -> NDArray[np.float64]:
        """How each comparison changes with what light and blur do in each photo, (comparisons, 6 photos)."""
        out = np.zeros((sum(map(len, rows)), _N_LIGHT * n_photo))
        ends = np.cumsum([0, *map(len, rows)])
        for j, at in enumerate(rows):
            x, y = self.normal[at].T
            turns = np.column_stack([x, y, x * x - y * y, 2 * x * y])
            here = np.zeros((len(at), _N_LIGHT))
            here[:, 0 if j < n_photo else 1] = 1
            here[:, 2:] = turns
            i = j if j < n_photo else j - n_photo + 1
            part = out[ends[j] : ends[j + 1]]
            # A radius is larger by what the edge lies deeper; other edges are compared with the first photo's.
            part[:, _N_LIGHT * i : _N_LIGHT * (i + 1)] = -here if j < n_photo else here
            if j >= n_photo:
                part[:, :_N_LIGHT] = -here
        return out

    def carry_back(self, i: int, pose: NDArray[np.float64]) -> NDArray[np.float64]:
        """The points of photo `i` that are used, on the plane."""
        return carry_back(self._pixels[i], pose, self._sizes[i])

    def round_rows(
        self, back: list[NDArray[np.float64]]
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]]:
        """Per photo: rows of the residuals, place of the circle, points on the plane."""
        row = 0
        for (at, owner), p, table in zip(self._round, back, self._place, strict=True):
            yield np.arange(row, row + len(at)), owner, p[table[at]]
            row += len(at)

    def _off_round(
        self, i: int, back: list[NDArray[np.float64]], circles: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """How far the points of photo `i` on round edges lie outside of their circles, mm."""
        at, owner = self._round[i]
        away = back[i][self._place[i][at]] - circles[owner, :2]
        return np.hypot(away[:, 0], away[:, 1]) - circles[owner, 2]

    def _off_line(self, i: int, back: list[NDArray[np.float64]]) -> NDArray[np.float64]:
        """How far the other edges of photo `i` lie from the first photo's, mm."""
        at = self._line[i]
        off = back[i][self._place[i][at]] - back[0][self._place[0][at]]
        return (off * self.normal[at]).sum(1)

    def with_photo(
        self, i: int, back: list[NDArray[np.float64]], circles: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Those of the comparisons that the points of photo `i` are in, light apart; at `rows_with[i]` of them all."""
        lines = range(1, len(back)) if i == 0 else (i,)
        return np.concatenate([self._off_round(i, back, circles), *(self._off_line(k, back) for k in lines)])

    def compare(
        self, back: list[NDArray[np.float64]], circles: NDArray[np.float64], light: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Distances from the circles, then distances across the other edges from the first photo's, mm."""
        photos = range(len(back))
        off = [self._off_round(i, back, circles) for i in photos]
        off += [self._off_line(i, back) for i in photos[1:]]
        return np.concatenate(off) + self.light @ light


def _rms(r: NDArray[np.float64]) -> float:
    return float(1.4826 * np.median(np.abs(r)))


def _cost(r: NDArray[np.float64], n_priors: int, scale: float) -> float:
    z2 = (r / scale) ** 2
    return float(np.log1p(z2[:-n_priors]).sum() + z2[-n_priors:].sum())


def _weights(r: NDArray[np.float64], n_priors: int, scale: float) -> NDArray[np.float64]:
    weights = 1 / (1 + (r / scale) ** 2)
    weights[-n_priors:] = 1.0
    return weights


def _solve(
    residuals: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    jacobian: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    x: NDArray[np.float64],
    n_priors: int,
    is_start_good: bool,
) -> NDArray[np.float64]:
    """Levenberg-Marquardt with Cauchy's weights; the scale of the weights closes in.

    The last `n_priors` residuals keep their weight: an unlikely lens must not become cheaper the unlikelier it is.

    General solvers crawl along the valley of focal length, lens terms and tilt; with the normal equations of
    some hundred unknowns a full step costs little.
    """
    for scale in (_SCALE_MM,) if is_start_good else (4 * _SCALE_MM, _SCALE_MM):
        damping = 1e-3
        r = residuals(x)
        cost = _cost(r, n_priors, scale)
        for _ in range(_MOST_STEPS):
            j = jacobian(x)
            weighted = j * _weights(r, n_priors, scale)[:, None]
            normal, slope = weighted.T @ j, weighted.T @ r
            better = False
            for _ in range(8):
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope)
                new = residuals(x + step)
                new_cost = _cost(new, n_priors, scale)
                if np.isfinite(new_cost) and new_cost < cost:
                    better = True
                    break
                damping *= 6
            if not better:
                break
            gain = (cost - new_cost) / cost
            x, r, cost, damping = x + step, new, new_cost, damping / 6
            if gain < 1e-5:
                break
    return x


def _other_lenses(
    x: NDArray[np.float64],
    photos: list[int],
    residuals: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    jacobian: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    n_priors: int,
    strength: float,
) -> tuple[NDArray[np.float64], list[tuple[float, NDArray[np.float64]]]]:
    """The best solution, and the others with their probability, when photos are taken through a phone's other lens.

    Between the usual focal lengths lies a crest that no step crosses; on its two sides the plane may come out tilted
    otherwise, and fit as well.
    """
    found = [x]
    for i in photos:
        at = N_CAMERA * i
        log_focal = max(LENSES, key=lambda lens: abs(x[at + LOG_FOCAL] - lens.log_focal)).log_focal
        tried = x.copy()
        # The further away, the longer the lens: the plate stays as large in the picture.
        tried[at + 5] *= np.exp(log_focal - x[at + LOG_FOCAL])
        tried[at + LOG_FOCAL] = log_focal
        found.append(_solve(residuals, jacobian, tried, n_priors, True))
    cost = np.array([_cost(residuals(f), n_priors, _SCALE_MM) for f in found])
    likely = np.exp(-0.5 * (cost - cost.min()) * (_SCALE_MM / strength) ** 2)
    # Solutions that two starts lead to count once.
    best = int(np.argmin(cost))
    kept = [best]
    for k in np.argsort(cost):
        if all(np.abs(found[k] - found[m])[_log_focals(photos)].max() > _SAME for m in kept):
            kept.append(int(k))
    share = likely / likely[kept].sum()
    return found[best], [(float(share[k]), found[k]) for k in kept[1:] if share[k] > _LEAST_SHARE]


def _log_focals(photos: list[int]) -> list[int]:
    """Where the log focal lengths of photos stand among the unknowns."""
    return [N_CAMERA * i + LOG_FOCAL for i in photos]


def solve_cameras(
    sets: Sequence[EdgeSet],
    sizes_wh: Sequence[tuple[int, int]],
    scale_pair: tuple[int, int, float],
    start: Sequence[NDArray[np.float64]] | None = None,
    focals_px: Sequence[float | None] | None = None,
    *,
    is_last: bool = False,
) -> tuple[Solution, list[NDArray[np.float64]]]:
    """Cameras of all photos and the round openings, by bundle adjustment on the face's plane.

    Parameters
    ----------
    sets : sequence of EdgeSet
    sizes_wh : sequence of (width, height)
    scale_pair : (int, int, float)
        Two round edge sets and the known distance of their centres, mm: the first becomes the origin, the
        second lies on the x axis.
    start : sequence of (11,) arrays, optional
        Camera parameters of an earlier round.
    focals_px : sequence of float or None, optional
        Focal lengths where known, to 2 %.
    is_last : bool
        Try the other lenses that phones have, and say what fits nearly as well.

    Returns
    -------
    Solution, and the camera parameters for a next round.

    Notes
    -----
    Every edge point is taken back to the plane. Points of round openings must lie on one circle in all
    photos; points of other edges must lie on the line that the first photo shows there. Circles and several
    views fix the metric of the plane, the known distance its scale (a planar scene with circles; see
    R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed. 2004, ch. 2 and 8, from memory).
    """
    n_photo = len(sizes_wh)
    first, second, distance = scale_pair
    is_start_good = start is not None
    if start is None:
        start = []
        for i in range(n_photo):
            good = [s.is_good[i] for s in sets]
            plane = np.concatenate([s.plane[g] for s, g in zip(sets, good, strict=True)])
            pixels = np.concatenate([s.points_px[i][g] for s, g in zip(sets, good, strict=True)])
            start.append(first_pose(plane, pixels, sizes_wh[i]))
    rounds = [first, second, *(k for k, s in enumerate(sets) if s.is_round and k not in (first, second))]
    circles0 = np.array([fit_circle(sets[k].plane) for k in rounds])
    # Free: the radii of the two known holes, then centre and radius of every other.
    # Last, how much deeper in the metal each photo sees the edges.
    n_light = _N_LIGHT * n_photo
    x0 = np.concatenate([*start, circles0[:2, 2], circles0[2:].ravel(), np.zeros(n_light)])
    n_cam = N_CAMERA * n_photo
    n_priors = len(PRIOR_AT) * n_photo + n_light
    light_sd = np.tile(_LIGHT_SD_MM, n_photo)
    light_sd[:2] = _PINNED_SD_MM
    strength = _SCALE_MM * np.sqrt(_LIKE_ONE)
    least = _LEAST_MM * np.sqrt(_LIKE_ONE)
    mean, spread = np.tile(PRIOR_MEAN, (n_photo, 1)), np.tile(PRIOR_SD, (n_photo, 1))
    for i, f in enumerate(focals_px or []):
        if f is not None:
            mean[i, 0], spread[i, 0] = np.log(f / max(sizes_wh[i])), FOCAL_SD
    is_guess = np.array([f is None for f in focals_px or [None] * n_photo])
    edges = _Edges(sets, rounds, sizes_wh)
    n_bias = len(x0) - n_light

    def unpack(
        x: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        known = [[0, 0, x[n_cam]], [distance, 0, x[n_cam + 1]]]
        circles = np.vstack([known, x[n_cam + 2 : n_bias].reshape(-1, 3)])
        return x[:n_cam].reshape(n_photo, N_CAMERA), circles, x[n_bias:]

    def priors(x: NDArray[np.float64]) -> NDArray[np.float64]:
        poses, _, light = unpack(x)
        lens = (poses[:, PRIOR_AT] - mean) / spread
        lens[is_guess, 0] = unlikely_focal(poses[is_guess, LOG_FOCAL])[0]
        return strength * np.concatenate([lens.ravel(), light / light_sd])

    def residuals(x: NDArray[np.float64]) -> NDArray[np.float64]:
        poses, circles, light = unpack(x)
        back = [edges.carry_back(i, p) for i, p in enumerate(poses)]
        return np.concatenate([edges.compare(back, circles, light), priors(x)])

    def jacobian(x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Forward differences; moving one camera changes what that photo's points are in alone."""
        poses, circles, _ = unpack(x)
        back = [edges.carry_back(i, p) for i, p in enumerate(poses)]
        n_rows = len(edges.light)
        out = np.zeros((n_rows + n_priors, len(x)))
        for i in range(n_photo):
            base, rows = edges.with_photo(i, back, circles), edges.rows_with[i]
            for m in range(N_CAMERA):
                moved = poses[i].copy()
                moved[m] += _STEP
                there = [*back[:i], edges.carry_back(i, moved), *back[i + 1 :]]
                out[rows, N_CAMERA * i + m] = (edges.with_photo(i, there, circles) - base) / _STEP
            slope = 1 / spread[i]
            if is_guess[i]:
                slope[0] = unlikely_focal(poses[i, LOG_FOCAL])[1]
            for j, m in enumerate(PRIOR_AT):
                out[n_rows + len(PRIOR_AT) * i + j, N_CAMERA * i + m] = strength * slope[j]
        out[:n_rows, n_bias:] = edges.light
        at_light = n_rows + len(PRIOR_AT) * n_photo + np.arange(n_light)
        out[at_light, n_bias + np.arange(n_light)] = strength / light_sd
        for rows, owner, points in edges.round_rows(back):
            away = points - circles[owner, :2]
            unit = away / np.hypot(*away.T)[:, None]
            column = np.where(owner < 2, n_cam + owner, n_cam + 2 + 3 * (owner - 2) + 2)
            out[rows, column] = -1
            is_free = owner >= 2
            for axis in (0, 1):
                at = n_cam + 2 + 3 * (owner[is_free] - 2) + axis
                out[rows[is_free], at] = -unit[is_free, axis]
        return out

    x = _solve(residuals, jacobian, x0, n_priors, is_start_good)
    # What is known of lenses is weighed against the error that the edges turn out to have; held by it too hard at
    # first, they look worse than they are.
    for _ in range(_WEIGHINGS):
        strength = max(least, _rms(residuals(x)[:-n_priors]) * np.sqrt(_LIKE_ONE))
        x = _solve(residuals, jacobian, x, n_priors, True)
    others: list[tuple[float, NDArray[np.float64]]] = []
    guessed = np.flatnonzero(is_guess).tolist()
    if is_last and guessed:
        x, others = _other_lenses(x, guessed, residuals, jacobian, n_priors, strength)
    poses, circles, _ = unpack(x)
    r = residuals(x)
    weights = _weights(r, n_priors, _SCALE_MM)
    covariance = model_covariance(
        jacobian(x), r, weights, edges.row_normal, edges.row_piece, n_priors, strength
    )
    circle_covariance = {}
    for j, k in enumerate(rounds):
        at = [n_cam + j] if j < 2 else list(range(n_cam + 2 + 3 * (j - 2), n_cam + 5 + 3 * (j - 2)))
        full = np.zeros((3, 3))
        full[-len(at) :, -len(at) :] = covariance[np.ix_(at, at)]
        for share, other in others:
            apart = other[at] - x[at]
            full[-len(at) :, -len(at) :] += share * np.outer(apart, apart)
        circle_covariance[k] = full
    return (
        Solution(
            cameras=[pose_camera(p, wh) for p, wh in zip(poses, sizes_wh, strict=True)],
            circles=dict(zip(rounds, circles, strict=True)),
            rms_mm=_rms(r[:-n_priors]),
            poses=poses,
            pose_covariance=covariance[:n_cam, :n_cam],
            circle_covariance=circle_covariance,
            others=[(share, unpack(other)[0]) for share, other in others],
        ),
        [p.copy() for p in poses],
    )
