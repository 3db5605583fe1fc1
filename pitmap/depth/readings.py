"""Readings as a shop writes them down, in mixed units, as one declared table in micrometres."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..classes import Stage
from ..csv_rows import parted_rows, with_decimal_point
from ..errors import InputError, ReadingError
from ..flags import Flag
from ..grid import Grid
from ..tables import Column, Schema
from ..units import in_both, parse_length
from .places import off_the_metal

if TYPE_CHECKING:
    # the classifier's libraries take a second to load, which a sheet of readings need not wait for
    from ..surface import ClassMap

__all__ = [
    "CSV_COLUMNS",
    "DEFAULT_UNCERTAINTY_UM",
    "READINGS",
    "READING_KINDS",
    "ReadingSheet",
    "read_readings",
    "readings_from_csv_text",
    "readings_from_rows",
]

_OWN_NAME = re.compile(r"[A-Za-z][A-Za-z .-]*\d+")
"""Letters, then a number: P101, pit 7."""

READING_KINDS = ("pit_depth", "height", "thickness", "wear_step", "straightedge", "hardness")

CSV_COLUMNS: dict[str, str] = {
    "face": "which face of which plate, free text; empty means the only one",
    "stage": "intake, test_lap, lap_1, lap_2 ... final: when it was read (needed)",
    "kind": f"one of {', '.join(READING_KINDS)} (needed)",
    "x_mm": "place in the plate frame; empty when a mark number says where",
    "y_mm": "place in the plate frame",
    "mark": "number of the mark on the map of that stage, or your own name of the spot; may be empty",
    "value": "the number, with its own unit (3 thou) or without (needed)",
    "unit": "um, mm, thou, in ... for a bare number; HV for hardness",
    "uncertainty": "one standard deviation, same unit or with its own; empty takes the kind's default",
    "lower_bound": "yes when the needle did not reach the floor, or the feeler went in; empty means no",
    "instrument": "free text",
    "note": "free text",
}
"""Columns of a readings CSV, in any order; only stage, kind and value must be there."""

_IN_QUOTES = "put text that holds what parts the columns in quotes"
_CURES = {
    ",": "write numbers with a point, or part the columns with semicolons, and put text that holds a comma in quotes"
}
"""What to do where a row has too many cells, by what parts them: between commas most often a decimal comma."""

_NUMBERS = frozenset({"x_mm", "y_mm", "value", "uncertainty"})
"""Those of them in which a comma can be the decimal sign."""

DEFAULT_UNCERTAINTY_UM = {
    "pit_depth": 8.0,
    "height": 4.0,
    "thickness": 4.0,
    "wear_step": 5.0,
    "straightedge": 3.0,
    "hardness": 20.0,
}
"""One standard deviation where none was written down (common practice in small shops, no published source;
for hardness in HV)."""

MOST_UM = {
    "pit_depth": 5_000.0,
    "height": 5_000.0,
    "wear_step": 5_000.0,
    "straightedge": 5_000.0,
    "thickness": 200_000.0,
}
"""Beyond this a reading is a slip of the unit, not a plate that anybody would lap (house choice)."""

_MOST_UNCERTAINTY_UM = 500.0
"""A gauge that is off by more tells nothing of a pit or a face: a slip of the unit, which would make its reading count for
nothing (house choice)."""

_MOST_MARKS = 2**31
"""No map has so many marks, and no larger number can be kept."""

LEAST_UM = {"thickness": 1_000.0}
"""A plate that is thinner is a slip of the unit too, or stock that was taken off (house choice)."""

READINGS = Schema(
    "readings",
    (
        Column("reading_id", "int64", "number from 1, in the order of entry"),
        Column("kind", "object", f"one of {', '.join(READING_KINDS)}"),
        Column("x_mm", "float64", "place in the plate frame, NaN when only a mark number was given"),
        Column("y_mm", "float64", "place in the plate frame"),
        Column("mark_id", "int64", "mark that it belongs to, -1 for a free point"),
        Column(
            "value_um", "float64", "depth under, or height over, the face at that survey; HV for hardness"
        ),
        Column("uncertainty_um", "float64", "one standard deviation; HV for hardness"),
        Column("is_lower_bound", "bool", "the true value is at least this"),
        Column("instrument", "object", "as written"),
        Column("note", "object", "as written, and what the program found"),
        Column("flags", "int64", "bits of pitmap.flags"),
    ),
)

_MOST_NAMED = 5
"""Further places that one sentence names."""

_YES = {"yes", "y", "true", "1", "x", "ja", ">"}
_NO = {"", "no", "n", "false", "0", "nein"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingSheet:
    """Readings of one or more faces and stages.

    Parameters
    ----------
    table : DataFrame
        Columns of :data:`READINGS`.
    faces, stages : tuple of str
        Face and stage of each row of `table`.
    places : tuple of str
        Where each row of `table` was written, in words: file and line.
    problems : tuple of str
        Rows left out, each with line, column and reason.
    """

    table: pd.DataFrame
    faces: tuple[str, ...]
    stages: tuple[str, ...]
    places: tuple[str, ...]
    problems: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.table)

    def of(self, stage: str, face: str | None = None) -> pd.DataFrame:
        """The rows of one stage (and face), in the declared columns."""
        keep = [s == stage and (face is None or f in ("", face)) for s, f in zip(self.stages, self.faces)]
        return self.table.loc[keep].reset_index(drop=True)

    def on_surveys(
        self,
        surveyed: Mapping[str, Grid],
        face: str | None = None,
        *,
        keep_good: bool = False,
        maps: Mapping[str, ClassMap] | None = None,
    ) -> ReadingSheet:
        """The rows that surveys of one face can use; ``problems`` tells of every other row.

        Parameters
        ----------
        surveyed : mapping of str to Grid
            The raster of each stage that was surveyed: no place of a reading lies beyond it.
        face : str or None
            As for :meth:`of`.
        keep_good : bool
            Leave out a row whose place lies off the plate; otherwise it refuses the sheet.
        maps : mapping of str to ClassMap, optional
            The map of each stage: it knows the openings too.

        Raises
        ------
        ReadingError
            A place off the plate, named by line and column.
        """
        keep: list[int] = []
        left: dict[str, list[str]] = {}
        problems = list(self.problems)
        for k, (its_face, stage, place) in enumerate(zip(self.faces, self.stages, self.places)):
            if face is not None and its_face not in ("", face):
                left.setdefault(f"of face {its_face}, not {face}", []).append(place)
            elif stage not in surveyed:
                why = f"stage {stage} was not surveyed (surveyed: {', '.join(surveyed)})"
                left.setdefault(why, []).append(place)
            elif off := self._off(k, surveyed[stage], (maps or {}).get(stage)):
                if not keep_good:
                    raise ReadingError(off)
                problems.append(off)
            else:
                keep.append(k)
        problems += [f"{_together(places)}: {why}" for why, places in left.items()]
        return ReadingSheet(
            table=self.table.iloc[keep].reset_index(drop=True),
            faces=tuple(self.faces[k] for k in keep),
            stages=tuple(self.stages[k] for k in keep),
            places=tuple(self.places[k] for k in keep),
            problems=tuple(problems),
        )

    def _off(self, k: int, grid: Grid, class_map: ClassMap | None) -> str:
        """Why the place of a row cannot be on the plate; empty when it can, or when a mark number stands for it."""
        x0, y0, x1, y1 = grid.bounds_mm
        for column, low, high in (("x_mm", x0, x1), ("y_mm", y0, y1)):
            at = float(self.table[column].iloc[k])
            if at < low or at > high:
                return (
                    f"{self.places[k]}, column {column}: {at:g} mm lies off the plate, whose map reaches from {low:g} "
                    f"to {high:g} mm; correct the place or its unit"
                )
        if class_map is None or class_map.grid is None:
            return ""
        row = self.table.iloc[k]
        off = off_the_metal(row.kind, row.x_mm, row.y_mm, class_map.grid, class_map.is_metal)
        return off and f"{self.places[k]}: {off}"


def _together(places: list[str]) -> str:
    """Several places in words; of many the first and how many more, as when one sheet serves two faces."""
    first, *rest = places
    if len(rest) > _MOST_NAMED:
        return f"{first} and {len(rest)} more"
    return ", ".join([first, *(place.rpartition(", ")[2] for place in rest)])


def read_readings(source: str | Path, *, keep_good: bool = False) -> ReadingSheet:
    """Readings from a CSV file.

    Parameters
    ----------
    source : str or Path
        File; comma, semicolon or tab separated, UTF-8. Columns are :data:`CSV_COLUMNS`; empty ones behind them are
        passed over. Lines that are empty or start with ``#`` are skipped; a line ``sep=;`` over the header says what
        parts the columns.
    keep_good : bool
        Keep the good rows and list the bad ones in ``problems``; otherwise any bad row refuses the file.

    Raises
    ------
    ReadingError
        File not readable, a needed column missing, an unknown column, or a bad row (named by line and column).
    """
    path = Path(source)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ReadingError(f"{path}: cannot be read ({error.strerror}); name a CSV of readings") from error
    except UnicodeDecodeError as error:
        raise ReadingError(f"{path}: is not UTF-8 text; save it as CSV in UTF-8") from error
    return readings_from_csv_text(text, name=path.name, keep_good=keep_good)


def readings_from_csv_text(text: str, *, name: str = "table", keep_good: bool = False) -> ReadingSheet:
    """Readings from the text of a CSV, as :func:`read_readings` takes it from a file.

    Parameters
    ----------
    text : str
    name : str
        What messages call it.
    keep_good : bool

    Raises
    ------
    ReadingError
        As :func:`read_readings`.
    """
    delimiter, found = parted_rows(text, comment="#")
    try:
        sheet = list(found)
    except csv.Error as error:
        raise ReadingError(
            f"{name}: cannot be read as CSV ({error}); look for a quotation mark that is not closed, and save it as CSV in "
            "UTF-8"
        ) from error
    header: list[str] | None = None
    n_cells = 0
    rows: list[tuple[str, Mapping[str, Any]]] = []
    broken: list[str] = []
    for line, fields in sheet:
        if header is None:
            n_cells = len(fields)
            header = [f.strip().lower() for f in fields]
            while not header[-1]:  # a spreadsheet program writes every column that was ever typed in
                header.pop()
            _check_header(header, name)
            continue
        where = f"{name}, line {line}"
        # A cell more than the header has, be it empty, is a comma that moved every cell after it.
        if len(fields) > n_cells or any(f.strip() for f in fields[len(header) :]):
            broken.append(
                f"{where}: {len(fields)} fields for {len(header)} columns; {_CURES.get(delimiter, _IN_QUOTES)}"
            )
            continue
        row = dict(zip(header, fields))
        rows.append(
            (where, row | {c: with_decimal_point(row[c], delimiter) for c in _NUMBERS.intersection(row)})
        )
    if header is None:
        raise ReadingError(f"{name}: empty; expected a header with the columns {', '.join(CSV_COLUMNS)}")
    return _sheet(rows, keep_good=keep_good, problems=broken)


def readings_from_rows(rows: Iterable[Mapping[str, Any]], *, keep_good: bool = False) -> ReadingSheet:
    """Readings from mappings with the keys of :data:`CSV_COLUMNS`; values as text or numbers.

    Raises
    ------
    ReadingError
        A bad row, named by its number (from 1) and column.
    """
    return _sheet([(f"row {i}", row) for i, row in enumerate(rows, 1)], keep_good=keep_good, problems=[])


def _check_header(header: list[str], name: str) -> None:
    missing = {"stage", "kind", "value"} - set(header)
    if missing:
        raise ReadingError(
            f"{name}: column missing: {', '.join(sorted(missing))}; the header names the columns, of "
            f"{', '.join(CSV_COLUMNS)}"
        )
    odd = sorted(set(header) - set(CSV_COLUMNS))
    if odd:
        named = ", ".join(column or f"number {header.index('') + 1}, without a name" for column in odd)
        raise ReadingError(f"{name}: unknown column {named}; known are {', '.join(CSV_COLUMNS)}")
    twice = sorted({column for column in header if header.count(column) > 1})
    if twice:
        raise ReadingError(f"{name}: column {', '.join(twice)} is there twice; take one out")


def _sheet(
    rows: list[tuple[str, Mapping[str, Any]]], *, keep_good: bool, problems: list[str]
) -> ReadingSheet:
    good: list[dict[str, Any]] = []
    faces: list[str] = []
    stages: list[str] = []
    places: list[str] = []
    for where, row in rows:
        try:
            face, stage, parsed = _parse(row, where)
        except ReadingError as error:
            problems.append(str(error))
            continue
        faces.append(face)
        stages.append(stage)
        places.append(where)
        good.append({"reading_id": len(good) + 1, **parsed})
    if problems and not keep_good:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise ReadingError(problems[0] + more)
    return ReadingSheet(
        table=READINGS.frame(good),
        faces=tuple(faces),
        stages=tuple(stages),
        places=tuple(places),
        problems=tuple(problems),
    )


def _parse(row: Mapping[str, Any], where: str) -> tuple[str, str, dict[str, Any]]:
    odd = sorted(set(row) - set(CSV_COLUMNS))
    if odd:
        raise ReadingError(f"{where}, column {odd[0]}: not known; known are {', '.join(CSV_COLUMNS)}")

    def text(column: str) -> str:
        value = row.get(column)
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return ""
        return str(value).strip()

    def fail(column: str, why: str) -> ReadingError:
        return ReadingError(f"{where}, column {column}: {why}")

    kind = text("kind").lower().replace(" ", "_")
    if kind not in READING_KINDS:
        raise fail("kind", f"expected one of {', '.join(READING_KINDS)}, got {text('kind')!r}")
    try:
        stage = str(Stage(text("stage")))
    except InputError as error:
        raise fail("stage", str(error)) from error

    x, y = (_place(text(c), c, fail) for c in ("x_mm", "y_mm"))
    note = text("note")
    if not math.isnan(x) and _is_own_name(text("mark"), kind):
        # The shop's own name of a spot ("P101") says nothing about the map's numbers; the place does.
        mark, note = -1, "; ".join(filter(None, (text("mark"), note)))
    else:
        mark = _mark_number(text("mark"), fail)
    if math.isnan(x) != math.isnan(y):
        raise fail("y_mm" if math.isnan(y) else "x_mm", "one coordinate without the other")
    if math.isnan(x) and mark < 0 and kind in ("pit_depth", "height", "thickness"):
        raise fail("x_mm", f"a {kind} reading needs a place or a mark number")

    value = _amount(text("value"), text("unit"), kind, "value", fail)
    if kind in ("pit_depth", "thickness", "straightedge", "hardness") and value < 0:
        raise fail("value", f"a {kind} cannot be negative, got {text('value')!r}")
    if abs(value) > MOST_UM.get(kind, math.inf):
        most = MOST_UM[kind] / 1000
        raise fail(
            "value",
            f"a {kind} of {in_both(value / 1000, 'mm')} cannot be (at most {in_both(most, 'mm')}): check the unit",
        )
    if value < LEAST_UM.get(kind, -math.inf):
        least = LEAST_UM[kind] / 1000
        raise fail(
            "value",
            f"a {kind} of {in_both(value / 1000, 'mm')} cannot be (at least {in_both(least, 'mm')}): check the unit",
        )
    if text("uncertainty"):
        uncertainty = _amount(text("uncertainty"), text("unit"), kind, "uncertainty", fail)
        if not uncertainty > 0:
            raise fail("uncertainty", f"expected a number above 0, got {text('uncertainty')!r}")
        if kind != "hardness" and uncertainty > _MOST_UNCERTAINTY_UM:
            raise fail(
                "uncertainty",
                f"{in_both(uncertainty / 1000, 'mm')} cannot be (at most {in_both(_MOST_UNCERTAINTY_UM / 1000, 'mm')}): "
                "check the unit",
            )
    else:
        uncertainty = DEFAULT_UNCERTAINTY_UM[kind]
    said = text("lower_bound").lower()
    if said not in _YES | _NO:
        raise fail("lower_bound", f"expected yes or no, got {text('lower_bound')!r}")
    is_lower = said in _YES
    return (
        text("face"),
        stage,
        {
            "kind": kind,
            "x_mm": x,
            "y_mm": y,
            "mark_id": mark,
            "value_um": value,
            "uncertainty_um": uncertainty,
            "is_lower_bound": is_lower,
            "instrument": text("instrument"),
            "note": note,
            "flags": int(Flag.DEPTH_LOWER_BOUND) if is_lower and kind == "pit_depth" else 0,
        },
    )


def _place(text: str, column: str, fail: Any) -> float:
    if not text:
        return math.nan
    try:
        return parse_length(text, to="mm", default_unit="mm")
    except InputError as error:
        raise fail(column, str(error)) from error


def _is_own_name(text: str, kind: str) -> bool:
    if kind == "pit_depth":
        return bool(_OWN_NAME.fullmatch(text))
    return any(c.isalpha() for c in text)


def _mark_number(text: str, fail: Any) -> int:
    if not text:
        return -1
    try:
        number = int(text)
    except ValueError:
        number = int(float(text)) if text.endswith(".0") and text[:-2].isdigit() else 0
    if number == -1:
        return -1
    if not 1 <= number <= _MOST_MARKS:
        raise fail("mark", f"expected a mark number from 1, or nothing, got {text!r}")
    return number


def _amount(text: str, unit: str, kind: str, column: str, fail: Any) -> float:
    if not text:
        raise fail(column, "empty")
    if kind == "hardness":
        if unit.upper() not in ("HV", ""):
            raise fail("unit", f"hardness is entered in HV, got {unit!r}")
        try:
            number = float(text.upper().removesuffix("HV").replace(",", "."))
        except ValueError as error:
            raise fail(column, f"expected a number in HV, got {text!r}") from error
        if not math.isfinite(number):
            raise fail(column, f"not a finite number: {text!r}")
        return number
    try:
        return parse_length(text, to="um", default_unit=unit)
    except InputError as error:
        # A bare number lacks the sheet's unit, unless the value brought its own and only the uncertainty has none.
        is_bare = text[-1:].isdigit() and (unit or column == "value") and _reads_as_length(text)
        raise fail("unit" if is_bare else column, str(error)) from error


def _reads_as_length(text: str) -> bool:
    try:
        parse_length(text, to="um", default_unit="um")
    except InputError:
        return False
    return True
