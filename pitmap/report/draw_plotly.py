"""The same charts for the page, by plotly: hover, zoom, linked axes."""

from __future__ import annotations

import base64
from typing import Any

import cv2
import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray
from plotly.subplots import make_subplots

from .figures import BarChart, FaceMap, Line, LineChart
from .plate_axis import plate_axis

__all__ = ["plot_bars", "plot_lines", "plot_map", "plot_side_by_side"]

_DASHES = {"-": "solid", "--": "dash", "-.": "dashdot", ":": "dot"}
_MARKERS = {"o": "circle", "s": "square", "^": "triangle-up", "D": "diamond", "": "circle"}

_LETTER_PX, _DIGIT_PX = 13, 8
"""Height of the letters on a map, and room for a digit of them."""
_ON_PICTURE = {"color": "white", "size": _LETTER_PX, "shadow": "0 0 3px black, 0 0 3px black"}
"""Letters that can be read on a photo, light or dark."""

_KEY = {
    "x": 0, "y": 1, "yref": "container", "xanchor": "left", "yanchor": "top", "bgcolor": "rgba(60,60,60,0.85)",
    "font": {"color": "white"}, "itemclick": False, "itemdoubleclick": False,
}  # fmt: skip
"""A dark key, for what it explains is white: in the corner of the chart, over no scale and beside the chart's own tools."""
_BELOW = {"orientation": "h", "x": 0, "xanchor": "left", "y": -0.22, "yanchor": "top"}
"""The key of curves under them: beside them it took a third of a phone's screen."""
_OFF_PX = 8
"""How far plotly sets a text off the middle of a ring of the size below."""
_SIDES = {
    "top center": (0, -1), "bottom center": (0, 1), "middle right": (1, 0), "middle left": (-1, 0),
    "top right": (1, -1), "top left": (-1, -1), "bottom right": (1, 1), "bottom left": (-1, 1),
}  # fmt: skip
"""Plotly's words for the sides of a mark, by the step to the text (right, down)."""
_BESIDE_PX = 200
"""About how wide each of two maps is beside the other on a tablet; on a wider screen numbers have the more room."""
_BAR_ROW_PX = 110
_BETWEEN_BARS_PX = 54
"""Room under a bar for the numbers of its scale and for the name of the next one, which lay over them."""
_TOP_PX = 64
"""Room above maps for the chart's own tools, which a screen without a pointer always shows, and for a title under them."""


def _data_uri(rgb: NDArray[np.uint8]) -> str:
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 88])
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode() if ok else ""


def plot_lines(chart: LineChart) -> go.Figure:
    """Curves with their bands."""
    figure = go.Figure()
    for line in chart.lines:
        has = np.isfinite(line.low) & np.isfinite(line.high)
        if has.any():
            x = np.concatenate([line.x[has], line.x[has][::-1]])
            y = np.concatenate([line.high[has], line.low[has][::-1]])
            figure.add_trace(
                go.Scatter(
                    x=x, y=y, mode="lines", fill="toself", fillcolor=_faint(line.colour), line={"width": 0},
                    hoverinfo="skip", showlegend=False,
                )
            )  # fmt: skip
        figure.add_trace(
            go.Scatter(
                x=line.x, y=line.y, name=line.label, mode="lines+markers" if line.marker else "lines",
                line={"color": line.colour, "dash": _DASHES[line.dash]}, marker={"symbol": _MARKERS[line.marker]},
                error_y=_ends(line),
            )
        )  # fmt: skip
    figure.update_layout(
        title=chart.title, xaxis_title=chart.x_label, yaxis_title=chart.y_label, yaxis_rangemode="tozero",
        template="simple_white", margin={"l": 50, "r": 10, "t": 40, "b": 40},
        legend=_BELOW,
    )  # fmt: skip
    return figure


def _ends(line: Line) -> dict[str, Any] | None:
    """The interval of a single point, which as a band would have no width; None where the band shows it."""
    if len(line.x) != 1 or not np.isfinite([line.low, line.high]).all():
        return None
    return {"type": "data", "symmetric": False, "array": line.high - line.y, "arrayminus": line.y - line.low}


def _faint(colour: str) -> str:
    r, g, b = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({r},{g},{b},0.15)"


def plot_bars(chart: BarChart) -> go.Figure:
    """Budgets, each on its own axis, with its limits as lines."""
    n = max(1, len(chart.bars))
    figure = make_subplots(
        rows=n, cols=1, subplot_titles=[f"{b.label}, {b.unit}" for b in chart.bars] or [""],
        vertical_spacing=_BETWEEN_BARS_PX / (_BAR_ROW_PX * n),
    )  # fmt: skip
    for k, bar in enumerate(chart.bars, 1):
        figure.add_trace(
            go.Bar(
                x=[bar.after], y=[""], orientation="h", showlegend=False,
                marker={"color": "#d55e00" if bar.is_past else "#56b4e9", "line": {"color": "black", "width": 1},
                        "pattern": {"shape": "/" if bar.is_past else ""}},
                error_x={"type": "data", "array": [bar.after_high - bar.after], "arrayminus": [bar.after - bar.after_low]},
            ),
            row=k, col=1,
        )  # fmt: skip
        for limit in bar.limits:
            figure.add_vline(x=limit, line={"color": "black", "width": 3}, row=k, col=1)
        figure.update_xaxes(rangemode="tozero", row=k, col=1)
    figure.update_layout(
        title=chart.title,
        template="simple_white",
        height=90 + _BAR_ROW_PX * n,
        margin={"l": 20, "r": 10, "t": 60, "b": 30},
    )
    return figure


def _numbers(chart: FaceMap, width_px: int) -> tuple[list[str], list[str]]:
    """The number of each mark and the side of the mark that it stands on, largest first; none where all sides are taken.

    Numbers on each other cannot be read, and look like others; the mark still says its own when it is pointed at.
    """
    k = width_px / (chart.extent_mm[1] - chart.extent_mm[0])
    taken: list[tuple[float, float, float]] = []
    texts, sides = [], []
    for mark in chart.marks.itertuples():
        text = str(mark.mark_id)
        wide = _DIGIT_PX * len(text)
        free = ""
        for side, (right, down) in _SIDES.items():
            x = k * mark.x_mm + right * (_OFF_PX + wide / 2)
            y = -k * mark.y_mm + down * (_OFF_PX + _LETTER_PX / 2)
            if all(abs(x - u) >= (wide + w) / 2 or abs(y - v) >= _LETTER_PX for u, v, w in taken):
                taken.append((x, y, wide))
                free = side
                break
        texts.append(text if free else "")
        sides.append(free or "top center")
    return texts, sides


def _add_map(figure: go.Figure, chart: FaceMap, *, width_px: int, has_key: bool = False, **cell: Any) -> None:
    left, right, bottom, top = chart.extent_mm
    # A layout image, not an Image trace: the trace draws a picture upside down on an axis that points up.
    figure.add_layout_image(
        source=_data_uri(chart.picture), x=left, y=top, sizex=right - left, sizey=top - bottom,
        xref="x", yref="y", sizing="stretch", layer="below", **cell,
    )  # fmt: skip
    for name, ring in chart.zones:
        figure.add_trace(
            go.Scatter(
                x=ring[:, 0], y=ring[:, 1], mode="lines", line={"color": "#ffd600", "width": 1.5}, name=name,
                hoverinfo="name", showlegend=False,
            ),
            **cell,
        )  # fmt: skip
    if chart.path_mm is not None:
        figure.add_trace(
            go.Scatter(
                x=chart.path_mm[:, 0], y=chart.path_mm[:, 1], mode="lines", line={"color": "white", "width": 5},
                name=chart.path_word, hoverinfo="name", showlegend=has_key,
            ),
            **cell,
        )  # fmt: skip
    numbers, sides = _numbers(chart, width_px)
    figure.add_trace(
        go.Scatter(
            x=chart.marks["x_mm"], y=chart.marks["y_mm"], mode="markers+text", text=numbers,
            textposition=sides, hovertext=chart.marks["hover"], hoverinfo="text", showlegend=False,
            marker={"symbol": "circle-open", "size": 11, "color": "black", "line": {"width": 2}},
            textfont=_ON_PICTURE,
            # what is drawn on the map by hand is a selection: all else would fade
            unselected={"marker": {"opacity": 1.0}, "textfont": {"color": _ON_PICTURE["color"]}},
        ),
        **cell,
    )  # fmt: skip
    figure.add_shape(
        type="rect", x0=left, x1=right, y0=chart.strip_mm[0], y1=chart.strip_mm[1], fillcolor="white", line={"width": 0},
        layer="below", **cell,
    )  # fmt: skip
    x0, y0 = left + 0.03 * (right - left), sum(chart.strip_mm) / 2
    figure.add_trace(
        go.Scatter(
            x=[x0, x0 + chart.bar_mm], y=[y0, y0], mode="lines+text", text=["", f" {chart.bar_word}"],
            textposition="middle right", line={"color": "black", "width": 5}, hoverinfo="skip", showlegend=False,
            textfont={"color": "black", "size": 13}, unselected={"textfont": {"color": "black"}},
        ),
        **cell,
    )  # fmt: skip


def _height(chart: FaceMap) -> list[float]:
    """From the foot of the scale bar's strip to the top of the picture, mm."""
    return [chart.strip_mm[0], chart.extent_mm[3]]


def plot_map(chart: FaceMap, *, width_px: int = 500) -> go.Figure:
    """The face in millimetres, to be zoomed into; `width_px` is about how wide it will be, for its numbers to find room."""
    figure = go.Figure()
    _add_map(figure, chart, width_px=width_px, has_key=True)
    (left, right), (low, high) = width, height = list(chart.extent_mm[:2]), _height(chart)
    figure.update_xaxes(plate_axis(left, right, chart.units), constrain="domain", range=width)
    figure.update_yaxes(
        plate_axis(low, high, chart.units),
        scaleanchor="x",
        constrain="domain",
        constraintoward="top",
        range=height,
        autorange=False,
    )
    figure.update_layout(
        title=chart.title, template="simple_white", margin={"l": 40, "r": 10, "t": 40, "b": 40}, legend=_KEY
    )
    return figure


def plot_side_by_side(before: FaceMap, after: FaceMap, *, is_stacked: bool = False) -> go.Figure:
    """Two maps of one face, beside each other or one below the other; zooming one zooms the other."""
    rows, cols = (2, 1) if is_stacked else (1, 2)
    figure = make_subplots(
        rows=rows, cols=cols, shared_xaxes="all", shared_yaxes="all", vertical_spacing=0.08,
        subplot_titles=[before.title, after.title],
    )  # fmt: skip
    for k, chart in enumerate((before, after), 1):
        _add_map(figure, chart, width_px=_BESIDE_PX, row=min(k, rows), col=min(k, cols))
    # on a narrow screen the maps are low: each stays under its title
    (left, right), (low, high) = width, height = list(before.extent_mm[:2]), _height(before)
    figure.update_yaxes(
        plate_axis(low, high, before.units), scaleanchor="x", range=height, autorange=False, constrain="domain",
        constraintoward="top",
    )  # fmt: skip
    figure.update_xaxes(plate_axis(left, right, before.units), range=width, constrain="domain", matches="x")
    # a title would take room from the maps: the scale bars say the unit
    figure.update_xaxes(title=None)
    figure.update_yaxes(title=None)
    figure.update_layout(
        template="simple_white",
        height=_TOP_PX + (600 if is_stacked else 410),
        margin={"l": 20, "r": 10, "t": _TOP_PX, "b": 20},
    )
    return figure
