"""The legend under the pictures: a swatch with its pattern and the word."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from ..drawing import Drawing
from .overlay import font_file, paint_codes
from .palette import CHANGE_STYLES, CLASS_STYLES, Style
from .text import Translate

__all__ = ["change_entries", "class_entries", "legend_png", "lines_note", "with_key"]

_SIZE = 26
_NOTE_SIZE = 18


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


def change_entries(t: Translate, codes: Iterable[int]) -> list[tuple[Style, str]]:
    """Style and word of each kind of change that is among the codes."""
    there = {int(c) for c in codes}
    return [(style, t(style.word)) for code, style in CHANGE_STYLES.items() if int(code) in there]


def lines_note(t: Translate, drawing: Drawing) -> str:
    """What the lines and numbers of an overlay picture of a plate mean."""
    lines = t("Lines are the zones of the drawing.")
    if "seal_land" in drawing.zones:
        lines = t(
            "Lines are the zones of the drawing (yellow: the seal land); the white bar marks its narrowest sound"
            " metal, or where damage crosses it."
        )
    return f"{lines} " + t(
        "Numbers are those of the survey's own marks: every survey numbers its marks anew."
    )


def _in_lines(text: str, font: ImageFont.FreeTypeFont, width_px: int) -> str:
    """The text broken between words where it would be wider than the picture."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and font.getlength(longer) > width_px:
            lines.append(word)
        else:
            lines[-1] = longer
    return "\n".join(lines)


def with_key(
    picture: NDArray[np.uint8], entries: Sequence[tuple[Style, str]], note: str
) -> NDArray[np.uint8]:
    """The picture with its key under it: the styles that are on it, none where all is sound, and a sentence."""
    width = picture.shape[1]
    strips = [picture]
    left = _NOTE_SIZE // 2  # the key is written on no page that has a margin of its own
    if entries:
        data, _ = legend_png(entries, width_px=width - left)
        key = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
        strips.append(np.pad(key, ((0, 0), (left, 0), (0, 0)), constant_values=255))
    font = ImageFont.truetype(str(font_file()), _NOTE_SIZE)
    text = _in_lines(note, font, width - 2 * _NOTE_SIZE)
    height = (text.count("\n") + 2) * round(1.4 * _NOTE_SIZE)
    strip = Image.new("RGB", (width, height), (255, 255, 255))
    ImageDraw.Draw(strip).multiline_text((left, _NOTE_SIZE // 3), text, font=font, fill=(0, 0, 0))
    return np.vstack([*strips, np.asarray(strip)])
