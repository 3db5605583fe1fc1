"""Drawing from photos: trace a plate that nobody has drawn."""

from __future__ import annotations

import streamlit as st

from ...casebook import Casebook, Face, Plate

__all__ = ["trace_tab"]


def trace_tab(kept: Casebook, plate: Plate, face: Face) -> None:
    """What stands under "From photos" on the Drawing page."""
    st.info("Trace the plate on the command line: pitmap drawing trace.", icon=":material/photo_camera:")
