"""How far a traced place may be off: from the edges' own errors through the cameras to the drawing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..registration.camera import Camera
from .cameras import N_CAMERA, carry_back

__all__ = [
    "BIAS_MM",
    "across_sd",
    "model_covariance",
    "place_covariance",
    "place_shifts",
    "place_slopes",
    "size_sd",
    "without_motion",
]

BIAS_MM = 0.04
"""Least error that a whole stretch of edge has in common in one photo: light on a broken edge (house choice)."""
_STEP = 1e-5


def model_covariance(
    jacobian: NDArray[np.float64],
    residual: NDArray[np.float64],
    weights: NDArray[np.float64],
    normal: NDArray[np.float64],
    piece: NDArray[np.int64],
    n_priors: int,
    prior_scale: float,
) -> NDArray[np.float64]:
    """Covariance (P, P) of fitted parameters whose edge points err together piece by piece.

    Parameters
    ----------
    jacobian : (N, P) array
        The last `n_priors` rows are of prior knowledge, each scaled so that its standard deviation is `prior_scale`.
    residual, weights : (N,) arrays
    normal : (N - n_priors, 2) array
        Of each edge point.
    piece : (N - n_priors,) array
        Edge points of one number share their error.
    n_priors : int
    prior_scale : float

    Notes
    -----
    The sandwich ``H^-1 J' W S W J H^-1`` with ``H = J' W J``. ``S`` has the points' own variance and, for each
    piece, a common error across the edge and a common shift in x and y of the edge (what light from one side
    does). Both variances are taken from the residuals, the common one at least :data:`BIAS_MM` squared, and both
    are made larger by the degrees of freedom that the fit used up.
    """
    n = len(residual) - n_priors
    normal_matrix = (jacobian * weights[:, None]).T @ jacobian
    inverse = np.linalg.inv(normal_matrix)
    weighted = jacobian * weights[:, None]
    order = np.argsort(piece, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(piece[order]) != 0])
    groups = np.split(order, starts[1:])
    # Shifts along x and y are scaled so that each of the three has the same mean square along a closed ring.
    shapes = np.column_stack([np.ones(n), np.sqrt(2) * normal])
    points, moments, n_moments = [], [], 0
    for rows in groups:
        w = weights[rows]
        if w.sum() < 6:
            continue
        g = shapes[rows] * np.sqrt(w)[:, None]
        size = g.T @ g
        fit = np.linalg.lstsq(
            size + 0.05 * np.trace(size) / 3 * np.eye(3), g.T @ (np.sqrt(w) * residual[rows]), rcond=None
        )[0]
        moments.append(float((fit**2).sum()))
        n_moments += 3
        left = residual[rows] - shapes[rows] @ fit
        points.append(float((w * left**2).sum() / w.sum()))
    n_free = max(len(jacobian[0]) - n_priors, 1)
    common = np.sum(moments) / max(n_moments - n_free, 0.25 * n_moments, 1) if moments else 0.0
    own = float(np.mean(points)) if points else 0.0
    variance = max(common, BIAS_MM**2)
    meat = own * (weighted[:n].T @ weighted[:n])
    for rows in groups:
        g = weighted[rows].T @ shapes[rows]
        meat += variance * (g @ g.T)
    meat += prior_scale**2 * (weighted[n:].T @ weighted[n:])
    return inverse @ meat @ inverse


def place_slopes(
    places_mm: NDArray[np.float64],
    shown: NDArray[np.bool_],
    cameras: Sequence[Camera],
    poses: NDArray[np.float64],
    sizes_wh: Sequence[tuple[int, int]],
) -> NDArray[np.float64]:
    """How places on the face (N, 2) move with the camera parameters, (N, 2, 11 photos).

    Every place is the mean of what the photos that show it say; `shown` is (photos, N).
    """
    weight = _mean_weight(shown)
    out = np.zeros((len(places_mm), 2, len(poses) * N_CAMERA))
    for i, (camera, pose) in enumerate(zip(cameras, poses, strict=True)):
        pixels = camera.mm_to_px(places_mm)
        base = carry_back(pixels, pose, sizes_wh[i])
        for m in range(N_CAMERA):
            moved = pose.copy()
            moved[m] += _STEP
            d = (carry_back(pixels, moved, sizes_wh[i]) - base) / _STEP
            out[:, :, i * N_CAMERA + m] = d * weight[i][:, None]
    return out


def place_shifts(
    places_mm: NDArray[np.float64],
    shown: NDArray[np.bool_],
    cameras: Sequence[Camera],
    poses: NDArray[np.float64],
    others: Sequence[tuple[float, NDArray[np.float64]]],
    sizes_wh: Sequence[tuple[int, int]],
) -> list[tuple[float, NDArray[np.float64]]]:
    """Probability, and how places on the face (N, 2) would move, for each other solution of the cameras."""
    if not others:
        return []
    weight = _mean_weight(shown)
    moved = [np.zeros_like(places_mm) for _ in others]
    for i, camera in enumerate(cameras):
        pixels = camera.mm_to_px(places_mm)
        base = carry_back(pixels, poses[i], sizes_wh[i])
        for shift, (_, other) in zip(moved, others, strict=True):
            shift += (carry_back(pixels, other[i], sizes_wh[i]) - base) * weight[i][:, None]
    return [(share, shift) for (share, _), shift in zip(others, moved, strict=True)]


def _mean_weight(shown: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Every place is the mean of what the photos that show it say, (photos, N)."""
    weight = shown.astype(float)
    return np.where(weight.sum(0) > 0, weight / np.maximum(weight.sum(0), 1), 1 / len(weight))


def without_motion(
    slopes: NDArray[np.float64], places_mm: NDArray[np.float64], fixed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Slopes with the rigid motion taken out that keeps the `fixed` (N,) places where they are on average.

    For a frame that moves with the plate: where the plate lies beside a sheet is no error of its drawing.
    """
    x, y = (places_mm - places_mm[fixed].mean(0)).T
    one, none = np.ones_like(x), np.zeros_like(x)
    basis = np.stack([np.stack([one, none], -1), np.stack([none, one], -1), np.stack([-y, x], -1)], -1)
    flat = basis[fixed].reshape(-1, 3)
    amount = np.linalg.lstsq(flat, slopes[fixed].reshape(len(flat), -1), rcond=None)[0]
    return slopes - np.einsum("nak,kp->nap", basis, amount)


def place_covariance(slopes: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance (N, 2, 2) of places, mm2, that comes from the cameras."""
    return np.einsum("nap,pq,nbq->nab", slopes, covariance, slopes, optimize=True)


def size_sd(
    slopes: NDArray[np.float64], places_mm: NDArray[np.float64], covariance: NDArray[np.float64]
) -> float:
    """Relative standard deviation of the whole drawing's scale."""
    from_middle = places_mm - places_mm.mean(0)
    gradient = np.einsum("na,nap->p", from_middle, slopes - slopes.mean(0)) / float((from_middle**2).sum())
    return float(np.sqrt(max(gradient @ covariance @ gradient, 0.0)))


def across_sd(covariance: NDArray[np.float64], normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard deviation (N,) across an edge with the unit normals (N, 2)."""
    return np.sqrt(np.maximum(np.einsum("na,nab,nb->n", normal, covariance, normal), 0.0))
