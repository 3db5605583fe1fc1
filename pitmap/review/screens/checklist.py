"""Checklist: what is to be done at each step with its cautions; sign-off freezes the record."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import streamlit as st

from ...casebook import Casebook, ChecklistItem, Job, Plate, SignOff, Survey
from ...casebook.checklists import STEPS
from ...errors import InputError, PitmapError
from ...workflow import asked_by_plan, left_open, newest_inspection
from ..cached import face_plan, face_series
from ..guard import sentences
from ..parts import caution, choose_survey, stage_word, tell_outdated
from ..plain_text import plain
from ..sent_forms import claim, done, send
from ..state import go_to, signing_book

__all__ = ["show"]

_SEEN = "seen_to_sign"
_STATEMENT_PX = 98
"""Height of a field for a sentence to sign: three lines, so that a phone shows all of it."""

_STEP_WORDS = {
    "intake": "Intake",
    "clean": "Strip and clean",
    "lap": "Lap and measure",
    "finish": "Polish and final clean",
    "release": "Release",
}


def show() -> None:
    """The page."""
    st.title("Checklist")
    chosen = choose_survey()
    if chosen is None:
        return
    kept, job, plate, _, survey = chosen
    for step in STEPS:
        with sentences():
            _step(kept, job, plate, step)
    st.divider()
    with sentences():
        _survey(kept, survey)
    with sentences():
        _job(kept, job)
    caution()


def _step(kept: Casebook, job: Job, plate: Plate, step: str) -> None:
    items = [i for i in kept.checklist(job, plate) if i.step == step]
    done = sum(i.state != "open" for i in items)
    label = f"{_STEP_WORDS[step]}: {done} of {len(items)}" if items else f"{_STEP_WORDS[step]}: not started"
    with st.expander(label, expanded=bool(items) and done < len(items)):
        if not items:
            if job.state == "open" and st.button("Start this step", key=f"start_{step}"):
                kept.start_checklist(job, plate, step)
                st.rerun()
            return
        for item in items:
            _item(kept, item, job.state == "open")


def _item(kept: Casebook, item: ChecklistItem, is_open: bool) -> None:
    left, right = st.columns([5, 2])
    key = f"item_{item.id}_{item.version}"
    # by itself in a column its words stay on one line, and a phone cuts them off
    left.container().checkbox(
        item.text,
        value=item.state == "done",
        disabled=not is_open or item.state == "not needed",
        key=key,
        on_change=_tick,
        args=(kept, item, key),
    )
    if item.caution:
        left.caption(f":material/warning: {item.caution}")
    if item.state == "not needed":
        right.caption(plain(f"not needed: {item.note}"))
    elif item.state == "done":
        right.caption(plain(f"{item.changed_by}, {item.changed_at:%Y-%m-%d %H:%M} UTC"))
    elif is_open:
        with right.expander("Not needed"):
            why = f"why_{item.id}"
            st.text_input("Why", key=why, max_chars=300)
            st.button("Mark as not needed", key=f"skip_{item.id}", on_click=_skip, args=(kept, item, why))
    with sentences():
        if error := st.session_state.pop(_refused(item), None):
            raise error


def _tick(kept: Casebook, seen: ChecklistItem, key: str) -> None:
    """The box of an item was ticked or its tick taken away."""
    _change(kept, seen, state="done" if st.session_state[key] else "open")


def _skip(kept: Casebook, seen: ChecklistItem, why: str) -> None:
    """An item was marked as not needed."""
    _change(kept, seen, state="not needed", note=st.session_state[why])


def _change(kept: Casebook, seen: ChecklistItem, **changes: str) -> None:
    """Change an item as the person saw it; what hinders it is said under the item.

    Runs before the page is drawn again: by then the box of an item that somebody else has changed is another one.
    """
    try:
        if changes.get("note") is not None and not changes["note"].strip():
            raise InputError("Why: say in a word why it is not needed")
        now = kept.get(ChecklistItem, seen.id)
        if st.session_state.get(_mine(seen)) == (seen.version, now.version):
            return  # pressed twice: a second press of what this page has just changed is no second wish
        if now.version != seen.version:
            who = "You" if now.changed_by == kept.who else now.changed_by
            where = " in another window" if now.changed_by == kept.who else ""
            raise InputError(
                f"{who} changed this item{where}, {now.changed_at:%Y-%m-%d %H:%M} UTC, after you opened the page: it is "
                f"{now.state}. Yours is not kept; if it still holds, do it again"
            )
        now = kept.update(seen, keep_draft=False, **changes)
        st.session_state[_mine(seen)] = (seen.version, now.version)
    except PitmapError as error:
        st.session_state[_refused(seen)] = error


def _mine(item: ChecklistItem) -> str:
    return f"item_changed_{item.id}"


def _refused(item: ChecklistItem) -> str:
    return f"item_refused_{item.id}"


def _pressed(kept: Casebook, record: Survey | Job, label: str, **style: Any) -> bool:
    """The button under a form that signs; what the page showed when it was pressed is remembered, not what is there now."""
    slot = _slot(record)
    claim(slot)
    return st.form_submit_button(label, on_click=_remember, args=(kept.fingerprint(record), slot), **style)


def _slot(record: Survey | Job) -> str:
    return f"sign_{type(record).__name__}_{record.id}"


def _remember(seen: str, slot: str) -> None:
    st.session_state[_SEEN] = seen
    send(slot, {})


def _holds(kept: Casebook, survey: Survey) -> str:
    """What a signature under the survey would stand for, counted."""
    ref = newest_inspection(kept, survey)
    edits = len(kept.edits(ref)) if ref is not None else 0
    mapped = "no map" if ref is None else f"a map with {edits} correction{'s' * (edits != 1)} by hand"
    photos, readings = len(kept.photos(survey)), len(kept.readings(survey))
    return f"It holds {photos} photo{'s' * (photos != 1)}, {readings} reading{'s' * (readings != 1)} and {mapped}."


def _signed(how: str, sign: SignOff) -> str:
    """Who stands for what, as it was written."""
    return plain(f"{how} by {sign.signed_by}, {sign.signed_at:%Y-%m-%d %H:%M} UTC: {sign.statement}")


def _survey(kept: Casebook, survey: Survey) -> None:
    st.subheader(f"This survey: {stage_word(survey.stage)}, {survey.surveyed_on:%Y-%m-%d}")
    # a signature stands for the map as well
    tell_outdated(survey)
    if survey.state == "open":
        st.write(_holds(kept, survey))
        # of this survey: what was typed to sign one must not stand under another
        with st.form(f"sign_survey_{survey.id}"):
            statement = st.text_area(
                "What you stand for",
                height=_STATEMENT_PX,
                value="Photos, map and readings are of this face at this stage.",
                max_chars=500,
            )
            if _pressed(kept, survey, "Sign this survey"):
                with sentences():
                    signing_book().sign_off(survey, statement, seen=st.session_state[_SEEN])
                    done(_slot(survey))
                    st.rerun()
        return
    for sign in kept.sign_offs(survey):
        st.success(_signed("Signed", sign))
    with st.form(f"revise_survey_{survey.id}"):
        reason = st.text_input("A later change needs a new revision. Why?", max_chars=300)
        if st.form_submit_button("Open a new revision"):
            with sentences():
                new = kept.open_revision(survey, reason)
                go_to(survey=new.id)
                st.rerun()


def _asked_by_plans(kept: Casebook, job: Job) -> Iterator[str]:
    """What the plans of the faces still ask for, once nothing but the release itself is left to sign."""
    faces = [(plate, face) for plate in kept.plates(job=job) for face in kept.faces(plate)]
    # a plan takes seconds, and while the job is in work it is for the Plan page to say
    if any(s.state == "open" for _, face in faces for s in kept.surveys(face=face, job=job, counting=True)):
        return
    for plate, face in faces:
        name = f"plate {plate.tag}, face {face.name}"
        try:
            if not face_series(face, job):
                continue  # no map: told with what is left open
            asked = asked_by_plan(face_plan(face, job, plate))
        except PitmapError as error:
            asked = (f"there is no plan: {error}",)
        for sentence in asked:
            yield f"{name}: {sentence}"


def _job(kept: Casebook, job: Job) -> None:
    st.subheader(f"The job: {plain(job.reference)}")
    if job.state == "released":
        for sign in kept.sign_offs(job):
            st.success(_signed("Released", sign))
        with st.form(f"reopen_{job.id}"):
            reason = st.text_input("Open it again? Why?", max_chars=300)
            if st.form_submit_button("Open the job again"):
                with sentences():
                    kept.reopen_job(job, reason)
                    st.rerun()
        return
    st.write(
        "Every survey must be signed, or left out on the Jobs page, and every item of the steps that were started "
        "done or not needed."
    )
    if open_still := (*left_open(kept, job), *_asked_by_plans(kept, job)):
        lines = "\n".join(f"- {plain(sentence)}" for sentence in open_still)
        st.warning(f"Released now, the job leaves this open:\n{lines}", icon=":material/warning:")
    with st.form(f"release_{job.id}"):
        statement = st.text_area(
            "What you stand for",
            height=_STATEMENT_PX,
            value="The plate is clean, measured and oiled; the record is complete.",
            max_chars=500,
        )
        if _pressed(kept, job, "Release to the customer", type="primary"):
            with sentences():
                signing_book().sign_off(job, statement, seen=st.session_state[_SEEN])
                done(_slot(job))
                st.rerun()
