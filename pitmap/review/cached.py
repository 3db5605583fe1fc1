"""Slow results kept between reruns, keyed on what they depend on."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from contextlib import suppress
from typing import Any, TypeVar

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from ..casebook import Face, Job, PhotoRef, Plate, Survey
from ..compare import Comparison, compare
from ..drawing import Drawing
from ..errors import NotEnoughData, PitmapError
from ..inspection import Inspection, is_of_drawing
from ..photo import Photo, PhotoReport, check_photo, read_photo
from ..pipeline import Landmarks, align
from ..registration import Alignment
from ..report import RecordInput
from ..stock import StockPlan
from ..workflow import (
    doubt_of_micrometer,
    drawing_of,
    housing_dip_of,
    inspections_of_face,
    limits_of,
    must_be_of_drawing,
    newest_inspection,
    open_inspection,
    outdated,
    photos_outdated,
    plan_face,
    record_of_face,
    unmapped_of_face,
)
from .state import book, units

T = TypeVar("T")

__all__ = [
    "drawn",
    "face_comparison",
    "face_plan",
    "face_record",
    "face_series",
    "gate",
    "inspection_of",
    "laid_on",
    "outdated_of",
    "photo_findings",
    "photo_of",
]

_KEEP = 24


@st.cache_resource(max_entries=2 * _KEEP, show_spinner=False)
def _drawn(
    key: tuple[Any, ...], _of: tuple[Any, ...], _make: Callable[[], Any]
) -> tuple[Any, tuple[Any, ...]]:
    # what it was made of is kept with it: as long as the entry lives, no other object can have its identity
    return _make(), _of


def drawn(name: str, of: tuple[Any, ...], choices: tuple[Hashable, ...], make: Callable[[], T]) -> T:
    """A figure, picture or result of the page, made once for what it is made of and how it is to be shown.

    Parameters
    ----------
    name : str
        Which of them.
    of : tuple
        Cached objects that it is made of; others of equal content count as new.
    choices : tuple
        What the person chose.
    make : callable
    """
    return _drawn((name, *map(id, of), *choices), of, make)[0]


@st.cache_resource(max_entries=_KEEP, show_spinner=False)
def _drawing(face_id: int, n_attachments: int, name: str, released: tuple[int, int] | None) -> Drawing:
    kept = book()
    face = kept.get(Face, face_id)
    job = None if released is None else kept.get(Job, released[0])
    return drawing_of(kept, kept.get(Plate, face.plate_id), face, job)


def face_drawing(face: Face, job: Job | None = None) -> Drawing:
    """The drawing of a face, with a released job the one signed with it; read again when another one was attached."""
    life = book().open_plate(face.plate_id)
    released = (job.id, job.version) if job is not None and job.state == "released" else None
    return _drawing(face.id, len(life.attachments), face.drawing or life.plate.drawing, released)


@st.cache_resource(max_entries=6, show_spinner=False)
def _photo(sha256: str, name: str) -> Photo:
    return read_photo(book().read_file(sha256), name=name)


def photo_of(ref: PhotoRef) -> Photo:
    """A kept photo, decoded."""
    return _photo(ref.sha256, ref.name)


@st.cache_resource(max_entries=_KEEP, show_spinner="Laying the drawing on the photo ...")
def _laid(
    sha256: str, name: str, face_id: int, n_attachments: int, picks: tuple[tuple[float, ...], ...]
) -> Alignment:
    landmarks = None
    if picks:
        table: NDArray[np.float64] = np.array(picks, float)
        landmarks = Landmarks(points_mm=table[:, :2], points_px=table[:, 2:])
    return align(_photo(sha256, name), face_drawing(book().get(Face, face_id)), landmarks)


def laid_on(ref: PhotoRef, face: Face, picks: tuple[tuple[float, ...], ...] = ()) -> Alignment:
    """The drawing laid on a photo, by itself or from picked places (x mm, y mm, x px, y px)."""
    return _laid(ref.sha256, ref.name, face.id, len(book().open_plate(face.plate_id).attachments), picks)


@st.cache_resource(max_entries=_KEEP, show_spinner=False)
def _inspection(key: tuple[Hashable, ...], survey_id: int, _drawing: Drawing) -> Inspection:
    kept = book()
    survey = kept.get(Survey, survey_id)
    ref = newest_inspection(kept, survey)
    assert ref is not None
    return open_inspection(kept, survey, ref, _drawing)


def _drawing_of_survey(survey: Survey) -> Drawing:
    return face_drawing(book().get(Face, survey.face_id), book().get(Job, survey.job_id))


def inspection_of(survey: Survey) -> Inspection | None:
    """The inspection of a survey with its edits and readings, or None when it was not mapped yet.

    Raises
    ------
    MeasurementError
        It has hand edits, and the drawing of its face was changed since it was mapped.
    """
    kept = book()
    ref = newest_inspection(kept, survey)
    if ref is None:
        return None
    drawing = _drawing_of_survey(survey)
    readings = tuple((r.id, r.version) for r in kept.readings(survey))
    key = (survey.version, ref.id, ref.edits_version, readings, drawing.fingerprint())
    return _inspection(key, survey.id, drawing)


def outdated_of(survey: Survey) -> tuple[str, ...]:
    """What was changed since a survey was mapped, a sentence each; nothing where it was not mapped."""
    try:
        inspection = inspection_of(survey)
    except PitmapError as error:
        return (str(error),)
    if inspection is None:
        return ()
    return outdated(book(), survey, inspection, _drawing_of_survey(survey))


def gate(ref: PhotoRef, survey: Survey) -> PhotoReport:
    """What the picture gate says of a kept photo: of the metal alone where the map knows its place, else of all of it."""
    found = _map_of(ref, survey)
    known: dict[str, Any] = {"alignment": found[0].alignment, "drawing": found[1]} if found else {}
    system = units()
    return drawn(
        "gate",
        found,
        (ref.sha256, ref.name, system),
        lambda: check_photo(photo_of(ref), system=system, **known),
    )


def _map_of(ref: PhotoRef, survey: Survey) -> tuple[()] | tuple[Inspection, Drawing]:
    """The map that holds the alignment of this photo, which is that of its first one, and the drawing it is made on."""
    try:
        inspection, drawing = inspection_of(survey), _drawing_of_survey(survey)
    except PitmapError:
        return ()
    if inspection is None or not is_of_drawing(inspection, drawing):
        return ()
    return (inspection, drawing) if ref.sha256 in [p.sha256 for p in inspection.photos[:1]] else ()


def photo_findings(survey: Survey, inspection: Inspection) -> tuple[str, ...]:
    """What the gate found of each photo of a map, in the units of the page where the map can be asked anew.

    A map keeps the gate's words of the day, in mm. Of its first photo it keeps the place of the metal too, so that the same
    is said in inch; of a further lamp's photo, and of one that is not with the survey any more, the words of the day stay.
    """
    if units() == "mm":
        return inspection.findings
    with suppress(PitmapError):
        for ref in book().photos(survey):
            if _map_of(ref, survey):
                anew = [f"{ref.name}: {f.text}" for f in gate(ref, survey).findings if f.severity != "pass"]
                return (*anew, *inspection.findings[len(inspection.photos[0].findings) :])
    return inspection.findings


def face_series(face: Face, job: Job) -> list[tuple[Survey, Inspection]]:
    """Every mapped survey of a face in a job, newest revisions only, in the order of work."""
    return inspections_of_face(book(), face, job, inspection_of)


def face_plan(face: Face, job: Job, plate: Plate) -> StockPlan:
    """The stock plan of a face from all its mapped surveys in a job and the face's limit sheet."""
    series = face_series(face, job)
    if not series:
        raise NotEnoughData(f"face {face.name}: no survey is mapped yet; add photos and map them")
    drawing = face_drawing(face, job)
    must_be_of_drawing(series, drawing)
    inspections = tuple(i for _, i in series)
    system = units()
    limits = limits_of(book(), face, job, system=system)
    dip = housing_dip_of(book(), face, job)
    unmapped = unmapped_of_face(book(), face, job)
    doubt = doubt_of_micrometer(book(), face, job, system)
    choices = (
        system,
        unmapped,
        doubt,
        repr(sorted(limits.entries.items())),
        repr(sorted(limits.doubts.items())),
        repr(dip),
    )
    with st.spinner("Working the plan out ..."):
        return drawn(
            "plan", (*inspections, drawing), choices,
            lambda: plan_face(
                inspections, limits, drawing=drawing, unmapped=unmapped, housing_dip_um=dip, thickness_doubt=doubt,
                system=system,
            ),
        )  # fmt: skip


def face_comparison(face: Face, job: Job, plate: Plate) -> Comparison:
    """What changed over all mapped surveys of a face in a job."""
    series, drawing = face_series(face, job), face_drawing(face, job)
    must_be_of_drawing(series, drawing)
    inspections = tuple(i for _, i in series)
    system = units()
    with st.spinner("Comparing the surveys ..."):
        return drawn(
            "comparison",
            (*inspections, drawing),
            (system,),
            lambda: compare(inspections, drawing, system=system),
        )


def face_record(face: Face, job: Job, plate: Plate) -> RecordInput:
    """Everything the record of a face shows."""
    kept, system = book(), units()
    series, drawing = face_series(face, job), face_drawing(face, job)
    inspections = tuple(i for _, i in series)
    plan = face_plan(face, job, plate)
    comparison = face_comparison(face, job, plate) if len(inspections) > 1 else None
    problems = tuple(p for s, i in series for p in photos_outdated(kept, s, i))
    items = ",".join(f"{i.id}.{i.version}" for i in kept.checklist(job, plate))
    return drawn(
        "record", (*inspections, drawing, plan, comparison), (job.id, job.version, plate.version, items, system, problems),
        lambda: record_of_face(
            kept, job, plate, face, inspections, drawing=drawing, plan=plan, comparison=comparison, units=system,
            problems=problems,
        ),
    )  # fmt: skip
