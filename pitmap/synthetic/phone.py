"""What a phone makes of the light: blur, falloff, colour, noise, sharpening, tone, JPEG."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Phone

__all__ = ["develop", "motion_kernel"]

_STRIP_ROWS = 64


def motion_kernel(length_px: float, angle_deg: float) -> NDArray[np.float32]:
    """A straight smear of the given length, sum 1."""
    half = math.ceil(length_px / 2) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for s in np.linspace(-0.5, 0.5, max(3, 4 * half)):
        x = half + s * length_px * math.cos(math.radians(angle_deg))
        y = half + s * length_px * math.sin(math.radians(angle_deg))
        i, j = int(y), int(x)
        fy, fx = y - i, x - j
        kernel[i, j] += (1 - fy) * (1 - fx)
        kernel[i, min(j + 1, 2 * half)] += (1 - fy) * fx
        kernel[min(i + 1, 2 * half), j] += fy * (1 - fx)
        kernel[min(i + 1, 2 * half), min(j + 1, 2 * half)] += fy * fx
    return kernel / kernel.sum()


def _tone_table(contrast: float) -> NDArray[np.float32]:
    """Linear 0..2 in 4096 steps to 0..255: shoulder over 0.75, sRGB curve, S-curve."""
    x = np.linspace(0, 2, 4096)
    knee = 0.7
    x = np.where(x > knee, knee + (1 - knee) * (1 - np.exp(-(x - knee) / (1 - knee))), x)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-9), 1 / 2.4) - 0.055)
    s = y + contrast * 0.35 * (y - 0.45) * np.clip(1 - np.abs(2 * y - 1) ** 2, 0, 1)
    return np.clip(255 * s, 0, 255).astype(np.float32)


def _noise(rng: np.random.Generator, shape: tuple[int, int], denoise: float) -> NDArray[np.float32]:
    white = rng.standard_normal(shape, dtype=np.float32)
    if denoise <= 0.02:
        return white
    soft: Any = cv2.GaussianBlur(white, (0, 0), 0.5 + 0.9 * denoise)
    soft *= np.float32(1.0 / (soft.std() + 1e-6))
    return (1 - np.float32(denoise)) * white + np.float32(0.55 * denoise) * soft


def develop(light: NDArray[np.float32], phone: Phone, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Linear light (rows, cols, 3), already exposed, to 8-bit RGB before JPEG. The input is overwritten."""
    lit: Any = light
    h, w = lit.shape[:2]
    strips = [slice(r, r + _STRIP_ROWS) for r in range(0, h, _STRIP_ROWS)]
    y = (np.arange(h, dtype=np.float32) - h / 2) / (w / 2)
    x = (np.arange(w, dtype=np.float32) - w / 2) / (w / 2)
    balance = np.asarray(phone.white_balance, np.float32)
    for rows in strips:
        fall = 1 - np.float32(0.64 * phone.vignette) * (y[rows, None] ** 2 + x[None, :] ** 2)
        lit[rows] *= fall[..., None] * balance
    if phone.defocus_px > 0.05:
        lit = cv2.GaussianBlur(lit, (0, 0), phone.defocus_px)
    if phone.motion_px > 0.3:
        smear = motion_kernel(phone.motion_px, phone.motion_deg)
        lit = cv2.filter2D(lit, -1, smear, borderType=cv2.BORDER_REPLICATE)
    table = _tone_table(phone.contrast)
    grain, chroma = None, None
    if phone.noise > 0:
        sigma = np.float32(255 * phone.noise)
        grain = sigma * _noise(rng, (h, w), phone.denoise)
        small = rng.standard_normal((h // 3 + 1, w // 3 + 1, 3), dtype=np.float32)
        small -= small.mean(-1, keepdims=True)
        chroma = cv2.resize(sigma * np.float32(0.55) * small, (w, h), interpolation=cv2.INTER_LINEAR)
    for rows in strips:
        level = (np.clip(lit[rows], 0, 2) * np.float32(4095 / 2)).astype(np.uint16)
        part = np.take(table, level)
        if grain is not None and chroma is not None:
            part += grain[rows][..., None]
            part += chroma[rows]
        lit[rows] = part
    out = np.empty(lit.shape, np.uint8)
    soft = cv2.GaussianBlur(lit, (0, 0), 1.1) if phone.sharpen > 0.02 else lit
    for rows in strips:
        part = lit[rows]
        sharp = part + np.float32(0.9 * phone.sharpen) * (part - soft[rows])
        out[rows] = np.clip(sharp + np.float32(0.5), 0, 255)
    return out
