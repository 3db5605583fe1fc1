"""A form that was sent and is not there when the page is drawn again: what was typed is told, and not lost without a word.

A person fills a form in while somebody else leaves out, signs or maps anew what it belongs to; the page that comes after the
button was pressed then has no such form, and nobody would see that it was ever pressed.
"""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from .plain_text import plain

__all__ = ["claim", "done", "send", "tell_lost"]

_SENT, _DONE, _TYPED = "form_sent", "form_done", "form_typed"


def send(slot: str, fields: Mapping[str, str], state: object = None) -> None:
    """For the button of a form, ``on_click``: remember which form is sent, and what was typed, before the page is drawn.

    Parameters
    ----------
    slot : str
        Which form, of which record.
    fields : mapping of str to str
        Label of a field -> its key.
    state : object
        Of what the form is made, where a form of this slot may be sent again over another one.
    """
    held = {label: st.session_state.get(key) for label, key in fields.items()}
    typed = {k: v.strip() for k, v in held.items() if isinstance(v, str)}
    *taken, taken_typed = st.session_state.get(_DONE, (None, {}))
    if taken == [slot, state] and typed in ({}, taken_typed):
        return  # pressed twice: what was sent is kept already, and its fields may be gone
    st.session_state[_SENT], st.session_state[_TYPED] = (slot, typed), typed


def done(slot: str, state: object = None) -> None:
    """What was sent is kept: the form may go, and a second press of its button was no second wish."""
    st.session_state[_DONE] = (slot, state, st.session_state.get(_TYPED, {}))


def claim(slot: str) -> None:
    """This form is on the page: whoever sent it is answered there."""
    if st.session_state.get(_SENT, ("",))[0] == slot:
        del st.session_state[_SENT]


def tell_lost(box: DeltaGenerator) -> None:
    """Say in `box` which form was sent in vain, once the page is drawn."""
    if (sent := st.session_state.pop(_SENT, None)) is None:
        return
    typed = "; ".join(f"{label}: {text}" for label, text in sent[1].items() if text)
    box.warning(
        "What you sent is not kept: somebody else changed, closed or left out what it belongs to before you pressed."
        + (f" You wrote: {plain(typed)}" if typed else ""),
        icon=":material/group:",
    )
