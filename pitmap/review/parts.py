"""Pieces that several pages share: where we are, choosing a face and survey, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from ..casebook import Casebook, Face, Job, Plate, Survey
from ..classes import Stage
from ..errors import InputError
from ..estimate import Estimate
from ..stock import CAUTION
from ..units import AS_POSITIVE, parse_length
from .plain_text import plain
from .state import Place, book, go_to, here
from .told_apart import told_apart

if TYPE_CHECKING:
    from ..drawing import Finding
    from ..inspection import Inspection

__all__ = [
    "GIVE_OR_TAKE",
    "PHOTO_TYPES",
    "caution",
    "choose_face",
    "choose_survey",
    "map_first",
    "measured_length",
    "must_be_sound",
    "rests_on",
    "show_findings",
    "stage_word",
    "survey_labels",
    "tell_not_opened",
    "tell_outdated",
    "tell_signed",
    "typed_um",
]


_FINDING_ICONS = {"error": ":material/block:", "warning": ":material/warning:", "note": ":material/info:"}
"""Before what the check of a drawing found, by how bad it is."""

GIVE_OR_TAKE = "Give or take (one standard deviation)"
"""Label of what is entered beside a limit or a reading."""

PHOTO_TYPES = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]
"""Endings of the photos that may be sent up."""


def show_findings(findings: Sequence[Finding]) -> None:
    """What the check of a drawing found, a line each."""
    if not findings:
        st.write(":material/check: The check found nothing.")
    for f in findings:
        st.write(f"{_FINDING_ICONS[f.severity]} {plain(f'{f.element}: {f.text}')}")


def must_be_sound(findings: Sequence[Finding]) -> None:
    """Before a drawing is kept.

    Raises
    ------
    InputError
        The check found an error; the first is told.
    """
    if first := next((f for f in findings if f.severity == "error"), None):
        raise InputError(f"{first.element}: {first.text}")


def stage_word(stage: str) -> str:
    """A stage as the record says it: the page shows the record's figures beside its own."""
    # the record's modules take half a second to load, which a fresh server's first page need not wait for
    from ..report import translator, words

    return words.stage_word(translator(), stage)


def caution() -> None:
    """The usual caution, small, at the foot of a page."""
    st.caption(CAUTION)


def tell_outdated(survey: Survey) -> None:
    """What was changed since a survey was mapped, one warning each."""
    # the stages behind it take a second to load, which a fresh server's first page need not wait for
    from .cached import outdated_of

    for sentence in outdated_of(survey):
        st.warning(plain(sentence), icon=":material/history:")


def tell_signed() -> None:
    """Why what changes a survey is not offered."""
    st.info(
        "This survey is signed. A later change opens a new revision on the Checklist page.",
        icon=":material/lock:",
    )


def tell_not_opened(place: Place) -> None:
    """What the address names and could not be opened, so that nobody takes another record for it."""
    if place.lost:
        st.warning(plain(place.lost), icon=":material/link_off:")


def map_first(n_mapped: int, n_needed: int = 1) -> None:
    """Say that a page of the whole face wants more mapped surveys than there are, and the way to them."""
    st.info(
        f"This page needs {'two mapped surveys' if n_needed == 2 else 'a mapped survey'} of this face, and there "
        f"{'is one' if n_mapped == 1 else 'is none'}. Add a survey on the Jobs page, bring its photos in on the Photos page "
        "and map the face there.",
        icon=":material/photo_camera:",
    )
    _to_jobs()


def survey_labels(surveys: Sequence[Survey]) -> dict[int, str]:
    """What to call each survey, by id: its stage and day, and its number where another one has the same."""
    labels = {s.id: f"{stage_word(s.stage)}, {s.surveyed_on:%Y-%m-%d}" for s in surveys}
    return told_apart(labels, by_key=True)


def _pick(  # type: ignore[no-untyped-def]
    label: str, options: list, current_id: int | None, words, key: str, *, has_first: bool = True
):
    """A select box over records; returns the record, or None for no options, or while none is chosen.

    Where none of them is open, the last one is chosen; without `has_first` the person has to.
    """
    if not options:
        return None
    ids = [o.id for o in options]
    index = ids.index(current_id) if current_id in ids else len(ids) - 1 if has_first else None
    return st.selectbox(
        label, options, index=index, format_func=words, key=f"{key}_{'_'.join(map(str, ids))}",
        placeholder="Choose one",
    )  # fmt: skip


def choose_face() -> tuple[Casebook, Job, Plate, Face] | None:
    """Say where we are and let the person change the face; None, with a sentence, where there is none."""
    _say_which_job()
    return _choose_face(st.container())


def _say_which_job() -> None:
    """Of a plate that came back, in which of its jobs we are: each has an intake, and nothing else tells them apart."""
    place = here()
    if place.job is None or place.plate is None:
        return
    jobs = book().open_plate(place.plate.id).jobs
    if len(jobs) < 2:
        return
    newest = max(jobs, key=lambda job: job.id)
    said = f"Job {place.job.reference} ({'released' if place.job.state == 'released' else 'open'})"
    if newest.id == place.job.id:
        earlier = [job.reference for job in jobs if job.id != newest.id]
        st.caption(plain(f"{said}, the newest of this plate. Earlier: {', '.join(earlier)}."))
        return
    st.warning(
        plain(
            f"{said}: an earlier job of this plate. Its newest is {newest.reference}; open it on the Jobs page."
        ),
        icon=":material/history:",
    )


def _choose_face(box: DeltaGenerator) -> tuple[Casebook, Job, Plate, Face] | None:
    place, kept = here(), book()
    if place.job is None or place.plate is None:
        tell_not_opened(place)
        if not place.lost:
            st.info("No plate is open. Choose one on the Jobs page.", icon=":material/inventory_2:")
        _to_jobs()
        return None
    plate = place.plate
    faces = list(kept.faces(plate))
    with box:
        face = _pick(
            f"Plate {plain(plate.tag)}: face", faces, _id(place, "face"), lambda f: f.name, "pick_face",
            has_first=not place.lost,
        )  # fmt: skip
    if face is None:
        tell_not_opened(place)
        if faces:
            return None
        st.info(f"Plate {plain(plate.tag)} has no face yet. Add one on the Jobs page.")
        _to_jobs()
        return None
    if face.id != _id(place, "face"):
        go_to(face=face.id)
    return kept, place.job, plate, face


def choose_survey() -> tuple[Casebook, Job, Plate, Face, Survey] | None:
    """Say where we are and let the person change face and survey; None, with a sentence, where there is none."""
    _say_which_job()
    left, right = st.columns(2)
    chosen = _choose_face(left)
    if chosen is None:
        return None
    kept, job, _, face = chosen
    place = here()
    current = _id(place, "survey")
    surveys = sorted(
        kept.surveys(face=face, job=job, counting=True),
        key=lambda s: (s.surveyed_on, Stage(s.stage).order),
    )
    labels = survey_labels(surveys)
    # Nobody is moved to another survey without a word: what is typed next would be kept with the wrong one.
    gone = None if current is None or current in labels else kept.get(Survey, current)
    with right:
        survey = _pick(
            "Survey",
            surveys,
            current,
            lambda s: labels[s.id] + (" (signed)" if s.state == "signed" else ""),
            f"pick_survey_{face.id}",
            has_first=gone is None and not place.lost,
        )
    if survey is None and (gone is not None or place.lost):
        if gone is not None:
            st.warning(plain(_gone(gone)), icon=":material/history:")
        tell_not_opened(place)
        if surveys:
            return None
    if survey is None:
        st.info(f"Face {plain(face.name)} has no survey in this job. Add one on the Jobs page.")
        _to_jobs()
        return None
    if survey.id != current:
        go_to(survey=survey.id)
    return *chosen, survey


def _gone(survey: Survey) -> str:
    """Why a survey that is open counts no more."""
    what = f"The survey that was open here, {stage_word(survey.stage)}, {survey.surveyed_on:%Y-%m-%d},"
    if not survey.withdrawn:
        return f"{what} has a newer revision. Choose that one, or another survey."
    return (
        f"{what} was left out by {survey.changed_by}, {survey.changed_at:%Y-%m-%d %H:%M} UTC: {survey.withdrawn}. "
        "Choose another one."
    )


def rests_on(series: Sequence[tuple[Survey, Inspection]]) -> None:
    """Which surveys a page of the whole face is made from, and where a map of them rests on other photos than are kept."""
    from ..workflow import photos_outdated

    labels = survey_labels([s for s, _ in series]).values()
    st.caption(f"From every mapped survey of this face in this job: {'; '.join(labels)}.")
    kept = book()
    for survey, inspection in series:
        for sentence in photos_outdated(kept, survey, inspection):
            st.warning(plain(sentence), icon=":material/history:")


def measured_length(typed: str, within: str, name: str, within_name: str) -> Estimate | None:
    """A length and how far off it may be, as they were typed in fields of these names, um; None for an empty field."""
    if not typed.strip():
        return None
    value, half = typed_um(typed, name), typed_um(within, within_name)
    if value < 0 or half < 0:
        raise InputError(f"{name}: {AS_POSITIVE}")
    return Estimate.give_or_take(value, half)


def typed_um(text: str, name: str) -> float:
    """A length as it was typed in the field of this name, um.

    Raises
    ------
    InputError
        Not a length; names the field, for a form has several.
    """
    try:
        return parse_length(text, to="um")
    except InputError as error:
        raise InputError(f"{name}: {error}") from error


def _id(place: Place, name: str) -> int | None:
    record = getattr(place, name)
    return None if record is None else record.id


def _to_jobs() -> None:
    if st.button("Go to Jobs", key="to_jobs"):
        from .router import page_named

        st.switch_page(page_named("jobs"))
