"""From class probabilities to one code and its confidence: the only place where the choice is made."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .class_map import PROBABILITY_CLASSES

__all__ = ["choose_codes", "softmax_rows"]

_CODES = np.array([int(c) for c in PROBABILITY_CLASSES], np.uint8)


def softmax_rows(logits: NDArray[np.float32]) -> NDArray[np.float32]:
    """Probabilities along the first axis, computed in place."""
    import cv2

    logits -= logits.max(axis=0, keepdims=True)
    flat = logits.reshape(logits.shape[0], -1)
    cv2.exp(flat, flat)
    logits /= logits.sum(axis=0, keepdims=True)
    return logits


def choose_codes(
    probabilities: NDArray[np.float32], weights: NDArray[np.float32]
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Code and confidence of every pixel.

    Parameters
    ----------
    probabilities : (classes, rows, columns) float32
        In the order of :data:`~pitmap.surface.class_map.PROBABILITY_CLASSES`.
    weights : (classes,) float32
        The class with the largest weight times probability wins. Overlap (IoU) of a rare class is best with a
        level under one half, so its weight is above 1.

    Returns
    -------
    codes : (rows, columns) uint8
    confidence : (rows, columns) float32
        Probability of the class that won, unweighted.
    """
    best = probabilities[0] * weights[0]
    codes = np.full(best.shape, _CODES[0], np.uint8)
    confidence = probabilities[0].copy()
    for k in range(1, len(_CODES)):
        score = probabilities[k] * weights[k]
        wins = score > best
        np.copyto(best, score, where=wins)
        np.copyto(confidence, probabilities[k], where=wins)
        codes[wins] = _CODES[k]
    return codes, np.clip(confidence, 0.0, 1.0, out=confidence)
