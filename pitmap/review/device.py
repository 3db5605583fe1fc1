"""What the pages are shown on: a phone or a tablet, with fingers for a pointer, or a computer."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import streamlit as st

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["MAP_WORDS", "chart_config", "chart_words", "is_narrow", "is_phone"]

MAP_WORDS = "The straightened photo with the classes of metal, the marks and the edges of the drawing"
"""What a map is to somebody who cannot see it; its figures stand in tables beside it."""

_LITTLE_USED = ["toImage", "zoom2d", "pan2d", "lasso2d", "select2d", "autoScale2d"]


def is_phone() -> bool:
    """The browser says that it runs on a phone or a tablet: a finger points, and nothing hovers."""
    return bool(re.search("Mobi|Android|iPhone", _browser()))


def is_narrow() -> bool:
    """The browser says that it runs on a phone, which is narrower than a tablet.

    A tablet does not call itself mobile, or says that it is an iPad: a map as small as a phone's leaves half of its page
    empty, and a fingertip covers far more of it than a stroke is meant to change.
    """
    return bool(re.search(r"^(?!.*iPad).*(Mobi|iPhone)", _browser()))


def _browser() -> str:
    return st.context.headers.get("User-Agent") or ""


def chart_config(*, zooms: bool = True) -> dict[str, Any]:
    """How a chart is used; on a phone, where its tools are always there, they are few and leave room for its title."""
    left_out = _LITTLE_USED if is_phone() else []
    return {"scrollZoom": zooms, "displaylogo": False, "modeBarButtonsToRemove": left_out}


def chart_words(figure: go.Figure) -> str:
    """What a chart is to somebody who cannot see it: its title, and over what it is drawn."""
    layout = figure.layout
    over = layout.xaxis.title.text
    return f"Chart: {layout.title.text}" + (f" over {over}" if over else "")
