"""Where the person is: job, plate, face, survey, units, name. Session state holds ids and choices only."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any, cast

import streamlit as st

from ..casebook import Casebook, Face, Job, Plate, Survey
from ..errors import InputError
from ..units import UnitSystem
from .remembered import desk_address, leave, left, restore_desk

__all__ = [
    "Place",
    "book",
    "choose_person",
    "choose_units",
    "go_to",
    "here",
    "restore_place",
    "signing_book",
    "unit_word",
    "units",
]

_IDS = ("job", "plate", "face", "survey")
_ALL = 100_000
_WAIT_S = 10.0
"""How long a page waits for another writer (house choice: people who write beside each other take a part of a second, and
nobody looks at a page that says nothing for a minute).
"""
_KINDS = {"job": Job, "plate": Plate, "face": Face, "survey": Survey}
_NOT_OF = {
    "plate": "is not in the job",
    "face": "is not of the plate",
    "survey": "is not of the face or not of the job",
}
"""What a record is that does not fit the wider ones that the address names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The records that are open; None from the first one that is not chosen, or is lost.

    `lost` is a sentence on the one that the address names and that could not be opened; empty where there is none.
    """

    job: Job | None
    plate: Plate | None
    face: Face | None
    survey: Survey | None
    lost: str


@st.cache_resource(show_spinner=False)
def _open(target: str | None) -> Casebook:
    return Casebook(target, wait_s=_WAIT_S)


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


def unit_word(system: UnitSystem | None = None) -> str:
    """The unit of a bare number, mm or in: in these units, or in those that the person chose."""
    return "mm" if (system or units()) == "mm" else "in"


def choose_units() -> None:
    """The units switch."""
    st.session_state.setdefault("units", left("units", "mm"))
    chosen = st.segmented_control(
        "Units",
        ["mm", "inch"],
        key="units",
        format_func={"mm": "mm, um", "inch": "inch, thou"}.get,
        required=True,
        help="A form keeps the units that it came up in until it is sent, or the page opened anew: nothing typed is lost.",
    )
    leave("units", chosen)


def choose_person() -> None:
    """Whose name changes are written under."""
    st.session_state.setdefault("who", left("who", os.environ.get("PITMAP_WHO", "")))
    leave(
        "who",
        st.text_input("Your name", key="who", placeholder="written beside every change", max_chars=80),
    )


def restore_place() -> None:
    """Take the ids from the address once, so that a reload or a sent link opens the same place."""
    restore_desk()
    if "place_read" not in st.session_state:
        st.session_state["place_read"] = True
        for name in _IDS:
            # what is no number is kept as it stands, to be told as not found
            if text := st.query_params.get(name, ""):
                is_number = text.isdecimal() and len(text) < 12
                st.session_state[f"{name}_id"] = int(text) if is_number else text
    _write_address()


def _write_address() -> None:
    """The address says whose desk it is and which records are open; at once, for a reload may come before the next run.

    It is written as a whole and only where it changes: a browser's way back stops at everything that was written.
    """
    now = st.query_params.to_dict()
    ids = {name: st.session_state.get(f"{name}_id") for name in _IDS}
    said = {name: text for name, text in now.items() if name not in _IDS} | desk_address()
    said |= {name: str(value) for name, value in ids.items() if value is not None}
    if said != now:
        st.query_params.from_dict(said)


def go_to(**ids: int | None) -> None:
    """Open records by id; what is narrower than the narrowest one given is closed.

    ``go_to(job=3)`` closes plate, face and survey; ``go_to(face=5)`` keeps job and plate.
    """
    narrowest = max(_IDS.index(name) for name in ids)
    for name, value in ids.items():
        st.session_state[f"{name}_id"] = value
    for name in _IDS[narrowest + 1 :]:
        st.session_state[f"{name}_id"] = None
    _write_address()


def here() -> Place:
    """The records that are open, read afresh.

    One that does not exist, or is not of the wider ones that are open, is lost with all that is narrower: job 2 with a
    plate of job 1 is no place. It stays in the address until the person opens another one, so that a reload says so again.
    """
    # Opened first: a name that cannot be written down is refused here, and does not mean that a record is gone.
    kept = book()
    found: dict[str, Any] = dict.fromkeys(_IDS)
    lost = ""
    for name in _IDS:
        number = st.session_state.get(f"{name}_id")
        if number is None:
            continue
        found[name], lost = _look_up(kept, found, name, number)
        if lost:
            break
    return Place(**found, lost=lost)


def _look_up(kept: Casebook, wider: dict[str, Any], name: str, number: int | str) -> tuple[Any, str]:
    """A record that the address names, or why there is none."""
    why = f"and this casebook has no such {name}"
    try:
        record: Any = kept.get(_KINDS[name], number) if isinstance(number, int) else None
    except InputError:
        record = None
    if record is not None and not _fits(kept, wider, record):
        why, record = f"which {_NOT_OF[name]} that it names", None
    if record is not None:
        return record, ""
    said = f"number {number}" if isinstance(number, int) else ascii(number)[:40]
    return None, f"The address asks for {name} {said}, {why}. Nothing is opened in its place: choose one."


def _fits(kept: Casebook, wider: dict[str, Any], record: object) -> bool:
    """A record is of the wider ones that are open."""
    job, plate, face = wider["job"], wider["plate"], wider["face"]
    if isinstance(record, Plate) and job is not None:
        return record.id in {p.id for p in kept.plates(job=job, limit=_ALL)}
    if isinstance(record, Face) and plate is not None:
        return record.plate_id == plate.id
    if isinstance(record, Survey):
        return (face is None or record.face_id == face.id) and (job is None or record.job_id == job.id)
    return True
