"""Jobs: find one, open a plate, add plates, faces and surveys."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import Any

import streamlit as st

from ...casebook import AuditEntry, Casebook, Face, Job, Plate, Reading, Survey
from ...casebook.entries import MAX_TAG
from ...classes import Stage
from ...errors import InputError, PitmapError
from ...estimate import Estimate
from ...inspection import check_stock
from ..cached import face_drawing
from ..guard import sentences
from ..kept_form import KeptForm
from ..kept_length import exact_length, kept_or_typed, shown_length
from ..parts import caution, measured_length, stage_word, survey_labels, tell_not_opened, typed_um
from ..plain_text import plain
from ..reading_words import reading_words
from ..sent_forms import claim, done, send
from ..state import book, go_to, here, units
from .jobs_events import event_labels, leave_out_event
from .jobs_plates import add_plate, go_on, go_to_other_plate, known_plate, plate_fields, put_into

__all__ = ["show"]

_PAGE = 20
_WITHIN = "How far off may that be, either way?"
_USUAL_ERROR_UM = 5.0
"""Of stock measured with a micrometer at a few places (house choice)."""
_WHAT = {
    "job_plate": "plate in a job",
    "plate_event": "event elsewhere",
    "inspection": "map",
    "map_edit": "correction of a map",
    "checklist_item": "item of the checklist",
    "attachment": "file",
}
"""Kinds of records as people name them, where it is not their own name."""
_DONE = {
    "create": "added",
    "change": "changed",
    "withdraw": "left out",
    "sign off": "signed",
    "reopen": "opened again",
    "edit": "laid on",
    "keep as draft": "kept as a draft",
    "undo": "taken back",
    "redo": "put back",
    "accept": "accepted",
    "discard": "laid aside",
}


def show() -> None:
    """The page."""
    st.title("Jobs")
    if said := st.session_state.pop("jobs_said", ""):
        st.success(said)
    kept = book()
    if not kept.jobs(limit=1):
        _offer_sample(kept)
    place = here()
    tell_not_opened(place)
    if place.job is not None and place.plate is not None:
        _plate(kept, place.job, place.plate)
        st.divider()
    found, fresh = st.tabs(["Find", "New job"])
    with found:
        _find(kept)
    with fresh:
        _new_job(kept)
    caution()


def _offer_sample(kept: Casebook) -> None:
    with st.container(border=True):
        st.subheader("Nothing here yet")
        st.write(
            "See what pitmap does on a sample job: one invented plate with two faces, photographed at "
            "intake, after a light test lap and after a further lap. Or start your own under **New job**."
        )
        if st.button("Load the sample job", type="primary", icon=":material/download:"):
            with sentences(), st.spinner("Loading the sample photos ..."):
                from ...sample_job import keep_sample

                job, plate = keep_sample(kept)
                go_to(job=job.id, plate=plate.id)
                st.rerun()


def _find(kept: Casebook) -> None:
    text = st.text_input(
        "Search", placeholder="plate tag, customer's reference or engine", key="jobs_search", max_chars=200
    )
    with sentences():
        result = kept.search(text, limit=_PAGE)
        if not result.rows:
            st.write("Nothing found." if text else "No plates yet.")
            return
        for row in result.rows:
            job = row.jobs[0] if row.jobs else None
            with st.container(border=True):
                left, middle, right = st.columns([3, 3, 1], vertical_alignment="center")
                left.markdown(f"**{plain(row.plate.tag)}** {plain(row.plate.position)}")
                left.caption(plain(f"{job.reference} {job.engine}" if job else "in no job"))
                if row.last_surveyed_on:
                    middle.write(f"{stage_word(row.last_stage)}, {row.last_surveyed_on:%Y-%m-%d}")
                else:
                    middle.write("not surveyed yet")
                if job and right.button("Open", key=f"open_{row.plate.id}", width="stretch"):
                    go_to(job=job.id, plate=row.plate.id)
                    st.rerun()
        if result.n_found > len(result.rows):
            st.caption(f"{len(result.rows)} of {result.n_found} shown; type more to narrow it down.")


def _new_job(kept: Casebook) -> None:
    # Numbered, so that the next job finds the form empty.
    number = st.session_state.setdefault("new_job_number", 1)
    with st.form(f"new_job_{number}", border=False):
        reference = st.text_input("Customer's reference", max_chars=120)
        customer = st.text_input("Customer", max_chars=120)
        engine = st.text_input("Engine", max_chars=120)
        asked = plate_fields()
        notes = st.text_area("History and notes", placeholder="not known: assume nothing", max_chars=5000)
        is_asked = st.form_submit_button("Start the job", type="primary")
    with sentences():
        known = known_plate(kept, asked.tag)
        if not go_on(kept, asked.tag, known, is_asked, "start the job with it"):
            return
        with kept.together():
            job = kept.create_job(reference, customer=customer, engine=engine, notes=notes)
            plate = put_into(kept, job, asked, known)
        what = "new" if known is None else "known"
        st.session_state["jobs_said"] = plain(
            f"Job {job.reference} is started with the {what} plate {plate.tag}."
        )
        st.session_state["new_job_number"] = number + 1
        go_to(job=job.id, plate=plate.id)
        st.rerun()


def _plate(kept: Casebook, job: Job, plate: Plate) -> None:
    st.subheader(f"Plate {plain(plate.tag)}")
    state = "released" if job.state == "released" else "open"
    said = ", ".join(part for part in (f"job {job.reference} ({state})", job.customer, job.engine) if part)
    st.caption(plain(said))
    go_to_other_plate(kept, job, plate)
    _notes(kept, job)
    life = kept.open_plate(plate.id)
    references = {j.id: j.reference for j in life.jobs}
    columns = st.columns(max(1, len(life.faces)))
    for face, column in zip(life.faces, columns):
        with column, st.container(border=True):
            st.markdown(f"**Face {plain(face.name)}**")
            surveys = kept.surveys(face=face, counting=True)
            labels = survey_labels(surveys)
            for survey in surveys:
                other = "" if survey.job_id == job.id else f" (job {plain(references[survey.job_id])})"
                if st.button(labels[survey.id] + other, key=f"survey_{survey.id}", width="stretch"):
                    go_to(job=survey.job_id, plate=plate.id, face=face.id)
                    go_to(survey=survey.id)
                    from ..router import page_named

                    st.switch_page(page_named("map" if kept.inspections(survey) else "photos"))
            if unmapped := [labels[s.id] for s in surveys if not kept.inspections(s)]:
                st.caption(f"Not mapped yet: {'; '.join(unmapped)}.")
            if job.state == "open":
                _new_survey(kept, job, face)
                _correct_survey(
                    kept, [s for s in surveys if s.job_id == job.id and s.state == "open"], labels
                )
    if job.state == "open":
        _new_face(kept, plate)
        add_plate(kept, job)
    _history(kept, plate, life)


def _notes(kept: Casebook, job: Job) -> None:
    """What the shop noted of the job as it came in; of an open one it can be corrected, with the customer."""
    if job.notes:
        st.markdown("**History and notes**")
        for line in job.notes.splitlines():
            st.write(plain(line))
    if job.state != "open":
        return
    form = KeptForm(f"job_{job.id}", job.version)
    with (
        st.expander("Correct customer, history and notes", expanded=form.is_late),
        st.form(f"job_{job.id}", border=False),
    ):
        customer = form.field(st.text_input, "Customer", "customer", job.customer, max_chars=120)
        notes = form.field(st.text_area, "History and notes", "notes", job.notes, max_chars=5000)
        if form.submit("Keep them"):
            with sentences():
                with form.taking():
                    kept.update(job, keep_draft=False, customer=customer, notes=notes)
                st.rerun()


def _new_survey(kept: Casebook, job: Job, face: Face) -> None:
    slot, n_before = f"new_survey_{face.id}", len(kept.surveys(face=face))
    claim(slot)
    with st.expander("New survey"), st.form(slot, border=False):
        stages = ["intake", "test_lap", *[f"lap_{k}" for k in range(1, 10)], "final"]
        stage = st.selectbox("Stage", stages, format_func=stage_word, key=f"stage_{face.id}")
        day = st.date_input("Day", value=date.today(), key=f"day_{face.id}")
        removed = st.text_input(
            "Stock taken off so far",
            placeholder="22 um or 1 thou; empty when not known",
            key=f"removed_{face.id}",
        )
        # not filled in: a field of the units of the page would drop what was typed before they were switched
        within = st.text_input(
            _WITHIN,
            placeholder=f"empty: {shown_length(_USUAL_ERROR_UM, 'um', units())}",
            key=f"within_{face.id}",
        )
        fields = {"Stock taken off so far": f"removed_{face.id}"}
        if st.form_submit_button("Add the survey", on_click=send, args=(slot, fields, n_before)):
            with sentences():
                survey = kept.create_survey(
                    face,
                    job,
                    Stage(stage).name,
                    day,
                    removed_um=_stock(
                        face, stage, removed, within.strip() or exact_length(_USUAL_ERROR_UM, "um")
                    ),
                )
                done(slot, n_before)
                go_to(face=face.id)
                go_to(survey=survey.id)
                from ..router import page_named

                st.switch_page(page_named("photos"))


def _correct_survey(kept: Casebook, surveys: list[Survey], labels: dict[int, str]) -> None:
    """Correct what was entered with a survey, or leave it out; a signed one is changed in a new revision."""
    if not surveys:
        return
    forms = {s.id: KeptForm(f"correct_survey_{s.id}", s.version) for s in surveys}
    with st.expander(
        "Correct a survey, or leave it out", expanded=any(form.is_late for form in forms.values())
    ):
        by_id = {s.id: s for s in surveys}
        survey = by_id[
            st.selectbox("Survey", list(by_id), format_func=labels.get, key=f"correct_{surveys[0].face_id}")
        ]
        stock = survey.removed_um
        with st.form(f"correct_survey_{survey.id}", border=False):
            form = forms[survey.id]
            day = form.field(st.date_input, "Day", "day", survey.surveyed_on)
            half_um = stock.high - stock.value if stock.has_interval else 5.0
            typed = tuple(
                form.field(st.text_input, label, name, shown_length(value_um, "um", form.units))
                for label, name, value_um in (
                    ("Stock taken off so far", "removed", stock.value),
                    (_WITHIN, "within", half_um),
                )
            )
            reason = form.field(
                st.text_input, "Why", "why", "", placeholder="read wrongly; added by mistake", max_chars=300
            )
            with sentences():
                if form.submit("Keep the correction"):
                    changes: dict[str, object] = {}
                    if day != survey.surveyed_on:
                        changes["surveyed_on"] = day
                    were = (stock.value, half_um)
                    meant = tuple(
                        kept_or_typed(text, was, "um", form.units) for text, was in zip(typed, were)
                    )
                    if meant != tuple(exact_length(was, "um") for was in were):
                        face = kept.get(Face, survey.face_id)
                        changes["removed_um"] = _stock(face, survey.stage, *meant)
                    with form.taking():
                        kept.update(survey, reason=reason, keep_draft=False, **changes)
                    st.rerun()
                if form.submit("Leave this survey out", icon=":material/block:"):
                    if not reason.strip():
                        raise InputError("Why: say in a word why this survey is left out")
                    with form.taking():
                        kept.withdraw(survey, reason)
                    st.session_state["jobs_said"] = (
                        f"{labels[survey.id].capitalize()} is left out: it stays in the plate's life and counts no more."
                    )
                    st.rerun()


def _stock(face: Face, stage: str, removed: str, within: str) -> Estimate:
    """What was typed about the stock taken off, if it can have been taken off this face."""
    stock = removed_estimate(stage, removed, within)
    check_stock(stock.value, stage=stage, thickness_mm=_thickness_mm(face))
    return stock


def _thickness_mm(face: Face) -> float:
    """By the face's drawing; NaN where it has none that can be read."""
    try:
        return face_drawing(face).thickness_mm
    except PitmapError:
        return math.nan


def removed_estimate(stage: str, removed: str, within: str) -> Estimate:
    """What was typed about the stock taken off, as an estimate."""
    if stage == "intake" and not removed.strip():
        return Estimate(value=0.0, low=0.0, high=0.0)
    stock = measured_length(removed, within, "Stock taken off", _WITHIN.rstrip("?"))
    return stock or Estimate.unknown("the stock taken off was not entered")


def _new_face(kept: Casebook, plate: Plate) -> None:
    with st.expander("Add a face"), st.form(f"new_face_{plate.id}", border=False):
        name = st.text_input("Name of the face", placeholder="A, front, side 2", max_chars=MAX_TAG)
        if st.form_submit_button("Add the face"):
            with sentences():
                kept.create_face(plate, name)
                st.rerun()


def _done(kept: Casebook, entry: AuditEntry) -> str:
    """What a line of the trail tells, in words; of a reading, which one: a face has dozens of them."""
    what = _WHAT.get(entry.kind, entry.kind.replace("_", " "))
    if entry.kind == "reading":
        reading = kept.get(Reading, entry.record_id)
        if entry.action == "create":  # as it was then
            then: dict[str, Any] = {
                name: math.nan if value is None else value for name, (_, value) in entry.changes.items()
            }
            reading = replace(reading, **then)
        what = f"{what} ({reading_words(reading)})"
    return f"{what} {_DONE.get(entry.action, entry.action)}"


def _history(kept: Casebook, plate: Plate, life) -> None:  # type: ignore[no-untyped-def]
    counting = [e for e in life.events if not e.withdrawn]
    form = KeptForm(f"leave_out_{plate.id}", [(e.id, e.version) for e in counting])
    with st.expander("This plate's whole life", expanded=form.is_late):
        labels = event_labels(life.events)
        for event in life.events:
            out = f", left out: {event.withdrawn}" if event.withdrawn else ""
            st.write(plain(labels[event.id] + out))
        names = {face.id: face.name for face in life.faces}
        for survey in life.surveys:
            out = f", left out: {survey.withdrawn}" if survey.withdrawn else ""
            st.write(
                plain(
                    f"{survey.surveyed_on:%Y-%m-%d}: face {names[survey.face_id]}, {stage_word(survey.stage)}{out}"
                )
            )
        # Of this plate, and numbered: what was added is not there to be added, and counted, once more.
        number = f"new_event_{plate.id}"
        with st.form(f"{number}_{st.session_state.setdefault(number, 1)}", border=False):
            st.markdown("Add something that happened elsewhere")
            kind = st.selectbox("What", ["stock", "reshaped port", "stud", "dowel", "repair", "other"])
            day = st.date_input("When, if it is known", value=None)
            text = st.text_input("In words", max_chars=500)
            removed = st.text_input("Stock taken off, if any", placeholder="3 thou")
            source = st.text_input("Who says so", max_chars=200)
            if st.form_submit_button("Add"):
                with sentences():
                    if not text.strip() and not removed.strip():
                        raise InputError("In words: say what happened, or how much stock came off")
                    more: dict[str, object] = {"happened_on": day} if day else {}
                    if removed.strip():
                        stock_um = typed_um(removed, "Stock taken off")
                        check_stock(
                            stock_um, thickness_mm=next((_thickness_mm(f) for f in life.faces), math.nan)
                        )
                        more["removed_um"] = stock_um
                    # counted on before: a second press meanwhile ends this run, and its stock would count twice
                    st.session_state[number] += 1
                    try:
                        kept.add_event(plate, kind, text=text, source=source, **more)
                    except PitmapError:
                        st.session_state[number] -= 1
                        raise
                    st.rerun()
        leave_out_event(kept, plate, counting, labels, form)
        st.markdown("**Every change, newest first**")
        for entry in kept.trail(plate_id=plate.id, limit=30):
            st.caption(
                plain(f"{entry.at:%Y-%m-%d %H:%M} UTC, {entry.who}: {_done(kept, entry)}. {entry.reason}")
            )
