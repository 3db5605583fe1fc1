"""The limit sheet of a plate: what the user entered, and where each number comes from."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from ..errors import InputError
from ..units import in_both, parse_length
from ..whole_file import write_whole

__all__ = [
    "LIMIT_TEXT",
    "OFFERED",
    "Limit",
    "LimitSheet",
    "limit_rows",
    "read_limits",
    "sheet_of",
    "usable_limits",
    "write_limits",
]

LIMIT_TEXT: dict[str, tuple[str, str]] = {
    "total_stock": ("um", "most stock that may come off this face over the plate's life"),
    "thickness_min": ("mm", "least thickness of the plate"),
    "thickness": ("mm", "thickness now"),
    "case_depth": ("um", "depth of the hardened case when new"),
    "case_left_min": ("um", "least case that must be left"),
    "stock_removed_before": ("um", "stock taken off this face at earlier rebuilds"),
    "flatness": ("um", "largest flatness deviation"),
    "wear_step": ("um", "largest wear step"),
    "joint_gap": ("um", "largest plate dip and rotor-housing dip together"),
    "groove_depth": ("mm", "depth of the coolant-seal groove now, when it is in this plate"),
    "groove_width": ("mm", "width of the coolant-seal groove"),
    "ring_section": ("mm", "thickness of the coolant-seal ring"),
    "squeeze_min": ("percent", "least squeeze of the ring"),
    "squeeze_max": ("percent", "largest squeeze of the ring"),
    "fill_max": ("percent", "largest fill of the groove"),
    "sound_width_min": ("mm", "least sound width of the seal land"),
    "uncut_share_max": ("percent", "largest uncut share of a working zone"),
}
"""Entries a limit sheet may have: unit inside pitmap, and meaning."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One entry: value in the unit of :data:`LIMIT_TEXT`, its standard uncertainty, and its source."""

    value: float
    source: str
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.uncertainty)):
            raise InputError(f"expected finite numbers, got {self.value}, give or take {self.uncertainty}")
        if self.uncertainty < 0:
            raise InputError(f"uncertainty: expected 0 or more, got {self.uncertainty:g}")
        if not self.source.strip():
            raise InputError("a limit needs its source, in your words (manual and page, drawing, own rule)")


_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d{1,2}$)")

_FIELDS = {"value", "unit", "uncertainty", "source"}

_RISING = (("squeeze_min", "squeeze_max"), ("case_left_min", "case_depth"))
"""Pairs of entries of which the first can be no more than the second."""

_MOST_UM = 5000.0
"""No stock, case or form of a side plate is more: a slip of the unit (house choice)."""

_LEAST_WIDTH_MM = 0.1
"""A land is sealed by no less, and no map tells less: a slip of the unit, which every land would pass (house choice)."""

_MAY_BE_ZERO = {"stock_removed_before", "case_left_min", "uncut_share_max", "squeeze_min"}

OFFERED: Mapping[str, Limit] = MappingProxyType(
    {"joint_gap": Limit(value=76.2, source="0.003 in, common practice in the trade, no published source")}
)
"""Offered to the user, never applied unasked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSheet:
    """Limits and known dimensions of one face.

    Parameters
    ----------
    entries : mapping of str to Limit
        Keys from :data:`LIMIT_TEXT`. What is missing is not judged.
    doubts : mapping of str to str
        Entries, missing ones too, that what is known of the face from elsewhere contradicts, and why: what needs them
        is not judged.

    Raises
    ------
    InputError
        An unknown entry, a value that no such size can have, or entries that cannot both be right.
    """

    entries: Mapping[str, Limit] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        odd = sorted({*self.entries, *self.doubts} - set(LIMIT_TEXT))
        if odd:
            raise InputError(f"limit sheet: unknown entry {odd[0]}; known are {', '.join(LIMIT_TEXT)}")
        for name, entry in self.entries.items():
            if why := _why_not(name, entry.value):
                raise InputError(f"{name}: {why}")
        for less, more in _RISING:
            a, b = self.entries.get(less), self.entries.get(more)
            if a and b and a.value > b.value:
                raise InputError(
                    f"{less} ({a.value:g} {LIMIT_TEXT[less][0]}) is more than {more} ({b.value:g})"
                )
        ring, groove = self.entries.get("ring_section"), self.entries.get("groove_depth")
        if ring and groove and not ring.value / 2 <= groove.value <= 2 * ring.value:
            raise InputError(
                f"groove_depth, {in_both(groove.value, 'mm')}, and ring_section, {in_both(ring.value, 'mm')}, do not go "
                "together: such a ring would be crushed to half or lie loose; are the units right?"
            )
        object.__setattr__(self, "entries", MappingProxyType(dict(self.entries)))
        object.__setattr__(self, "doubts", MappingProxyType(dict(self.doubts)))

    def get(self, name: str) -> Limit | None:
        """The entry, or None when the user has not entered one.

        Raises
        ------
        InputError
            No such entry.
        """
        if name not in LIMIT_TEXT:
            raise InputError(f"limit sheet: unknown entry {name}; known are {', '.join(LIMIT_TEXT)}")
        return self.entries.get(name)

    def value(self, name: str) -> float:
        """The entry's value, NaN when there is none."""
        entry = self.get(name)
        return math.nan if entry is None else entry.value


def _why_not(name: str, value: float) -> str:
    """Why no such size can have the value; empty when it can."""
    unit = LIMIT_TEXT[name][0]
    least = "0 or more" if name in _MAY_BE_ZERO else "more than 0"
    if value < 0 or (value == 0 and name not in _MAY_BE_ZERO):
        return f"expected {least}, got {value:g} {unit}"
    if unit == "um" and value > _MOST_UM:
        return f"expected at most {in_both(_MOST_UM / 1000, 'mm')}, got {in_both(value / 1000, 'mm')}; is the unit right?"
    if name == "sound_width_min" and value < _LEAST_WIDTH_MM:
        return f"expected at least {in_both(_LEAST_WIDTH_MM, 'mm')}, got {in_both(value, 'mm')}; is the unit right?"
    if unit == "percent" and value > 100:
        return f"expected at most 100 percent, got {value:g}"
    return ""


def read_limits(source: str | Path) -> LimitSheet:
    """A limit sheet from a TOML file.

    Parameters
    ----------
    source : str or Path
        ``[limits.total_stock]`` tables (or the same names at the top) with ``value = "4 thou"``, or ``value = 4`` and
        ``unit = "thou"``, ``source = "..."`` and, if known, ``uncertainty = "1 thou"``; percents as plain numbers. The
        TOML beside a drawing holds such tables too.

    Raises
    ------
    InputError
        File not readable, an entry unknown, a value without unit or below 0, a missing source; the entry is named.
    """
    path = Path(source)
    try:
        return sheet_of(limit_rows(path.read_text(encoding="utf-8-sig")))
    except OSError as error:
        raise InputError(f"{path}: cannot be opened ({error.strerror}); name a limit sheet (TOML)") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text; name a limit sheet (TOML), saved in UTF-8") from error
    except InputError as error:
        raise InputError(f"{path}: {error}") from error


def sheet_of(rows: Mapping[str, tuple[Any, str, Any]]) -> LimitSheet:
    """The sheet of rows of :func:`limit_rows`.

    Raises
    ------
    InputError
        A row that cannot be used, or rows that cannot both be right; the entry is named.
    """
    entries, wrong = usable_limits(rows)
    for name, why in wrong.items():
        raise InputError(f"{name}: {why}")
    return LimitSheet(entries=entries)


def limit_rows(text: str) -> dict[str, tuple[Any, str, Any]]:
    """Rows of a limit sheet as they stand in its TOML, none of them judged yet.

    Returns
    -------
    dict of str to (value, source, uncertainty)
        By entry.

    Raises
    ------
    InputError
        Not TOML, an unknown entry or field, an entry without a value.
    """
    try:
        document = tomlkit.parse(text).unwrap()
    except TOMLKitError as error:
        raise InputError(f"cannot be read as TOML: {error}") from error
    table = document.get("limits", document)
    if not isinstance(table, Mapping):
        raise InputError("expected a table [limits]")
    beside = [] if table is document else [name for name in document if name in LIMIT_TEXT]
    if beside:
        raise InputError(
            f"{beside[0]}: stands beside [limits] and would not be read; call it [limits.{beside[0]}]"
        )
    rows = {}
    for name, row in table.items():
        if name == "note" and isinstance(row, str):
            continue
        if name not in LIMIT_TEXT:
            raise InputError(f"{name}: unknown entry; known are {', '.join(LIMIT_TEXT)}")
        if not isinstance(row, Mapping) or "value" not in row:
            raise InputError(f'{name}: expected value = "..." and source = "..."')
        odd = sorted(set(row) - _FIELDS)
        if odd:
            raise InputError(f"{name}: unknown field {odd[0]}; known are {', '.join(sorted(_FIELDS))}")
        value, uncertainty = (_with_unit(row.get(k, 0), row.get("unit")) for k in ("value", "uncertainty"))
        rows[name] = (value, str(row.get("source", "")), uncertainty)
    return rows


def usable_limits(rows: Mapping[str, tuple[Any, str, Any]]) -> tuple[dict[str, Limit], dict[str, str]]:
    """The rows that can be used, by entry, and why each of the others cannot.

    Parameters
    ----------
    rows : mapping of str to (value, source, uncertainty)
        Keys from :data:`LIMIT_TEXT`; value and uncertainty with a length unit, or in percent, an uncertainty of 0 for
        none. The reasons leave the name of the entry to the caller: a file and a form call it differently.
    """
    entries, wrong = {}, {}
    for name, (value, source, uncertainty) in rows.items():
        try:
            number = _number(value, name)
            if why := _why_not(name, number):
                raise InputError(why)
            sd = _number(uncertainty, name, is_zero_ok=True)
            # what may be nothing may be off by more than itself
            if sd > abs(number) and name not in _MAY_BE_ZERO:
                raise InputError(
                    f"give or take {uncertainty} is more than {value} itself; is the unit right?"
                )
            entries[name] = Limit(value=number, source=source, uncertainty=sd)
        except InputError as error:
            wrong[name] = str(error)
    return entries, wrong


def _with_unit(raw: Any, unit: Any) -> Any:
    """A bare number with the unit that stands beside it."""
    is_bare = isinstance(raw, (int, float)) and raw != 0
    return f"{raw!r} {unit}" if is_bare and unit not in (None, "", "%", "percent") else raw


def write_limits(sheet: LimitSheet, target: str | Path) -> None:
    """Write a limit sheet as TOML that :func:`read_limits` reads back to the same sheet."""
    document = tomlkit.document()
    limits = tomlkit.table(is_super_table=True)
    for name in LIMIT_TEXT:
        entry = sheet.entries.get(name)
        if entry is None:
            continue
        unit, text = LIMIT_TEXT[name]
        row = tomlkit.table()
        row.comment(text)
        row["value"] = entry.value if unit == "percent" else f"{entry.value!r} {unit}"
        if entry.uncertainty:
            row["uncertainty"] = entry.uncertainty if unit == "percent" else f"{entry.uncertainty!r} {unit}"
        row["source"] = entry.source
        limits[name] = row
    document["limits"] = limits
    write_whole(Path(target), tomlkit.dumps(document))


def _number(raw: Any, name: str, *, is_zero_ok: bool = False) -> float:
    unit = LIMIT_TEXT[name][0]
    if is_zero_ok and raw == 0:
        return 0.0
    if unit == "percent":
        text = str(raw).strip().removesuffix("%").strip()
        try:
            return float(_DECIMAL_COMMA.sub(".", text))
        except ValueError as error:
            raise InputError(f"expected percent, got {raw!r}") from error
    return parse_length(raw, to="um" if unit == "um" else "mm")
