"""How each class of metal looks: a colour-blind-safe colour, a pattern beside it, and a word.

The colours are those of the Okabe-Ito set, told apart with every common colour vision; the patterns tell the
classes apart without any colour, in grey print.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..classes import SurfaceClass
from ..compare import ChangeCode
from .text import mark

__all__ = ["CHANGE_STYLES", "CLASS_STYLES", "FATE_SYMBOLS", "STATUS_SYMBOLS", "Style"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Colour (``#rrggbb``), raster pattern, matplotlib hatch, and word of one class.

    `pattern` is one of ``solid``, ``dots``, ``rising``, ``level``, ``cross``, ``outline``.
    """

    colour: str
    pattern: str
    hatch: str
    word: str

    @property
    def rgb(self) -> tuple[int, int, int]:
        """Colour as 0..255."""
        r, g, b = (int(self.colour[k : k + 2], 16) for k in (1, 3, 5))
        return r, g, b


CLASS_STYLES: dict[SurfaceClass, Style] = {
    SurfaceClass.PIT: Style(colour="#d55e00", pattern="solid", hatch="", word=mark("pit")),
    SurfaceClass.STAIN: Style(colour="#e69f00", pattern="dots", hatch="..", word=mark("stain")),
    SurfaceClass.TINT: Style(colour="#0072b2", pattern="rising", hatch="//", word=mark("heat tint")),
    SurfaceClass.UNCUT: Style(
        colour="#009e73", pattern="level", hatch="--", word=mark("not reached by the lap")
    ),
    SurfaceClass.SCORE: Style(colour="#cc79a7", pattern="outline", hatch="", word=mark("score")),
    SurfaceClass.UNSEEN: Style(colour="#4d4d4d", pattern="cross", hatch="xx", word=mark("not seen")),
}

CHANGE_STYLES: dict[ChangeCode, Style] = {
    ChangeCode.STAYED: Style(colour="#d55e00", pattern="solid", hatch="", word=mark("still there")),
    ChangeCode.CLEARED: Style(colour="#56b4e9", pattern="rising", hatch="//", word=mark("cleared")),
    ChangeCode.CAME: Style(colour="#f0e442", pattern="dots", hatch="..", word=mark("came up")),
    ChangeCode.UNSEEN: Style(colour="#4d4d4d", pattern="cross", hatch="xx", word=mark("cannot be told")),
}

STATUS_SYMBOLS = {"pass": "\u2713", "watch": "\u25b2", "stop": "\u2715", "not judged": "\u2013"}
"""Beside the word, never instead of it."""

FATE_SYMBOLS = {
    "gone": "\u25cb",
    "smaller": "\u25bd",
    "same": "\u25a0",
    "larger": "\u25b2",
    "new": "\u2605",
    "opened_up": "\u25c6",
    "cannot_tell": "?",
}
