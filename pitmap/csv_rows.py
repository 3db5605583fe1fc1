"""CSV that people write and open: rows read with errors that name line and column, text that stays text when opened."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from pandas.api.types import is_numeric_dtype

from .errors import InputError

__all__ = [
    "as_cell",
    "delimiter_of",
    "read_rows",
    "row_number",
    "table_csv",
    "told_delimiter",
    "with_decimal_point",
]

_FORMULA = ("=", "+", "-", "@", "\t", "\r")

_TOLD = re.compile(r'"?sep=([,;\t])"?[,;\t]*\s*', re.IGNORECASE)
"""Saved again, the line has a cell for every column."""


def delimiter_of(header: str) -> str:
    """What parts the columns of a CSV, by its header: comma, semicolon (where the comma is the decimal sign) or tab."""
    return max(",;\t", key=header.count)


def told_delimiter(line: str) -> str:
    """What a first line ``sep=;``, as spreadsheet programs write it, says that parts the columns; else empty."""
    told = _TOLD.fullmatch(line)
    return told[1] if told else ""


def with_decimal_point(text: str, delimiter: str) -> str:
    """A number's text with a point for the decimal comma; in a sheet parted by semicolons a comma can be nothing else."""
    return text.replace(",", ".") if delimiter == ";" and text.count(",") == 1 and "." not in text else text


def read_rows(
    path: Path, columns: Sequence[str], numbers: Sequence[str] = ()
) -> Iterator[tuple[str, Mapping[str, str]]]:
    """Each row of a CSV with a header, and where it stands in words ("FILE, line 3"); not those whose cells are all empty.

    Parameters
    ----------
    path : Path
        UTF-8, with or without a byte order mark; comma, semicolon or tab separated, as a line ``sep=;`` over the
        header says if there is one.
    columns : sequence of str
        Columns that must be there, in small letters; others are passed on too.
    numbers : sequence of str
        Those of them that hold numbers, which may have a decimal comma where semicolons part the columns.

    Raises
    ------
    InputError
        Not readable, not CSV, a column missing or there twice, a row that ends before one of them, or one with more
        cells than the header: a comma that is a decimal sign moves every cell after it into another column.
    """
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            first = file.readline()
            told = told_delimiter(first)
            if not told:
                file.seek(0)
            delimiter = told or delimiter_of(first)
            reader = csv.DictReader(file, delimiter=delimiter)
            reader.fieldnames = [f.strip().lower() for f in reader.fieldnames or ()]
            missing = [c for c in columns if c not in (reader.fieldnames or ())]
            if missing:
                raise InputError(f"{path}: no column {', '.join(missing)}; expected {', '.join(columns)}")
            twice = [c for c in columns if reader.fieldnames.count(c) > 1]
            if twice:
                raise InputError(f"{path}: column {twice[0]} is there twice; take one out")
            for row in reader:
                if not "".join(_cells(row)).strip():
                    continue
                where = f"{path}, line {reader.line_num + bool(told)}"
                short = [c for c in columns if row[c] is None]
                if short:
                    raise InputError(f"{where}, column {short[0]}: missing; the row ends before it")
                if any(row.get(None) or ()):  # type: ignore[call-overload]
                    raise InputError(
                        f"{where}: has more cells than the header; write numbers with a point, or part the columns with "
                        "semicolons, and put text that holds a comma in quotes"
                    )
                yield where, row | {c: with_decimal_point(row[c], delimiter) for c in numbers}
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); name a CSV file") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error}); save it as CSV in UTF-8") from error


def _cells(row: Mapping[str | None, str | list[str] | None]) -> Iterator[str]:
    """The cells of a row as csv.DictReader gives it: None for one that is not there, a list of those beyond the header."""
    for cell in row.values():
        yield from cell if isinstance(cell, list) else [cell or ""]


def row_number(row: Mapping[str, str], column: str, where: str) -> float:
    """The finite number in a column.

    Raises
    ------
    InputError
        Empty, or not a finite number.
    """
    try:
        value = float(row[column])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{where}, column {column}: {row[column]!r} is not a number")
    return value


def as_cell(value: Any) -> Any:
    """A value for a CSV that a spreadsheet program shows as text even when it is text that starts like a formula."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return value


def table_csv(table: pd.DataFrame) -> str:
    """A table as CSV: full precision, point as decimal sign, empty for "none", no text that could run as a formula."""
    texts = {name: column.map(as_cell) for name, column in table.items() if not is_numeric_dtype(column)}
    return table.assign(**texts).to_csv(index=False, lineterminator="\n")
