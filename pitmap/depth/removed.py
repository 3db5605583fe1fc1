"""How much stock came off: one number, or a plane through the thickness spots, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.distance import cdist

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate

__all__ = ["RemovedStock", "removed_from_thickness", "thickness_spots"]

_SAME_SPOT_MM = 2.0
"""Thickness readings so near each other are of one spot (house choice: a micrometer's face is wider)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemovedStock:
    """Stock taken off before a survey, s(x, y) = c0 + cx x + cy y, micrometres under the first face.

    Parameters
    ----------
    coefficients : tuple of float
        c0 (um), cx, cy (um per mm).
    covariance : ndarray (3, 3)
        Of the coefficients.
    n_spots : int
        Thickness spots behind it; 0 for a number that was simply given.
    residual_um : float
        Standard deviation of the spots about the plane; NaN without spare spots.
    """

    coefficients: tuple[float, float, float]
    covariance: NDArray[np.float64]
    n_spots: int = 0
    residual_um: float = math.nan

    def __post_init__(self) -> None:
        covariance = np.array(self.covariance, float)
        if (
            covariance.shape != (3, 3)
            or not np.isfinite(covariance).all()
            or not np.isfinite(self.coefficients).all()
        ):
            raise InputError("RemovedStock: expected three finite coefficients and a finite 3 x 3 covariance")
        covariance.setflags(write=False)
        object.__setattr__(self, "covariance", covariance)

    @classmethod
    def of(cls, value_um: float, uncertainty_um: float) -> RemovedStock:
        """The same stock everywhere, with one standard deviation.

        Raises
        ------
        InputError
            A value or an uncertainty below 0, or not finite.
        """
        if not (
            math.isfinite(value_um)
            and value_um >= 0
            and math.isfinite(uncertainty_um)
            and uncertainty_um >= 0
        ):
            raise InputError(
                f"removed stock: expected a value and an uncertainty of 0 or more, got {value_um}, {uncertainty_um}"
            )
        covariance = np.zeros((3, 3))
        covariance[0, 0] = uncertainty_um**2
        return cls(coefficients=(float(value_um), 0.0, 0.0), covariance=covariance)

    @classmethod
    def from_estimate(cls, estimate: Estimate) -> RemovedStock:
        """From an interval: its half width is taken as that of a normal error at the interval's level.

        Raises
        ------
        InputError
            No number with an interval, or a negative one.
        """
        from scipy.special import ndtri

        if not estimate.is_known or not estimate.has_interval:
            raise InputError(f"removed stock: no number with an interval ({estimate.reason})")
        z = float(ndtri(0.5 + estimate.level / 2))
        return cls.of(estimate.value, (estimate.high - estimate.low) / (2 * z))

    def at(self, xy_mm: ArrayLike) -> NDArray[np.float64]:
        """Stock removed at points (..., 2), um."""
        p = np.asarray(xy_mm, float)
        c0, cx, cy = self.coefficients
        return c0 + cx * p[..., 0] + cy * p[..., 1]

    def sd_at(self, xy_mm: ArrayLike) -> NDArray[np.float64]:
        """Its standard deviation at points (..., 2), um."""
        p = np.asarray(xy_mm, float)
        a = np.stack([np.ones(p.shape[:-1]), p[..., 0], p[..., 1]], -1)
        return np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", a, self.covariance, a), 0.0))

    def on_top_of(self, earlier: RemovedStock) -> RemovedStock:
        """This stock and what had been taken off before it, as one; their errors are taken as independent."""
        c0, cx, cy = (a + b for a, b in zip(self.coefficients, earlier.coefficients, strict=True))
        return replace(self, coefficients=(c0, cx, cy), covariance=self.covariance + earlier.covariance)

    def estimate(self, xy_mm: Sequence[float] = (0.0, 0.0), *, level: float = DEFAULT_LEVEL) -> Estimate:
        """Stock at one point with its interval."""
        return Estimate.from_sd(float(self.at(xy_mm)), float(self.sd_at(xy_mm)), level=level)


def removed_from_thickness(before: pd.DataFrame, after: pd.DataFrame) -> RemovedStock:
    """Stock removed between two sets of thickness readings at the same spots.

    Parameters
    ----------
    before, after : DataFrame
        ``x_mm y_mm value_um uncertainty_um``; spots are paired by place (within 2 mm), and readings repeated at one
        spot are averaged. A reading without a place belongs to no spot and is left out.

    Returns
    -------
    RemovedStock
        One paired spot: one number. Two: their mean. Three or more that are not in a line: the weighted
        least-squares plane. Errors grow with the residual where the spots scatter more than stated.

    Raises
    ------
    NotEnoughData
        No spot was measured both times.

    References
    ----------
    Weighted least squares; the Birge ratio widens the errors (R. T. Birge, Phys. Rev. 40 (1932) 207, from memory).
    """
    a, b = (s[np.isfinite(s[:, :2]).all(axis=1)] for s in map(thickness_spots, (before, after)))
    one, twin = _pairs(a[:, :2], b[:, :2])
    if not len(one):
        raise NotEnoughData(
            "removed stock: no spot was measured both before and after; measure the same spots again"
        )
    p, d, v = a[one, :2], a[one, 2] - b[twin, 2], a[one, 3] + b[twin, 3]
    middle = p.mean(axis=0)
    design = np.column_stack([np.ones(len(p)), p - middle])
    spread = np.linalg.svd(p - middle, compute_uv=False)
    n_used = 3 if len(p) >= 3 and spread[-1] > 0.02 * max(spread[0], 1e-9) else 1
    design = design[:, :n_used]
    w = 1 / v
    covariance = np.linalg.inv(design.T @ (w[:, None] * design))
    fitted = covariance @ design.T @ (w * d)
    spare = len(p) - n_used
    residual = d - design @ fitted
    sd = float(np.sqrt(residual @ residual / spare)) if spare > 0 else math.nan
    if spare > 0:
        covariance = covariance * max(1.0, float(residual @ (w * residual)) / spare)
    full, c = np.zeros((3, 3)), np.zeros(3)
    full[:n_used, :n_used], c[:n_used] = covariance, fitted
    # Fitted about the middle of the spots; moved to the plate's origin, where `at` expects it.
    move = np.array([[1.0, -middle[0], -middle[1]], [0, 1, 0], [0, 0, 1]])
    c, full = move @ c, move @ full @ move.T
    return RemovedStock(
        coefficients=(float(c[0]), float(c[1]), float(c[2])), covariance=full, n_spots=len(p), residual_um=sd
    )


def _pairs(one: NDArray[np.float64], other: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which spots (n, 2) and (m, 2) are each other's nearest, and one place: none counts twice."""
    if not (len(one) and len(other)):
        return np.empty(0, np.intp), np.empty(0, np.intp)
    distance = cdist(one, other)
    nearest = distance.argmin(axis=1)
    places = np.arange(len(one))
    is_pair = (distance[places, nearest] <= _SAME_SPOT_MM) & (distance.argmin(axis=0)[nearest] == places)
    return places[is_pair], nearest[is_pair]


def thickness_spots(readings: pd.DataFrame) -> NDArray[np.float64]:
    """Spots of a plate with what the micrometer says there.

    Parameters
    ----------
    readings : DataFrame
        ``x_mm y_mm value_um uncertainty_um``.

    Returns
    -------
    ndarray (n, 4)
        x and y of the first reading of each spot (mm), mean of the readings there (um) and its variance (um2), which grows
        with their scatter where they disagree by more than stated. A reading without a place is a spot by itself, at NaN.
    """
    rows = readings[["x_mm", "y_mm", "value_um", "uncertainty_um"]].to_numpy(float)
    out = []
    while len(rows):
        here = np.hypot(*(rows[:, :2] - rows[0, :2]).T) <= _SAME_SPOT_MM
        here[0] = True
        value, weight = rows[here, 2], rows[here, 3] ** -2.0
        mean = float(np.average(value, weights=weight))
        spare = int(here.sum()) - 1
        spread = max(1.0, float(weight @ (value - mean) ** 2) / spare) if spare else 1.0
        out.append((*rows[0, :2], mean, spread / float(weight.sum())))
        rows = rows[~here]
    return np.array(out, float).reshape(-1, 4)
