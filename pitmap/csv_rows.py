"""CSV that people write and open: rows read with errors that name line and column, text that stays text when opened."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import pandas as pd
from pandas.api.types import is_numeric_dtype

from .errors import InputError

__all__ = [
    "as_cell",
    "parted_rows",
    "read_rows",
    "row_number",
    "table_csv",
    "with_decimal_point",
]

_FORMULA = ("=", "+", "-", "@", "\t", "\r")

_TOLD = re.compile(r'"?sep=([,;\t])"?[,;\t]*\s*', re.IGNORECASE)
"""Saved again, the line has a cell for every column."""


def parted_rows(text: str, *, comment: str = "") -> tuple[str, Iterator[tuple[int, list[str]]]]:
    """What parts the columns of a CSV, and its rows, the header first: the line that each ends in, and its cells.

    By a line ``sep=;`` over the header, as spreadsheet programs write it, which is no row; else by the header: comma,
    semicolon (where the comma is the decimal sign) or tab.

    Parameters
    ----------
    text : str
    comment : str
        Rows that begin with it are left out, as are those whose cells are all empty; empty for none.

    Raises
    ------
    csv.Error
        While the rows are read: not CSV.
    """

    def is_row(first: str) -> bool:
        return not (comment and first.lstrip().startswith(comment))

    over = next((line for line in text.splitlines() if line.strip() and is_row(line)), "")
    told = _TOLD.fullmatch(over)
    delimiter = told[1] if told else max(",;\t", key=over.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows = ((reader.line_num, cells) for cells in reader if "".join(cells).strip() and is_row(cells[0]))
    return delimiter, islice(rows, 1 if told else 0, None)


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
            delimiter, rows = parted_rows(file.read())
        _, cells = next(rows, (0, []))
        header = [cell.strip().lower() for cell in cells]
        missing = [c for c in columns if c not in header]
        if missing:
            raise InputError(f"{path}: no column {', '.join(missing)}; expected {', '.join(columns)}")
        twice = [c for c in columns if header.count(c) > 1]
        if twice:
            raise InputError(f"{path}: column {twice[0]} is there twice; take one out")
        for line, cells in rows:
            where = f"{path}, line {line}"
            row = dict(zip(header, cells))
            short = [c for c in columns if c not in row]
            if short:
                raise InputError(f"{where}, column {short[0]}: missing; the row ends before it")
            if any(cells[len(header) :]):
                raise InputError(
                    f"{where}: has more cells than the header; write numbers with a point, or part the columns with "
                    "semicolons, and put text that holds a comma in quotes"
                )
            yield where, row | {c: with_decimal_point(row[c], delimiter) for c in numbers}
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); name a CSV file") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error}); save it as CSV in UTF-8") from error


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
