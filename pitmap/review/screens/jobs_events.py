"""What happened to a plate elsewhere, in words, and leaving out what was entered wrongly."""

from __future__ import annotations

import math
from collections.abc import Sequence

import streamlit as st

from ...casebook import Casebook, Plate, PlateEvent
from ...errors import InputError
from ...estimate import Estimate
from ...units import format_depth, format_estimate
from ..guard import sentences
from ..kept_form import KeptForm
from ..plain_text import plain
from ..state import units
from ..told_apart import told_apart

__all__ = ["event_labels", "leave_out_event"]


def event_labels(events: Sequence[PlateEvent]) -> dict[int, str]:
    """What to call each event, by id: when and what, and its number where another one reads the same."""
    return told_apart({e.id: _words(e) for e in events}, by_key=True)


def _words(event: PlateEvent) -> str:
    when = f"{event.happened_on:%Y-%m-%d}" if event.happened_on else "date not known"
    off = "" if math.isnan(event.removed_um) else f", taken off: {_stock(event)}"
    return f"{when}: {event.kind}{off}. {event.text} ({event.source or 'no source given'})"


def _stock(event: PlateEvent) -> str:
    """What an event took off, with its interval or why it has none."""
    if event.uncertainty_um > 0:
        return format_estimate(
            Estimate.from_sd(event.removed_um, event.uncertainty_um, low=0.0), "depth", units()
        )
    return f"{format_depth(event.removed_um, units())} (no interval: how far off that may be was not entered)"


def leave_out_event(
    kept: Casebook, plate: Plate, events: Sequence[PlateEvent], labels: dict[int, str], form: KeptForm
) -> None:
    """Leave an event of a plate out, with the reason; what was typed wrongly is left out and added again.

    Parameters
    ----------
    kept : Casebook
    plate : Plate
    events : sequence of PlateEvent
        Those of the plate that count.
    labels : dict of int to str
        What to call each, by id.
    form : KeptForm
        Made over `events`.
    """
    if not events and not form.is_late:
        return
    by_id = {e.id: e for e in events}
    with st.form(f"leave_out_event_{plate.id}", border=False):
        st.markdown("Leave out what was entered wrongly; then add it again as it was")
        # None is chosen beforehand: over a list that somebody else has changed it would be another event.
        which = st.selectbox(
            "Leave out",
            list(by_id),
            index=None,
            format_func=labels.get,
            key=form.key("which"),
            placeholder="Choose one",
        )
        reason = form.field(
            st.text_input, "Why", "why", "", placeholder="typed wrongly; another plate's", max_chars=300
        )
        with sentences():
            if not form.submit("Leave it out", icon=":material/block:"):
                return
            if which is None:
                raise InputError("Leave out: choose from the list what is left out")
            if not reason.strip():
                raise InputError("Why: say in a word why this is left out")
            with form.taking():
                kept.withdraw(by_id[which], reason)
            said = f"Left out: {labels[which]}. It stays in the plate's life and counts no more."
            if by_id[which].kind == "stock" or by_id[which].removed_um > 0:
                said += " If a limit sheet counts this stock, correct the sheet too."
            st.session_state["jobs_said"] = plain(said)
            st.rerun()
