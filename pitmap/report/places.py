"""Where the rows of a table are, in the reader's units."""

from __future__ import annotations

import pandas as pd

from ..units import MM_PER_INCH, UnitSystem

__all__ = ["place_columns"]


def place_columns(table: pd.DataFrame, units: UnitSystem) -> dict[str, pd.Series]:
    """The columns of a table that say where its rows are; numbers, so that they sort."""
    per, word, digits = (1.0, "mm", 1) if units == "mm" else (MM_PER_INCH, "in", 3)
    return {f"{axis} {word}": (table[f"{axis}_mm"] / per).round(digits) for axis in ("x", "y")}
