"""Charts for the record, by matplotlib: quiet, black-and-white safe, no global state."""

from __future__ import annotations

import io
import math

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from .figures import BarChart, LineChart

__all__ = ["chart_png", "draw_bars", "draw_lines"]


_KEY_COLUMNS = 2
"""Of the key of a chart as wide as a third of the page."""


def _figure(width_in: float, height_in: float) -> Figure:
    # Figure without pyplot: nothing global, nothing to close, safe in threads. Margins are set by hand: the
    # layout engine draws every chart twice over.
    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    return figure


def draw_lines(chart: LineChart, *, width_in: float = 3.0, height_in: float = 2.1) -> Figure:
    """Curves with their bands."""
    figure = _figure(width_in, height_in)
    # The key stands over the axes, where it covers no point.
    key_in = 0.16 * -(-len(chart.lines) // _KEY_COLUMNS)
    figure.subplots_adjust(
        left=0.62 / width_in,
        right=1 - 0.1 / width_in,
        bottom=0.45 / height_in,
        top=1 - (0.1 + key_in) / height_in,
    )
    ax = figure.add_subplot()
    for line in chart.lines:
        # A single survey has no line to draw; a plain marker stands for it.
        style = line.dash if len(line.x) > 1 else "None"
        ax.plot(
            line.x, line.y, color=line.colour, linestyle=style, marker=line.marker or None, markersize=4, lw=1.4,
            label=line.label,
        )  # fmt: skip
        has = np.isfinite(line.low) & np.isfinite(line.high)
        if has.any():
            low, high = line.low[has], line.high[has]
            if line.marker:
                y = line.y[has]
                error = np.maximum(0, [y - low, high - y])
                ax.errorbar(
                    line.x[has], y, _finite(error), color=line.colour, lw=0, elinewidth=0.9, capsize=2.5
                )
            else:
                ax.fill_between(line.x[has], low, high, color=line.colour, alpha=0.15, lw=0)
    ax.set_xlabel(chart.x_label, fontsize=8)
    ax.set_ylabel(chart.y_label, fontsize=8)
    ax.tick_params(labelsize=7)
    ax.set_ylim(bottom=0)
    ax.grid(True, lw=0.4, color="#cccccc")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    if chart.lines:
        ax.legend(
            fontsize=7, frameon=False, ncols=_KEY_COLUMNS, loc="lower left", bbox_to_anchor=(-0.2, 0.98), borderpad=0,
            labelspacing=0.2, columnspacing=1.0, handlelength=2.4,
        )  # fmt: skip
    return figure


def _finite(error: np.ndarray) -> np.ndarray:
    """Error bars as matplotlib takes them: (2, N), finite."""
    return np.nan_to_num(error, posinf=0.0)


def draw_bars(chart: BarChart, *, width_in: float = 7.2) -> Figure:
    """Budgets, each on its own scale, with its limits as thick black lines.

    A scale starts at 0 unless a value lies below it, or all lie so close together that nothing could be told apart.
    """
    n = max(1, len(chart.bars))
    height_in = 0.15 + 0.5 * n
    figure = _figure(width_in, height_in)
    figure.subplots_adjust(
        left=1.9 / width_in,
        right=1 - 0.15 / width_in,
        bottom=0.2 / height_in,
        top=1 - 0.03 / height_in,
        hspace=0.9,
    )
    axes = figure.subplots(n, 1, squeeze=False)[:, 0]
    for ax, bar in zip(axes, chart.bars):
        values = [
            v for v in (*bar.limits, bar.after, bar.after_low, bar.after_high, bar.now) if math.isfinite(v)
        ]
        low, high = min(values), max(values)
        start = 0.0 if 0 <= low < 0.8 * high else low - 0.4 * (high - low)
        foot = 0.0 if low < 0 else start
        ends = [
            min(bar.after_low, bar.after),
            max(v for v in (bar.after_high, bar.after) if math.isfinite(v)),
        ]
        ax.barh(
            0, bar.after - foot, left=foot, height=0.55, color="#d55e00" if bar.is_past else "#56b4e9",
            edgecolor="black", lw=0.6, hatch="///" if bar.is_past else "",
        )  # fmt: skip
        ax.errorbar(
            bar.after,
            0,
            xerr=[[bar.after - ends[0]], [ends[1] - bar.after]],
            color="black",
            lw=1,
            capsize=3,
        )
        for limit in bar.limits:
            ax.axvline(limit, color="black", lw=2.5)
        if math.isfinite(bar.now):
            ax.plot([bar.now], [0], marker="|", color="#444444", markersize=12)
        ax.set_xlim(start, high + 0.15 * (high - start))
        ax.set_yticks([0], [f"{bar.label}, {bar.unit}"], fontsize=8)
        ax.tick_params(axis="x", labelsize=7)
        for side in ("top", "right", "left"):
            ax.spines[side].set_visible(False)
    return figure


def chart_png(figure: Figure, *, dpi: int = 180) -> tuple[bytes, tuple[int, int]]:
    """The figure as PNG bytes, and its size in pixels."""
    out = io.BytesIO()
    figure.savefig(out, dpi=dpi, format="png")
    width, height = figure.get_size_inches() * dpi
    return out.getvalue(), (round(float(width)), round(float(height)))
