"""Published extreme-value estimates of the deepest pit, beside the model that knows every pit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize
from scipy.special import ndtri

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from .blue import blue_coefficients

__all__ = ["GumbelFit", "ParetoFit", "fit_gumbel", "fit_pareto", "plotting_positions", "return_level"]

_EULER = 0.5772156649015329

GumbelMethod = Literal["ml", "moments", "l-moments", "blue"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GumbelFit:
    """F(x) = exp(-exp(-(x - u) / b)).

    Parameters
    ----------
    u, b : float
        Location and scale, unit of the data.
    n : int
        Values it rests on.
    method : str
    covariance : tuple of float
        var u, cov(u, b), var b.
    log_likelihood : float
    """

    u: float
    b: float
    n: int
    method: GumbelMethod
    covariance: tuple[float, float, float]
    log_likelihood: float

    def over(self, n_blocks: float) -> GumbelFit:
        """The deepest over `n_blocks` blocks: location u + b ln T, same scale (exact, max-stability).

        Raises
        ------
        InputError
            Not above 0.
        """
        if not n_blocks > 0:
            raise InputError(f"over: expected a number of blocks above 0, got {n_blocks!r}")
        k = math.log(n_blocks)
        var_u, cov, var_b = self.covariance
        return GumbelFit(
            u=self.u + self.b * k, b=self.b, n=self.n, method=self.method,
            covariance=(var_u + 2 * k * cov + k * k * var_b, cov + k * var_b, var_b), log_likelihood=math.nan,
        )  # fmt: skip

    def quantile(self, p: ArrayLike) -> NDArray[np.float64]:
        """Value not passed with chance `p`."""
        return self.u - self.b * np.log(-np.log(np.asarray(p, float)))

    @property
    def median(self) -> float:
        """u - b ln(ln 2)."""
        return self.u - self.b * math.log(math.log(2))

    @property
    def mean(self) -> float:
        """u + 0.5772 b."""
        return self.u + _EULER * self.b

    def predict(self, n_blocks: float, *, level: float = DEFAULT_LEVEL) -> Estimate:
        """The deepest over `n_blocks` blocks with an interval for the value itself.

        Notes
        -----
        Quantiles of the predicted law, widened by the error of that quantile (delta method, normal).
        """
        far = self.over(n_blocks)
        z = float(ndtri(0.5 + level / 2))
        ends = []
        for p, sign in (((1 - level) / 2, -1), ((1 + level) / 2, 1)):
            y = -math.log(-math.log(p))
            var_u, cov, var_b = far.covariance
            sd = math.sqrt(max(var_u + 2 * y * cov + y * y * var_b, 0.0))
            # Error of the quantile and spread of the value add as variances on the side that is looked at.
            spread = abs(far.u + far.b * y - far.median)
            ends.append(far.median + sign * math.hypot(spread, z * sd))
        return Estimate(value=far.median, low=ends[0], high=ends[1], level=level)


def fit_gumbel(values: ArrayLike, method: GumbelMethod = "ml") -> GumbelFit:
    """Fit the Gumbel law of largest values.

    Parameters
    ----------
    values : array (n,)
        Block maxima, such as the deepest pit of each of n equal patches. At least 2, not all equal.
    method : {"ml", "moments", "l-moments", "blue"}
        Maximum likelihood; b = s sqrt(6)/pi; b = L2/ln 2; best linear unbiased (Lieblein).

    Raises
    ------
    InputError
        Values that are not finite, or another method.
    NotEnoughData
        Fewer than two different values.

    References
    ----------
    Gumbel, Statistics of Extremes (1958); Lieblein, NBSIR 74-602 (1974); Hosking (1990) for L-moments. The variance
    of the moment estimate of the scale is Gumbel's 1.1 b^2/n and that of a level his three-term formula.
    """
    x = np.sort(np.asarray(values, float).ravel())
    n = len(x)
    if not np.isfinite(x).all():
        raise InputError("fit_gumbel: values must be finite")
    if n < 2 or x[0] == x[-1]:
        raise NotEnoughData("Gumbel fit: at least two different values are needed; read more pits")
    if method == "ml":
        u, b = _gumbel_ml(x)
        # Observed information at the maximum.
        z = (x - u) / b
        e = np.exp(-z)
        uu = e.sum() / b**2
        bb = (-n + 2 * (z * (1 - e)).sum() + (z * z * e).sum()) / b**2
        ub = (n - e.sum() + (z * e).sum()) / b**2
        inverse = np.linalg.inv([[uu, ub], [ub, bb]])
        covariance = (float(inverse[0, 0]), float(inverse[0, 1]), float(inverse[1, 1]))
    elif method == "moments":
        b = float(x.std(ddof=1)) * math.sqrt(6) / math.pi
        u = float(x.mean()) - _EULER * b
        covariance = _moment_covariance(b, n)
    elif method == "l-moments":
        weight = np.arange(n) / (n - 1)
        l1, l2 = float(x.mean()), float(2 * (weight * x).mean() - x.mean())
        b = l2 / math.log(2)
        u = l1 - _EULER * b
        # Hosking (1990): asymptotic variances for Gumbel L-moment estimates.
        covariance = (1.1128 * b * b / n, 0.2287 * b * b / n, 0.8046 * b * b / n)
    elif method == "blue":
        location, scale, var = blue_coefficients(n)
        u, b = float(location @ x), float(scale @ x)
        covariance = (var[0] * b * b, var[1] * b * b, var[2] * b * b)
    else:
        raise InputError(f"fit_gumbel: expected ml, moments, l-moments or blue, got {method!r}")
    z = (x - u) / b
    return GumbelFit(
        u=u,
        b=b,
        n=n,
        method=method,
        covariance=covariance,
        log_likelihood=float((-z - np.exp(-z)).sum() - n * math.log(b)),
    )


def return_level(fit: GumbelFit, period: float) -> tuple[float, float]:
    """Level passed once in `period` blocks on average, and its standard error.

    Raises
    ------
    InputError
        A period of 1 or less.

    Notes
    -----
    x_T = u - b ln(-ln(1 - 1/T)). For the moment fit the error is Gumbel's: s/sqrt(n) (sqrt 6/pi) sqrt(pi^2/6 +
    1.1396 (y - 0.5772) pi/sqrt 6 + 1.1 (y - 0.5772)^2).
    """
    if not period > 1:
        raise InputError(f"return_level: expected a period above 1, got {period!r}")
    y = -math.log(-math.log1p(-1 / period))
    var_u, cov, var_b = fit.covariance
    return fit.u + fit.b * y, math.sqrt(max(var_u + 2 * y * cov + y * y * var_b, 0.0))


def _gumbel_ml(x: NDArray) -> tuple[float, float]:
    shifted = x - x.mean()

    def score(b: float) -> float:
        w = np.exp(-(shifted - shifted.min()) / b)
        return b + float((shifted * w).sum() / w.sum())

    spread = float(x.std()) + 1e-12
    b = brentq(score, 1e-3 * spread, 50 * spread, xtol=1e-14 * spread, rtol=1e-14)
    low = float(shifted.min())
    u = float(x.mean()) + low - b * math.log(float(np.exp(-(shifted - low) / b).mean()))
    return u, b


def _moment_covariance(b: float, n: int) -> tuple[float, float, float]:
    """From Gumbel's error of a level, which is a quadratic in y about 0.5772."""
    scale = b * b / n
    q0, q1, q2 = math.pi**2 / 6, 1.1396 * math.pi / math.sqrt(6), 1.1
    return (
        scale * (q0 - q1 * _EULER + q2 * _EULER**2),
        scale * (q1 / 2 - q2 * _EULER),
        scale * q2,
    )


def plotting_positions(n: int, a: float = 0.0) -> NDArray[np.float64]:
    """(i - a) / (n + 1 - 2a): 0 Weibull, 0.5 Hazen, 0.375 Blom, 0.4 Cunnane, 0.44 Gringorten, 0.3 Benard.

    Raises
    ------
    InputError
        `n` under 1, or `a` outside 0..1.
    """
    if n < 1 or not 0 <= a < 1:
        raise InputError(f"plotting_positions: expected n from 1 and a in 0..1, got {n}, {a}")
    return (np.arange(1.0, n + 1) - a) / (n + 1 - 2 * a)


@dataclass(frozen=True, slots=True, kw_only=True)
class ParetoFit:
    """Generalised Pareto law of the excess over a threshold.

    Parameters
    ----------
    threshold, scale, shape : float
        Shape above 0: heavy tail.
    n_over, n_all : int
        Values over the threshold, and all.
    covariance : tuple of float
        var scale, cov(scale, shape), var shape; NaN where the likelihood is not regular.
    log_likelihood : float
    """

    threshold: float
    scale: float
    shape: float
    n_over: int
    n_all: int
    covariance: tuple[float, float, float]
    log_likelihood: float

    def level(self, m: float, *, level: float = 0.95) -> Estimate:
        """Value passed once in `m` of all values, with the delta-method interval of Coles.

        Raises
        ------
        InputError
            `m` too small for the level to lie over the threshold.
        """
        z = self.n_over / self.n_all
        if not m * z > 1:
            raise InputError(
                f"level: once in {m:g} values lies under the threshold; expected more than {1 / z:g}"
            )
        s, xi = self.scale, self.shape
        k = m * z
        value = self.threshold + (s * math.log(k) if abs(xi) < 1e-9 else s / xi * (k**xi - 1))
        var_s, cov, var_xi = self.covariance
        d_s = math.log(k) if abs(xi) < 1e-9 else (k**xi - 1) / xi
        d_xi = (
            s * math.log(k) ** 2 / 2
            if abs(xi) < 1e-9
            else s * (k**xi * math.log(k) / xi - (k**xi - 1) / xi**2)
        )
        d_z = s * m**xi * z ** (xi - 1)
        var_z = z * (1 - z) / self.n_all
        variance = d_s**2 * var_s + 2 * d_s * d_xi * cov + d_xi**2 * var_xi + d_z**2 * var_z
        if not math.isfinite(variance) or variance < 0:
            return Estimate(
                value=value,
                low=math.nan,
                high=math.nan,
                level=level,
                reason="the likelihood is not regular at this shape",
            )
        half = float(ndtri(0.5 + level / 2)) * math.sqrt(variance)
        return Estimate(value=value, low=value - half, high=value + half, level=level)


def fit_pareto(values: ArrayLike, threshold: float, *, n_all: int | None = None) -> ParetoFit:
    """Fit a generalised Pareto law to the values over a threshold by maximum likelihood.

    Parameters
    ----------
    values : array
        Values; those not over the threshold count only for the rate.
    threshold : float
    n_all : int or None
        Number of all values, where `values` holds the high ones only.

    Raises
    ------
    NotEnoughData
        Fewer than five values over the threshold.

    References
    ----------
    Coles, An Introduction to Statistical Modeling of Extreme Values (2001), ch. 4.
    """
    x = np.asarray(values, float).ravel()
    excess = x[x > threshold] - threshold
    n = len(excess)
    if n < 5:
        raise NotEnoughData(
            f"Pareto fit: {n} values over {threshold:g}, at least 5 are needed; lower the threshold"
        )

    def cost(p: NDArray) -> float:
        s, xi = math.exp(p[0]), p[1]
        inside = 1 + xi * excess / s
        if inside.min() <= 0 or xi < -0.95:
            return 1e10
        if abs(xi) < 1e-8:
            return n * p[0] + float(excess.sum()) / s
        return n * p[0] + (1 + 1 / xi) * float(np.log(inside).sum())

    start = np.array([math.log(float(excess.mean())), 0.05])
    best = minimize(
        cost, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000}
    )
    s, xi = math.exp(float(best.x[0])), float(best.x[1])
    return ParetoFit(
        threshold=float(threshold), scale=s, shape=xi, n_over=n, n_all=int(n_all or len(x)),
        covariance=_pareto_covariance(s, xi, excess), log_likelihood=-float(best.fun),
    )  # fmt: skip


def _pareto_covariance(s: float, xi: float, excess: NDArray) -> tuple[float, float, float]:
    if xi <= -0.5 or abs(xi) < 1e-6:
        return math.nan, math.nan, math.nan
    q = xi * excess / s
    w = q / (1 + q)
    n = len(excess)
    # Second derivatives of n ln s + (1 + 1/xi) sum ln(1 + q).
    c = 1 + 1 / xi
    ss = -n / s**2 + c * float((2 * w - w * w).sum()) / s**2
    s_xi = float((w / xi**2 - c / xi * (w - w * w)).sum()) / s
    xixi = float((2 * np.log1p(q) / xi**3 - 2 * w / xi**3 - c * w * w / xi**2).sum())
    inverse = np.linalg.inv([[ss, s_xi], [s_xi, xixi]])
    return float(inverse[0, 0]), float(inverse[0, 1]), float(inverse[1, 1])
