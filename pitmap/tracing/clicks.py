"""The CSV of places clicked in several photos of one plate."""

from __future__ import annotations

import csv
import math
from pathlib import Path

from ..errors import InputError
from ..photo import read_photo
from .trace import PhotoClicks

__all__ = ["read_clicks"]

_COLUMNS = ("photo", "hole", "x_px", "y_px")


def read_clicks(path: str | Path) -> list[PhotoClicks]:
    """Photos with their clicks from a CSV with the columns photo, hole, x_px, y_px.

    Photo names are taken beside the CSV.

    Raises
    ------
    InputError
        No such file, a missing column, a cell that is not a number (line and column named), a photo that cannot
        be read.
    """
    path = Path(path)
    clicks: dict[str, dict[str, tuple[float, float]]] = {}
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            missing = [c for c in _COLUMNS if c not in (reader.fieldnames or ())]
            if missing:
                raise InputError(f"{path}: no column {', '.join(missing)}; expected {', '.join(_COLUMNS)}")
            for row in reader:
                at = []
                for name in ("x_px", "y_px"):
                    try:
                        at.append(float(row[name]))
                    except (TypeError, ValueError):
                        at.append(math.nan)
                    if not math.isfinite(at[-1]):
                        raise InputError(
                            f"{path}, line {reader.line_num}, column {name}: {row[name]!r} is not a number"
                        )
                clicks.setdefault(row["photo"], {})[row["hole"]] = (at[0], at[1])
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error})") from error
    return [PhotoClicks(rgb=read_photo(path.parent / name).rgb, clicks_px=at) for name, at in clicks.items()]
