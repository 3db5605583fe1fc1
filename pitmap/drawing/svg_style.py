"""What the styles of an SVG say of an element, as far as it decides whether and where the element is seen."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from ..errors import DrawingError

__all__ = ["GEOMETRY", "MOVES", "Chain", "Rules", "linked", "style_rules", "styles_of"]

GEOMETRY = ("cx", "cy", "r", "rx", "ry", "x", "y", "width", "height", "d")
"""Attributes of shapes that a style may set too (SVG 2)."""
MOVES = ("translate", "rotate", "scale", "offset-path", "zoom", "transform-origin", "transform-box")
"""Styles that move an element beside its transform."""
_PAINT = ("fill", "stroke", "fill-opacity", "stroke-opacity", "stroke-width", "fill-rule")
_SIGHT = ("display", "visibility", "opacity", "clip-path", "mask", "transform", *_PAINT)
_DECIDING = frozenset((*_SIGHT, *MOVES, *GEOMETRY))
_COMMENT = re.compile(r"/\*.*?\*/", re.S)
_COMPOUND = re.compile(r"(\*|[a-zA-Z][\w-]*)?((?:[.#][\w-]+)*)")
_ONLY_WHEN_POINTED_AT = re.compile(r":(?:hover|active|focus)\b")
_MOST_CHARACTERS = 500_000
_MOST_OF_ONE_NAME = 50
_MOST_STEPS = 4

_MOST_WORK = 2_000_000
"""Looks at an element with a step of a selector, over the whole file: some seconds."""


class Chain(NamedTuple):
    """An element, behind the chain of those around it."""

    around: Chain | None
    element: Any
    tag: str
    names: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """``steps``: compound selectors from the element outwards, each with whether it is directly around the one before."""

    steps: tuple[tuple[str, frozenset[str], bool], ...]
    weight: tuple[int, int, int, int]
    properties: Mapping[str, tuple[str, bool]]


@dataclass(slots=True)
class Rules:
    """The rules of an SVG's style sheets, by the name that their last selector asks for; `work` counts the looks at them."""

    where: str
    by_name: dict[str, list[_Rule]] = field(default_factory=dict)
    work: int = 0


def _properties(text: str) -> dict[str, tuple[str, bool]]:
    """Values in small letters, and whether they are marked important; only of what decides."""
    out = {}
    for part in text.split(";"):
        name, colon, value = part.partition(":")
        name, value = name.strip().lower(), value.strip().lower()
        if colon and name in _DECIDING:
            out[name] = value.removesuffix("!important").strip(), value.endswith("!important")
    return out


def _blocks(sheet: str) -> Iterator[tuple[str, str]]:
    """What stands before every outermost pair of braces, and what stands in it."""
    depth, begin, head = 0, 0, ""
    for brace in re.finditer(r"[{}]", sheet):
        if brace[0] == "{":
            if not depth:
                head, begin = sheet[begin : brace.start()], brace.end()
            depth += 1
        elif depth:
            depth -= 1
            if not depth:
                # What ends in a semicolon is a statement of its own, such as @charset.
                yield head.rpartition(";")[2].strip(), sheet[begin : brace.start()]
                begin = brace.end()


def _steps(selector: str) -> tuple[tuple[str, frozenset[str], bool], ...] | None:
    """A selector of tags, classes and names, one within the other; None where it asks for more."""
    out: list[tuple[str, frozenset[str], bool]] = []
    is_next = False
    for part in reversed(re.sub(r"\s*>\s*", " > ", selector).split()):
        if part == ">":
            is_next = True
            continue
        match = _COMPOUND.fullmatch(part)
        if match is None:
            return None
        names = frozenset(re.findall(r"[.#][\w-]+", match[2]))
        out.append((match[1] if match[1] not in (None, "*") else "", names, is_next))
        is_next = False
    return tuple(out) if 0 < len(out) <= _MOST_STEPS else None


def style_rules(sheets: Iterable[str], where: str) -> Rules:
    """The rules of an SVG's style sheets that decide what is seen.

    Raises
    ------
    DrawingError
        A rule decides it by a selector or a condition that is not read here; it is named.
    """
    rules = Rules(where)
    order = 0
    for sheet in sheets:
        for head, body in _blocks(_COMMENT.sub("", sheet[:_MOST_CHARACTERS])):
            properties = _properties(body.replace("{", ";").replace("}", ";"))
            if not properties or head.startswith(("@font-face", "@page")):
                continue
            for selector in (s.strip() for s in head.split(",")):
                if _ONLY_WHEN_POINTED_AT.search(selector):
                    continue
                steps = None if "@" in head or "{" in body else _steps(selector)
                if steps is None:
                    raise DrawingError(
                        f"{where}: the style sheet sets {', '.join(sorted(properties))} by the rule {selector[:40]!r}, "
                        "which is not read; save the drawing as plain shapes"
                    )
                order += 1
                n_ids = sum(name.startswith("#") for _, names, _ in steps for name in names)
                n_classes = sum(len(names) for _, names, _ in steps) - n_ids
                n_tags = sum(bool(tag) for tag, _, _ in steps)
                tag, names, _ = steps[0]
                of_name = rules.by_name.setdefault(min(names, default=tag or "*"), [])
                of_name.append(
                    _Rule(steps=steps, weight=(n_ids, n_classes, n_tags, order), properties=properties)
                )
                if len(of_name) > _MOST_OF_ONE_NAME:
                    raise DrawingError(
                        f"{where}: over {_MOST_OF_ONE_NAME} rules of the style sheet end in one name, {selector[:40]!r}"
                    )
    return rules


def _local(name: Any) -> str:
    return name.rsplit("}", 1)[-1] if isinstance(name, str) else ""


def linked(around: Chain | None, element: Any) -> Chain:
    """An element with what is around it."""
    names = {f".{c}" for c in (element.get("class") or "").split()}
    if element.get("id"):
        names.add(f"#{element.get('id')}")
    return Chain(around, element, _local(element.tag), frozenset(names))


def _matches(steps: tuple[tuple[str, frozenset[str], bool], ...], chain: Chain, rules: Rules) -> bool:
    """Whether a selector means the last element of a chain; what is around it is looked for from the inside out."""
    tag, names, _ = steps[0]
    rules.work += 1
    if rules.work > _MOST_WORK:
        raise DrawingError(
            f"{rules.where}: its style sheet asks for too much; save the drawing as plain shapes"
        )
    if (tag and tag != chain.tag) or not names <= chain.names:
        return False
    if len(steps) == 1:
        return True
    around = chain.around
    while around is not None:
        if _matches(steps[1:], around, rules):
            return True
        # The sign > binds what stands before it to the very next element around.
        if steps[1][2]:
            return False
        around = around.around
    return False


def styles_of(chain: Chain, rules: Rules) -> dict[str, str]:
    """The properties of the last element of a chain that decide about its sight, in small letters, as CSS orders them.

    Important ones first, then its own ``style``, then the sheets by the weight of their selectors, then its attributes
    (of which the geometry is left out: it is no style there).
    """
    element = chain.element
    out = {
        name: element.get(name).strip().lower()
        for name in (*_SIGHT, "transform-origin")
        if element.get(name) is not None
    }
    keys = (*chain.names, chain.tag, "*")
    found = [r for key in keys for r in rules.by_name.get(key, ()) if _matches(r.steps, chain, rules)]
    layers = [r.properties for r in sorted(found, key=lambda r: r.weight)] + [
        _properties(element.get("style") or "")
    ]
    for important in (False, True):
        for layer in layers:
            out.update(
                (name, value) for name, (value, is_important) in layer.items() if is_important == important
            )
    return out
