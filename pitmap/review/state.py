"""Where the person is: job, plate, face, survey, units, name. Session state holds ids and choices only."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import cast

import streamlit as st

from ..casebook import Casebook, Face, Job, Plate, Survey
from ..errors import InputError
from ..units import UnitSystem

__all__ = [
    "Place",
    "book",
    "choose_person",
    "choose_units",
    "go_to",
    "here",
    "restore_place",
    "signing_book",
    "units",
]

_IDS = ("job", "plate", "face", "survey")
_KINDS = {"job": Job, "plate": Plate, "face": Face, "survey": Survey}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The records that are open; None from the first one that is not chosen."""

    job: Job | None
    plate: Plate | None
    face: Face | None
    survey: Survey | None


@st.cache_resource(show_spinner=False)
def _open(target: str | None) -> Casebook:
    return Casebook(target)


def book() -> Casebook:
    """The open casebook, with changes written under the person's name."""
    opened = _open(os.environ.get("PITMAP_CASEBOOK"))
    who = _who()
    return opened.as_person(who) if who else opened


def signing_book() -> Casebook:
    """The open casebook for what somebody stands for by name.

    Raises
    ------
    InputError
        No name is written: the computer's login, under which other changes go then, stands for nobody.
    """
    if not _who():
        raise InputError(
            "Your name: write it in the side bar first; it stands beside what you sign or correct"
        )
    return book()


def _who() -> str:
    return str(st.session_state.get("who", "")).strip()


def units() -> UnitSystem:
    """Units that the person chose."""
    return cast(UnitSystem, st.session_state.get("units", "mm"))


def choose_units() -> None:
    """The units switch."""
    st.session_state.setdefault("units", "mm")
    st.segmented_control(
        "Units",
        ["mm", "inch"],
        key="units",
        format_func={"mm": "mm, um", "inch": "inch, thou"}.get,
        required=True,
    )


def choose_person() -> None:
    """Whose name changes are written under."""
    st.session_state.setdefault("who", os.environ.get("PITMAP_WHO", ""))
    st.text_input("Your name", key="who", placeholder="written beside every change", max_chars=80)


def restore_place() -> None:
    """Take the ids from the address once, so that a reload or a sent link opens the same place."""
    if "place_read" in st.session_state:
        for name in _IDS:
            value = st.session_state.get(f"{name}_id")
            if value is None:
                st.query_params.pop(name, None)
            else:
                st.query_params[name] = str(value)
        return
    st.session_state["place_read"] = True
    for name in _IDS:
        text = st.query_params.get(name, "")
        if text.isdecimal() and len(text) < 12:
            st.session_state[f"{name}_id"] = int(text)


def go_to(**ids: int | None) -> None:
    """Open records by id; what is narrower than the narrowest one given is closed.

    ``go_to(job=3)`` closes plate, face and survey; ``go_to(face=5)`` keeps job and plate.
    """
    narrowest = max(_IDS.index(name) for name in ids)
    for name, value in ids.items():
        st.session_state[f"{name}_id"] = value
    for name in _IDS[narrowest + 1 :]:
        st.session_state[f"{name}_id"] = None


def here() -> Place:
    """The records that are open, read afresh; an id that no longer exists is dropped."""
    # Opened first: a name that cannot be written down is refused here, and does not mean that a record is gone.
    kept = book()
    found: dict[str, object] = {}
    for name in _IDS:
        number = st.session_state.get(f"{name}_id")
        found[name] = None
        if number is not None:
            try:
                found[name] = kept.get(_KINDS[name], number)
            except InputError:
                st.session_state[f"{name}_id"] = None
    return Place(**found)  # type: ignore[arg-type]
