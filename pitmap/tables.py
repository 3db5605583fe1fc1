"""Declared tables: every public DataFrame has a schema with units, and keeps it when it is empty."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from .errors import InputError

__all__ = ["Column", "Schema"]


@dataclass(frozen=True, slots=True)
class Column:
    """One declared column: name (unit as last word), pandas dtype, and what it holds."""

    name: str
    dtype: str
    text: str


@dataclass(frozen=True, slots=True)
class Schema:
    """The columns of one table, in order."""

    name: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]

    def empty(self) -> pd.DataFrame:
        """The table with zero rows and the declared dtypes."""
        return pd.DataFrame({c.name: pd.Series([], dtype=c.dtype) for c in self.columns})

    def frame(self, rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
        """Rows to a table with exactly the declared columns and dtypes.

        Raises
        ------
        InputError
            A row lacks a declared column or has another one.
        """
        rows = list(rows)
        if not rows:
            return self.empty()
        declared = set(self.names)
        odd = set().union(*(declared.symmetric_difference(row) for row in rows))
        if odd:
            raise InputError(f"table {self.name}: columns missing or not declared: {', '.join(sorted(odd))}")
        return pd.DataFrame(rows)[self.names].astype({c.name: c.dtype for c in self.columns})

    def check(self, table: pd.DataFrame) -> pd.DataFrame:
        """The table as it is, once its columns and dtypes have been found to be the declared ones.

        Raises
        ------
        InputError
            Another column, order or dtype; the column is named.
        """
        if list(table.columns) != self.names:
            raise InputError(f"table {self.name}: expected columns {self.names}, got {list(table.columns)}")
        for c in self.columns:
            if str(table[c.name].dtype) != c.dtype:
                raise InputError(
                    f"table {self.name}: column {c.name} should be {c.dtype}, is {table[c.name].dtype}"
                )
        return table
