"""Many small systems of equations at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["PositiveSystems"]


class PositiveSystems:
    """N systems of equations with positive definite matrices, to be solved for one right side after another.

    Parameters
    ----------
    matrices : (N, K, K) array

    Notes
    -----
    Elimination needs no pivoting there. A matrix that is singular to rounding gets a finite solution. All systems
    take each step together, so that the work is in long rows; a general solver, called once for each tiny system,
    takes several times as long. Inside, double precision, whatever the matrices have.
    """

    def __init__(self, matrices: NDArray[np.floating]) -> None:
        upper = np.ascontiguousarray(matrices.transpose(1, 2, 0), float)
        self._factor = np.zeros_like(upper)
        least = np.finfo(float).eps * np.einsum("iin->in", upper)
        for i in range(len(upper)):
            np.maximum(upper[i, i], least[i], out=upper[i, i])
            for j in range(i + 1, len(upper)):
                self._factor[j, i] = upper[j, i] / upper[i, i]
                upper[j, i:] -= self._factor[j, i] * upper[i, i:]
        self._upper = upper

    def solve(self, right: NDArray[np.floating]) -> NDArray[np.floating]:
        """Solutions (N, K, M) for right sides (N, K, M), in their precision."""
        b = np.ascontiguousarray(right.transpose(1, 2, 0), float)
        n = len(b)
        for i in range(n):
            for j in range(i + 1, n):
                b[j] -= self._factor[j, i] * b[i]
        for i in reversed(range(n)):
            for j in range(i + 1, n):
                b[i] -= self._upper[i, j] * b[j]
            b[i] /= self._upper[i, i]
        return np.ascontiguousarray(b.transpose(2, 0, 1), right.dtype)
