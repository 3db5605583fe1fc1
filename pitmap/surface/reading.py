"""What is read of a face, filled in piece by piece from the probabilities of its classes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from .class_map import PROBABILITY_CLASSES
from .decide import choose_codes, keep_faint_pits, where_it_wins
from .scores import find_scores, put_scores

__all__ = ["Reading"]

_PIT, _SCORE, _UNSEEN = (
    PROBABILITY_CLASSES.index(c) for c in (SurfaceClass.PIT, SurfaceClass.SCORE, SurfaceClass.UNSEEN)
)

Where = tuple[slice, slice] | tuple[NDArray[np.intp], NDArray[np.intp]]
"""A window, or rows and columns of single pixels."""


class Reading:
    """Codes, confidence and what is covered; any number of threads may fill different pieces of it.

    Parameters
    ----------
    shape : (int, int)
    weights : (classes,) float32
        See :func:`pitmap.surface.decide.choose_codes`.
    faint_pit_weight : float
        See :func:`pitmap.surface.decide.keep_faint_pits`.
    """

    def __init__(self, shape: tuple[int, int], weights: NDArray[np.float32], faint_pit_weight: float) -> None:
        self.codes, self.confidence = np.ones(shape, np.uint8), np.zeros(shape, np.float32)
        self.covered = np.zeros(shape, bool)
        self._faint, self._score_ratio = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self._weights, self._faint_pit_weight = weights, faint_pit_weight

    def put(self, where: Where, probabilities: NDArray[np.float32]) -> None:
        """Decide on a piece from its probabilities: (classes, rows, columns) of a window, (classes, n) of pixels."""
        self.codes[where], self.confidence[where], best = choose_codes(probabilities, self._weights)
        self._faint[where] = where_it_wins(probabilities[_PIT], self._faint_pit_weight, best)
        score = self._weights[_SCORE] * probabilities[_SCORE]
        self._score_ratio[where] = score / best
        np.maximum(best, score, out=best)
        self.covered[where] = self._weights[_UNSEEN] * probabilities[_UNSEEN] > best

    def settle(self, metal: NDArray[np.bool_], edge_mm: NDArray[np.float32], px_per_mm: float) -> None:
        """What no pixel tells by itself: faint pits are kept whole, and scores are seen by their shape."""
        # each keeps one core busy
        with ThreadPoolExecutor(max_workers=1) as worker:
            seeking = worker.submit(find_scores, self._score_ratio, edge_mm, px_per_mm)
            keep_faint_pits(self.codes, self.confidence, self._faint)
            put_scores(self.codes, self.confidence, seeking.result(), self._score_ratio, metal)
