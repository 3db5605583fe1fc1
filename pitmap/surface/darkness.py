"""Metal too dark to be read: in deep shadow, or under black rust, and one picture does not tell which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..photo.colour import linear_of_levels
from ..units import UnitSystem, format_area
from .morphology import disc

__all__ = ["dark_words", "too_dark"]

_CELL_MM = 1.0
"""Tones are means over so much metal: pits, grain and lint are finer."""
_BLOCK_CELLS = 8
_FALL_MM = 150.0
"""Light that falls by a factor e over this distance is taken for the lamp's. Under a small lamp 150 mm above the face
(cosine and inverse square law) no place within 400 mm then has less than 0.6 of its light; house choice."""
_BRIGHT_PERCENTILE = 75
"""Brighter metal counts as no brighter than this: glare is no measure of the light."""
_FAR_FALL_MM = 300.0
_BRIGHTEST_PERCENTILE = 97
_MUCH = 0.25
"""Where so much of the metal is too dark by the brightest of it, that is no glare, or one beside which nobody can tell; and
fields are so wide that the fall over :data:`_FALL_MM` makes up for them in their middle. Of 20 photos from outside up to
0.065 was, of 63 renders 0.154 (seeds 53000, weathered 62000; 0.245 of one more, blurred beyond use), of the samples none.
With 0.3 to 0.95 of the face at a sixth of its light 0.29 to 0.58 was."""
_LEAST_LIGHT = 0.002
"""Of full scale in linear light; added before the logarithm, so that the noise of black does not count."""
_ACROSS_MM = 5.0
"""A dark field holds discs of this width; pen strokes and the shadows of edges are narrower; house choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bar:
    """How far a field goes on beyond where it begins, and how much metal must lie under the bar where it begins."""

    goes_on: float
    least_mm2: float


_BEGINS = 0.25
"""Part of the light's tone under which a field begins."""
_LAPPED = _Bar(goes_on=0.45, least_mm2=50.0)
_INTAKE = _Bar(goes_on=0.40, least_mm2=300.0)
"""The bars lie where there is no more metal that is sound and yet dark. Under 0.25, in fields that hold the
disc, was none of the sound metal of 125 renders (seeds 53000, 61000; weathered 62000) and of 8 lapped photos from
outside. Old finish at intake is patchier: of four photos' 0, 0, 0.002 and 0.018, in fields of under 3 cm2. Of black rust
painted over half of a face at a sixth of its light 0.95 to 0.98 is found (7 photos). Of a hard shadow over two fifths of it
that leaves 0.5 of the light 0 to 0.06 is taken for such a field, of one that leaves 0.42 0 to 0.78, of 0.35 0.02 to 0.93
(6 photos): more where the old finish is dark as well."""


def too_dark(
    pictures: Sequence[NDArray[np.uint8]],
    metals: Sequence[NDArray[np.bool_]],
    px_per_mm: float,
    *,
    is_lapped: bool,
) -> NDArray[np.bool_]:
    """Fields of metal so much darker than the metal about them that nothing there may be called sound.

    Standing water leaves rust that is nearly black, in fields of any size; to a classifier that looks through shadows
    it is a shadow on sound metal. What the light can do is bounded: its tone is that of the brightest metal about, less
    what a near lamp falls off on the way. Of several pictures a field is dark in every one that shows it.

    Parameters
    ----------
    pictures : sequence of (rows, columns, 3) uint8
    metals : sequence of (rows, columns) bool
        Metal that each of them shows.
    px_per_mm : float
    is_lapped : bool
        Old finish is patchier than cut metal, so less is called too dark before the first cut.

    Returns
    -------
    (rows, columns) bool

    Notes
    -----
    Damage that is told in such a field stays what it is; this is about metal that would pass for sound. A face that is
    black over all but a thirtieth leaves too little to compare it with: there nothing is called too dark.
    """
    bar = _LAPPED if is_lapped else _INTAKE
    high, wide = metals[0].shape
    cells = max(1, round(wide / px_per_mm / _CELL_MM)), max(1, round(high / px_per_mm / _CELL_MM))
    tones = [_tone(rgb, metal, cells) for rgb, metal in zip(pictures, metals, strict=True)]
    n_metal = float(np.logical_or.reduce([np.isfinite(tone) for tone in tones]).sum())
    # a higher percentile and a longer fall only ever find more
    field = _fields(tones, bar, _BRIGHTEST_PERCENTILE, _FALL_MM)
    n_dark = np.count_nonzero(field)
    if n_dark:
        is_much = n_dark >= _MUCH * n_metal
        settled = (_BRIGHTEST_PERCENTILE, _FAR_FALL_MM) if is_much else (_BRIGHT_PERCENTILE, _FALL_MM)
        field = _fields(tones, bar, *settled)
    return cv2.resize(field, (wide, high), interpolation=cv2.INTER_NEAREST_EXACT).view(bool)


def _fields(
    tones: Sequence[NDArray[np.float32]], bar: _Bar, bright_percentile: float, fall_mm: float
) -> NDArray[np.uint8]:
    """Cells of the fields that are dark in every picture that shows them, 1 or 0."""
    part = np.zeros(tones[0].shape, np.float32)
    for tone in tones:
        is_metal = np.isfinite(tone)
        if is_metal.any():
            light = _light(tone, is_metal, bright_percentile, fall_mm)
            part = np.fmax(part, np.where(is_metal, np.exp(tone - light), np.float32(0)))
    across = disc(_ACROSS_MM, 1 / _CELL_MM)
    under = [((part > 0) & (part < least)).astype(np.uint8) for least in (_BEGINS, bar.goes_on)]
    begins, goes_on = (cv2.morphologyEx(dark, cv2.MORPH_OPEN, across) for dark in under)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(begins, connectivity=8)
    is_field = stats[:, cv2.CC_STAT_AREA] * _CELL_MM**2 >= bar.least_mm2
    is_field[0] = False
    fields = cv2.connectedComponents(goes_on, connectivity=4)[1]
    kept = np.zeros(fields.max() + 1, np.uint8)
    kept[fields[is_field[labels]]] = 1
    kept[0] = 0
    # what is too narrow for the disc, between the field and an edge, belongs to it
    return np.asarray(cv2.dilate(kept[fields], across) & under[1], np.uint8)


def dark_words(dark_mm2: float, system: UnitSystem = "mm") -> str:
    """What the user is told of metal that was too dark to be read.

    Parameters
    ----------
    dark_mm2 : float
        Its area.
    system : {"mm", "inch"}
    """
    area = format_area(dark_mm2, system, digits=0 if system == "mm" else 2)
    return (
        f"{area} are far darker than the metal about them: a deep shadow, black rust or burnt oil; a photo does not tell "
        "which. They count as not seen, not as sound. Look at the plate: clean it, light it from another side and take "
        "the photo again; what is rust, mark as stain by hand."
    )


def _tone(rgb: NDArray[np.uint8], metal: NDArray[np.bool_], cells: tuple[int, int]) -> NDArray[np.float32]:
    """Log tone of every cell; minus infinity where half of it or less is metal."""
    # levels are averaged, and their mean is turned into light: of every pixel it would cost five times as much
    grey = cv2.bitwise_and(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), metal.view(np.uint8) * np.uint8(255))
    share = cv2.resize(
        metal.view(np.uint8) * np.uint8(255), cells, interpolation=cv2.INTER_AREA
    ) / np.float32(255)
    level = cv2.resize(grey, cells, interpolation=cv2.INTER_AREA) / np.maximum(share, np.float32(1e-6))
    mean = np.interp(level, np.arange(256), linear_of_levels()).astype(np.float32)
    return np.where(share > 0.5, np.log(mean + np.float32(_LEAST_LIGHT)), np.float32(-np.inf))


def _light(
    tone: NDArray[np.float32], is_metal: NDArray[np.bool_], bright_percentile: float, fall_mm: float
) -> NDArray[np.float32]:
    """Log tone that the light would give sound metal, (rows, columns): the brightest about, less the fall on the way."""
    bright = np.minimum(tone, np.percentile(tone[is_metal], bright_percentile))
    rows, cols, tones = [], [], []
    n = _BLOCK_CELLS
    for top in range(0, tone.shape[0], n):
        for left in range(0, tone.shape[1], n):
            block = np.s_[top : top + n, left : left + n]
            if is_metal[block].any():
                rows.append(top + n / 2)
                cols.append(left + n / 2)
                tones.append(np.median(bright[block][is_metal[block]]))
    # row by row of the coarse raster: every block against every place
    at_row, at_col, of_block = (np.array(values, np.float32) for values in (rows, cols, tones))
    coarse = tuple(-(-side // n) for side in tone.shape)
    light = np.empty(coarse, np.float32)
    place = (np.arange(coarse[1], dtype=np.float32) + 0.5) * n
    for row in range(coarse[0]):
        away = np.hypot(at_row - (row + 0.5) * n, at_col - place[:, None]) * np.float32(_CELL_MM / fall_mm)
        light[row] = (of_block - away).max(1)
    fine = cv2.resize(light, (coarse[1] * n, coarse[0] * n), interpolation=cv2.INTER_LINEAR)
    return fine[: tone.shape[0], : tone.shape[1]]
