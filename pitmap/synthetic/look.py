"""How a surveyed face looks: reflectance, gloss, sparkle and small slopes of every piece of metal."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..grid import Grid
from .lap import Survey
from .noise import fractal, smoothstep, streaks

__all__ = ["Look", "dress", "tint_colour"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """Optical maps of one face, on its own grid (about the scale of the photo).

    Attributes
    ----------
    grid : Grid
    paint : (rows, cols, 4) float32
        Linear RGB reflectance, and strength of the mirror-like part (0..1).
    form : (rows, cols, 4) float32
        Slope of the surface along x and along y, width of the highlight, and darkening of hollows (1 = open).
    """

    grid: Grid
    paint: NDArray[np.float32]
    form: NDArray[np.float32]


# Oxide film on iron from thin to thick: straw, brown, purple, blue, pale blue. The order is that of the
# temper colours of steel in any handbook; the RGB factors are a house choice, by eye.
_TINT_AT = np.array([0.0, 0.2, 0.38, 0.52, 0.66, 0.82, 1.0, 1.2])
_TINT_RGB = np.array(
    [
        [1.00, 1.00, 1.00], [0.97, 0.86, 0.60], [0.86, 0.66, 0.30], [0.62, 0.38, 0.26],
        [0.46, 0.28, 0.48], [0.28, 0.32, 0.72], [0.40, 0.50, 0.86], [0.62, 0.68, 0.78],
    ]
)  # fmt: skip


_STRIP_AREA_PX = 60_000


def tint_colour(strength: NDArray) -> NDArray[np.float32]:
    """RGB factors (..., 3) of heat tint of a strength from 0 to 1.2."""
    table = np.stack([np.interp(np.linspace(0, 1.2, 256), _TINT_AT, c) for c in _TINT_RGB.T], -1).astype(
        np.float32
    )
    return table[np.clip(strength * (255 / 1.2), 0, 255).astype(np.uint8)]


def _mix(base: NDArray, colour: NDArray, share: NDArray) -> None:
    """Blend `colour` into `base` in place."""
    base += (colour - base) * share[..., None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tone:
    """Colours and strengths of one look; colours are (3,) float32."""

    bright: NDArray[np.float32]
    brown: NDArray[np.float32]
    mottle: float
    width_old: float
    even: NDArray[np.float32]
    grain: float
    width_new: float
    orange: NDArray[np.float32]
    crust: NDArray[np.float32]
    veil: NDArray[np.float32]
    drift: float
    floor: NDArray[np.float32]
    floor_grain: float = 0.35
    floor_rust: float = 0.0
    floor_shine: float = 0.05
    floor_bumps: float = 0.0
    opaque: float = 1.2


def _widen(tone: _Tone, rng: np.random.Generator) -> _Tone:
    """The tone drawn further: duller old finish, pits from black to grey or rust-filled, floors that glitter."""
    floor = np.exp(rng.uniform(np.log(0.05), np.log(0.2))) * np.array([1.04, 1.0, 0.96])
    return replace(
        tone,
        bright=tone.bright * np.float32(rng.uniform(0.45, 1.0)),
        floor=(floor * (1 + rng.normal(0, 0.05, 3))).astype(np.float32),
        floor_grain=rng.uniform(0.3, 0.75),
        floor_rust=rng.uniform(0.0, 0.6),
        floor_shine=rng.uniform(0.05, 0.5),
        floor_bumps=rng.uniform(0.0, 0.25),
        opaque=rng.uniform(1.1, 1.7),
    )


def _draw_tone(rng: np.random.Generator) -> _Tone:
    warm = rng.uniform(0.0, 0.12)
    bright = np.array([1.0, 1.0 - 0.35 * warm, 1.0 - warm]) * rng.uniform(0.50, 0.66)
    brown = np.array([0.215, 0.165, 0.115]) * rng.uniform(0.75, 1.35) * (1 + rng.normal(0, 0.06, 3))
    grey = np.array([0.30, 0.295, 0.275]) * rng.uniform(0.8, 1.2)
    brown = brown + (grey - brown) * rng.choice([0.0, 1.0], p=[0.75, 0.25]) * rng.uniform(0.3, 1)
    even = np.array([0.445, 0.45, 0.455]) * rng.uniform(0.88, 1.12) * (1 + rng.normal(0, 0.008, 3))
    return _Tone(
        bright=bright.astype(np.float32),
        brown=brown.astype(np.float32),
        mottle=rng.uniform(0.75, 1),
        width_old=rng.uniform(0.17, 0.32),
        even=even.astype(np.float32),
        grain=rng.uniform(0.02, 0.055),
        width_new=rng.uniform(0.27, 0.5),
        orange=(np.array([0.47, 0.165, 0.04]) * rng.uniform(0.8, 1.25)).astype(np.float32),
        crust=(np.array([0.13, 0.075, 0.045]) * rng.uniform(0.8, 1.3)).astype(np.float32),
        veil=(np.array([0.24, 0.165, 0.10]) * rng.uniform(0.85, 1.2)).astype(np.float32),
        drift=rng.normal(0, 0.45),
        floor=(np.array([0.045, 0.037, 0.032]) * rng.uniform(0.7, 1.6)).astype(np.float32),
    )


_RUSTY_FLOOR = np.array([0.13, 0.055, 0.025], np.float32)


def _lay(tone: _Tone, maps: dict[str, NDArray[np.float32]], out: NDArray, form: NDArray) -> None:
    """Paint one strip: old finish, fresh metal, tint, rust, pits, in the order in which they lie on each other."""
    fresh, stain, mottle, hue, fine = (maps[k] for k in ("fresh", "stain", "mottle", "hue", "fine"))
    hollow = maps["hollow"]
    # Old finish: bright where it was rubbed, brown where oil and varnish stayed.
    paint = tone.bright * np.exp(np.float32(0.05) * hue)[..., None]
    _mix(paint, tone.brown, mottle * np.float32(tone.mottle))
    paint *= np.exp(np.float32(0.07) * fine)[..., None]
    sparkle = 0.6 - 0.4 * mottle
    width = tone.width_old + 0.26 * mottle
    # Freshly lapped metal: even, matt, light grey, with the faint lines of the abrasive.
    grain = np.exp(np.float32(tone.grain) * fine + np.float32(0.012) * maps["lines"])
    _mix(paint, tone.even * grain[..., None], fresh)
    sparkle += (0.40 - sparkle) * fresh
    width += (np.float32(tone.width_new) - width) * fresh
    paint *= tint_colour(maps["tint"])
    # Rust and scale: from a brown veil through orange to dark crusts, by strength and by the drift of hue.
    share = smoothstep(-1.3, 0.7, hue + np.float32(tone.drift) + np.float32(0.5) * fine)
    rust = tone.crust + (tone.orange - tone.crust) * share[..., None]
    rust += (tone.veil - rust) * smoothstep(0.5, 0.15, stain)[..., None]
    # Crusts catch light unevenly: their brightness drifts with the pattern of the old finish and with grain.
    rust *= np.exp(np.float32(0.5) * (np.float32(0.4) - mottle) + np.float32(0.16) * fine)[..., None]
    cover = np.clip(stain * np.float32(tone.opaque), 0, 0.93)
    _mix(paint, rust, cover)
    paint *= np.exp(np.float32(0.12) * fine * cover)[..., None]
    sparkle *= 1 - 0.92 * cover
    width += (0.6 - width) * cover
    # Pits: dark floors, some rust, ragged rims; deeper is darker.
    deep = smoothstep(2.0, 30.0, hollow)
    pit = tone.floor + (_RUSTY_FLOOR - tone.floor) * (smoothstep(0.2, 1.6, hue) * 0.8)[..., None]
    _mix(pit, rust, np.float32(tone.floor_rust) * cover * smoothstep(90, 20, hollow))
    pit *= np.exp(np.float32(tone.floor_grain) * fine + np.float32(0.35) * smoothstep(60, 15, hollow))[
        ..., None
    ]
    _mix(paint, pit, np.float32(0.93) * deep)
    sparkle *= 1 - np.float32(1 - tone.floor_shine) * deep
    out[..., :3] = np.clip(paint, 0.004, 0.95)
    out[..., 3] = np.clip(sparkle, 0, 1)
    bumps = np.float32(0.03) * cover + np.float32(0.008) + np.float32(tone.floor_bumps) * deep
    form[..., 0] += bumps * fine
    form[..., 1] += bumps * maps["fine_y"]
    form[..., 2] = np.clip(width, 0.08, 0.8)
    form[..., 3] = 1 - 0.5 * smoothstep(10, 120, hollow)


def dress(
    survey: Survey, rng: np.random.Generator, px_per_mm: float | None = None, is_wide: bool = False
) -> Look:
    """The look of a survey.

    Parameters
    ----------
    survey : Survey
    rng : numpy.random.Generator
        For tone and hue of the metal; patterns belong to the face and stay the same.
    px_per_mm : float, optional
        Scale of the maps; that of the survey when left out, never finer.
    is_wide : bool
        Draw the tones of old finish, rust and pits from wider ranges.
    """
    face = survey.face
    scale = min(px_per_mm or face.grid.px_per_mm, face.grid.px_per_mm)
    grid = face.grid.at_scale(scale)

    def at(a: NDArray) -> NDArray[np.float32]:
        a = np.asarray(a, np.float32)
        if grid.shape == a.shape:
            return a
        return np.asarray(cv2.resize(a, grid.shape[::-1], interpolation=cv2.INTER_AREA), np.float32)

    tone = _draw_tone(rng)
    if is_wide:
        tone = _widen(tone, rng)
    left = np.maximum(face.pit_um - survey.cut_um, 0) * (face.pit_um > 0)
    fine = fractal(rng, grid.shape, 1.2 * scale, 1.0, gain=0.9)
    maps = {
        "fresh": at(survey.fresh), "stain": at(survey.stain), "tint": at(survey.tint), "mottle": at(face.mottle),
        "hue": at(face.hue), "hollow": at(np.maximum(left, survey.score_um)), "fine": fine,
        "fine_y": np.roll(fine, (7, 11), (0, 1)), "lines": streaks(rng, grid.shape, 18 * scale, 1.0),
    }  # fmt: skip
    paint = np.empty((*grid.shape, 4), np.float32)
    form = np.empty((*grid.shape, 4), np.float32)
    relief = cv2.GaussianBlur(-maps["hollow"], (0, 0), 0.6) * np.float32(0.001 * scale)
    form[..., 0] = cv2.Sobel(relief, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    form[..., 1] = -cv2.Sobel(relief, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    # In strips, because a dozen passes over one strip stay in the processor's cache.
    step = max(1, _STRIP_AREA_PX // grid.n_cols)
    for r in range(0, grid.n_rows, step):
        rows = slice(r, r + step)
        _lay(tone, {k: m[rows] for k, m in maps.items()}, paint[rows], form[rows])
    return Look(grid=grid, paint=paint, form=form)
