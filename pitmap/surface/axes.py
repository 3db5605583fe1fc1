"""Principal axes of scattered places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Axes", "axes_of"]


@dataclass(frozen=True, slots=True, eq=False)
class Axes:
    """The frame that lies along a set of places.

    Parameters
    ----------
    middle : (2,) float64
    turn : (2, 2) float64
        Directions, along the places first, then across.
    spread : (2,) float64
        Root of the sum of squares along and across.
    """

    middle: NDArray[np.float64]
    turn: NDArray[np.float64]
    spread: NDArray[np.float64]

    def split(self, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places (n, 2) as (2, n): along and across."""
        return self.turn @ (at - self.middle).T

    def back(self, along_across: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places (..., 2), along and across, where they lie."""
        return along_across @ self.turn + self.middle


def axes_of(at: NDArray[np.float64]) -> Axes:
    """The principal axes of places (n, 2)."""
    middle = at.mean(0)
    _, spread, turn = np.linalg.svd(at - middle, full_matrices=False)
    return Axes(middle, turn, spread)
