"""Cameras of several photos of one flat face, and the face's own geometry, from the edges seen in all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..registration.camera import Camera, Lens, apply_homography

__all__ = ["EdgeSet", "Solution", "fit_circle", "solve_cameras"]

_N_CAMERA = 8
"""Turn (3), place (3), log focal length, k1."""
_F_SPREAD = 0.35
_K_SPREAD = 0.06
"""Phone main cameras: focal length 0.7 to 1.6 of the longer side, radial term of some hundredths (house choice)."""
_BIAS_SPREAD_MM = 0.1
"""A blurred or differently lit photo sees the edge of the metal this much elsewhere (house choice)."""
_STEP = 1e-6
_MOST_STEPS = 40
_SCALE_MM = 0.15
"""Edge errors beyond this are walls, shadows and rust, and lose weight."""


@dataclass(slots=True)
class EdgeSet:
    """Edges of one contour in every photo.

    Parameters
    ----------
    is_round : bool
    points_px : list of (N, 2) arrays
        Per photo, the same N places along the contour.
    is_good : list of (N,) bool arrays
    plane : (N, 2) array
        Where they are on the face, mm, as known so far.
    base_px : (N, 2) array
        The places in the first photo that the edge was looked for at.
    """

    is_round: bool
    points_px: list[NDArray[np.float64]]
    is_good: list[NDArray[np.bool_]]
    plane: NDArray[np.float64]
    base_px: NDArray[np.float64]


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
    """

    cameras: list[Camera]
    circles: dict[int, NDArray[np.float64]]
    rms_mm: float


def _camera(p: NDArray[np.float64], size_wh: tuple[int, int]) -> Camera:
    turn, _ = cv2.Rodrigues(p[:3])
    f = float(np.exp(p[6])) * max(size_wh)
    cx, cy = (size_wh[0] - 1) / 2, (size_wh[1] - 1) / 2
    k = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
    # The place is kept in units of 100 mm, so that all parameters are of one size.
    h = k @ np.column_stack([turn[:, 0], turn[:, 1], 100 * p[3:6]])
    return Camera(homography=h / h[2, 2], lens=Lens(k1=float(p[7]), centre_xy=(cx, cy), scale_px=f))


def _first_pose(
    plane: NDArray[np.float64], pixels: NDArray[np.float64], size_wh: tuple[int, int]
) -> NDArray[np.float64]:
    f = 1.1 * max(size_wh)
    k = np.array([[f, 0, (size_wh[0] - 1) / 2], [0, f, (size_wh[1] - 1) / 2], [0, 0, 1.0]])
    flat = np.column_stack([plane, np.zeros(len(plane))])
    _, turn, place = cv2.solvePnP(flat, pixels, k, None, flags=cv2.SOLVEPNP_IPPE)
    _, turn, place = cv2.solvePnP(flat, pixels, k, None, turn, place, True, cv2.SOLVEPNP_ITERATIVE)
    return np.concatenate([turn.ravel(), place.ravel() / 100, [np.log(1.1), 0.0]])


def fit_circle(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Centre and radius (3,) of the circle nearest to points in the algebraic sense."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    c, *_ = np.linalg.lstsq(design, (points**2).sum(1), rcond=None)
    return np.array([c[0], c[1], np.sqrt(max(c[2] + c[0] ** 2 + c[1] ** 2, 1e-6))])


class _Edges:
    """All edge points of all photos in long arrays, ready to be compared on the plane."""

    def __init__(
        self, sets: Sequence[EdgeSet], rounds: list[int], sizes_wh: Sequence[tuple[int, int]]
    ) -> None:
        first_row = np.cumsum([0, *(len(s.plane) for s in sets)])
        self._sizes = sizes_wh
        self._pixels = [np.concatenate([s.points_px[i] for s in sets]) for i in range(len(sizes_wh))]
        self._round: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        self._line: list[NDArray[np.int64]] = []
        place = {k: j for j, k in enumerate(rounds)}
        good = [np.concatenate([s.is_good[i] for s in sets]) for i in range(len(sizes_wh))]
        owner = np.concatenate([np.full(len(s.plane), place.get(k, -1)) for k, s in enumerate(sets)])
        self._normal = np.concatenate([_off_metal(s.plane, is_hole=k > 0) for k, s in enumerate(sets)])
        # Every second place of the long outline and of the ports is enough for the cameras.
        thin = np.arange(first_row[-1]) % 2 == 0
        for g in good:
            at = np.flatnonzero(g & (owner >= 0))
            self._round.append((at, owner[at]))
            self._line.append(np.flatnonzero(g & good[0] & (owner < 0) & thin))

    def carry_back(self, i: int, pose: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of photo `i` on the plane; the same camera as :func:`_camera`, without its general lens."""
        width, height = self._sizes[i]
        f = float(np.exp(pose[6])) * max(width, height)
        n = (self._pixels[i] - [(width - 1) / 2, (height - 1) / 2]) / f
        seen = np.hypot(n[:, 0], n[:, 1])
        true = seen.copy()
        for _ in range(6):
            true = true - (true * (1 + pose[7] * true**2) - seen) / (1 + 3 * pose[7] * true**2)
        n = n * (true / np.maximum(seen, 1e-12))[:, None]
        turn, _ = cv2.Rodrigues(pose[:3])
        return apply_homography(np.linalg.inv(np.column_stack([turn[:, 0], turn[:, 1], 100 * pose[3:6]])), n)

    def round_rows(
        self, back: list[NDArray[np.float64]]
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]]:
        """Per photo: rows of the residuals, place of the circle, points on the plane."""
        row = 0
        for (at, owner), p in zip(self._round, back):
            yield np.arange(row, row + len(at)), owner, p[at]
            row += len(at)

    def compare(
        self, back: list[NDArray[np.float64]], circles: NDArray[np.float64], biases: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Distances from the circles, then distances across the other edges from the first photo's, mm.

        `biases` (2, photos - 1): how much deeper in the metal a further photo sees round and other edges.
        """
        out = []
        for (_, owner, p), bias in zip(self.round_rows(back), [0.0, *biases[0]]):
            away = p - circles[owner, :2]
            out.append(np.hypot(away[:, 0], away[:, 1]) - circles[owner, 2] - bias)
        for at, p, bias in zip(self._line[1:], back[1:], biases[1]):
            out.append(((p[at] - back[0][at]) * self._normal[at]).sum(1) + bias)
        return np.concatenate(out)


def _off_metal(points: NDArray[np.float64], *, is_hole: bool) -> NDArray[np.float64]:
    """Unit normals of a closed contour, pointing off the metal."""
    along = np.roll(points, -2, 0) - np.roll(points, 2, 0)
    normal = np.stack([along[:, 1], -along[:, 0]], -1) / np.hypot(*along.T)[:, None]
    x, y = points.T
    is_left = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0
    return normal if is_left != is_hole else -normal


def _solve(
    residuals: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    jacobian: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    x: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Levenberg-Marquardt with Cauchy's weights; the scale of the weights closes in.

    General solvers crawl along the valley of focal length, lens term and tilt; with the normal equations of
    some ninety unknowns a full step costs little.
    """
    for scale in (4 * _SCALE_MM, _SCALE_MM):
        damping = 1e-3
        r = residuals(x)
        cost = float(np.log1p((r / scale) ** 2).sum())
        for _ in range(_MOST_STEPS):
            j = jacobian(x)
            weighted = j / (1 + (r / scale) ** 2)[:, None]
            normal, slope = weighted.T @ j, weighted.T @ r
            better = False
            for _ in range(8):
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope)
                new = residuals(x + step)
                new_cost = float(np.log1p((new / scale) ** 2).sum())
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


def solve_cameras(
    sets: Sequence[EdgeSet],
    sizes_wh: Sequence[tuple[int, int]],
    scale_pair: tuple[int, int, float],
    start: Sequence[NDArray[np.float64]] | None = None,
) -> tuple[Solution, list[NDArray[np.float64]]]:
    """Cameras of all photos and the round openings, by bundle adjustment on the face's plane.

    Parameters
    ----------
    sets : sequence of EdgeSet
    sizes_wh : sequence of (width, height)
    scale_pair : (int, int, float)
        Two round edge sets and the known distance of their centres, mm: the first becomes the origin, the
        second lies on the x axis.
    start : sequence of (8,) arrays, optional
        Camera parameters of an earlier round.

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
    if start is None:
        start = []
        for i in range(n_photo):
            good = [s.is_good[i] for s in sets]
            plane = np.concatenate([s.plane[g] for s, g in zip(sets, good)])
            pixels = np.concatenate([s.points_px[i][g] for s, g in zip(sets, good)])
            start.append(_first_pose(plane, pixels, sizes_wh[i]))
    rounds = [first, second, *(k for k, s in enumerate(sets) if s.is_round and k not in (first, second))]
    circles0 = np.array([fit_circle(sets[k].plane) for k in rounds])
    # Free: the radii of the two known holes, then centre and radius of every other.
    # Last, how much deeper in the metal each further photo sees the edges than the first, of holes and others.
    x0 = np.concatenate([*start, circles0[:2, 2], circles0[2:].ravel(), np.zeros(2 * (n_photo - 1))])
    n_cam = _N_CAMERA * n_photo
    n_priors = 2 * n_photo + 2 * (n_photo - 1)
    edges = _Edges(sets, rounds, sizes_wh)

    n_bias = len(x0) - 2 * (n_photo - 1)

    def unpack(
        x: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        known = [[0, 0, x[n_cam]], [distance, 0, x[n_cam + 1]]]
        circles = np.vstack([known, x[n_cam + 2 : n_bias].reshape(-1, 3)])
        return x[:n_cam].reshape(n_photo, _N_CAMERA), circles, x[n_bias:].reshape(2, -1)

    def priors(x: NDArray[np.float64]) -> NDArray[np.float64]:
        poses, _, biases = unpack(x)
        lens = np.concatenate([(poses[:, 6] - 0.05) / _F_SPREAD, poses[:, 7] / _K_SPREAD])
        return _SCALE_MM * np.concatenate([lens, biases.ravel() / _BIAS_SPREAD_MM])

    def residuals(x: NDArray[np.float64]) -> NDArray[np.float64]:
        poses, circles, biases = unpack(x)
        back = [edges.carry_back(i, p) for i, p in enumerate(poses)]
        return np.concatenate([edges.compare(back, circles, biases), priors(x)])

    def jacobian(x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Forward differences; moving one camera needs that photo's points alone to be carried back again."""
        poses, circles, biases = unpack(x)
        back = [edges.carry_back(i, p) for i, p in enumerate(poses)]
        base = edges.compare(back, circles, biases)
        n_rows = len(base)
        out = np.zeros((n_rows + n_priors, len(x)))
        for i in range(n_photo):
            for m in range(_N_CAMERA):
                moved = poses[i].copy()
                moved[m] += _STEP
                there = [*back[:i], edges.carry_back(i, moved), *back[i + 1 :]]
                out[:n_rows, _N_CAMERA * i + m] = (edges.compare(there, circles, biases) - base) / _STEP
            out[n_rows + i, _N_CAMERA * i + 6] = _SCALE_MM / _F_SPREAD
            out[n_rows + n_photo + i, _N_CAMERA * i + 7] = _SCALE_MM / _K_SPREAD
        for m in range(2 * (n_photo - 1)):
            moved_bias = biases.ravel().copy()
            moved_bias[m] += 1.0
            out[:n_rows, n_bias + m] = edges.compare(back, circles, moved_bias.reshape(2, -1)) - base
            out[n_rows + 2 * n_photo + m, n_bias + m] = _SCALE_MM / _BIAS_SPREAD_MM
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

    x = _solve(residuals, jacobian, x0)
    poses, circles, _ = unpack(x)
    r = residuals(x)[:-n_priors]
    return (
        Solution(
            cameras=[_camera(p, wh) for p, wh in zip(poses, sizes_wh)],
            circles=dict(zip(rounds, circles)),
            rms_mm=float(1.4826 * np.median(np.abs(r))),
        ),
        [p.copy() for p in poses],
    )
