"""The numbers of a bore trace that was fitted to clicks, with their intervals."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from ...drawing import TrochoidFit
from ...units import format_estimate, format_length
from ..state import units

__all__ = ["fit_table"]


def fit_table(fit: TrochoidFit, offset: str) -> None:
    """Show a fit.

    Parameters
    ----------
    fit : TrochoidFit
    offset : {"typed", "fitted", "not known"}
        Where the offset comes from; one that is not known is part of R.
    """
    rows = {
        "eccentricity e": fit.eccentricity_mm,
        "generating radius R": fit.radius_mm,
        "centre x": fit.centre_x_mm,
        "centre y": fit.centre_y_mm,
    }
    shown = {k: format_estimate(v, "length", units()) for k, v in rows.items()}
    turn = fit.rotation_deg
    shown["rotation"] = (
        f"{turn.value:.2f} deg ({turn.low:.2f} to {turn.high:.2f})"
        if turn.has_interval
        else f"not known ({turn.reason})"
    )
    shown["offset"] = {
        "typed": f"{format_length(fit.offset_mm.value, units())}, typed",
        "fitted": format_estimate(fit.offset_mm, "length", units()),
        "not known": "not known, part of R",
    }[offset]
    st.table(pd.DataFrame({"value, 90 % interval": list(shown.values())}, index=list(shown)))
    st.caption(f"The places lie within {format_length(fit.rms_mm, units())} (root mean square) of the curve.")
