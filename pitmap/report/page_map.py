"""The map of one survey as a figure to look around in and click on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from ..classes import SurfaceClass
from ..drawing import Drawing
from ..units import UnitSystem, format_length
from .draw_plotly import plot_map
from .figures import face_map
from .overlay import codes_on, paint_codes
from .palette import CLASS_STYLES
from .text import translator
from .words import class_word

__all__ = ["MARKS_TRACE", "page_map", "rings_words"]

MARKS_TRACE = "marks"
_MOST_MARKS = 400
"""More rings than this hide the picture and slow a phone down; the largest are shown."""
_HEIGHT_PX = 600
_NARROW_PX = 300
"""Width that is left for the picture on a phone held upright, beside its scale."""
_TOP_PX, _BOTTOM_PX = 40, 30
_TOOLS_PX = 36
"""Height of the chart's own tools, which a phone always shows: a row of their own there, with the key in the next."""


def page_map(
    inspection: Any,
    drawing: Drawing,
    *,
    shown: tuple[SurfaceClass, ...],
    strength: float,
    selected: int | None = None,
    dragmode: str = "pan",
    units: UnitSystem = "mm",
    is_narrow: bool = False,
) -> go.Figure:
    """Straightened photo, the chosen classes over it, zones, narrowest sound metal, and a ring per mark.

    Parameters
    ----------
    inspection : Inspection
    drawing : Drawing
    shown : tuple of SurfaceClass
    strength : float
        Share of colour in the veil, 0 to 1.
    selected : int or None
        Mark to point out.
    dragmode : {"pan", "lasso"}
        What dragging does.
    units : {"mm", "inch"}
        Of the labels at the axes, the scale bar and sizes.
    is_narrow : bool
        For a phone: the key below the chart's tools, and no higher than the face is at that width.

    Returns
    -------
    plotly Figure
        In plate mm; the trace named :data:`MARKS_TRACE` carries `mark_id` as customdata.
    """
    grid = inspection.picture_grid
    codes = codes_on(inspection.class_map.codes, inspection.class_map.grid, grid)
    styles = {code: style for code, style in CLASS_STYLES.items() if code in shown}
    picture = inspection.picture
    if strength > 0 and styles:
        picture = paint_codes(
            picture, codes, styles, step=max(6, round(1.6 * grid.px_per_mm)), strength=strength
        )
    chart = face_map(translator(), inspection, drawing, picture, grid, n_numbers=15, units=units)
    figure = plot_map(chart, width_px=_NARROW_PX) if is_narrow else plot_map(chart)
    marks = _ringed(inspection.marks, shown, selected)
    chosen = marks.mark_id == selected
    figure.add_trace(
        go.Scatter(
            x=marks.x_mm,
            y=marks.y_mm,
            mode="markers",
            name=MARKS_TRACE,
            customdata=marks.mark_id,
            showlegend=False,
            hovertext=[
                f"{m.mark_id}: {class_word(translator(), m.class_word)}, {format_length(m.eq_diam_mm, units)}"
                for m in marks.itertuples()
            ],
            hoverinfo="text",
            marker={
                "symbol": "circle-open",
                "size": np.where(chosen, 22, 12),
                "color": np.where(chosen, "#ffffff", "#000000"),
                "line": {"width": np.where(chosen, 4, 1.5)},
            },
            unselected={"marker": {"opacity": 1.0}},
        )
    )
    top, height = _TOP_PX, _HEIGHT_PX
    if is_narrow:
        (left, right), (low, high) = figure.layout.xaxis.range, figure.layout.yaxis.range
        top += _TOOLS_PX
        height = round(top + _BOTTOM_PX + _NARROW_PX * (high - low) / (right - left))
        figure.update_layout(legend={"y": 1 - _TOOLS_PX / height})
    figure.update_layout(
        dragmode=dragmode, height=height, title=None, margin={"l": 30, "r": 5, "t": top, "b": _BOTTOM_PX}
    )
    return figure


def rings_words(inspection: Any, shown: tuple[SurfaceClass, ...]) -> str:
    """Which of the marks that are shown have no ring to click on, as a sentence; empty where all have one."""
    n = len(_of(inspection.marks, shown))
    if n <= _MOST_MARKS:
        return ""
    return (
        f"Rings stand on the {_MOST_MARKS} largest of {n} marks; the table of the Map page lists all of them."
    )


def _of(marks: pd.DataFrame, shown: tuple[SurfaceClass, ...]) -> pd.DataFrame:
    return marks[marks.class_code.isin([int(c) for c in shown])]


def _ringed(marks: pd.DataFrame, shown: tuple[SurfaceClass, ...], selected: int | None) -> pd.DataFrame:
    """The marks with a ring: the largest of those that are shown, and always the one that was pointed out."""
    largest = _of(marks, shown).nlargest(_MOST_MARKS, "area_mm2")
    return marks[marks.index.isin(largest.index) | (marks.mark_id == selected)]
