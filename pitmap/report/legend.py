"""The legend under the pictures: a swatch with its pattern and the word."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from .overlay import font_file, paint_codes
from .palette import CLASS_STYLES, Style
from .text import Translate

__all__ = ["class_entries", "legend_png", "with_class_legend"]

_SIZE = 26


def legend_png(
    entries: Sequence[tuple[Style, str]], *, width_px: int = 1500
) -> tuple[bytes, tuple[int, int]]:
    """Swatches and words in rows of a picture `width_px` wide; PNG bytes and size."""
    font = ImageFont.truetype(str(font_file()), _SIZE)
    swatch, gap = 2 * _SIZE, _SIZE // 2
    rows: list[list[tuple[Style, str, int]]] = [[]]
    used = 0
    for style, word in entries:
        wide = swatch + gap + int(font.getlength(word)) + 2 * _SIZE
        if used + wide > width_px and rows[-1]:
            rows.append([])
            used = 0
        rows[-1].append((style, word, wide))
        used += wide
    line = _SIZE + gap
    image = Image.new("RGB", (width_px, line * len(rows) + gap), (255, 255, 255))
    for k, row in enumerate(rows):
        x = 0
        for style, word, wide in row:
            # A sheet of plain metal grey under the paint, so that a swatch looks as it does on the face.
            sheet = np.full((_SIZE, swatch, 3), 185, np.uint8)
            codes = np.zeros((_SIZE, swatch), np.uint8)
            codes[2:-2, 2:-2] = 1
            image.paste(
                Image.fromarray(paint_codes(sheet, codes, {1: style}, step=10)), (x, gap // 2 + k * line)
            )
            ImageDraw.Draw(image).text(
                (x + swatch + gap, gap // 2 + k * line + _SIZE // 2),
                word,
                font=font,
                fill=(0, 0, 0),
                anchor="lm",
            )
            x += wide
    out = io.BytesIO()
    image.save(out, "PNG", optimize=False)
    return out.getvalue(), image.size


def class_entries(t: Translate, codes: Iterable[int]) -> list[tuple[Style, str]]:
    """Style and word of each class that is drawn and that is among the codes."""
    there = {int(c) for c in codes}
    return [(style, t(style.word)) for code, style in CLASS_STYLES.items() if int(code) in there]


def with_class_legend(
    t: Translate, picture: NDArray[np.uint8], codes: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """The picture with the legend of the classes in `codes` under it; without one where all is sound."""
    entries = class_entries(t, np.unique(codes))
    if not entries:
        return picture
    data, _ = legend_png(entries, width_px=picture.shape[1])
    strip = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    return np.vstack([picture, strip])
