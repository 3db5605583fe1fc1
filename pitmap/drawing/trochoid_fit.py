"""The bore trace from points clicked on the visible track: least squares on the distance across the curve."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.stats import norm, t

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from .trochoid import Trochoid

__all__ = ["TrochoidFit", "fit_trochoid", "suggested_clicks"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrochoidFit:
    """A fitted bore trace, each number with its interval.

    Parameters
    ----------
    trochoid : Trochoid
    eccentricity_mm, radius_mm, offset_mm, centre_x_mm, centre_y_mm, rotation_deg : Estimate
        An offset that was given has no interval and says so.
    rms_mm : float
        Root mean square distance of the clicks from the curve.
    residuals_mm : (N,) array
        Distance of each click from the curve, positive outside.
    noise_mm : float
        Standard deviation across the curve that the intervals use: as given, or from the residuals.
    """

    trochoid: Trochoid
    eccentricity_mm: Estimate
    radius_mm: Estimate
    offset_mm: Estimate
    centre_x_mm: Estimate
    centre_y_mm: Estimate
    rotation_deg: Estimate
    rms_mm: float
    residuals_mm: NDArray[np.float64]
    noise_mm: float

    def __post_init__(self) -> None:
        self.residuals_mm.setflags(write=False)


def suggested_clicks(n: int = 12) -> NDArray[np.float64]:
    """Where to click: parameters (n,) in radians, in four groups at both ends and both sides of the waist.

    Clicks there carry most about e: across the curve it acts as cos 2a, largest at the ends and the waist.
    """
    group, place = np.arange(n) % 4, np.arange(n) // 4
    spread = np.radians(12.0) * (place - place.max() / 2)
    return group * np.pi / 2 + spread


def _trochoid(theta: NDArray[np.float64], offset_mm: float) -> Trochoid:
    """Numbers of a fit as a bore trace, e positive: a negative e is the curve turned by a quarter."""
    e, r, cx, cy, turn = theta[:5]
    if len(theta) == 6:
        offset_mm = float(theta[5])
    turn_deg = math.degrees(turn) + (90 if e < 0 else 0)
    return Trochoid(
        eccentricity_mm=abs(float(e)),
        radius_mm=float(r),
        offset_mm=offset_mm,
        centre_xy_mm=(float(cx), float(cy)),
        rotation_deg=90 - (90 - turn_deg) % 180,
    )


def _across(
    theta: NDArray[np.float64], points: NDArray[np.float64], offset_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distances (N,) of points from the curve, positive outside, and their derivatives (N, len(theta))."""
    e, r, cx, cy, turn = theta[:5]
    d = theta[5] if len(theta) == 6 else offset_mm
    c, s = math.cos(turn), math.sin(turn)
    local = (points - [cx, cy]) @ np.array([[c, -s], [s, c]])

    def curve(a: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        base = np.stack([e * np.cos(3 * a) + r * np.cos(a), e * np.sin(3 * a) + r * np.sin(a)], -1)
        slope = np.stack([-3 * e * np.sin(3 * a) - r * np.sin(a), 3 * e * np.cos(3 * a) + r * np.cos(a)], -1)
        normal = np.stack([slope[..., 1], -slope[..., 0]], -1) / np.hypot(*slope.T).T[..., None]
        return base + d * normal, slope, normal

    # The parameter is never far from the direction, which is a sure start for the foot of the perpendicular.
    a = np.arctan2(local[:, 1], local[:, 0])
    for _ in range(8):
        foot, slope, normal = curve(a)
        a = a + ((local - foot) * slope).sum(-1) / (slope**2).sum(-1)
    foot, _, normal = curve(a)
    distance = ((local - foot) * normal).sum(-1)
    world_normal = normal @ np.array([[c, s], [-s, c]])
    by_turn = -foot[:, 1] * normal[:, 0] + foot[:, 0] * normal[:, 1]
    columns = [
        np.cos(3 * a) * normal[:, 0] + np.sin(3 * a) * normal[:, 1],
        np.cos(a) * normal[:, 0] + np.sin(a) * normal[:, 1],
        world_normal[:, 0],
        world_normal[:, 1],
        by_turn,
    ]
    if len(theta) == 6:
        columns.append(np.ones(len(a)))
    return distance, -np.stack(columns, -1)


def _start(points: NDArray[np.float64], offset_mm: float) -> NDArray[np.float64]:
    """First numbers from the radius over the direction: R + e cos 2(phi - turn), centre found on the way."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    circle, *_ = np.linalg.lstsq(design, (points**2).sum(1), rcond=None)
    centre = circle[:2]
    for _ in range(3):
        x, y = (points - centre).T
        phi = np.arctan2(y, x)
        waves = np.column_stack(
            [np.ones_like(phi), np.cos(phi), np.sin(phi), np.cos(2 * phi), np.sin(2 * phi)]
        )
        k, *_ = np.linalg.lstsq(waves, np.hypot(x, y), rcond=None)
        centre = centre + k[1:3]
    e = min(float(np.hypot(k[3], k[4])), 0.25 * k[0])
    return np.array([e, k[0] - offset_mm, *centre, 0.5 * math.atan2(k[4], k[3])])


def fit_trochoid(
    points_xy: ArrayLike,
    *,
    offset_mm: float | None = 0.0,
    noise_mm: float | None = None,
    level: float = DEFAULT_LEVEL,
) -> TrochoidFit:
    """Bore trace through clicked points.

    Parameters
    ----------
    points_xy : (N, 2) array
        Clicks on the trace, mm; at least six, well round it (:func:`suggested_clicks`).
    offset_mm : float or None
        The parallel offset, known from the apex seal; None fits it too, which some clicks cannot: R and
        offset act nearly alike, and their intervals will show it.
    noise_mm : float or None
        Standard deviation of a click across the curve where known; None takes it from the residuals.
    level : float
        Coverage of the intervals.

    Returns
    -------
    TrochoidFit

    Raises
    ------
    InputError
        Points that are not (N, 2) finite numbers.
    NotEnoughData
        Fewer clicks than numbers plus one, or clicks that leave a number open (all on one side, say).

    Notes
    -----
    Least squares on the distances across the curve (orthogonal distance regression, feet eliminated), all
    clicks alike. Intervals from the linearised covariance with Student's t on N less the number of
    unknowns, or the normal quantile where the noise is given.

    References
    ----------
    Geometry as in :mod:`pitmap.drawing.trochoid`. Intervals: any text on nonlinear regression, for example
    D. M. Bates and D. G. Watts, Nonlinear Regression Analysis, 1988 (from memory).
    """
    points = np.asarray(points_xy, float)
    if points.ndim != 2 or points.shape[1] != 2 or not np.isfinite(points).all():
        raise InputError(f"clicks: expected finite points (N, 2) in mm, got shape {points.shape}")
    n_unknown = 5 if offset_mm is not None else 6
    n_free = len(points) - n_unknown
    if n_free < 1:
        raise NotEnoughData(
            f"{len(points)} clicks on the bore trace; {n_unknown + 1} are the least and 12 are good, three "
            "each at both ends and both sides of the waist"
        )
    fixed = 0.0 if offset_mm is None else float(offset_mm)
    theta = _start(points, fixed)
    if offset_mm is None:
        theta = np.append(theta, 0.0)
    scale = np.array([1, 1, 1, 1, 0.02, 1])[: len(theta)]
    result = least_squares(
        lambda v: _across(v, points, fixed)[0],
        theta,
        jac=lambda v: _across(v, points, fixed)[1],
        x_scale=scale,
        max_nfev=60,
    )
    residuals, jacobian = _across(result.x, points, fixed)
    _, singular, axes = np.linalg.svd(jacobian * scale, full_matrices=False)
    if not np.isfinite(singular).all() or singular[-1] < 1e-4 * singular[0]:
        raise NotEnoughData(
            "the clicks lie so that the bore trace stays open; add clicks at the ends and the waist"
        )
    try:
        trochoid = _trochoid(result.x, fixed)
    except InputError as error:
        raise NotEnoughData(
            f"the clicks fit no bore trace ({error}); check that all lie on the same track"
        ) from error
    noise = float(np.sqrt((residuals**2).sum() / n_free)) if noise_mm is None else float(noise_mm)
    half = (1 + level) / 2
    quantile = float(t.ppf(half, n_free) if noise_mm is None else norm.ppf(half))
    cov = (axes.T / singular**2) @ axes * np.outer(scale, scale)
    spread = quantile * noise * np.sqrt(np.diag(cov))

    def known(value: float, half_width: float) -> Estimate:
        return Estimate(value=value, low=value - half_width, high=value + half_width, level=level)

    e = known(trochoid.eccentricity_mm, spread[0])
    turn_width = math.degrees(spread[4])
    if e.low <= 0 or turn_width > 45:
        turn = Estimate(
            value=trochoid.rotation_deg, low=math.nan, high=math.nan, level=level,
            reason="the curve is too near a circle to have a direction",
        )  # fmt: skip
    else:
        turn = known(trochoid.rotation_deg, turn_width)
    if offset_mm is None:
        offset = known(trochoid.offset_mm, spread[5])
    else:
        offset = Estimate(
            value=fixed, low=math.nan, high=math.nan, level=level, reason="given by the user, not fitted"
        )
    return TrochoidFit(
        trochoid=trochoid,
        eccentricity_mm=e,
        radius_mm=known(trochoid.radius_mm, spread[1]),
        offset_mm=offset,
        centre_x_mm=known(trochoid.centre_xy_mm[0], spread[2]),
        centre_y_mm=known(trochoid.centre_xy_mm[1], spread[3]),
        rotation_deg=turn,
        rms_mm=float(np.sqrt((residuals**2).mean())),
        residuals_mm=residuals,
        noise_mm=noise,
    )
