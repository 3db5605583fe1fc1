"""Every value from outside passes one of these doors: it comes out safe to store, or as a sentence."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Collection
from datetime import date
from typing import Any

from ..errors import InputError

__all__ = [
    "MAX_LINE",
    "MAX_TEXT",
    "as_plain",
    "canonical_json",
    "clean_bool",
    "clean_choice",
    "clean_date",
    "clean_id",
    "clean_json",
    "clean_line",
    "clean_number",
    "clean_text",
    "clean_whole",
    "file_label",
    "search_key",
]

MAX_LINE = 200
"""Longest one-line entry, in characters (house choice: a label that a person reads at a glance)."""
MAX_TEXT = 100_000
"""Longest note, in characters (house choice: about forty printed pages)."""
MAX_JSON = 1_000_000
_BIGGEST_ID = 2**63 - 1

# Characters that turn the direction of the text around make a name read as something else than it is.
_TURNING = set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_LINE_BREAKS = {"\n", "\t"}


def _shown(value: object) -> str:
    """The start of a value for a message, printable in any terminal."""
    text = ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."


def clean_text(value: object, field: str, *, required: bool = False, limit: int = MAX_TEXT) -> str:
    """A note of several lines: normalised (NFC), stripped, without control characters.

    Raises
    ------
    InputError
        Not text, empty though required, too long, or holding characters that cannot be shown.
    """
    if not isinstance(value, str):
        raise InputError(f"{field}: expected text, got {_shown(value)}")
    if len(value) > 4 * limit:  # before any work on it, so that a huge entry costs nothing
        raise InputError(f"{field}: {len(value)} characters, at most {limit} are kept; shorten it")
    text = unicodedata.normalize("NFC", value.replace("\r\n", "\n").replace("\r", "\n")).strip()
    for char in text:
        if char in _TURNING or (unicodedata.category(char) in {"Cc", "Cs"} and char not in _LINE_BREAKS):
            raise InputError(f"{field}: character U+{ord(char):04X} cannot be shown; take it out")
    if len(text) > limit:
        raise InputError(f"{field}: {len(text)} characters, at most {limit} are kept; shorten it")
    if required and not text:
        raise InputError(f"{field}: empty; enter something")
    return text


def clean_line(value: object, field: str, *, required: bool = False, limit: int = MAX_LINE) -> str:
    """A one-line entry (tag, name, reference): like :func:`clean_text`, without line breaks."""
    text = clean_text(value, field, required=required, limit=limit)
    if "\n" in text or "\t" in text:
        raise InputError(f"{field}: one line expected; take out line breaks and tabs")
    return text


def clean_number(
    value: object, field: str, *, low: float = -1e9, high: float = 1e9, missing_ok: bool = False
) -> float | None:
    """A finite number within ``low`` and ``high``; None for a missing one (None or NaN) where allowed."""
    if missing_ok and (value is None or (isinstance(value, float) and math.isnan(value))):
        return None
    if isinstance(value, (bool, str, bytes)) or value is None:
        raise InputError(f"{field}: expected a number, got {_shown(value)}")
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"{field}: expected a number, got {_shown(value)}") from None
    if not math.isfinite(number) or not low <= number <= high:
        raise InputError(f"{field}: expected a number from {low:g} to {high:g}, got {number!r}")
    return number


def clean_whole(value: object, field: str, *, low: int, high: int) -> int:
    """A whole number within ``low`` and ``high``."""
    number = clean_number(value, field, low=low, high=high)
    if number is None or number != int(number):
        raise InputError(f"{field}: expected a whole number, got {_shown(value)}")
    return int(number)


def clean_id(value: object, field: str) -> int:
    """The number of a record, as :class:`int` (numpy integers are taken, texts and fractions are not)."""
    if isinstance(value, bool) or not hasattr(value, "__index__"):
        raise InputError(f"{field}: expected the number of a record, got {_shown(value)}")
    number = value.__index__()
    if not 1 <= number <= _BIGGEST_ID:
        raise InputError(f"{field}: expected the number of a record (1 or more), got {_shown(number)}")
    return number


def clean_bool(value: object, field: str) -> bool:
    """True or False (numpy's too), nothing that merely looks like it."""
    if type(value).__name__ not in {"bool", "bool_"}:
        raise InputError(f"{field}: expected True or False, got {_shown(value)}")
    return bool(value)


def clean_choice(value: object, field: str, choices: Collection[str]) -> str:
    """One of the listed words."""
    if not isinstance(value, str) or value not in choices:
        listed = ", ".join(c or "(empty)" for c in choices)
        raise InputError(f"{field}: expected one of {listed}; got {_shown(value)}")
    return value


def clean_date(value: object, field: str) -> date:
    """A day as :class:`datetime.date` or ``YYYY-MM-DD``, from 1900 to 2199."""
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value, re.ASCII):
        try:
            value = date.fromisoformat(value)
        except ValueError:
            raise InputError(f"{field}: there is no such day: {value}") from None
    if not isinstance(value, date):
        raise InputError(f"{field}: expected a day as YYYY-MM-DD, got {_shown(value)}")
    value = date(value.year, value.month, value.day)  # a datetime loses its time of day here
    if not 1900 <= value.year <= 2199:
        raise InputError(f"{field}: expected a day between 1900 and 2199, got {value.isoformat()}")
    return value


def clean_json(value: object, field: str, *, limit: int = MAX_JSON) -> str:
    """A mapping of plain values as canonical JSON text, at most `limit` characters."""
    if not isinstance(value, dict):
        raise InputError(f"{field}: expected a mapping of names to plain values, got {_shown(type(value))}")
    try:
        text = canonical_json(value)
        text.encode()
    except (TypeError, ValueError, RecursionError) as error:
        raise InputError(f"{field}: cannot be kept as JSON ({_shown(str(error))})") from None
    if "\\u0000" in text:
        raise InputError(f"{field}: character U+0000 cannot be shown; take it out")
    if len(text) > limit:
        raise InputError(f"{field}: {len(text)} characters as JSON, at most {limit} are kept")
    return text


def canonical_json(value: object) -> str:
    """The one way of writing a value as JSON here: keys sorted, no spaces, finite numbers only."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def as_plain(value: Any) -> Any:
    """A field's value in JSON's own types: days and times as ISO text, NaN as null."""
    if isinstance(value, float) and math.isnan(value):
        return None
    if isinstance(value, date):  # datetime is a date too
        return value.isoformat()
    if hasattr(value, "__dataclass_fields__"):
        return {name: as_plain(getattr(value, name)) for name in value.__dataclass_fields__}
    return value


def search_key(text: str) -> str:
    """The form in which texts are compared: case and the composition of accents do not matter."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def file_label(name: object, field: str) -> str:
    """A file's name as it is shown: the last part of a path, what cannot be shown replaced by ``_``.

    It is a label only. No file is ever opened or written under it.
    """
    if not isinstance(name, str):
        raise InputError(f"{field}: expected a file name, got {_shown(name)}")
    last = re.split(r"[/\\]", name[:10_000].rstrip("/\\"))[-1]
    last = "".join(
        "_" if c in _TURNING or unicodedata.category(c) in {"Cc", "Cs", "Zl", "Zp"} else c for c in last
    )
    last = unicodedata.normalize("NFC", last).strip()
    if len(last) > MAX_LINE:  # keep the ending, which says what the file is
        last = last[: MAX_LINE - 12] + "..." + last[-9:]
    return last if last.strip(".") else "unnamed"
