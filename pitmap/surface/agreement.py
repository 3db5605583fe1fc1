"""Do several pictures of one face, each read by itself, say the same of its metal?"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..errors import MeasurementError
from .class_map import PROBABILITY_CLASSES
from .decide import softmax_rows

__all__ = ["Agreement", "kappa"]

_UNSEEN = PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)
_SURE = 0.8
"""Probability from which a picture counts as sure of its word; doubt is no disagreement."""
_LEAST_KAPPA = 0.4
"""Up to here agreement is fair at best, beyond it moderate (J. Landis and G. Koch, Biometrics 33 (1977) 159-174)."""
_LEAST_APART = 0.05
"""Metal that is sound all over gives kappa nothing to go by; so little disagreement moves no figure. House choice."""
_EVERY_PX = 3
_N = len(PROBABILITY_CLASSES)


def kappa(counts: NDArray[np.integer]) -> tuple[float, float]:
    """Cohen's kappa of two readings, and the share of the metal on which they differ.

    Parameters
    ----------
    counts : (classes, classes) int
        Pixels by what the first says (row) and what the second says (column).

    Returns
    -------
    kappa : float
        1 for full agreement, 0 for that of chance; 1 too where both say one thing everywhere, or nothing.
    apart : float
        0..1.

    References
    ----------
    J. Cohen, Educational and Psychological Measurement 20 (1960) 37-46.
    """
    total = int(counts.sum())
    if not total:
        return 1.0, 0.0
    share = counts / total
    same, by_chance = float(np.trace(share)), float(share.sum(0) @ share.sum(1))
    return (1.0 if by_chance >= 1 else (same - by_chance) / (1 - by_chance)), 1 - same


class Agreement:
    """Counts, window by window and from any thread, what every two pictures say of the same metal.

    For lapped faces alone: of a face at intake, read as lapped, the same old finish is uncut in one photo and cut in the
    other (3 of 8 rendered pairs of one face agreed no better than two stages do).

    Parameters
    ----------
    names : sequence of str
        Of the pictures; their numbers where empty.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._names = [name or f"photo {k}" for k, name in enumerate(names, 1)]
        self._pairs = list(combinations(range(len(names)), 2))
        self._counts = np.zeros((len(self._pairs), _N, _N), np.int64)
        self._lock = Lock()

    def add(self, logits: Sequence[NDArray[np.float32]], shown: Sequence[NDArray[np.bool_]]) -> None:
        """One window: calibrated logits (classes, rows, columns) of every picture, and where each shows metal."""
        few = np.s_[::_EVERY_PX, ::_EVERY_PX]
        said, sure = [], []
        for one, is_shown in zip(logits, shown, strict=True):
            probabilities = softmax_rows(np.ascontiguousarray(one[(slice(None), *few)]))
            best = probabilities.argmax(0)
            said.append(best)
            sure.append(is_shown[few] & (best != _UNSEEN) & (probabilities.max(0) > _SURE))
        counts = []
        for a, b in self._pairs:
            both = sure[a] & sure[b]
            counts.append(np.bincount(said[a][both] * _N + said[b][both], minlength=_N * _N).reshape(_N, _N))
        with self._lock:
            self._counts += np.stack(counts)

    def check(self) -> None:
        """Refuse pictures that are sure of different things.

        Raises
        ------
        MeasurementError
            Two agree hardly better than chance would: another face, or another stage of it.
        """
        for (a, b), counts in zip(self._pairs, self._counts, strict=True):
            agreed, apart = kappa(counts)
            if agreed < _LEAST_KAPPA and apart > _LEAST_APART:
                raise MeasurementError(
                    f"{self._names[a]} and {self._names[b]} show different things on {100 * apart:.0f} % of the metal that "
                    "both show clearly: the face at two stages (before and after a lap or a cleaning), or two faces. Photos "
                    "that are mapped together show one face at one stage; leave one out, and map it as a survey of its own"
                )
