"""What the styles of an SVG say of an element, as far as it decides whether and where the element is seen."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

__all__ = ["Rules", "style_rules", "styled"]

Rules = Mapping[str, Mapping[str, str]]
"""Properties by selector: ``.class``, ``#id`` or the name of a tag; others are not looked at."""

_COMMENT = re.compile(r"/\*.*?\*/", re.S)
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")
_MOST_CHARACTERS = 500_000


def _properties(text: str) -> dict[str, str]:
    pairs = (part.partition(":") for part in text.split(";"))
    return {
        name.strip().lower(): value.replace("!important", "").strip().lower()
        for name, colon, value in pairs
        if colon
    }


def style_rules(sheets: Iterable[str]) -> Rules:
    """The rules of an SVG's style sheets, later ones over earlier ones."""
    out: dict[str, dict[str, str]] = {}
    for sheet in sheets:
        for selectors, body in _RULE.findall(_COMMENT.sub("", sheet[:_MOST_CHARACTERS])):
            for selector in selectors.split(","):
                out.setdefault(selector.strip(), {}).update(_properties(body))
    return out


def styled(element: Any, tag: str, name: str, rules: Rules) -> str:
    """A property of an element, in lower letters; empty where nothing sets it.

    Its own ``style`` counts before the sheets (``#id``, ``.class``, tag), those before its attribute, as CSS has it.
    """
    own = _properties(element.get("style") or "").get(name)
    if own is not None:
        return own
    classes = [f".{c}" for c in (element.get("class") or "").split()]
    for selector in (f"#{element.get('id')}", *reversed(classes), tag):
        if name in rules.get(selector, {}):
            return rules[selector][name]
    return (element.get(name) or "").strip().lower()
