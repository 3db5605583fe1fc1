"""Tables as people read them: fewer columns, their units, their words."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd

from ..depth.survey import unseen_shares
from ..estimate import Estimate
from ..flags import flag_words
from ..measure import mark_diameter_mm, marks_counted
from ..report import translator
from ..report.places import place_columns
from ..report.words import class_word, estimate_of
from ..units import (
    UnitSystem,
    format_area,
    format_depth,
    format_estimate,
    format_length,
    format_low,
    format_part,
    format_place,
)

__all__ = [
    "MARKS_NOTE",
    "RATINGS_NOTE",
    "ZONES_NOTE",
    "lands_view",
    "leak_words",
    "low_end_words",
    "marks_view",
    "ratings_view",
    "regions_view",
    "steps_view",
    "zones_view",
]

MARKS_NOTE = (
    "Area and across (the disc of that area) have their intervals. Long and wide (the sides of the smallest rectangle"
    " around the mark), distances and places have none: trials on faces whose truth is known tell how far off areas may be,"
    " not these."
)
"""Why some figures of :func:`marks_view` have no interval."""

RATINGS_NOTE = (
    "A rating speaks of the metal that was seen, and says nothing of the part that was not. Those of areas have in brackets"
    " the ratings of the ends of the figure's interval; the charts of pits (ASTM G46) have none, for counts of marks and"
    " their mean size have none."
)
"""Why some figures of :func:`ratings_view` have no interval."""

ZONES_NOTE = (
    "Only the share has an interval: the area is that share of the metal that was seen, and lies within the same part of it."
    " Marks are counted as the map shows them; the largest is the part of one mark that lies in the zone, and its row"
    " under Marks has its interval."
)
"""Why some figures of :func:`zones_view` have no interval."""

_UNKNOWN = "cannot be told"
_SAME_WIDTH_MM = 0.05
"""Widths this near each other are one (house choice: half of what a width of some millimetres is shown to)."""


def leak_words(lands: pd.DataFrame, units: UnitSystem) -> str:
    """Where coolant can cross the land, as a sentence; empty where it cannot."""
    leaks = lands[lands.is_leak_path]
    if leaks.empty:
        return ""
    first, *others = [format_place(x, y, units) for x, y in zip(leaks.x_mm, leaks.y_mm)]
    return (
        f"Leak path at {first}: damage crosses the seal land from edge to edge; see the white line."
        + (f" So does it at {'; '.join(others)}." if others else "")
    )  # fmt: skip


def low_end_words(lands: pd.DataFrame, width_mm: Estimate, units: UnitSystem) -> str:
    """Where the low end of the headline's width is, as a sentence; empty where it is the narrowest place's own.

    Parameters
    ----------
    lands : DataFrame
        Narrow places of the land, narrowest first.
    width_mm : Estimate
        The headline's: its low end is the least sound metal that there may be anywhere on the land.
    units : {"mm", "inch"}
    """
    # what rounds to the same figure is the same figure to whoever reads it
    low_mm = width_mm.low
    if lands.empty or pd.isna(low_mm) or lands.sound_width_low_mm.iloc[0] - low_mm < _SAME_WIDTH_MM:
        return ""
    shown = format_low(width_mm, "length", units)
    at = lands.loc[lands.sound_width_low_mm.idxmin()]
    if at.sound_width_low_mm - low_mm >= _SAME_WIDTH_MM:
        return f"The low end, {shown}, is of another place than the white line."
    return (
        f"The low end, {shown}, is of place {at.place}, at {format_place(at.x_mm, at.y_mm, units)}, not of the white line: "
        "look there too."
    )


def zones_view(zones: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """One row per zone and class; :data:`ZONES_NOTE` belongs to it."""
    rows = []
    counts = marks_counted(zones)
    for r, n in zip((SimpleNamespace(**row) for row in zones.to_dict("records")), counts):  # type: ignore[arg-type]
        share = (
            _UNKNOWN
            if pd.isna(r.share)
            else format_estimate(Estimate(value=r.share, low=r.share_low, high=r.share_high), "share")
        )
        rows.append(
            {
                "zone": str(r.zone).replace("_", " "),
                "what": class_word(translator(), r.class_word),
                "share of what was seen": share,
                "not seen": format_part(r.unseen_share),
                "marks": _UNKNOWN if pd.isna(n) else str(n),
                "area": _UNKNOWN if pd.isna(r.area_mm2) else format_area(r.area_mm2, units),
                "largest": _UNKNOWN
                if pd.isna(r.largest_mm2)
                else format_area(r.largest_mm2, units, digits=2 if units == "mm" else 5),
            }
        )
    return pd.DataFrame(rows)


def marks_view(marks: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """One row per mark, in the order given; :data:`MARKS_NOTE` belongs to it."""
    areas = list(zip(marks.area_mm2, marks.area_low_mm2, marks.area_high_mm2))
    return pd.DataFrame(
        {
            "mark": marks.mark_id,
            "what": [class_word(translator(), w) for w in marks.class_word],
            "zone": marks.zone.str.replace("_", " "),
            "area": [format_estimate(estimate_of(*area), "area", units) for area in areas],
            "across": [format_estimate(mark_diameter_mm(*area), "length", units) for area in areas],
            "long": [format_length(v, units) for v in marks.length_mm],
            "wide": [format_length(v, units) for v in marks.width_mm],
            "to running side": ["" if pd.isna(v) else format_length(v, units) for v in marks.dist_trace_mm],
            "to coolant side": ["" if pd.isna(v) else format_length(v, units) for v in marks.dist_coolant_mm],
            **place_columns(marks, units),
            "mind": [flag_words(int(v)) for v in marks["flags"]],
        }
    )


def lands_view(lands: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """The narrowest places of the land, narrowest first."""
    widths = zip(lands.sound_width_mm, lands.sound_width_low_mm, lands.sound_width_high_mm)
    return pd.DataFrame(
        {
            "place": lands.place,
            "sound metal": [format_estimate(estimate_of(*width), "length", units) for width in widths],
            "width by the drawing": [format_length(v, units) for v in lands.nominal_width_mm],
            "leak path": ["yes" if leaks else "no" for leaks in lands.is_leak_path],
            **place_columns(lands, units),
            "mind": [flag_words(int(v)) for v in lands["flags"]],
        }
    )


def ratings_view(ratings: pd.DataFrame, zones: pd.DataFrame) -> pd.DataFrame:
    """The published ratings of every zone, each with those of the ends of its figure's interval, and what was not seen.

    :data:`RATINGS_NOTE` belongs to it.
    """
    unseen = unseen_shares(zones)
    ends = zip(ratings.rating, ratings.rating_low, ratings.rating_high)
    return pd.DataFrame(
        {
            "zone": ratings.zone.str.replace("_", " "),
            "rated by": ratings.system,
            "what": ratings.class_word,
            "figure": [f"{v:.2f} {unit}" for v, unit in zip(ratings.input_value, ratings.input_unit)],
            "rating": [f"{rating} ({low} to {high})" if low else rating for rating, low, high in ends],
            "zone not seen": [format_part(unseen[zone]) for zone in ratings.zone],
            "where it is published": ratings.source,
        }
    )


def steps_view(steps: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """What each further step of stock buys, one row per zone and step."""
    chances = zip(steps.p_clean_before, steps.p_clean_after)
    return pd.DataFrame(
        {
            "zone": steps.zone.str.replace("_", " "),
            "from": [format_depth(v, units) for v in steps.from_um],
            "to": [format_depth(v, units) for v in steps.to_um],
            "pits that it clears": [_expected(v) for v in steps.pits_cleared],
            "pits left": [_expected(v) for v in steps.pits_left],
            "chance that none is left": [f"{_percent(a)} before, {_percent(b)} after" for a, b in chances],
            "sound width gained": [
                "" if pd.isna(v) else format_length(v, units) for v in steps.sound_width_gain_mm
            ],
        }
    )


def regions_view(regions: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """How well the drawing lies on the photo, one row per opening or part of the outline."""
    return pd.DataFrame(
        {
            "place": regions.region.str.replace("_", " "),
            **place_columns(regions, units),
            "in the photo": [_percent(v) for v in regions.in_frame_share],
            "edge found in its place": [_percent(v) for v in regions.met_share],
            "distance from the drawing": [format_length(v, units) for v in regions.residual_mm],
            "of it, outwards": [format_length(v, units) for v in regions.residual_mean_mm],
        }
    )


def _expected(count: float) -> str:
    return _UNKNOWN if pd.isna(count) else f"{count:.1f}"


def _percent(share: float) -> str:
    return _UNKNOWN if pd.isna(share) else f"{100 * share:.0f} %"
