"""The tables as they lie in the database: numbers, texts, truth values, without the program's own types."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, MetaData, Table, select

__all__ = ["raw_rows", "raw_tables"]


def raw_tables(connection: Connection) -> list[Table]:
    """Every table of the casebook as the database describes it, owners before what belongs to them."""
    found = MetaData()
    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name != "alembic_version"]


def raw_rows(connection: Connection, table: Table) -> Iterator[dict[str, Any]]:
    """The rows of a table in the order of their numbers."""
    result = connection.execution_options(yield_per=1000).execute(select(table).order_by(table.c.id))
    for row in result.mappings():
        yield dict(row)
