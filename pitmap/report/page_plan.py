"""The stock plan's figures, for the page."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from ..units import UnitSystem
from .draw_plotly import plot_bars, plot_lines
from .figures import budget_bars, curve_chart
from .text import translator

__all__ = ["budget_figure", "curve_figures"]

_AIMS = ("pits", "sound_width", "uncut")


def curve_figures(plan: Any, units: UnitSystem) -> list[go.Figure]:
    """One figure per aim that the plan has curves for."""
    t = translator()
    present = set(plan.curves["aim"])
    return [plot_lines(curve_chart(t, plan.curves, aim, units)) for aim in _AIMS if aim in present]


def budget_figure(plan: Any, units: UnitSystem) -> go.Figure | None:
    """What is left of each budget that has a limit; None where there is none to show."""
    chart = budget_bars(translator(), plan, units)
    return plot_bars(chart) if chart.bars else None
