"""How flat is the face? Minimum zone (linear programme) and least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linprog
from scipy.special import ndtri

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate

__all__ = ["Flatness", "flatness", "least_squares_width", "minimum_width"]

_MAX_TURNS = 12
_N_SHAKEN = 40
_LEAST_ACROSS_MM = 5.0
"""Scatter of the places across their longest line. Under it the least error of a height tilts the plane by more than the
face is out of flat (house choice: a tenth of a small plate)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flatness:
    """Flatness deviation of a set of heights.

    Parameters
    ----------
    minimum_zone_um : Estimate
        Least distance of two parallel planes that hold every point between them.
    least_squares_um : float
        Peak to valley from the least-squares plane (FLTt).
    rms_um : float
        Root mean square from the least-squares plane (FLTq).
    n_points : int
    touching : tuple of int
        Places of the points that settle the minimum zone.
    """

    minimum_zone_um: Estimate
    least_squares_um: float
    rms_um: float
    n_points: int
    touching: tuple[int, ...]


def flatness(
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    height_um: ArrayLike,
    uncertainty_um: ArrayLike,
    *,
    rng: np.random.Generator | None = None,
    level: float = DEFAULT_LEVEL,
) -> Flatness:
    """Minimum-zone and least-squares flatness of measured heights.

    Parameters
    ----------
    x_mm, y_mm, height_um : array (n,)
        Places and heights over any plane.
    uncertainty_um : float or array (n,)
        Standard deviation of each height.
    rng : numpy.random.Generator or None
        For the share of the zone that is noise; without it the low end of the interval leans high.
    level : float

    Raises
    ------
    NotEnoughData
        Fewer than four places, or all on one line: a plane can be tilted through any heights there.
    InputError
        Arrays that do not match, or are not finite.

    Notes
    -----
    The width is measured normal to the planes, after the points have been turned level, so it does not depend
    on how the plate lay. The interval follows the few points that settle the zone: the width is a weighted sum
    of their heights, the weights being the prices of the linear programme. Noise of many points widens a
    measured zone beyond the true one. How much is found by adding the same noise once more (40 times); the low end
    is moved down by it, the value and the high end stay as measured, on the safe side.

    References
    ----------
    ISO 12781-1:2011 (reference planes, FLTt, FLTq).
    """
    x, y, z = (np.asarray(a, float).ravel() for a in (x_mm, y_mm, height_um))
    if not len(x) == len(y) == len(z):
        raise InputError(f"flatness: {len(x)}, {len(y)} and {len(z)} values for x, y and height")
    points = np.column_stack([x, y, z / 1000])
    sd = np.broadcast_to(np.asarray(uncertainty_um, float), z.shape)
    if not (np.isfinite(sd).all() and (sd >= 0).all()):
        raise InputError("flatness: uncertainties must be finite and 0 or more")
    _must_span(points[:, :2])
    width, weights = _minimum_zone(points)
    half = float(ndtri(0.5 + level / 2)) * float(np.sqrt(((weights * sd) ** 2).sum()))
    value = 1000 * width
    lean = 0.0
    if rng is not None and sd.any():
        shaken = np.repeat(points[None], _N_SHAKEN, axis=0)
        shaken[:, :, 2] += sd / 1000 * rng.standard_normal((_N_SHAKEN, len(z)))
        lean = max(float(np.mean([1000 * _minimum_zone(p)[0] for p in shaken])) - value, 0.0)
    to_plane = _from_least_squares(points) * 1000
    return Flatness(
        minimum_zone_um=Estimate(
            value=value, low=max(value - lean - half, 0.0), high=value + half, level=level
        ),
        least_squares_um=float(np.ptp(to_plane)),
        rms_um=float(np.sqrt((to_plane**2).mean())),
        n_points=len(x),
        touching=tuple(int(i) for i in np.flatnonzero(np.abs(weights) > 1e-9)),
    )


def _must_span(places: NDArray) -> None:
    n = len(np.unique(places, axis=0)) if np.isfinite(places).all() else len(places)
    if n < 4:
        raise NotEnoughData(f"flatness: heights at {n} places; at least four over the face are needed")
    across = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)[1] / math.sqrt(len(places))
    if across < _LEAST_ACROSS_MM:
        raise NotEnoughData(
            f"flatness: the {n} places of the heights lie on one line, or all together; spread them over the face"
        )


def minimum_width(points: ArrayLike) -> float:
    """Least distance of two parallel planes about points (n, 3), in their unit.

    The search starts from the least-squares plane and is exact for a plate, whose points lie near one plane; a body
    as thick as it is wide may have a narrower direction elsewhere.
    """
    return _minimum_zone(np.asarray(points, float))[0]


def least_squares_width(points: ArrayLike) -> float:
    """Peak to valley of points (n, 3), normal to their least-squares plane, in their unit."""
    return float(np.ptp(_from_least_squares(_checked(np.asarray(points, float)))))


def _checked(points: NDArray) -> NDArray:
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        raise InputError("flatness: expected finite points (n, 3)")
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False) if len(points) else np.zeros(3)
    if len(points) < 4 or spread[1] <= 1e-9 * max(spread[0], 1e-300):
        raise NotEnoughData(
            f"flatness: {len(points)} points that span no plane; at least four over the face are needed"
        )
    return points


def _from_least_squares(points: NDArray) -> NDArray:
    """Distances from the plane that makes their squares least, measured normal to it."""
    centred = points - points.mean(axis=0)
    return centred @ np.linalg.svd(centred, full_matrices=False)[2][2]


def _minimum_zone(points: NDArray) -> tuple[float, NDArray]:
    """Width, and the weight of every point's height in it."""
    points = _checked(points)
    centred = points - points.mean(axis=0)
    # Level first: a linear programme measures along z, which is the width only for a level plate.
    turned = centred @ np.linalg.svd(centred, full_matrices=False)[2].T
    best: tuple[float, NDArray] | None = None
    for _ in range(_MAX_TURNS):
        slope, height, weights = _vertical_zone(turned)
        normal = np.array([-slope[0], -slope[1], 1.0]) / math.sqrt(1 + slope @ slope)
        width = height * normal[2]
        if best is not None and width >= best[0] * (1 - 1e-13):
            break
        best = (width, weights)
        if slope @ slope < 1e-22:
            break
        turned = turned @ _turn_to(normal).T
    if best is None:
        raise NotEnoughData("flatness: the points span no plane")
    return best


def _turn_to(normal: NDArray) -> NDArray:
    """Rotation that takes `normal` to the z axis."""
    a = np.cross(normal, [0.0, 0.0, 1.0])
    s, c = float(np.linalg.norm(a)), float(normal[2])
    if s < 1e-15:
        return np.eye(3)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    return np.eye(3) + k + k @ k * ((1 - c) / s**2)


def _vertical_zone(points: NDArray) -> tuple[NDArray, float, NDArray]:
    """Least vertical spread over all tilts: slope (2,), spread, and weights of the heights (sum of sizes 2)."""
    span = np.abs(points[:, :2]).max(axis=0)
    span[span == 0] = 1.0
    z = points[:, 2]
    size = float(np.ptp(z)) or 1.0
    xy = points[:, :2] / span
    # Variables: offset, two slopes, half the spread; |z - plane| <= half.
    ones = np.ones((len(z), 1))
    above = np.hstack([-ones, -xy, -ones])
    below = np.hstack([ones, xy, -ones])
    solved = linprog(
        [0, 0, 0, 1.0], A_ub=np.vstack([above, below]), b_ub=np.concatenate([-z, z]) / size,
        bounds=[(None, None)] * 3 + [(0, None)], method="highs",
    )  # fmt: skip
    if not solved.success:
        raise NotEnoughData(f"flatness: the linear programme found no zone ({solved.message})")
    slope = solved.x[1:3] * size / span
    # The spread at the found tilt, free of the solver's tolerance.
    spread = float(np.ptp(z - points[:, :2] @ slope))
    price = -solved.ineqlin.marginals
    return slope, spread, 2 * (price[: len(z)] - price[len(z) :])
