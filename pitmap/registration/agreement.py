"""How far the drawn edge round about a sample is met too: edges of what covers the plate stand alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .edges import DrawnEdges

__all__ = ["Neighbours"]


class Neighbours:
    """The samples along each ring within a reach of each sample, on either side.

    Parameters
    ----------
    edges : DrawnEdges
    reach_mm : float
        A ring shorter than twice of it is one neighbourhood.
    """

    def __init__(self, edges: DrawnEdges, reach_mm: float) -> None:
        used = edges.length_mm[edges.length_mm > 0]
        reach = round(reach_mm / float(np.median(used))) if len(used) else 0
        _, first, count = np.unique(edges.part, return_index=True, return_counts=True)
        half = np.minimum(reach, (count - 1) // 2)
        # every ring opened up into a row with its ends repeated, so that one running sum serves all windows
        rows = [f + np.arange(-h, n + h) % n for f, n, h in zip(first, count, half)]
        self._row = np.concatenate(rows) if rows else np.zeros(0, np.int64)
        start = np.cumsum([0, *(count + 2 * half)])[:-1]
        self._low = np.concatenate([s + np.arange(n) for s, n in zip(start, count)] or [self._row])
        self._high = self._low + np.repeat(2 * half + 1, count)

    def share(
        self, met: NDArray[np.float64], among: NDArray[np.bool_], step: NDArray[np.floating]
    ) -> NDArray[np.float64]:
        """How far the neighbours `among` (N,) are met, 0..1 each (N,), with one and the same step of colour (N, C); (N,).

        The metal differs from what lies beyond it in one way for some length of edge; the folds of a cloth go from
        dark to light and back. Opposite steps cancel each other; 0 where there are no neighbours.
        """
        towards = step / np.maximum(np.linalg.norm(step, axis=1), 1e-6)[:, None]
        alike = np.linalg.norm(self._sum(towards * np.where(among, met, 0)[:, None]), axis=1)
        return alike / np.maximum(self._sum(among[:, None].astype(float))[:, 0], 1)

    def _sum(self, what: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.zeros((len(self._row) + 1, what.shape[1]))
        np.cumsum(what[self._row], axis=0, out=total[1:])
        return total[self._high] - total[self._low]
