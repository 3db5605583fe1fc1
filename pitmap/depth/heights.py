"""Low-spot map of a face from dial heights, lap contours, and what was cut and what was not."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial.distance import cdist

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from ..grid import Grid
from .bounds import PixelBounds
from .removed import RemovedStock

__all__ = ["HeightData", "LowSpotMap", "height_data", "low_spot_map"]

_MAX_KNOTS = 260
_MAX_BOUNDS = 400
_PLANE_SD_UM = 1000.0
"""How the dial's plane lay against the lap's plane is not known; this leaves it free."""

_ACTIVE_ROUNDS = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeightData:
    """What is known of how far the face lies under its first lap plane, um.

    Parameters
    ----------
    dial_xy, dial_um, dial_sd_um : ndarray
        Dial heights (up is positive) over the dial's own plane.
    edge_xy, edge_um, edge_sd_um : ndarray
        Places on cut/uncut edges, the depth of the plane that made them, its error.
    cut_xy, cut_um, cut_sd_um : ndarray
        Places that were cut: not lower than this.
    uncut_xy, uncut_um, uncut_sd_um : ndarray
        Places not cut: lower than this.
    """

    dial_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    dial_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    dial_sd_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    edge_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    edge_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    edge_sd_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    cut_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    cut_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    cut_sd_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    uncut_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    uncut_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    uncut_sd_um: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        for kind in ("dial", "edge", "cut", "uncut"):
            xy, value, sd = (np.asarray(getattr(self, f"{kind}_{c}"), float) for c in ("xy", "um", "sd_um"))
            if xy.shape != (len(value), 2) or sd.shape != value.shape:
                raise InputError(f"height data: {kind} places, values and errors do not match")
            if not (np.isfinite(xy).all() and np.isfinite(value).all() and (sd > 0).all()):
                raise InputError(f"height data: {kind} values must be finite, errors above 0")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LowSpotMap:
    """How far the face lies under the lap plane that first touches it.

    Parameters
    ----------
    grid : Grid
        Coarse raster of the map.
    low_um, low_low_um, low_high_um : ndarray (rows, cols)
        Depth under the plane and its interval. With lap edges the plane is the lap's own; from dial heights alone it
        is a parallel one through the highest metal, and its tilt is the dial's.
    wear_um : mapping of str to Estimate
        Depth of each seal band under the smooth form of the face; unknown where nothing was measured on it.
    warp_um : Estimate
        Peak to valley of the smooth form alone, over the map.
    length_mm, size_um : float
        Correlation length and standard deviation of the smooth form that the data chose.
    level : float
    """

    grid: Grid
    low_um: NDArray[np.float64]
    low_low_um: NDArray[np.float64]
    low_high_um: NDArray[np.float64]
    wear_um: Mapping[str, Estimate]
    warp_um: Estimate
    length_mm: float
    size_um: float
    level: float


def height_data(
    readings: pd.DataFrame,
    pixels: PixelBounds | None = None,
    removed: RemovedStock | None = None,
    *,
    edge_sd_um: float = 3.0,
    max_points: int = _MAX_BOUNDS,
) -> HeightData:
    """Gather dial readings and what lapped surveys say into one set of conditions.

    Parameters
    ----------
    readings : DataFrame
        :data:`~pitmap.depth.READINGS`; kind ``height`` is used.
    pixels : PixelBounds or None
        From :func:`~pitmap.depth.pixel_bounds`.
    removed : RemovedStock or None
        Of the last survey, for the error of the stock; None takes `edge_sd_um` alone.
    edge_sd_um : float
        Error of a cut/uncut edge as a contour line, um.
    max_points : int
        Most places kept of each kind, evenly spread.
    """
    dial = readings.loc[(readings["kind"] == "height") & np.isfinite(readings["x_mm"])]
    parts: dict[str, NDArray] = {
        "dial_xy": dial[["x_mm", "y_mm"]].to_numpy(float),
        "dial_um": dial["value_um"].to_numpy(float),
        "dial_sd_um": dial["uncertainty_um"].to_numpy(float),
    }
    if pixels is None:
        return HeightData(**parts)

    def error(xy: NDArray) -> NDArray:
        return np.hypot(edge_sd_um, removed.sd_at(xy) if removed else 0.0) * np.ones(len(xy))

    edges = [(xy, np.full(len(xy), level)) for level, xy in pixels.contours]
    if edges:
        xy, value = np.concatenate([e[0] for e in edges]), np.concatenate([e[1] for e in edges])
        keep = _spread(len(xy), max_points)
        parts |= {"edge_xy": xy[keep], "edge_um": value[keep], "edge_sd_um": error(xy[keep])}
    for kind, values in (("cut", pixels.upper_um), ("uncut", pixels.lower_um)):
        known = np.isfinite(values) & (values > 0) & ~pixels.is_pit
        rows, columns = np.nonzero(known)
        keep = _spread(len(rows), max_points)
        xy = pixels.grid.px_to_mm(np.column_stack([columns[keep], rows[keep]]))
        value = values[rows[keep], columns[keep]].astype(float)
        parts |= {f"{kind}_xy": xy, f"{kind}_um": value, f"{kind}_sd_um": error(xy)}
    return HeightData(**parts)


def _spread(n: int, most: int) -> NDArray[np.int64]:
    return np.arange(n) if n <= most else np.linspace(0, n - 1, most).astype(int)


def low_spot_map(
    data: HeightData,
    bounds_mm: tuple[float, float, float, float],
    *,
    rng: np.random.Generator,
    bands: Mapping[str, Callable[[NDArray[np.float64]], NDArray[np.bool_]]] | None = None,
    level: float = DEFAULT_LEVEL,
    n_draws: int = 60,
) -> LowSpotMap:
    """Map of low metal with its uncertainty.

    Parameters
    ----------
    data : HeightData
    bounds_mm : tuple
        (x_min, y_min, x_max, y_max) of the map.
    rng : numpy.random.Generator
    bands : mapping of str to callable, or None
        Seal bands: from points (N, 2) in mm to (N,) bool. Each may lie lower than the smooth form by a step.
    level : float
    n_draws : int

    Raises
    ------
    InputError
        Bounds in the wrong order.
    NotEnoughData
        Fewer than four dial heights and edge points together.

    Notes
    -----
    Depth under the plane = smooth form (Gaussian process; length and size by marginal likelihood over a few
    choices) + one step per band. Dial heights measure its negative plus an unknown plane; edges measure it; cut and
    uncut places bound it. The interval comes from fits to data perturbed by their own errors and to draws of the
    prior, each under the same bounds (randomise, then optimise). Smooth form is warp, the steps are wear: where
    nothing was measured on a band the two cannot be told apart and the band says so.

    References
    ----------
    Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), ch. 2, 5; Bardsley et al., SIAM J. Sci. Comput.
    36 (2014) A1895 (randomise-then-optimise); both from memory. Step size up to 50 um: common practice, no
    published source.
    """
    n_equal = len(data.dial_um) + len(data.edge_um)
    if n_equal < 4:
        raise NotEnoughData(
            f"low-spot map: {n_equal} heights and edge points, at least 4 are needed; lay a grid of dial readings"
        )
    bands = dict(bands or {})
    x0, y0, x1, y1 = bounds_mm
    if not (x1 > x0 and y1 > y0):
        raise InputError(f"low-spot map: expected x_min < x_max and y_min < y_max, got {bounds_mm}")
    grid = Grid.over_bounds(bounds_mm, math.sqrt(_MAX_KNOTS / ((x1 - x0) * (y1 - y0))))
    columns, rows = grid.centres_mm()
    knots = np.stack(np.broadcast_arrays(columns[None, :], rows[:, None]), -1).reshape(-1, 2)

    places = np.concatenate([data.dial_xy, data.edge_xy, data.cut_xy, data.uncut_xy, knots])
    step = (
        np.column_stack([np.asarray(f(places), float) for f in bands.values()])
        if bands
        else np.empty((len(places), 0))
    )
    model = _Model(data, places, knots, step)
    size, length = model.choose()
    solved = model.draw(size, length, n_draws, rng)
    form, steps = solved[:, : len(knots)], solved[:, len(knots) : len(knots) + len(bands)]
    total = form + steps @ step[len(places) - len(knots) :].T
    if not len(data.edge_um):
        # Without an edge nothing ties the dial to the lap's plane: count from the metal that is highest on
        # average. (The highest of each draw would be the highest noise.)
        total = total - total[:, [int(np.argmin(total.mean(axis=0)))]]
    total = np.maximum(total, 0.0)
    tail = (1 - level) / 2
    low, middle, high = np.quantile(total, [tail, 0.5, 1 - tail], axis=0)
    wear = {}
    for i, name in enumerate(bands):
        on_band = step[: len(places) - len(knots), i] > 0
        wear[name] = (
            _estimate(steps[:, i], level)
            if on_band.any()
            else Estimate.unknown("no height was measured on this band", level=level)
        )
    return LowSpotMap(
        grid=grid, low_um=middle.reshape(grid.shape), low_low_um=low.reshape(grid.shape),
        low_high_um=high.reshape(grid.shape), wear_um=wear, warp_um=_estimate(np.ptp(form, axis=1), level),
        length_mm=length, size_um=size, level=level,
    )  # fmt: skip


def _estimate(draws: ArrayLike, level: float) -> Estimate:
    tail = (1 - level) / 2
    low, value, high = (float(q) for q in np.quantile(np.asarray(draws), [tail, 0.5, 1 - tail]))
    return Estimate(value=value, low=low, high=high, level=level)


class _Model:
    """Unknowns: form at the knots, steps of the bands, offset and two tilts of the dial's plane."""

    def __init__(self, data: HeightData, places: NDArray, knots: NDArray, step: NDArray) -> None:
        self.data, self.knots, self.n_band = data, knots, step.shape[1]
        self.centre = knots.mean(axis=0)
        self.span = float(np.ptp(knots, axis=0).max())
        n_dial, n_edge, n_cut = len(data.dial_um), len(data.edge_um), len(data.cut_um)
        own = len(places) - len(knots)
        self.places, self.step = places[:own], step[:own]
        self.equal = slice(0, n_dial + n_edge)
        self.cut, self.uncut = (
            slice(n_dial + n_edge, n_dial + n_edge + n_cut),
            slice(n_dial + n_edge + n_cut, own),
        )
        plane = np.column_stack([np.ones(own), (self.places - self.centre) / self.span])
        plane[n_dial:] = 0.0
        # A dial reads up; depth counts down.
        self.sign = np.where(np.arange(own) < n_dial, -1.0, 1.0)
        self.plane = plane
        self.value = np.concatenate([data.dial_um, data.edge_um, data.cut_um, data.uncut_um])
        self.sd = np.concatenate([data.dial_sd_um, data.edge_sd_um, data.cut_sd_um, data.uncut_sd_um])

    def _kernel(self, a: NDArray, b: NDArray, size: float, length: float) -> NDArray:
        return size**2 * np.exp(-0.5 * cdist(a, b, "sqeuclidean") / length**2)

    def choose(self) -> tuple[float, float]:
        """Size and length with the largest marginal likelihood of dial heights and edges."""
        e = self.equal
        xy, sign = self.places[e], self.sign[e]
        wild = self.plane[e] @ self.plane[e].T * _PLANE_SD_UM**2
        # The mean depth of the form is not known either; signs make it one with the plane for dial readings.
        wild += np.outer(sign, sign) * _PLANE_SD_UM**2
        banded = (self.step[e] * sign[:, None]) @ (self.step[e] * sign[:, None]).T * 50.0**2
        best, answer = -np.inf, (10.0, self.span / 3)
        for size in (3.0, 6.0, 12.0, 25.0, 50.0):
            for share in (0.15, 0.3, 0.6, 1.2):
                k = self._kernel(xy, xy, size, share * self.span) * np.outer(sign, sign)
                k += wild + banded + np.diag(self.sd[e] ** 2)
                factor = cho_factor(k, lower=True)
                fit = (
                    -0.5 * self.value[e] @ cho_solve(factor, self.value[e]) - np.log(np.diag(factor[0])).sum()
                )
                if fit > best:
                    best, answer = fit, (size, share * self.span)
        return answer

    def draw(self, size: float, length: float, n: int, rng: np.random.Generator) -> NDArray:
        """Draws of the unknowns (n, knots + bands + 4) under data and bounds."""
        k = self._kernel(self.knots, self.knots, size, length) + 1e-6 * size**2 * np.eye(len(self.knots))
        root = np.linalg.cholesky(k)
        # Unknowns are whitened: form = root w, steps and plane in units of their spread.
        cross = self._kernel(self.places, self.knots, size, length)
        to_form = cross @ np.linalg.solve(k, root)
        blocks = [
            self.sign[:, None] * to_form, self.sign[:, None] * self.step * 50.0,
            self.sign[:, None] * _PLANE_SD_UM, self.plane * _PLANE_SD_UM,
        ]  # fmt: skip
        a = np.hstack(blocks) / self.sd[:, None]
        value = self.value / self.sd
        scale = np.concatenate([np.full(self.n_band, 50.0), np.full(4, _PLANE_SD_UM)])
        out = np.empty((n, len(self.knots) + len(scale)))
        for i in range(n):
            prior = rng.standard_normal(a.shape[1])
            shaken = value + rng.standard_normal(len(value))
            w = self._constrained(a, shaken, prior)
            out[i] = np.concatenate([root @ w[: len(self.knots)] + w[len(self.knots) + self.n_band] * _PLANE_SD_UM,
                                     w[len(self.knots) :] * scale])  # fmt: skip
        return out

    def _constrained(self, a: NDArray, value: NDArray, prior: NDArray) -> NDArray:
        """Least squares of equalities and prior, plus the squares of every bound that is broken."""
        active = np.zeros(len(value), bool)
        active[self.equal] = True
        w = prior
        for _ in range(_ACTIVE_ROUNDS):
            used = a[active]
            normal = used.T @ used
            normal[np.diag_indices(len(normal))] += 1.0
            w = np.linalg.solve(normal, used.T @ value[active] + prior)
            left = a @ w - value
            now = active.copy()
            now[self.cut] = left[self.cut] > 0
            now[self.uncut] = left[self.uncut] < 0
            if (now == active).all():
                break
            active = now
        return w
