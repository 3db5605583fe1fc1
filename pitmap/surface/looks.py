"""Several pictures of the same metal: each is read by itself, and what they say is put together here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from .class_map import PROBABILITY_CLASSES
from .decide import softmax_rows

__all__ = ["Look", "put_together"]

_UNSEEN = PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)
_LEAST_SAY = 1e-3
"""Say of a picture that does not show the metal: nothing beside one that does, and all it needs where none does."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """One of several pictures of the same metal, say under another lamp.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
        On the same raster as the others, a pixel of one on that of another.
    in_frame : (rows, columns) bool
        False where its photo ended.
    photo_px_per_mm : float or (rows, columns) float
        Scale of its photo.
    name : str
        What sentences call it.
    """

    rgb: NDArray[np.uint8]
    in_frame: NDArray[np.bool_]
    photo_px_per_mm: float | NDArray[np.floating]
    name: str = ""


def put_together(
    logits: Sequence[NDArray[np.float32]], shown: Sequence[NDArray[np.bool_]]
) -> NDArray[np.float32]:
    """What several pictures say of the same metal: the weighted mean of their logits.

    Parameters
    ----------
    logits : sequence of (classes, rows, columns) float32
        Calibrated, in the order of :data:`~pitmap.surface.class_map.PROBABILITY_CLASSES`, one of every picture.
    shown : sequence of (rows, columns) bool
        False where the picture shows no metal: out of frame, burnt out, black.

    Returns
    -------
    (classes, rows, columns) float32

    Notes
    -----
    The mean of logits is the geometric mean of the probabilities (a logarithmic opinion pool; C. Genest and
    J. Zidek, "Combining Probability Distributions", Statistical Science 1 (1986) 114-135): noise and gloss
    of one lamp are outvoted, what all of them show stays. A picture in which the metal is covered has that
    much less say, so that a thing which one picture has and another has not hides nothing.
    """
    if len(logits) == 1:
        return logits[0]
    total = np.zeros(logits[0].shape[1:], np.float32)
    mean = np.zeros_like(logits[0])
    for one, is_shown in zip(logits, shown, strict=True):
        say = np.maximum((1 - softmax_rows(one.copy())[_UNSEEN]) * is_shown, np.float32(_LEAST_SAY))
        mean += one * say
        total += say
    mean /= total
    return mean
