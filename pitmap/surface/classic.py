"""The classical classifier: darkness, colour and tone against a model of the light, all lengths in mm.

It needs no training and says why it decides: a pit is dark against its neighbourhood over a few millimetres;
a stain is redder and yellower than the metal; a tint is a broad patch with blue or purple in it; uncut metal
is broad and warmer or much darker than the lapped face. The levels are house choices in CIELAB units, after
the metal was balanced to neutral grey, so they do not depend on the lamp's colour or the exposure.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import Stage
from .class_map import PROBABILITY_CLASSES
from .illumination import balance_to_metal, metal_reference, robust_background, to_lab
from .morphology import disc
from .parts import large_parts

__all__ = ["CLASSIC_PX_PER_MM", "classic_scores"]

CLASSIC_PX_PER_MM = 5.0
"""Scale at which the classical method works: pits from 0.4 mm, at a quarter of the full raster's cost."""

_PIT_WIDEST_MM = 5.0
_PIT_L = 17.0
_STAIN_WARMTH = 7.5
_TINT_COOL = 9.0
_TINT_CHROMA = 7.0
_TINT_REACH_MM = 9.0
_TINT_LEAST_MM2 = 12.0
_UNCUT_WARMTH = 2.6
_UNCUT_DARK_L = 14.0
_COVER_CHROMA = 22.0
_COVER_LEAST_MM2 = 60.0


def _blur(values: NDArray[np.float32], weight: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    norm = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma_px), 1e-3)
    return cv2.GaussianBlur(values * weight, (0, 0), sigma_px) / norm


def classic_scores(
    rgb: NDArray[np.uint8],
    metal: NDArray[np.bool_],
    px_per_mm: float,
    stage: Stage,
    edge_mm: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Evidence of each class of :data:`~pitmap.surface.class_map.PROBABILITY_CLASSES`.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
        At about :data:`CLASSIC_PX_PER_MM`.
    metal : (rows, columns) bool
    px_per_mm : float
    stage : Stage
        At ``intake`` there is no uncut metal.
    edge_mm : (rows, columns) float32, optional
        Distance to the nearest drawn edge, mm.

    Returns
    -------
    (classes, rows, columns) float32
        Margins in steps of about one CIELAB unit; the class is the largest. Sound is 0 everywhere.
    """
    weight = metal.astype(np.float32)
    lab = to_lab(balance_to_metal(rgb, metal_reference(rgb, metal)))
    light, red, yellow = (np.ascontiguousarray(lab[..., k]) for k in range(3))
    scores = np.full((len(PROBABILITY_CLASSES), *metal.shape), -50.0, np.float32)
    scores[0] = 0.0

    # outside the metal the lightness is filled with the background, so that holes cast no top-hat
    background = robust_background(light, metal, px_per_mm, 8.0)
    filled = np.where(metal, light, background)
    smooth = cv2.GaussianBlur(filled, (0, 0), max(0.12 * px_per_mm, 0.4))
    hat = cv2.morphologyEx(smooth, cv2.MORPH_BLACKHAT, disc(_PIT_WIDEST_MM, px_per_mm))
    darkness = np.minimum(hat, background - smooth + 6.0)
    noise = 1.4826 * float(np.median(np.abs((smooth - background)[metal]))) if metal.any() else 0.0
    need = np.full(metal.shape, max(_PIT_L, 2.5 * noise), np.float32)
    if edge_mm is not None:
        # rims, chamfers and their shadows lie within half a millimetre of a drawn edge
        need += 25.0 * np.clip(1.0 - edge_mm / 0.8, 0.0, 1.0)

    red_metal = robust_background(red, metal, px_per_mm, 25.0)
    yellow_metal = robust_background(yellow, metal, px_per_mm, 25.0)
    fine = max(0.15 * px_per_mm, 0.5)
    red_fine, yellow_fine = _blur(red - red_metal, weight, fine), _blur(yellow - yellow_metal, weight, fine)
    warmth = 1.2 * red_fine + 0.5 * yellow_fine
    scores[2] = np.minimum(warmth - _STAIN_WARMTH, 2.0 * (red_fine - 2.5))
    # rust is dark too: what is as orange as rust must be darker still to be a pit in it
    scores[1] = darkness - need - 0.8 * np.clip(warmth - 4.0, 0.0, 10.0)

    broad = 0.8 * px_per_mm
    red_broad, yellow_broad = (
        _blur(red - red_metal, weight, broad),
        _blur(yellow - yellow_metal, weight, broad),
    )
    cool = np.maximum(-yellow_broad, 0.0) + np.maximum(red_broad, 0.0) * (yellow_broad < 3.0)
    cores = large_parts((cool > _TINT_COOL) & metal, _TINT_LEAST_MM2 * px_per_mm**2)
    if cores.any():
        away = cv2.distanceTransform((~cores).astype(np.uint8), cv2.DIST_L2, 5) / px_per_mm
        chroma = np.hypot(red_broad, yellow_broad)
        tinted = (away < _TINT_REACH_MM) & (chroma > _TINT_CHROMA)
        scores[3] = np.where(cores | tinted, np.maximum(chroma - _TINT_CHROMA, 1.0) + 3.0, -50.0)

    if stage.is_lapped:
        tone = _blur(light - robust_background(light, metal, px_per_mm, 40.0), weight, broad)
        scores[4] = np.maximum(yellow_broad + red_broad - _UNCUT_WARMTH, np.abs(tone) - _UNCUT_DARK_L)
        scores[4] = np.minimum(scores[4], 4.0)

    # cloth, plastic and skin: broad colour that neither rust nor heat film has so far and so evenly
    vivid = np.hypot(red_broad, yellow_broad) > _COVER_CHROMA
    covered = large_parts(vivid & metal, _COVER_LEAST_MM2 * px_per_mm**2)
    scores[5] = np.where(covered, 20.0, -50.0)
    return scores
