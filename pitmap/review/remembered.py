"""Half-done work that outlives a reload of the page: a phone drops pages that it has no room for."""

from __future__ import annotations

import os
from typing import Any, TypeVar, cast

import streamlit as st

T = TypeVar("T")

__all__ = ["recall", "remember"]


@st.cache_resource(show_spinner=False)
def _shelf() -> dict[tuple[str, str, str], Any]:
    """What is remembered until the program ends, by casebook, person and slot."""
    return {}


def _place(slot: str) -> tuple[str, str, str]:
    return os.environ.get("PITMAP_CASEBOOK", ""), str(st.session_state.get("who", "")).strip(), slot


def recall(slot: str, fresh: T) -> T:
    """What this tab remembers under a slot; a new tab takes up what the same person last left there."""
    if slot not in st.session_state:
        st.session_state[slot] = _shelf().get(_place(slot), fresh)
    return cast(T, st.session_state[slot])


def remember(slot: str, value: object, *, is_half_done: bool = True) -> None:
    """Remember something immutable under a slot in this tab, and for a reload where there is work in it."""
    st.session_state[slot] = value
    if is_half_done:
        _shelf()[_place(slot)] = value
    else:
        _shelf().pop(_place(slot), None)
