"""Two ways to measure one thing (photo area against hand measurement): how far apart they can be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import InputError, NotEnoughData

__all__ = ["Agreement", "limits_of_agreement"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Mean and standard deviation of first less second, and the limits of agreement, in the unit given."""

    mean: float
    sd: float
    low: float
    high: float
    n: int


def limits_of_agreement(first: ArrayLike, second: ArrayLike, *, factor: float = 1.96) -> Agreement:
    """Limits within which most differences of two methods lie.

    Parameters
    ----------
    first, second : (N,) arrays
        The same things measured both ways.
    factor : float
        Standard deviations on either side; 1.96 holds 95 % of normal differences.

    Raises
    ------
    InputError
        Lengths differ, or a value is not finite.
    NotEnoughData
        Fewer than 3 pairs.

    References
    ----------
    J. M. Bland and D. G. Altman, Lancet 1986 i 307-310.
    """
    a, b = np.asarray(first, float), np.asarray(second, float)
    if a.shape != b.shape or a.ndim != 1 or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise InputError(
            f"limits of agreement: expected two finite rows of one length, got {a.shape} and {b.shape}"
        )
    if len(a) < 3:
        raise NotEnoughData(f"limits of agreement: {len(a)} pairs; measure at least 3 things both ways")
    d = a - b
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    return Agreement(mean=mean, sd=sd, low=mean - factor * sd, high=mean + factor * sd, n=len(d))
