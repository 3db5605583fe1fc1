"""A document in the characters that the PDF can set; what it cannot is seen to be missing, and told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from functools import cache
from typing import Any
from unicodedata import bidirectional

from matplotlib.font_manager import get_font

from .model import Document, Paragraph
from .overlay import font_file

__all__ = ["MISSING", "printable"]

MISSING = "\u25a1"
"""Stands for a character that the font lacks; an empty square, which the font has."""

_TAB = "\t"
"""Parts words in a note; the font has no shape for it, so it is set as a space."""
_RIGHT_TO_LEFT = ("R", "AL")
"""Of the Unicode standard's annex 9: Hebrew, Arabic and the like."""


@cache
def _characters() -> frozenset[str]:
    """What both weights of the font can show, and what parts lines without being shown.

    Letters that run from right to left are not among them: the page is set from left to right, which would turn a name
    back to front.
    """
    both = [{chr(code) for code in get_font(str(font_file(bold=b))).get_charmap()} for b in (False, True)]
    set_rightly = {c for c in both[0] & both[1] if bidirectional(c) not in _RIGHT_TO_LEFT}
    return frozenset(set_rightly) | {"\n"}


def printable(document: Document) -> Document:
    """The document with :data:`MISSING` for what the font lacks, and its note on that at the head; else as it is."""
    lacking = {c for text in _texts(document) for c in text} - _characters()
    if not lacking:
        return document
    out = _shown(document)
    if lacking == {_TAB}:
        return out
    first, *others = out.sections
    note = Paragraph(text=out.unprintable_note, kind="warning")
    return replace(out, sections=(replace(first, blocks=(note, *first.blocks)), *others))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for one in value:
            yield from _texts(one)
    elif is_dataclass(value):
        for field in fields(value):
            yield from _texts(getattr(value, field.name))


def _shown(value: Any) -> Any:
    """A text, or what holds texts, without the characters that the font lacks."""
    if isinstance(value, str):
        return "".join(c if c in _characters() else MISSING for c in value.replace(_TAB, " "))
    if isinstance(value, tuple):
        return tuple(_shown(one) for one in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: _shown(getattr(value, f.name)) for f in fields(value)})
    return value
