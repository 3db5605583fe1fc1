"""What the pages are shown on: a phone, with fingers for a pointer, or a computer."""

from __future__ import annotations

import re
from typing import Any

import streamlit as st

__all__ = ["chart_config", "is_phone"]

_LITTLE_USED = ["toImage", "zoom2d", "pan2d", "lasso2d", "select2d", "autoScale2d"]


def is_phone() -> bool:
    """The browser says that it runs on a phone."""
    return bool(re.search("Mobi|Android|iPhone", st.context.headers.get("User-Agent") or ""))


def chart_config(*, zooms: bool = True) -> dict[str, Any]:
    """How a chart is used; on a phone, where its tools are always there, they are few and leave room for its title."""
    left_out = _LITTLE_USED if is_phone() else []
    return {"scrollZoom": zooms, "displaylogo": False, "modeBarButtonsToRemove": left_out}
