"""Draws from the posterior of a few parameters: mode, then weighted draws from a wide t about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Draws", "curvature", "draw_posterior", "find_mode"]

_DF = 6.0
_WIDEN = 1.15

LogDensity = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""From parameter vectors (B, P) to log densities (B,)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Equally weighted draws (S, P), how many independent ones they are worth, and the log of the integral of the
    density (up to a constant that depends on P alone)."""

    theta: NDArray[np.float64]
    mode: NDArray[np.float64]
    n_effective: float
    log_evidence: float


def curvature(f: LogDensity, at: NDArray, step: NDArray) -> tuple[NDArray, NDArray]:
    """Gradient (P,) and Hessian (P, P) of `f` by central differences, all points in one call."""
    p = len(at)
    move = np.diag(step)
    pairs = [(i, j) for i in range(p) for j in range(i)]
    points = [at[None], at + move, at - move]
    if pairs:
        i, j = np.array(pairs).T
        points += [at + s * move[i] + t * move[j] for s in (1, -1) for t in (1, -1)]
    value = f(np.concatenate(points))
    centre, plus, minus = value[0], value[1 : 1 + p], value[1 + p : 1 + 2 * p]
    gradient = (plus - minus) / (2 * step)
    hessian = np.diag((plus - 2 * centre + minus) / step**2)
    if pairs:
        pp, pm, mp, mm = value[1 + 2 * p :].reshape(4, -1)
        hessian[i, j] = hessian[j, i] = (pp - pm - mp + mm) / (4 * step[i] * step[j])
    return gradient, hessian


def find_mode(
    f: LogDensity, start: NDArray, step: NDArray, *, n_iterations: int = 40
) -> tuple[NDArray, NDArray, bool]:
    """Maximum of `f` by damped Newton steps: place, negative Hessian there, and whether it settled."""
    at = np.array(start, float)
    lengths = np.array([1.0, 0.5, 0.25, 0.1, 0.03, 0.005, 2.0])
    settled = False
    for _ in range(n_iterations):
        gradient, hessian = curvature(f, at, step)
        values, vectors = np.linalg.eigh(-hessian)
        # A direction that curves the wrong way or not at all is climbed by a bounded step.
        values = np.maximum(np.abs(values), 1e-2)
        move = vectors @ ((vectors.T @ gradient) / values)
        move *= min(1.0, 3.0 / max(np.abs(move).max(), 1e-12))
        tries = at + lengths[:, None] * move
        scores = f(np.concatenate([at[None], tries]))
        best = int(np.argmax(scores))
        if best == 0 or scores[best] - scores[0] < 1e-6:
            settled = True
            if best:
                at = tries[best - 1]
            break
        at = tries[best - 1]
    _, hessian = curvature(f, at, step)
    return at, -hessian, settled


def draw_posterior(
    f: LogDensity,
    start: NDArray,
    step: NDArray,
    n_draws: int,
    rng: np.random.Generator,
    *,
    n_tries: int = 1200,
) -> Draws:
    """Draws from the density exp(f).

    Notes
    -----
    Mode and curvature give a multivariate t with 6 degrees of freedom; its draws are weighted by density over
    proposal and resampled (Rubin 1987, sampling importance resampling). When the weights are uneven the
    proposal is fitted anew to the weighted draws and the step repeated, three times at most (Cappe et al.,
    J. Comput. Graph. Stat. 13 (2004) 907, population Monte Carlo; both from memory).
    """
    mode, precision, _ = find_mode(f, start, step)
    values, vectors = np.linalg.eigh(precision)
    covariance = (vectors / np.clip(values, 1e-2, None)) @ vectors.T
    centre = mode
    theta, weights = np.empty((0, len(mode))), np.empty(0)
    n_effective, log_evidence = 0.0, -np.inf
    for _ in range(4):
        root = np.linalg.cholesky(covariance * _WIDEN + 1e-12 * np.eye(len(mode)))
        z = rng.standard_normal((n_tries, len(mode)))
        z *= np.sqrt(_DF / rng.chisquare(_DF, n_tries))[:, None]
        theta = centre + z @ root.T
        log_proposal = -np.log(np.diag(root)).sum() - 0.5 * (_DF + len(mode)) * np.log1p(
            (z * z).sum(axis=1) / _DF
        )
        log_weight = f(theta) - log_proposal
        top = float(log_weight.max())
        weights = np.exp(log_weight - top)
        log_evidence = top + float(np.log(weights.mean()))
        weights /= weights.sum()
        n_effective = 1 / float((weights**2).sum())
        if n_effective > 0.25 * n_tries:
            break
        centre = weights @ theta
        apart = theta - centre
        covariance = (weights[:, None] * apart).T @ apart + 0.02 * covariance
    # Systematic resampling: the least noise that equal weights allow.
    at = (np.arange(n_draws) + rng.random()) / n_draws
    chosen = np.minimum(np.searchsorted(np.cumsum(weights), at), n_tries - 1)
    return Draws(
        theta=theta[rng.permutation(chosen)], mode=mode, n_effective=n_effective, log_evidence=log_evidence
    )
