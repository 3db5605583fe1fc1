"""Every word of the record comes through one gettext catalogue, so that a translation is a file."""

from __future__ import annotations

import ast
import gettext
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from ..errors import InputError

__all__ = ["LOCALE_FOLDER", "Translate", "load_catalogue", "mark", "translator"]

Translate = Callable[..., str]
"""``t("{n} pits in {zone}", n=3, zone=...)``: looks the sentence up, then fills the braces."""

LOCALE_FOLDER = Path(__file__).with_name("locale")
_LINE = re.compile(r'^(msgid|msgstr|)\s*(".*")\s*$')


def mark(text: str) -> str:
    """Mark a sentence for the catalogue where it is stored and only later shown."""
    return text


def _read_po(path: Path) -> dict[str, str]:
    """The msgid/msgstr pairs of a .po file; headers, comments and fuzzy entries are left out."""
    pairs: dict[str, str] = {}
    entry = {"msgid": "", "msgstr": ""}
    part, is_fuzzy = "", False
    for number, line in enumerate([*path.read_text(encoding="utf-8").splitlines(), ""], 1):
        line = line.strip()
        if not line:
            if entry["msgid"] and entry["msgstr"] and not is_fuzzy:
                pairs[entry["msgid"]] = entry["msgstr"]
            entry, part, is_fuzzy = {"msgid": "", "msgstr": ""}, "", False
            continue
        if line.startswith("#"):
            is_fuzzy = is_fuzzy or (line.startswith("#,") and "fuzzy" in line)
            continue
        match = _LINE.match(line)
        if not match or (not match[1] and not part):
            raise InputError(
                f"{path.name}: line {number}: expected msgid or msgstr with a quoted text, got {line!r}"
            )
        part = match[1] or part
        try:
            entry[part] += ast.literal_eval(match[2])
        except (SyntaxError, ValueError) as error:
            raise InputError(f"{path.name}: line {number}: the quoted text is damaged: {line!r}") from error
    return pairs


def load_catalogue(source: str | Path) -> Mapping[str, str] | gettext.NullTranslations:
    """A translation from a ``.po`` or ``.mo`` file.

    Raises
    ------
    InputError
        Not there, or not a catalogue.
    """
    path = Path(source)
    try:
        if path.suffix == ".po":
            return _read_po(path)
        with path.open("rb") as file:
            return gettext.GNUTranslations(file)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: is not a readable .po or .mo catalogue ({error})") from error


def translator(language: str = "en", folder: str | Path = LOCALE_FOLDER) -> Translate:
    """How the record speaks.

    Parameters
    ----------
    language : str
        ``en`` (the source strings) or the name of a file ``<language>.po`` or ``<language>.mo`` in `folder`.
    folder : str or Path

    Returns
    -------
    callable
        ``t(sentence, **values)``. A sentence that the catalogue lacks comes back in English; one whose translation has
        other braces than the source falls back to English too, so that a slip never breaks a record.

    Raises
    ------
    InputError
        No such catalogue.
    """
    catalogue: Mapping[str, str] | gettext.NullTranslations = {}
    if language != "en":
        names = [Path(folder) / f"{language}{suffix}" for suffix in (".po", ".mo")]
        found = [n for n in names if n.exists()]
        if not found:
            known = sorted({p.stem for p in Path(folder).glob("*.[pm]o")} | {"en"})
            raise InputError(
                f"language {language!r}: no {names[0].name} or .mo; there are {', '.join(known)}"
            )
        catalogue = load_catalogue(found[0])

    def t(sentence: str, **values: Any) -> str:
        if isinstance(catalogue, gettext.NullTranslations):
            other = catalogue.gettext(sentence) if sentence else sentence
        else:
            other = catalogue.get(sentence, sentence)
        if not values:
            return other
        try:
            return other.format(**values)
        except (KeyError, IndexError, ValueError):
            return sentence.format(**values)

    return t
