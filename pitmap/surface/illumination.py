"""Large-scale light on the metal: modelled, so that a shadow or a lamp's falloff is not read as damage."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["balance_to_metal", "metal_reference", "robust_background", "to_lab"]

_GREY_OF_METAL = 0.60
"""Where the middle tone of the metal is put, as a share of full scale; house choice, clear of both ends."""
_XYZ_OF_RGB = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
)
_WHITE_D65 = np.array([0.95047, 1.0, 1.08883])
_COARSE_PX_PER_MM = 1.0
"""Scale at which the background is fitted: it has no detail under several millimetres."""


def metal_reference(rgb: NDArray[np.uint8], metal: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Middle tone of the metal in each channel, (3,) on 0..1: the light's colour and the exposure.

    The median, so that damage on less than half of the face does not move it. 0.5 where there is no metal.
    """
    step = max(1, round((metal.size / 200_000) ** 0.5))
    values = rgb[::step, ::step][metal[::step, ::step]]
    if not len(values):
        values = rgb[metal]
    if not len(values):
        return np.full(3, 0.5, np.float32)
    return np.median(values, axis=0).astype(np.float32) / 255


def balance_to_metal(rgb: NDArray[np.uint8], reference: NDArray[np.float32]) -> NDArray[np.float32]:
    """Picture (rows, columns, 3) as float with the metal's middle tone at neutral grey, clipped to 0..1."""
    gain = _GREY_OF_METAL / np.maximum(reference, 0.02)
    lut = np.minimum(np.arange(256, dtype=np.float32)[:, None] / 255 * gain, 1.0).astype(np.float32)
    return np.dstack([lut[:, k][rgb[..., k]] for k in range(3)])


def to_lab(rgb_unit: NDArray[np.float32]) -> NDArray[np.float32]:
    """sRGB on 0..1, (rows, columns, 3), to CIELAB under D65.

    Written out, because OpenCV's own conversion interpolates and is off by up to 0.13.

    References
    ----------
    IEC 61966-2-1 (sRGB, matrix and white of D65), CIE 15 (CIELAB).
    """
    c = np.asarray(rgb_unit, np.float32)
    linear = np.where(c <= 0.04045, c / 12.92, np.power((c + 0.055) / 1.055, 2.4, dtype=np.float32))
    xyz = cv2.transform(linear.astype(np.float32), _XYZ_OF_RGB / _WHITE_D65[:, None])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * ((29 / 6) ** 2 / 3) + 4 / 29)
    x, y, z = (f[..., k] for k in range(3))
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], -1).astype(np.float32)


def robust_background(
    values: NDArray[np.float32],
    metal: NDArray[np.bool_],
    px_per_mm: float,
    sigma_mm: float,
    n_passes: int = 3,
) -> NDArray[np.float32]:
    """Smooth surface under `values` (rows, columns), carried by the metal only.

    A masked Gaussian mean, refitted `n_passes` times with what lies far off it (more than 2.5 robust standard
    deviations) left out, so that a dark patch does not pull its own background down.

    Parameters
    ----------
    values : (rows, columns) float32
    metal : (rows, columns) bool
        Pixels that count.
    px_per_mm, sigma_mm : float
        Scale of the raster; width of the Gaussian.
    n_passes : int

    Returns
    -------
    (rows, columns) float32
    """
    rows, cols = values.shape
    scale = min(1.0, _COARSE_PX_PER_MM / px_per_mm)
    size = max(1, round(cols * scale)), max(1, round(rows * scale))
    weight = metal.astype(np.float32)
    share = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(values * weight, size, interpolation=cv2.INTER_AREA) / np.maximum(share, 1e-6)
    sigma = max(sigma_mm * px_per_mm * scale, 0.5)
    w = share.copy()
    total = float((coarse * share).sum() / max(share.sum(), 1e-6))
    background = np.full_like(coarse, total)
    for _ in range(n_passes):
        norm = cv2.GaussianBlur(w, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        mean = cv2.GaussianBlur(w * coarse, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        # where nothing is left to carry the mean, the last one stays
        background = np.where(norm > 1e-3, mean / np.maximum(norm, 1e-6), background)
        off = np.abs(coarse - background)
        spread = 1.4826 * float(np.median(off[share > 0.5])) if (share > 0.5).any() else 0.0
        w = share * (off <= 2.5 * spread + 1e-6)
    return cv2.resize(background.astype(np.float32), (cols, rows), interpolation=cv2.INTER_LINEAR)
