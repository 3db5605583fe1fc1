"""Half-done work that outlives a reload of the page: a phone drops pages that it has no room for."""

from __future__ import annotations

import os
import secrets
from typing import Any, TypeVar, cast

import streamlit as st

T = TypeVar("T")

__all__ = ["desk_address", "leave", "left", "recall", "remember", "restore_desk"]

_ID_LENGTH = 12
_COOKIE = "_streamlit_xsrf"


@st.cache_resource(show_spinner=False)
def _shelf() -> dict[tuple[str, str, str], Any]:
    """What is remembered until the program ends, by casebook, desk and slot."""
    return {}


def restore_desk() -> None:
    """Take the name of this tab's desk from the address, or give it one."""
    if "desk_id" not in st.session_state:
        text = st.query_params.get("desk", "")
        is_one = len(text) == _ID_LENGTH and text.isascii() and text.isalnum()
        st.session_state["desk_id"] = text if is_one else secrets.token_hex(_ID_LENGTH // 2)


def desk_address() -> dict[str, str]:
    """What the address has to say of this tab's desk, so that a reload comes back to it.

    Other pages of Streamlit begin with an empty address, so it is written there again and again.
    """
    desk = st.session_state.get("desk_id")
    return {} if desk is None else {"desk": desk}


def _desk() -> str:
    """Whose work it is: this tab's in this browser.

    The address alone would hand one's name and work to whoever is sent it. So the browser counts too: the last part of
    Streamlit's cookie is when it was first seen, and stays as it is over a reload. Outside the page's own frame there is
    no address to keep, and a person's name stands for the desk.
    """
    desk = st.session_state.get("desk_id")
    if desk is None:
        return str(st.session_state.get("who", "")).strip()
    return f"{desk} {st.context.cookies.get(_COOKIE, '').rpartition('|')[2]}"


def _place(slot: str) -> tuple[str, str, str]:
    return os.environ.get("PITMAP_CASEBOOK", ""), _desk(), slot


def left(slot: str, fresh: T) -> T:
    """What was last left under a slot at this desk."""
    return cast(T, _shelf().get(_place(slot), fresh))


def leave(slot: str, value: object) -> None:
    """Leave something immutable under a slot for a reload, as a field of that name holds it in this tab."""
    _shelf()[_place(slot)] = value


def recall(slot: str, fresh: T) -> T:
    """What this tab remembers under a slot; after a reload, what was left at this desk."""
    if slot not in st.session_state:
        st.session_state[slot] = left(slot, fresh)
    return cast(T, st.session_state[slot])


def remember(slot: str, value: object, *, is_half_done: bool = True) -> None:
    """Remember something immutable under a slot in this tab, and for a reload where there is work in it."""
    st.session_state[slot] = value
    if is_half_done:
        leave(slot, value)
    else:
        _shelf().pop(_place(slot), None)
