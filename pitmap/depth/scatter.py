"""Laws of the scatter of log depth about its mean, each with mean 0 and standard deviation 1."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

__all__ = ["LAWS", "NORMAL", "WEIBULL", "Scatter"]

_EULER = 0.5772156649015329
_STRETCH = math.pi / math.sqrt(6)
"""Standard deviation of the logarithm of an exponential variable."""


class Scatter(Protocol):
    """What the likelihood and the draws need of a law."""

    name: str

    def chance_between(self, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        """P(z_lo < z <= z_hi), without loss of figures in either tail."""
        ...

    def density(self, z: NDArray) -> NDArray:
        """Density at z."""
        ...

    def quantile_between(self, u: NDArray, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        """Quantile `u` of the law cut off at (z_lo, z_hi]."""
        ...


class _Normal:
    """Log-normal depths."""

    name = "log-normal"

    def chance_between(self, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        # The upper tail is worked in its mirror image, where probabilities keep their figures.
        flip = z_lo > 0
        a, b = np.where(flip, -z_hi, z_lo), np.where(flip, -z_lo, z_hi)
        return np.maximum(ndtr(b) - ndtr(a), 0.0)

    def density(self, z: NDArray) -> NDArray:
        return np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)

    def quantile_between(self, u: NDArray, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        flip = z_lo > 0
        a, b = ndtr(np.where(flip, -z_hi, z_lo)), ndtr(np.where(flip, -z_lo, z_hi))
        z = ndtri(a + u * np.maximum(b - a, 0.0))
        return np.where(flip, -z, z)


class _Weibull:
    """Weibull depths: z = (log of a standard exponential + Euler's constant) / (pi / sqrt 6)."""

    name = "Weibull"

    def chance_between(self, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        e_lo, e_hi = _exponential(z_lo), _exponential(z_hi)
        return np.exp(-e_lo) * -np.expm1(-np.maximum(e_hi - e_lo, 0.0))

    def density(self, z: NDArray) -> NDArray:
        t = np.minimum(z * _STRETCH - _EULER, 50.0)
        return _STRETCH * np.exp(t - np.exp(t))

    def quantile_between(self, u: NDArray, z_lo: NDArray, z_hi: NDArray) -> NDArray:
        e_lo, e_hi = _exponential(z_lo), _exponential(z_hi)
        e = e_lo - np.log1p(u * np.expm1(-np.maximum(e_hi - e_lo, 0.0)))
        with np.errstate(divide="ignore"):
            return (np.log(e) + _EULER) / _STRETCH


def _exponential(z: NDArray) -> NDArray:
    # Held below the largest float, so that a difference of two is never infinity less infinity.
    return np.exp(np.clip(z * _STRETCH - _EULER, -700.0, 700.0))


NORMAL: Scatter = _Normal()
WEIBULL: Scatter = _Weibull()
LAWS = (NORMAL, WEIBULL)
