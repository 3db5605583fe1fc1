"""The lapping plane: with how little stock, and at what tilt, every low point is reached."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import linprog

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from ..units import format_confidence
from .curves import least_enough

__all__ = ["LappingPlane", "confident_plane", "lapping_plane"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LappingPlane:
    """The highest plane under every critical point.

    Parameters
    ----------
    coefficients : tuple of float
        c0 (um), cx, cy (um per mm): stock at (x, y) under the present face.
    tilt_x_um, tilt_y_um : float
        Difference of stock across the face in x and in y.
    largest_um, mean_um : float
        Stock at the place that loses most, and over the face.
    parallel_um : float
        Stock of a removal that is the same everywhere.
    saving_um : Estimate
        Mean stock that the tilted plane saves against the parallel one. Its interval is that of the depths where
        draws were given.
    touching : tuple of int
        Critical points on the plane.
    """

    coefficients: tuple[float, float, float]
    tilt_x_um: float
    tilt_y_um: float
    largest_um: float
    mean_um: float
    parallel_um: float
    saving_um: Estimate
    touching: tuple[int, ...]

    @property
    def least_um(self) -> float:
        """Stock at the place that loses least."""
        return self.mean_um - (abs(self.tilt_x_um) + abs(self.tilt_y_um)) / 2


def lapping_plane(
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    low_um: ArrayLike,
    bounds_mm: tuple[float, float, float, float],
    *,
    tilt_max_um: float,
    low_draws_um: ArrayLike | None = None,
    level: float = DEFAULT_LEVEL,
) -> LappingPlane:
    """Best plane within the allowed tilt, by linear programme.

    Parameters
    ----------
    x_mm, y_mm, low_um : array (n,)
        Critical points (pit floors, low spots) and their depth under the present face, um. Points of depth 0 or less
        ask for nothing.
    bounds_mm : tuple
        (x_min, y_min, x_max, y_max) of the face. Metal cannot be put on: the stock is 0 or more at every corner.
    tilt_max_um : float
        Largest difference of stock allowed across the face, in x and in y each; 0 gives the parallel removal.
    low_draws_um : array (draws, n) or None
        Draws of the depths, for the interval of the saving.
    level : float

    Raises
    ------
    InputError
        Values that do not match or a tilt below 0.
    NotEnoughData
        No critical point.

    Notes
    -----
    Least mean stock over the face (the stock at its middle), such that s(x_i, y_i) >= depth_i, the stock is nowhere
    below 0, and the tilt is within its limit.
    """
    x, y, low = (np.asarray(a, float).ravel() for a in (x_mm, y_mm, low_um))
    if not len(x) == len(y) == len(low):
        raise InputError(f"lapping_plane: {len(x)}, {len(y)} and {len(low)} values for x, y and depth")
    if not len(x):
        raise NotEnoughData("lapping_plane: no critical point; nothing has to come off")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(low).all()):
        raise InputError("lapping_plane: places and depths must be finite")
    if not tilt_max_um >= 0:
        raise InputError(f"lapping_plane: expected a tilt of 0 or more, got {tilt_max_um!r}")
    x0, y0, x1, y1 = bounds_mm
    if not (x1 > x0 and y1 > y0):
        raise InputError(f"lapping_plane: expected x_min < x_max and y_min < y_max, got {bounds_mm}")
    u, v = (x - (x0 + x1) / 2) / (x1 - x0), (y - (y0 + y1) / 2) / (y1 - y0)
    if max(np.abs(u).max(), np.abs(v).max()) > 0.5 + 1e-9:
        raise InputError("lapping_plane: a critical point lies outside the bounds of the face")
    c0, tx, ty = _solve(u, v, low, tilt_max_um)
    parallel = max(float(low.max()), 0.0)
    saving = Estimate(
        value=parallel - c0, low=math.nan, high=math.nan, level=level, reason="the depths came without draws"
    )
    if low_draws_um is not None:
        draws = np.asarray(low_draws_um, float)
        if draws.ndim != 2 or draws.shape[1] != len(low):
            raise InputError(f"lapping_plane: draws of shape {draws.shape} for {len(low)} points")
        some = draws[np.linspace(0, len(draws) - 1, min(60, len(draws))).astype(int)]
        saved = np.array([max(float(d.max()), 0.0) - _solve(u, v, d, tilt_max_um)[0] for d in some])
        tail = (1 - level) / 2
        a, m, b = (float(q) for q in np.quantile(saved, [tail, 0.5, 1 - tail]))
        saving = Estimate(value=m, low=a, high=b, level=level)
    cx, cy = tx / (x1 - x0), ty / (y1 - y0)
    on = np.flatnonzero(c0 + tx * u + ty * v - low < 1e-6 * max(1.0, parallel))
    return LappingPlane(
        coefficients=(c0 - cx * (x0 + x1) / 2 - cy * (y0 + y1) / 2, cx, cy), tilt_x_um=tx, tilt_y_um=ty,
        largest_um=c0 + (abs(tx) + abs(ty)) / 2, mean_um=c0, parallel_um=parallel, saving_um=saving,
        touching=tuple(int(i) for i in on),
    )  # fmt: skip


def _solve(u: np.ndarray, v: np.ndarray, low: np.ndarray, tilt: float) -> tuple[float, float, float]:
    needy = np.flatnonzero(low > 0)
    if not needy.size:
        return 0.0, 0.0, 0.0
    if tilt == 0:
        return float(low.max()), 0.0, 0.0
    corners = np.array([(a, b) for a in (-0.5, 0.5) for b in (-0.5, 0.5)])
    places = np.vstack([np.column_stack([u[needy], v[needy]]), corners])
    least = np.concatenate([low[needy], np.zeros(4)])
    solved = linprog(
        [1.0, 0.0, 0.0], A_ub=-np.column_stack([np.ones(len(places)), places]), b_ub=-least,
        bounds=[(0, None), (-tilt, tilt), (-tilt, tilt)], method="highs",
    )  # fmt: skip
    if not solved.success:
        raise NotEnoughData(f"lapping_plane: the linear programme found no plane ({solved.message})")
    tx, ty = float(solved.x[1]), float(solved.x[2])
    # The offset that this tilt needs, free of the solver's tolerance.
    return float((least - places @ (tx, ty)).max()), tx, ty


def confident_plane(
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    low_draws_um: ArrayLike,
    bounds_mm: tuple[float, float, float, float],
    *,
    tilt_max_um: float,
    confidence: float,
    level: float = DEFAULT_LEVEL,
) -> LappingPlane:
    """Lapping plane that reaches every point together with the wanted confidence.

    Parameters
    ----------
    x_mm, y_mm : array (n,)
    low_draws_um : array (draws, n)
        Joint draws of the depths under the present face.
    bounds_mm, tilt_max_um, level
        As in :func:`lapping_plane`.
    confidence : float
        Chance wanted that the plane lies under every point.

    Raises
    ------
    InputError
        A confidence outside 0..1.
    NotEnoughData
        No draws of any point, or too few for the confidence.

    Notes
    -----
    The tilt is that of the best plane for the median depths; the plane is then lowered until it lies under all
    points with the wanted chance (:func:`~pitmap.stock.curves.least_enough`). The parallel removal is held to the same.
    """
    draws = np.asarray(low_draws_um, float)
    if not 0 < confidence < 1:
        raise InputError(f"confident_plane: expected a confidence between 0 and 1, got {confidence!r}")
    if draws.ndim != 2 or not draws.size:
        raise NotEnoughData("confident_plane: no draws of any critical point; nothing has to come off")
    middle = np.median(draws, axis=0)
    best = lapping_plane(x_mm, y_mm, middle, bounds_mm, tilt_max_um=tilt_max_um, level=level)
    c0, cx, cy = best.coefficients
    plane = c0 + cx * np.asarray(x_mm, float) + cy * np.asarray(y_mm, float)
    enough = least_enough(draws.max(axis=1), confidence)
    if math.isnan(enough):
        raise NotEnoughData(
            f"confident_plane: {len(draws)} draws cannot tell what is enough with {format_confidence(confidence)}"
            " confidence; ask for less"
        )
    lower = max(least_enough((draws - plane).max(axis=1), confidence), -best.least_um)
    parallel = max(enough, 0.0)
    return replace(
        best,
        coefficients=(c0 + lower, cx, cy),
        largest_um=best.largest_um + lower,
        mean_um=best.mean_um + lower,
        parallel_um=parallel,
        saving_um=Estimate(
            value=parallel - best.mean_um - lower,
            low=math.nan,
            high=math.nan,
            level=level,
            reason="both removals are plans, held to the same confidence",
        ),
    )
