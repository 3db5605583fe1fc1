"""A plate's numbers as tables and as TOML text, the way they are read."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import tomlkit

from .numbers import PlateNumbers

__all__ = ["numbers_to_mapping", "numbers_to_toml"]

_LISTS = ("ears", "slots", "holes", "ports", "bands")


def numbers_to_mapping(numbers: PlateNumbers) -> dict[str, Any]:
    """The tables of a NUMBERS.toml, empty ones left out; the inverse of reading them."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: plain(v) for k, v in value.items()}
        return [plain(v) for v in value] if isinstance(value, list | tuple) else value

    # Mapping fields of a frozen dataclass may be of a kind that cannot be copied deeply.
    free = {k: dict(getattr(numbers, k)) for k in ("zone_purposes", "photo_hints", "limits")}
    own = {f: getattr(numbers, f) for f in PlateNumbers.__dataclass_fields__ if f not in free}
    out = {
        k: asdict(v) if k == "trace" else [asdict(row) for row in v] if k in _LISTS else v
        for k, v in own.items()
    }
    return {k: plain(v) for k, v in (out | free).items() if v not in ((), [], {})}


def numbers_to_toml(numbers: PlateNumbers) -> str:
    """The text of a NUMBERS.toml."""
    data = numbers_to_mapping(numbers)
    tables = {k for k, v in data.items() if isinstance(v, dict) or k in _LISTS}
    out = tomlkit.document()
    # Plain entries first: below a table they would belong to it.
    for key in (*(k for k in data if k not in tables), *(k for k in data if k in tables)):
        value = data[key]
        if key in _LISTS:
            rows = tomlkit.aot()
            for row in value:
                rows.append(tomlkit.item(row))
            out.add(key, rows)
        else:
            out.add(key, tomlkit.item(value))
    return tomlkit.dumps(out)
