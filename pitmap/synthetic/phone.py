"""What a phone makes of the light: blur, falloff, colour, noise, sharpening, tone, JPEG."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Phone

__all__ = ["develop", "motion_kernel"]


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
    soft = cv2.GaussianBlur(white, (0, 0), 0.5 + 0.9 * denoise)
    soft *= np.float32(1.0 / (soft.std() + 1e-6))
    return (1 - np.float32(denoise)) * white + np.float32(0.55 * denoise) * soft


def develop(light: NDArray[np.float32], phone: Phone, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Linear light (rows, cols, 3), already exposed, to 8-bit RGB before JPEG. The input is overwritten."""
    h, w = light.shape[:2]
    if phone.vignette > 0:
        y = (np.arange(h, dtype=np.float32) - h / 2) / (w / 2)
        x = (np.arange(w, dtype=np.float32) - w / 2) / (w / 2)
        light *= (1 - np.float32(phone.vignette) * 0.64 * (y[:, None] ** 2 + x[None, :] ** 2))[..., None]
    light *= np.asarray(phone.white_balance, np.float32)
    if phone.defocus_px > 0.05:
        light = cv2.GaussianBlur(light, (0, 0), phone.defocus_px)
    if phone.motion_px > 0.3:
        light = cv2.filter2D(
            light, -1, motion_kernel(phone.motion_px, phone.motion_deg), borderType=cv2.BORDER_REPLICATE
        )
    # A little veiling light from the whole scene, as any lens and cover glass add.
    np.clip(light, 0, 2, out=light)
    out = np.take(_tone_table(phone.contrast), (light * np.float32(4095 / 2)).astype(np.uint16))
    if phone.noise > 0:
        sigma = np.float32(255 * phone.noise)
        out += (sigma * _noise(rng, (h, w), phone.denoise))[..., None]
        small = rng.standard_normal((h // 3 + 1, w // 3 + 1, 3), dtype=np.float32)
        chroma = cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
        out += sigma * np.float32(0.55) * (chroma - chroma.mean(-1, keepdims=True))
    if phone.sharpen > 0.02:
        soft = cv2.GaussianBlur(out, (0, 0), 1.1)
        out += np.float32(0.9 * phone.sharpen) * (out - soft)
    return np.clip(out + np.float32(0.5), 0, 255).astype(np.uint8)
