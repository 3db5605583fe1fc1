"""From class probabilities to one code and its confidence: the only place where the choice is made."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from .class_map import PROBABILITY_CLASSES
from .morphology import disc
from .parts import large_parts

__all__ = [
    "choose_codes",
    "correct_pits",
    "covered_parts",
    "halves",
    "keep_faint_pits",
    "softmax_rows",
    "where_it_wins",
]

_CODES = np.array([int(c) for c in PROBABILITY_CLASSES], np.uint8)
_PIT = PROBABILITY_CLASSES.index(SurfaceClass.PIT)
_UNSEEN = PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)
_SCORE = PROBABILITY_CLASSES.index(SurfaceClass.SCORE)
_BELOW_HALVES = float(np.nextafter(np.float32(np.finfo(np.float16).smallest_normal), np.float32(0)))
"""Just under the smallest normal float16."""
_LEAST_COVERED_MM2 = 12.0
"""Nothing that lies on a plate and matters is smaller than a fingertip's edge; house choice."""
_CLEAR_SHARE = 0.5
"""A pit that is certain over more of its area than this is outlined by what is certain; chosen with the weights."""
_COVERED_RIM_MM = 0.3
"""The edge of a thing is blurred over a photo pixel; metal this close to it is not read."""


def softmax_rows(logits: NDArray[np.float32]) -> NDArray[np.float32]:
    """Probabilities along the first axis, computed in place."""
    # one class after the other: reducing along a far axis is ten times slower
    top = logits[0].copy()
    for layer in logits[1:]:
        np.maximum(top, layer, out=top)
    logits -= top
    flat = logits.reshape(logits.shape[0], -1)
    cv2.exp(flat, flat)
    total = logits[0].copy()
    for layer in logits[1:]:
        total += layer
    logits /= total
    return logits


def correct_pits(
    probabilities: NDArray[np.float32], said: NDArray[np.float32], came_true: NDArray[np.float32]
) -> NDArray[np.float32]:
    """The probability of a pit through a table, the others scaled to fill the rest, in place.

    Parameters
    ----------
    probabilities : (classes, rows, columns) float32
        Sum to 1 along the first axis.
    said, came_true : (knots,) float32
        Rising from 0 to 1 in `said`; in between the table is linear.
    """
    pit = probabilities[_PIT]
    pit_was_certain = pit > 1 - 1e-4
    # a table of 4096 steps is as fine as the probability means anything, and quicker than searching the knots
    fine = np.interp(np.linspace(0, 1, 4097), said, came_true).astype(np.float32)
    better = fine[np.clip(pit * 4096 + 0.5, 0, 4096).astype(np.uint16)]
    rest = (1 - better) / np.maximum(1 - pit, 1e-6)
    probabilities *= rest
    probabilities[_PIT] = better
    # where a pit was as good as certain, the others were too small to carry the rest
    short = np.nonzero(pit_was_certain)
    if len(short[0]):
        probabilities[(slice(None), *short)] /= probabilities[(slice(None), *short)].sum(axis=0)  # type: ignore[arg-type]
    return probabilities


def halves(probabilities: NDArray[np.float32]) -> NDArray[np.float16]:
    """Probabilities as float16, for keeping; what is below the smallest normal one (6e-5) is 0.

    The processor takes five times as long over numbers that small, and they say nothing.
    """
    flat = np.ascontiguousarray(probabilities).reshape(len(probabilities), -1)
    kept = cv2.threshold(flat, _BELOW_HALVES, 0, cv2.THRESH_TOZERO)[1]
    # twenty times as quick as numpy's own conversion
    return cv2.add(kept, 0.0, dtype=cv2.CV_16F).reshape(probabilities.shape)


def choose_codes(
    probabilities: NDArray[np.float32], weights: NDArray[np.float32]
) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.float32]]:
    """Best class of the metal and its confidence, whatever covers it, scores left out.

    Parameters
    ----------
    probabilities : (classes, rows, columns) float32
        In the order of :data:`~pitmap.surface.class_map.PROBABILITY_CLASSES`.
    weights : (classes,) float32
        The class with the largest weight times probability wins. Overlap (IoU) of a rare class is best with
        a level under one half, so its weight is above 1.

    Returns
    -------
    codes : (rows, columns) uint8
        Never UNSEEN: what the metal would be if it were seen. Never SCORE: see :func:`pitmap.surface.scores.put_scores`.
    confidence : (rows, columns) float32
        Probability of that class, unweighted.
    best : (rows, columns) float32
        Its weight times its probability: what another class must beat.
    """
    best = probabilities[0] * weights[0]
    codes = np.full(best.shape, _CODES[0], np.uint8)
    confidence = probabilities[0].copy()
    for k in range(1, len(_CODES)):
        if k in (_UNSEEN, _SCORE):
            continue
        score = probabilities[k] * weights[k]
        wins = score > best
        np.copyto(best, score, where=wins)
        np.copyto(confidence, probabilities[k], where=wins)
        codes[wins] = _CODES[k]
    return codes, np.clip(confidence, 0.0, 1.0, out=confidence), best


def where_it_wins(
    probability: NDArray[np.float32], weight: float, best: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Probability of a class where, with this weight, it beats the chosen one; 0 elsewhere.

    Parameters
    ----------
    probability : (rows, columns) float32
    weight : float
    best : (rows, columns) float32
        From :func:`choose_codes`.
    """
    return np.where(probability * np.float32(weight) > best, probability, np.float32(0))


def keep_faint_pits(
    codes: NDArray[np.uint8], confidence: NDArray[np.float32], faint: NDArray[np.float32]
) -> None:
    """Pits of which less than half is certain enough to win are kept whole, in place.

    One weight cannot serve both ends: under the weight that outlines a clear pit best a small faint pit is
    lost, under the one that keeps it every clear pit grows a rim.

    Parameters
    ----------
    codes, confidence : (rows, columns)
        From :func:`choose_codes`.
    faint : (rows, columns) float32
        Probability of a pit where it wins with the weight of faint pits, see :func:`where_it_wins`.
    """
    is_faint = (faint > 0).view(np.uint8)
    n, parts = cv2.connectedComponents(is_faint, connectivity=8)
    at = np.flatnonzero(is_faint)
    part = np.take(parts, at)
    clear = np.bincount(part[np.take(codes, at) == SurfaceClass.PIT], minlength=n)
    is_clear = clear > _CLEAR_SHARE * np.bincount(part, minlength=n)
    added = np.unravel_index(at[~is_clear[part]], codes.shape)
    codes[added] = SurfaceClass.PIT
    confidence[added] = np.minimum(faint[added], 1)


def covered_parts(is_covered: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    """Covered metal without specks, gaps closed, with a narrow rim around it.

    Parameters
    ----------
    is_covered : (rows, columns) bool
        Pixel by pixel, as :func:`choose_codes` gives it.
    px_per_mm : float

    Returns
    -------
    (rows, columns) bool
    """
    if not is_covered.any():
        return np.zeros_like(is_covered)
    rim = disc(2 * _COVERED_RIM_MM, px_per_mm)
    closed = cv2.morphologyEx(is_covered.astype(np.uint8), cv2.MORPH_CLOSE, rim)
    things = large_parts(closed, _LEAST_COVERED_MM2 * px_per_mm**2)
    return cv2.dilate(things.astype(np.uint8), rim).astype(bool)
