"""The plates of a job: what is asked about one, putting a new or a known one into a job, going to another one."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from ...casebook import Casebook, Job, Plate
from ...casebook.entries import MAX_TAG, POSITIONS
from ...drawing import shipped_plates
from ...errors import InputError
from ..guard import sentences
from ..plain_text import plain
from ..state import go_to

__all__ = ["AskedPlate", "add_plate", "go_on", "go_to_other_plate", "known_plate", "plate_fields", "put_into"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedPlate:
    """What was typed about a plate; `drawings` by the name of its face, in the order of the faces."""

    tag: str
    position: str
    drawings: dict[str, str]


def plate_fields() -> AskedPlate:
    """The fields of a plate, in a form."""
    tag = st.text_input(
        "Plate tag", help="What is written or stamped on the plate; its name for life.", max_chars=MAX_TAG
    )
    position = st.selectbox("Place in the engine", POSITIONS, format_func=lambda p: p or "not known")
    faces = st.radio("Machined faces", ["one", "two"], horizontal=True)
    # Each face its own: the second face of a plate is not as the first one is drawn.
    one, two = st.columns(2)
    drawings = {"A": _drawing_box(one, "Drawing of face A")}
    second = _drawing_box(two, "Drawing of face B, if there are two")
    if faces == "two":
        drawings["B"] = second
    return AskedPlate(tag=tag, position=position, drawings=drawings)


def _drawing_box(column: DeltaGenerator, label: str) -> str:
    return column.selectbox(
        label, ["", *shipped_plates()], format_func=lambda n: n or "mine: I add it on the Drawing page"
    )


def known_plate(kept: Casebook, tag: str) -> Plate | None:
    """The plate that bears a tag as it was typed; None for a new one, or where nothing was typed."""
    return kept.plate_by_tag(tag) if tag.strip() else None


def go_on(kept: Casebook, tag: str, known: Plate | None, is_asked: bool, same: str) -> bool:
    """Whether to put the plate of this tag into a job; of a known one it is asked first whether it is the same.

    Parameters
    ----------
    kept : Casebook
    tag : str
    known : Plate or None
        Who bears it already.
    is_asked : bool
        The form's button was pressed.
    same : str
        What the button does for a plate that is the same, as words behind "It is the same plate: ".
    """
    if known is not None:
        st.warning(_known_words(kept, known), icon=":material/question_mark:")
        is_asked = st.button(f"It is the same plate: {same}")
    if is_asked and not tag.strip():
        raise InputError("Plate tag: write what is on the plate, or give it a number")
    return is_asked


def _known_words(kept: Casebook, plate: Plate) -> str:
    life = kept.open_plate(plate.id)
    jobs = f"{life.jobs[-1].reference}, " if life.jobs else ""
    seen = [s.surveyed_on for s in life.surveys if not s.withdrawn]
    last = f"last seen {max(seen):%Y-%m-%d}" if seen else "not surveyed yet"
    return plain(
        f"{plate.tag} is known ({jobs}{last}). Is it the same plate? Then its life goes on, with the faces and the "
        "drawing that it has. If it is another one, give it another tag and press again."
    )


def put_into(kept: Casebook, job: Job, asked: AskedPlate, known: Plate | None) -> Plate:
    """Put the known plate, or a new one as it was asked for, into a job; call within ``kept.together()``."""
    if known is not None:
        kept.put_into_job(known, job)
        return known
    plate = kept.create_plate(asked.tag, position=asked.position, job=job)
    for name, drawing in asked.drawings.items():
        kept.create_face(plate, name, drawing=drawing)
    return plate


def add_plate(kept: Casebook, job: Job) -> None:
    """One more plate of an open job: an engine has a side plate at each end, and more between its rotors."""
    slot = f"add_plate_{job.id}"
    # Numbered, so that the next plate finds the form empty.
    number = st.session_state.setdefault(slot, 1)
    with st.expander("Add a plate to this job"):
        with st.form(f"{slot}_{number}", border=False):
            asked = plate_fields()
            is_asked = st.form_submit_button("Add the plate")
        with sentences():
            known = known_plate(kept, asked.tag)
            if known is not None and known.id in {p.id for p in kept.plates(job=job)}:
                raise InputError(f"Plate tag: {known.tag} is in this job already")
            if not go_on(kept, asked.tag, known, is_asked, "put it into this job"):
                return
            with kept.together():
                plate = put_into(kept, job, asked, known)
            st.session_state["jobs_said"] = plain(f"Plate {plate.tag} is in job {job.reference} now.")
            st.session_state[slot] = number + 1
            go_to(job=job.id, plate=plate.id)
            st.rerun()


def go_to_other_plate(kept: Casebook, job: Job, plate: Plate) -> None:
    """A button for each of the other plates of a job."""
    others = [p for p in kept.plates(job=job) if p.id != plate.id]
    if not others:
        return
    st.caption("Other plates of this job")
    with st.container(horizontal=True):
        for other in others:
            if st.button(plain(f"{other.tag} {other.position}".strip()), key=f"plate_{other.id}"):
                go_to(job=job.id, plate=other.id)
                st.rerun()
