"""Best linear unbiased estimation of Gumbel's location and scale from ordered values."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln

from ..errors import InputError

__all__ = ["blue_coefficients"]

_MOST = 60
"""Above it the weights are tiny, the covariance nearly singular, and maximum likelihood is as good."""


@cache
def blue_coefficients(
    n: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[float, float, float]]:
    """Coefficients for `n` ordered values, smallest first: location, scale, and (var u, cov, var b) over b^2.

    Raises
    ------
    InputError
        `n` not between 2 and 60.

    Notes
    -----
    Generalised least squares on the exact means and covariances of Gumbel order statistics. With U_(j) a beta
    variable and U_(i)/U_(j) an independent one, the moments are integrals over the unit square; the tanh-sinh
    rule takes the logarithmic ends in its stride.

    References
    ----------
    Lieblein, NBSIR 74-602 (1974); Lloyd, Biometrika 39 (1952) 88 (least squares; from memory); Takahasi & Mori,
    Publ. RIMS 9 (1974) 721 (tanh-sinh rule; from memory).
    """
    if not 2 <= n <= _MOST:
        raise InputError(f"best linear estimate: expected 2 to {_MOST} values, got {n}; use another method")
    mean, covariance = _order_moments(n)
    design = np.column_stack([np.ones(n), mean])
    solved = np.linalg.solve(covariance, design)
    spread = np.linalg.inv(design.T @ solved)
    location, scale = spread @ solved.T
    for array in (location, scale):
        array.setflags(write=False)
    return location, scale, (float(spread[0, 0]), float(spread[0, 1]), float(spread[1, 1]))


def _order_moments(n: int) -> tuple[NDArray, NDArray]:
    p, q, log_p, log_q, weight = _rule()
    x = -np.log(_minus_log(p, q))
    # Rows: the larger value (v), columns: the smaller one as a share of it (w); 1 - v w without cancellation.
    product, rest = p[:, None] * p[None, :], q[:, None] + p[:, None] * q[None, :]
    both = -np.log(_minus_log(product, rest)) * x[:, None]
    mean, second = np.empty(n), np.empty((n, n))
    for j in range(1, n + 1):
        beta_v = weight * np.exp((j - 1) * log_p + (n - j) * log_q - betaln(j, n - j + 1))
        mean[j - 1] = beta_v @ x
        second[j - 1, j - 1] = beta_v @ (x * x)
        for i in range(1, j):
            beta_w = weight * np.exp((i - 1) * log_p + (j - i - 1) * log_q - betaln(i, j - i))
            second[i - 1, j - 1] = second[j - 1, i - 1] = beta_v @ both @ beta_w
    return mean, second - np.outer(mean, mean)


def _rule() -> tuple[NDArray, NDArray, NDArray, NDArray, NDArray]:
    """Nodes of (0, 1), their complements, logarithms of both, and weights."""
    t = np.linspace(-4.0, 4.0, 161)
    s = np.pi * np.sinh(t)
    log_p, log_q = -np.logaddexp(0, -s), -np.logaddexp(0, s)
    p, q = np.exp(log_p), np.exp(log_q)
    return p, q, log_p, log_q, (t[1] - t[0]) * np.pi * np.cosh(t) * p * q


def _minus_log(value: NDArray, complement: NDArray) -> NDArray:
    """-ln(value), kept exact near 1 through the complement."""
    return np.where(complement < 0.5, -np.log1p(-np.minimum(complement, 0.5)), -np.log(value))
