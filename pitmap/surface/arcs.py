"""Gentle arcs through scattered places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["off_fullest_arc"]

_TRIALS, _PLACES_COUNTED = 400, 2000
"""Arcs drawn, and places that are counted on every one of them."""


def _terms(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """What an arc is linear in, (..., 4), at places (..., 2): x^2 + y^2, x, y, 1."""
    return np.concatenate([(at**2).sum(-1, keepdims=True), at, np.ones((*at.shape[:-1], 1))], -1)


def _arcs(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Arcs (n, 4), circles or straight lines, of least squares through sets of places (n, k, 2).

    Near its arc a place lies ``terms @ arc`` off it, and twice the first number is the arc's curvature (V. Pratt,
    "Direct least-squares fitting of algebraic surfaces", 1987, from memory).
    """
    terms = _terms(at)
    arcs = np.linalg.eigh(np.swapaxes(terms, 1, 2) @ terms)[1][..., 0]
    a, b, c, d = arcs.T
    return arcs / np.sqrt(np.maximum(b**2 + c**2 - 4 * a * d, 1e-12))[:, None]


def off_fullest_arc(
    at: NDArray[np.float64], half_width: float, least_radius: float, rng: np.random.Generator
) -> NDArray[np.float64] | None:
    """How far each place lies off the gentle arc with the most places on it; None where there is no such arc.

    Arcs through three places drawn at random, the fullest then fitted to all of its places (M. Fischler, R. Bolles,
    "Random sample consensus", 1981, from memory).

    Parameters
    ----------
    at : (n, 2) float64
        Places; any unit of length, the same for all.
    half_width : float
        Places so far off an arc lie on it.
    least_radius : float
        Tighter arcs are none.
    rng : numpy.random.Generator
    """
    at = at - at.mean(0)
    terms, tightest = _terms(at), 1 / least_radius
    arcs = _arcs(at[rng.integers(len(at), size=(_TRIALS, 3))])
    arcs = arcs[2 * np.abs(arcs[:, 0]) <= tightest]
    if not len(arcs):
        return None
    on = np.abs(terms[:: 1 + len(at) // _PLACES_COUNTED] @ arcs.T) <= half_width
    fullest = arcs[on.sum(0).argmax()]
    (fitted,) = _arcs(at[np.abs(terms @ fullest) <= half_width][None])
    return np.abs(terms @ fitted) if 2 * abs(fitted[0]) <= tightest else None
