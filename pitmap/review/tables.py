"""Tables as people read them: fewer columns, their units, their words."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd

from ..estimate import Estimate
from ..flags import flag_words
from ..units import UnitSystem, format_estimate, format_length

__all__ = ["leak_words", "marks_view", "zones_view"]


def leak_words(lands: pd.DataFrame) -> str:
    """Where coolant can cross the land, as a sentence; empty where it cannot."""
    leaks = lands[lands.is_leak_path]
    if leaks.empty:
        return ""
    first, *others = [f"x {r.x_mm:.1f}, y {r.y_mm:.1f} mm" for r in leaks.itertuples()]
    return (
        f"Leak path at {first}: damage crosses the seal land from edge to edge; see the white line."
        + (f" So does it at {'; '.join(others)}." if others else "")
    )  # fmt: skip


def zones_view(zones: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """One row per zone and class."""
    rows = []
    for r in (SimpleNamespace(**row) for row in zones.to_dict("records")):  # type: ignore[arg-type]
        share = (
            "cannot be told"
            if pd.isna(r.share)
            else format_estimate(Estimate(value=r.share, low=r.share_low, high=r.share_high), "share")
        )
        rows.append(
            {
                "zone": str(r.zone).replace("_", " "),
                "what": r.class_word,
                "share of what was seen": share,
                "not seen": f"{100 * r.unseen_share:.1f} %",
                "marks": int(r.n_marks),
                "area mm2": round(r.area_mm2, 1),
                "largest mm2": round(r.largest_mm2, 2),
            }
        )
    return pd.DataFrame(rows)


def marks_view(marks: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """One row per mark, in the order given."""
    return pd.DataFrame(
        {
            "mark": marks.mark_id,
            "what": marks.class_word,
            "zone": marks.zone.str.replace("_", " "),
            "across": [format_length(v, units) for v in marks.eq_diam_mm],
            "long": [format_length(v, units) for v in marks.length_mm],
            "wide": [format_length(v, units) for v in marks.width_mm],
            "to running side": ["" if pd.isna(v) else format_length(v, units) for v in marks.dist_trace_mm],
            "to coolant side": ["" if pd.isna(v) else format_length(v, units) for v in marks.dist_coolant_mm],
            "x mm": marks.x_mm.round(1),
            "y mm": marks.y_mm.round(1),
            "mind": [flag_words(int(v)) for v in marks["flags"]],
        }
    )
