"""Benches: textures of wood, cardboard, steel, cloth, tiles, granite, printed paper, as linear RGB tiles."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .noise import fractal, smoothstep, streaks, tile

__all__ = ["BENCHES", "bench_tile"]

BENCHES = ("wood", "cardboard", "steel", "cloth", "tiles", "granite", "paper")

_OVERLAP = 64


def _rgb(base: tuple[float, float, float], gain: NDArray) -> NDArray[np.float32]:
    return np.asarray(base, np.float32) * gain[..., None].astype(np.float32)


def _wood(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    base = np.array(
        [(0.42, 0.30, 0.18), (0.30, 0.20, 0.12), (0.35, 0.31, 0.25), (0.20, 0.12, 0.07)][rng.integers(4)]
    )
    grain = streaks(rng, (n, n), 130 * s, 1.6 * s)
    slow = fractal(rng, (n, n), 50 * s, 4)
    gain = np.exp(0.22 * grain + 0.14 * slow)
    if rng.random() < 0.7:
        width = rng.uniform(55, 140) * s
        rows = np.arange(n) / width
        board = np.floor(rows).astype(int)
        tone = rng.normal(0, 0.12, board.max() + 1)[board]
        gap = np.exp(-(((rows - np.round(rows)) * width / (0.6 * s)) ** 2))
        gain *= np.exp(tone)[:, None] * (1 - 0.75 * gap)[:, None]
        for b in range(board.max() + 1):
            gain[board == b] = np.roll(gain[board == b], int(rng.integers(n)), axis=1)
    out = _rgb(tuple(base), gain)
    dirt = smoothstep(0.5, 3.2, fractal(rng, (n, n), 45 * s, 2))
    return np.asarray(out * (1 - rng.uniform(0.1, 0.6) * dirt[..., None]), np.float32)


def _cardboard(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    base = (0.44 * rng.uniform(0.8, 1.15), 0.31, 0.19 * rng.uniform(0.85, 1.1))
    flutes = np.sin(np.arange(n) / s * 2 * np.pi / rng.uniform(5, 8))[:, None] * rng.uniform(0.01, 0.045)
    gain = np.exp(flutes + 0.05 * fractal(rng, (n, n), 4 * s, 1) + 0.08 * fractal(rng, (n, n), 70 * s, 6))
    stains = smoothstep(0.9, 3.0, fractal(rng, (n, n), 30 * s, 2))
    return _rgb(base, gain * (1 - rng.uniform(0.1, 0.55) * stains))


def _steel(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    level = rng.uniform(0.10, 0.38)
    gain = np.exp(0.05 * streaks(rng, (n, n), 90 * s, 0.7 * s) + 0.16 * fractal(rng, (n, n), 60 * s, 2))
    out = _rgb((level, level * 1.01, level * 1.03), gain)
    rust = smoothstep(0.6, 3.2, fractal(rng, (n, n), 35 * s, 1, gain=0.65))[..., None] * rng.choice(
        [0.0, 0.7]
    )
    out = out * (1 - rust) + rust * np.array([0.13, 0.075, 0.045], np.float32)
    layer = np.zeros((n, n), np.uint8)
    for _ in range(int(rng.integers(5, 50))):
        p = rng.uniform(0, n, 2)
        d = rng.normal(0, 35 * s, 2)
        cv2.line(
            layer, tuple(map(int, p)), tuple(map(int, p + d)), int(rng.integers(40, 200)), 1, cv2.LINE_AA
        )
    return out * (1 + 0.3 * layer[..., None].astype(np.float32) / 255)


def _cloth(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    base = [
        (0.05, 0.07, 0.20),
        (0.35, 0.04, 0.03),
        (0.10, 0.26, 0.16),
        (0.30, 0.29, 0.27),
        (0.06, 0.06, 0.06),
        (0.45, 0.42, 0.36),
    ]
    x = np.arange(n) / s * 2 * np.pi / rng.uniform(0.9, 1.6)
    weave = 0.10 * np.sin(x)[:, None] + 0.10 * np.sin(x)[None, :]
    folds = fractal(rng, (n, n), 60 * s, 8)
    gain = np.exp(weave + 0.06 * fractal(rng, (n, n), 2 * s, 1) + rng.uniform(0.05, 0.28) * folds)
    stains = smoothstep(0.6, 2.6, fractal(rng, (n, n), 30 * s, 2))
    return _rgb(base[rng.integers(len(base))], gain * (1 - rng.uniform(0.1, 0.6) * stains))


def _tiles(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    pitch = n / max(2, round(n / (rng.uniform(15, 90) * s)))
    joint = rng.uniform(0.6, 3.0) * s
    x = np.arange(n)
    near = np.abs((x + pitch / 2) % pitch - pitch / 2)
    line = np.maximum(
        smoothstep(joint, 0.4 * joint, near)[:, None], smoothstep(joint, 0.4 * joint, near)[None, :]
    )
    cell = np.floor(x / pitch).astype(int)
    tone = rng.normal(0, 0.10, (cell.max() + 1, cell.max() + 1))[np.ix_(cell, cell)]
    gain = np.exp(tone + 0.08 * fractal(rng, (n, n), 20 * s, 1))
    top = np.array(
        [(0.55, 0.50, 0.42), (0.45, 0.46, 0.47), (0.08, 0.20, 0.14), (0.25, 0.13, 0.08)][rng.integers(4)],
        np.float32,
    )
    groove = np.array([(0.12, 0.11, 0.10), (0.5, 0.5, 0.48)][rng.integers(2)], np.float32)
    out = top * gain[..., None].astype(np.float32)
    return (out * (1 - line[..., None]) + groove * line[..., None]).astype(np.float32)


def _granite(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    level = rng.uniform(0.04, 0.30)
    fine = fractal(rng, (n, n), rng.uniform(0.6, 1.5) * s, 1, gain=0.95)
    gain = np.exp(rng.uniform(0.12, 0.35) * fine + 0.10 * fractal(rng, (n, n), 60 * s, 4))
    dots = (rng.random((n, n), dtype=np.float32) > 0.994) * np.float32(1.5 * level)
    fleck = cv2.GaussianBlur(dots.astype(np.float32), (3, 3), 0.7)
    return (
        _rgb((level, level * rng.uniform(0.97, 1.03), level * rng.uniform(0.95, 1.08)), gain)
        + fleck[..., None]
    )


def _paper(rng: np.random.Generator, n: int, s: float) -> NDArray[np.float32]:
    """Printed paper: columns of words that are no words, dark pictures, a crease or two."""
    out = _rgb((0.55, 0.53, 0.47), np.exp(0.05 * fractal(rng, (n, n), 50 * s, 1)))
    ink = np.zeros((n, n), np.uint8)
    column, gap = rng.uniform(38, 60) * s, 4 * s
    left = 0.0
    while left < n:
        y = rng.uniform(0, 8) * s
        while y < n:
            if rng.random() < 0.06:
                tall = rng.uniform(15, 45) * s
                cv2.rectangle(
                    ink,
                    (int(left), int(y)),
                    (int(left + column), int(y + tall)),
                    int(rng.integers(90, 230)),
                    -1,
                )
                y += tall + 3 * s
                continue
            big = rng.random() < 0.06
            letter = (4.5 if big else 1.5) * s
            x = left
            while x < left + column:
                word = rng.uniform(2, 8) * letter * 0.8
                end = min(x + word, left + column)
                cv2.rectangle(
                    ink, (int(x), int(y)), (int(end), int(y + letter)), int(rng.integers(120, 210)), -1
                )
                x += word + 0.8 * letter
            y += 1.9 * letter
        left += column + gap
    speckle = np.clip(0.75 + 0.35 * rng.standard_normal((n, n), dtype=np.float32), 0, 1)
    cover = (ink.astype(np.float32) / 255 * speckle)[..., None]
    return out * (1 - 0.9 * cover)


_MAKERS = {
    "wood": _wood, "cardboard": _cardboard, "steel": _steel, "cloth": _cloth, "tiles": _tiles,
    "granite": _granite, "paper": _paper,
}  # fmt: skip


def bench_tile(
    kind: str, rng: np.random.Generator, px_per_mm: float, size_px: int = 1400
) -> NDArray[np.float32]:
    """A square tile of bench, linear RGB reflectance (rows, cols, 3), that repeats without a seam."""
    texture = _MAKERS[kind](rng, size_px, px_per_mm).astype(np.float32)
    return np.clip(tile(texture, _OVERLAP), 0.003, 0.9)
