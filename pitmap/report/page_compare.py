"""Pictures and tables of a comparison, for the page."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray
from PIL import Image

from ..classes import CLASS_WORDS, SurfaceClass
from ..compare import proof_of_change
from ..drawing import Drawing
from ..estimate import Estimate
from ..flags import flag_words
from ..grid import Grid
from ..units import UnitSystem, format_area, format_depth, format_estimate, format_length
from .draw_plotly import plot_lines
from .figures import FaceMap, face_map, series_chart
from .legend import change_entries, with_key
from .overlay import codes_on, paint_codes
from .palette import CHANGE_STYLES, CLASS_STYLES, Style
from .places import place_columns
from .text import Translate, translator
from .words import class_word, fate_word, proof_word, stage_word

__all__ = [
    "FATES_NOTE",
    "blended",
    "blink_picture",
    "cannot_tell_words",
    "change_on_photo",
    "change_with_key",
    "fates_view",
    "maps_of",
    "series_figures",
    "tracks_view",
    "zone_changes_view",
]

FATES_NOTE = (
    "Sizes, areas and places have no interval here: those of the areas stand under Marks on the Map page of each survey. "
    "Smaller and larger are said only where the change is beyond what two photos of one mark differ by."
)
"""Why the figures of :func:`fates_view` have no interval."""


def maps_of(
    t: Translate, before: Any, after: Any, drawing: Drawing, units: UnitSystem = "mm"
) -> tuple[FaceMap, FaceMap]:
    """The two maps with their classes painted on, to be drawn side by side; lines, numbers and the bar are the plot's."""
    first, second = (
        face_map(t, i, drawing, _classes_on_photo(i), i.picture_grid, units=units) for i in (before, after)
    )
    return first, second


def _classes_on_photo(inspection: Any) -> NDArray[np.uint8]:
    own = inspection.class_map
    return _painted(inspection, own.codes, own.grid, CLASS_STYLES)


def _painted(
    inspection: Any, codes: NDArray[np.uint8], own: Grid, styles: Mapping[Any, Style]
) -> NDArray[np.uint8]:
    """The photo of a survey under a raster of codes."""
    grid = inspection.picture_grid
    step = max(6, round(1.6 * grid.px_per_mm))
    return paint_codes(inspection.picture, codes_on(codes, own, grid), styles, step=step)


def blended(before: Any, after: Any, share: float) -> NDArray[np.uint8]:
    """Before on the left and after on the right of a line at `share` (0 to 1) of the width."""
    out = after.picture.copy()
    other = cv2.resize(before.picture, out.shape[1::-1])
    at = round((1 - share) * out.shape[1])
    out[:, :at] = other[:, :at]
    out[:, max(0, at - 1) : at + 2] = (255, 214, 0)
    return out


def blink_picture(before: Any, after: Any, long_side_px: int = 900) -> bytes:
    """The two pictures in turn as an animated WebP, which needs no script to play."""
    k = min(1.0, long_side_px / max(after.picture.shape[:2]))
    size = (round(after.picture.shape[1] * k), round(after.picture.shape[0] * k))
    frames = [
        Image.fromarray(cv2.resize(i.picture, size, interpolation=cv2.INTER_AREA)) for i in (before, after)
    ]
    data = io.BytesIO()
    frames[0].save(
        data, "WEBP", save_all=True, append_images=frames[1:], duration=1000, loop=0, quality=80, method=2
    )
    return data.getvalue()


def change_on_photo(pair: Any, after: Any) -> NDArray[np.uint8]:
    """Where metal was cleared, stayed damaged or came up, over the later photo."""
    return _painted(after, pair.change_codes, pair.grid, CHANGE_STYLES)


def change_with_key(pair: Any, before: Any, after: Any) -> NDArray[np.uint8]:
    """The same with its key under it, for a file that is looked at by itself."""
    t = translator()
    note = t(
        "What changed from {before} to {after}, over the later photo. Metal without a colour is not damaged in"
        " either, as far as the photos show.",
        before=stage_word(t, before.stage),
        after=stage_word(t, after.stage),
    )
    return with_key(change_on_photo(pair, after), change_entries(t, np.unique(pair.change_codes)), note)


def series_figures(comparison: Any, units: UnitSystem) -> list[tuple[go.Figure, str]]:
    """One chart per quantity of the lap series that has a number, each with why it has no band, empty where it has one."""
    t = translator()
    known = comparison.series[comparison.series.value.notna() & comparison.series.removed_um.notna()]
    quantities = list(dict.fromkeys(known.quantity))
    return [
        (plot_lines(series_chart(t, comparison, q, units)), _why_no_band(known[known.quantity == q]))
        for q in quantities
    ]


def _why_no_band(rows: pd.DataFrame) -> str:
    reasons = dict.fromkeys(rows.reason[rows.low.isna() | rows.high.isna()])
    return f"No interval: {'; '.join(reasons)}." if reasons else ""


def fates_view(fates: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """The fate of every mark as people read it, pits first and the largest of them at the top.

    :data:`FATES_NOTE` belongs to it.
    """
    t = translator()
    order = fates.assign(other=fates.class_word != "pit").sort_values(
        ["other", "eq_diam_mm"], ascending=[True, False]
    )
    return pd.DataFrame(
        {
            "fate": [fate_word(t, f) for f in order.fate],
            "what": [class_word(t, w) for w in order.class_word],
            "zone": order.zone.str.replace("_", " "),
            "across": [format_length(v, units) for v in order.eq_diam_mm],
            "mark before": ["" if v < 0 else str(v) for v in order.mark_before],
            "marks after": order.marks_after,
            "area before": [_area(v, units) for v in order.area_before_mm2],
            "area after": [_area(v, units) for v in order.area_after_mm2],
            "why": order.why,
            **place_columns(order, units),
            "mind": [flag_words(int(v)) for v in order["flags"]],
        }
    )


def _area(value_mm2: float, units: UnitSystem) -> str:
    """Of one mark; 0 where there is none, and words where nobody can say."""
    return (
        "not seen" if pd.isna(value_mm2) else format_area(value_mm2, units, digits=2 if units == "mm" else 5)
    )


def cannot_tell_words(fates: pd.DataFrame, class_word: str = "pit") -> str:
    """Why the fate of some marks of a class cannot be told, the commonest reason first; empty where all can."""
    why = fates.why[(fates.fate == "cannot_tell") & (fates.class_word == class_word)].value_counts()
    if why.empty:
        return ""
    return (
        f"Cannot tell, {why.sum()} {class_word}{'s' if why.sum() > 1 else ''}: "
        + "; ".join(f"{text} ({n})" for text, n in why.items())
        + "."
    )


def tracks_view(tracks: pd.DataFrame, units: UnitSystem) -> pd.DataFrame:
    """Every mark that was followed through the surveys; surveys by their numbers from 1."""
    return pd.DataFrame(
        {
            "what": [class_word(translator(), CLASS_WORDS[SurfaceClass(c)]) for c in tracks.class_code],
            "zone": tracks.zone.str.replace("_", " "),
            "across": [format_length(v, units) for v in tracks.eq_diam_mm],
            "first seen in survey": tracks.first_survey,
            "last seen in survey": tracks.last_survey,
            "gone in survey": ["" if v < 0 else str(v) for v in tracks.gone_survey],
            "deeper than": [format_depth(v, units) for v in tracks.depth_low_um],
            "not deeper than": [format_depth(v, units) for v in tracks.depth_high_um],
            **place_columns(tracks, units),
            "survey:mark": tracks.mark_ids,
            "mind": [flag_words(int(v)) for v in tracks["flags"]],
        }
    )


def zone_changes_view(changes: pd.DataFrame) -> pd.DataFrame:
    """Change per zone and class, with its interval and whether it is larger than photos differ anyway."""
    t = translator()
    rows = []
    for r in changes.to_dict("records"):
        known = not pd.isna(r["change"])
        change = Estimate(value=r["change"], low=r["change_low"], high=r["change_high"]) if known else None
        rows.append(
            {
                "zone": str(r["zone"]).replace("_", " "),
                "what": class_word(t, r["class_word"]),
                "change, in percent of the zone": format_estimate(change, "share")
                if change
                else "cannot be told",
                "larger than the photos' own spread": proof_word(
                    t, proof_of_change(r["is_beyond_repeatability"], r["change_low"], r["change_high"])
                )
                if known
                else "",
                "note": r["note"],
            }
        )
    return pd.DataFrame(rows)
