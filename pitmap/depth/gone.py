"""When a pit that a later map does not show may be called gone: what lap bounds and comparison ask of the map."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..photo import PhotoLimits
from ..units import UnitSystem, format_length

__all__ = [
    "GONE_BELOW_MM",
    "SOUND_QUANTILE",
    "SOUND_SHARE",
    "SURE_DIAM_MM",
    "SURE_SIGHT",
    "shown_mm",
    "smooth_confidence",
    "sound_floor",
    "too_weak_to_go",
    "width_words",
]

SOUND_SHARE = 0.75
"""Least share of a place that must read sound before what was there counts as gone (house choice)."""
SURE_DIAM_MM = 0.6
"""A smaller mark may have been missed, or never have been there (house choice)."""
SURE_SIGHT = 0.5
"""Mean confidence under which the earlier survey was not sure of its mark (house choice)."""
GONE_BELOW_MM = 0.3
"""Gone means that no hole as wide as this is left, or as the later photo can show, if that is wider (house choice)."""
SOUND_QUANTILE = 0.001
"""A place is surely sound where its confidence is nowhere under this quantile of all sound metal of the map."""
_LEAST_FLOOR = 0.5
"""Under an even chance nothing is surely sound, whatever the map's own scale."""
_SMOOTH_MM = 0.4


def shown_mm(
    photo_px_per_mm: float,
    *,
    gone_below_mm: float = GONE_BELOW_MM,
    n_resolved_px: float = PhotoLimits().n_resolved_px,
) -> float:
    """The width from which a hole shows in a photo of this scale, mm, rounded up to 0.1."""
    shown = max(gone_below_mm, n_resolved_px / photo_px_per_mm)
    return math.ceil(10 * shown - 1e-6) / 10


def width_words(width_mm: float, system: UnitSystem) -> str:
    """A width from which something counts, as it was set: rounded to tenths of a millimetre it needs no more digits."""
    return f"{width_mm:g} mm" if system == "mm" else format_length(width_mm, system)


def too_weak_to_go(
    diam_mm: float,
    confidence: float,
    photo_shows_mm: float,
    *,
    sure_diam_mm: float = SURE_DIAM_MM,
    system: UnitSystem = "mm",
) -> str:
    """Why a mark cannot be called gone, whatever the later map shows; empty when it can.

    Parameters
    ----------
    diam_mm, confidence : float
        Equivalent diameter and mean confidence in the survey that shows it.
    photo_shows_mm : float
        :func:`shown_mm` of the survey that does not.
    sure_diam_mm : float
    system : {"mm", "inch"}
        Units of the sentence.
    """
    least = max(sure_diam_mm, photo_shows_mm)
    if diam_mm < least:
        return f"under {width_words(least, system)}: too small to say that it is gone"
    if confidence < SURE_SIGHT:
        return "the earlier survey was not sure of this mark"
    return ""


def smooth_confidence(confidence: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    """Confidence of a map, averaged over 0.4 mm: a single doubtful pixel speaks of noise."""
    width = max(3, 2 * round(_SMOOTH_MM * px_per_mm / 2) + 1)
    return np.asarray(cv2.blur(confidence, (width, width)), np.float32)


def sound_floor(
    smooth: NDArray[np.float32], codes: NDArray[np.uint8], *, quantile: float = SOUND_QUANTILE
) -> float:
    """Smoothed confidence under which sound metal is not surely sound: a map's own scale, for classifiers differ."""
    sample = smooth[::3, ::3][codes[::3, ::3] == SurfaceClass.SOUND]
    return max(_LEAST_FLOOR, float(np.quantile(sample, quantile)) if len(sample) else 1.0)
