"""Depths of every pit, drawn together with the parameters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .likelihood import Likelihood
from .scatter import Scatter

__all__ = ["draw_depths"]

_CHUNK = 200_000
_N_QUANTILES = 64


def draw_depths(
    likelihood: Likelihood, theta: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float32]:
    """Depths (draws, pits) in um under the first face, one row per parameter vector.

    A pit without readings is a depth of the scatter's law cut off at its lap bounds; with exact readings its density is
    multiplied by the readings' errors; with a lower bound only, by the chance that the floor lies deeper.
    """
    data = likelihood.data
    out = np.empty((len(theta), data.n), np.float32)
    sigma = np.exp(theta[:, 2:3])
    for pits in _chunks(likelihood.plain, len(theta)):
        lo, hi = likelihood.bounds(theta, pits)
        u = rng.random((len(theta), len(pits)))
        out[:, pits] = _between(likelihood.law, u, lo, hi, likelihood.location(theta, pits), sigma)
    if len(likelihood.read):
        out[:, likelihood.read] = _read(likelihood, theta, rng)
    if len(likelihood.only_low):
        out[:, likelihood.only_low] = _only_low(likelihood, theta, sigma, rng)
    return out


def _chunks(pits: NDArray, n_draws: int) -> list[NDArray]:
    size = max(1, _CHUNK // max(1, n_draws))
    return [pits[i : i + size] for i in range(0, len(pits), size)]


def _between(law: Scatter, u: NDArray, lo: NDArray, hi: NDArray, mu: NDArray, sigma: NDArray) -> NDArray:
    """Quantile `u` of depths cut off at (lo, hi]; always inside the bounds."""
    with np.errstate(divide="ignore"):
        z = law.quantile_between(u, (np.log(lo) - mu) / sigma, (np.log(hi) - mu) / sigma)
    with np.errstate(over="ignore"):
        depth = np.exp(mu + sigma * z)
    # Where the tail has run out of figures the bound itself is the answer.
    depth = np.where(np.isfinite(depth), depth, lo)
    return np.clip(depth, lo, np.maximum(hi, lo))


def _read(likelihood: Likelihood, theta: NDArray, rng: np.random.Generator) -> NDArray:
    out = np.empty((len(theta), len(likelihood.read)))
    size = max(1, _CHUNK // max(1, _N_QUANTILES * len(likelihood.read)))
    for i in range(0, len(theta), size):
        edges, log_weights = likelihood.read_cells(theta[i : i + size])
        total = np.cumsum(np.exp(log_weights - log_weights.max(axis=2, keepdims=True)), axis=2)
        u = rng.random(total.shape[:2]) * total[:, :, -1]
        cell = np.minimum((total <= u[:, :, None]).sum(axis=2), total.shape[2] - 1)[:, :, None]
        low, high = (np.take_along_axis(edges, cell + k, axis=2)[:, :, 0] for k in (0, 1))
        out[i : i + size] = low + rng.random(low.shape) * (high - low)
    return out


def _only_low(likelihood: Likelihood, theta: NDArray, sigma: NDArray, rng: np.random.Generator) -> NDArray:
    data, pits = likelihood.data, likelihood.only_low
    y, u = data.at_least[pits], data.at_least_u[pits]
    grid = (np.arange(_N_QUANTILES) + 0.5) / _N_QUANTILES
    out = np.empty((len(theta), len(pits)))
    size = max(1, _CHUNK // max(1, len(pits) * _N_QUANTILES))
    for i in range(0, len(theta), size):
        some, s = theta[i : i + size], sigma[i : i + size, :, None]
        lo, hi = likelihood.bounds(some, pits)
        each = len(some), len(pits)
        low = np.maximum(lo, np.minimum(y - 4 * u, hi))[:, :, None]
        mu = likelihood.location(some, pits)[:, :, None]
        shift = (rng.random(each)[:, :, None] - 0.5) / _N_QUANTILES
        depth = _between(likelihood.law, np.clip(grid + shift, 1e-9, 1 - 1e-9), low, hi[:, :, None], mu, s)
        total = np.cumsum(ndtr((depth - y[None, :, None]) / u[None, :, None]), axis=2)
        chosen = (total <= rng.random(each)[:, :, None] * total[:, :, -1:]).sum(axis=2)
        chosen = np.minimum(chosen, _N_QUANTILES - 1)
        out[i : i + size] = np.take_along_axis(depth, chosen[:, :, None], axis=2)[:, :, 0]
    return out
