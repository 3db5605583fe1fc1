"""Laws of the scatter of log depth about its mean, each with mean 0 and standard deviation 1."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

__all__ = ["LAWS", "NORMAL", "WEIBULL", "Scatter"]

_EULER = 0.5772156649015329
_MOST = 1e300
_STRETCH = math.pi / math.sqrt(6)
"""Standard deviation of the logarithm of an exponential variable."""


class Scatter(Protocol):
    """What the likelihood and the draws need of a law."""

    name: str

    def log_chance_between(self, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        """Log of P(z_lo < z <= z_hi), without loss of figures in either tail; minus infinity for none."""
        ...

    def log_chance_of_cells(self, z: NDArray) -> NDArray:
        """As `log_chance_between`, of the cells (..., n) between rising edges (..., n + 1), each worked out once."""
        ...

    def quantile_between(self, u: NDArray, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        """Quantile `u` of the law cut off at (z_lo, z_hi]."""
        ...


class _Normal:
    """Log-normal depths."""

    name = "log-normal"

    def log_chance_between(self, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        # The upper tail is worked in its mirror image, where probabilities keep their figures.
        flip = z_lo > 0
        below, upto = log_ndtr(np.where(flip, -z_hi, z_lo)), log_ndtr(np.where(flip, -z_lo, z_hi))
        with np.errstate(invalid="ignore"):
            return upto + _log_of_share(upto - below)

    def log_chance_of_cells(self, z: NDArray) -> NDArray:
        # log chance of the tail beyond each edge, away from 0; the cell with 0 in it is what both tails leave
        tail = log_ndtr(-np.abs(z))
        is_above = z > 0
        flip = is_above[..., :-1]
        near, far = tail[..., 1:].copy(), tail[..., :-1].copy()
        np.copyto(near, tail[..., :-1], where=flip)
        np.copyto(far, tail[..., 1:], where=flip)
        holds_0 = is_above[..., 1:] & ~flip
        near[holds_0] = np.log1p(-np.exp(near[holds_0]))
        with np.errstate(invalid="ignore"):
            return near + _log_of_share(near - far)

    def quantile_between(self, u: NDArray, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        flip = z_lo > 0
        a, b = ndtr(np.where(flip, -z_hi, z_lo)), ndtr(np.where(flip, -z_lo, z_hi))
        z = ndtri(a + u * np.maximum(b - a, 0.0))
        return np.where(flip, -z, z)


class _Weibull:
    """Weibull depths: z = (log of a standard exponential + Euler's constant) / (pi / sqrt 6)."""

    name = "Weibull"

    def log_chance_between(self, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        e_lo, e_hi = _exponential(z_lo), _exponential(z_hi, most=np.inf)
        return _log_of_share(e_hi - e_lo) - e_lo

    def log_chance_of_cells(self, z: NDArray) -> NDArray:
        e = _exponential(z, most=np.inf)
        e_lo = np.minimum(e[..., :-1], _MOST)
        return _log_of_share(e[..., 1:] - e_lo) - e_lo

    def quantile_between(self, u: NDArray, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        e_lo, e_hi = _exponential(z_lo), _exponential(z_hi, most=np.inf)
        e = e_lo - np.log1p(u * np.expm1(-np.maximum(e_hi - e_lo, 0.0)))
        with np.errstate(divide="ignore"):
            return (np.log(e) + _EULER) / _STRETCH


def _log_of_share(apart: NDArray) -> NDArray:
    """Log of 1 - exp(-apart); minus infinity where nothing lies between."""
    with np.errstate(divide="ignore"):
        return np.log(-np.expm1(-np.fmax(apart, 0.0)))


def _exponential(z: NDArray, most: float = _MOST) -> NDArray:
    """The exponential variable at z; held finite where it may be taken from another that is infinite."""
    with np.errstate(over="ignore"):
        return np.minimum(np.exp(np.maximum(z * _STRETCH - _EULER, -700.0)), most)


NORMAL: Scatter = _Normal()
WEIBULL: Scatter = _Weibull()
LAWS = (NORMAL, WEIBULL)
