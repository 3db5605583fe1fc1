"""A survey of the casebook: its photos mapped, its map opened with the hand edits of people."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import count
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from ..casebook import Casebook, InspectionRef, Job, PhotoRef, Plate, Survey
from ..casebook import Face as CasebookFace
from ..classes import Stage, SurfaceClass
from ..drawing import Drawing
from ..errors import InputError, MeasurementError
from ..estimate import Estimate
from ..inspection import (
    Inspection,
    decided_words,
    in_order_of_work,
    is_of_drawing,
    load_inspection,
    save_inspection,
)
from ..measure import MeasureSettings, measure
from ..photo import Photo, read_photo
from ..pipeline import Landmarks, Progress, map_face
from ..settings import Settings
from .hand_edits import with_edits
from .kept_files import drawing_of
from .kept_readings import readings_table

__all__ = [
    "DRAWING_CHANGED",
    "UnmappedSurvey",
    "inspections_of_face",
    "keep_photo",
    "map_survey",
    "newest_inspection",
    "open_inspection",
    "photos_of",
    "unmapped_of_face",
]


_MAP_AGAIN = "map it again"
DRAWING_CHANGED = f"the drawing was changed since this photo was mapped: {_MAP_AGAIN}"

_NO_DOUBT = (
    "This map was kept without what its class probabilities left open, so the intervals since it was changed by hand "
    "are too narrow: map it again."
)


def keep_photo(book: Casebook, survey: Survey, data: bytes, name: str) -> PhotoRef | None:
    """Keep a photo with a survey; None when the survey has these very bytes already.

    It is decoded first, so that a file that is no picture never enters the casebook. A photo that was left out comes back.
    Phones call many a photo the same: one whose name another one of the survey bears is numbered, so that what is said of
    it names one photo.

    Raises
    ------
    PhotoError
        Not a picture that can be read.
    InputError
        It is kept with another survey of the plate: a photo shows one face at one stage.
    """
    photo = read_photo(data, name=name)
    if photo.sha256 in {ref.sha256 for ref in book.photos(survey)}:
        return None
    face = book.get(CasebookFace, survey.face_id)
    for other in book.surveys(plate=book.get(Plate, face.plate_id), counting=True):
        if photo.sha256 in {ref.sha256 for ref in book.photos(other)}:
            where = (
                "" if other.face_id == face.id else f" of face {book.get(CasebookFace, other.face_id).name}"
            )
            raise InputError(
                f"{name}: this very photo is kept with {survey_words(other)}{where}; a photo shows one face at one stage. "
                "Take another photo, or leave it out there first if it belongs here"
            )
    return book.add_photo(survey, data, _numbered(name, {ref.name for ref in book.photos(survey)}))


def _numbered(name: str, taken: set[str]) -> str:
    """The name, or the name with the first number that none of `taken` has."""
    path = PurePosixPath(name)
    names = (name if k == 1 else f"{path.stem} ({k}){path.suffix}" for k in count(1))
    return next(one for one in names if one not in taken)


def photos_of(book: Casebook, survey: Survey) -> tuple[tuple[PhotoRef, Photo], ...]:
    """The photos of a survey, decoded."""
    return tuple((ref, read_photo(book.read_file(ref.sha256), name=ref.name)) for ref in book.photos(survey))


def _summary(inspection: Inspection) -> dict[str, Any]:
    affected = inspection.zones[inspection.zones.class_word == "affected"]
    width = inspection.measurement.sound_width_mm
    return {
        "stage": inspection.stage.name,
        "n_pits": int((inspection.marks.class_code == SurfaceClass.PIT).sum()),
        "affected": {
            r.zone: None if pd.isna(r.share) else round(float(r.share), 5)
            for r in affected.itertuples()  # type: ignore[arg-type]
        },
        "sound_width_mm": None if not width.is_known else round(width.value, 3),
    }


def map_survey(
    book: Casebook,
    survey: Survey,
    plate: Plate,
    face: CasebookFace,
    *,
    photos: Sequence[Photo] | None = None,
    landmarks: Landmarks | None = None,
    settings: Settings | None = None,
    progress: Progress | None = None,
) -> InspectionRef:
    """Map the photos kept with a survey and keep the inspection; earlier hand edits are carried over."""
    inspection = map_face(
        photos if photos is not None else [p for _, p in photos_of(book, survey)],
        drawing_of(book, plate, face),
        stage=Stage(survey.stage),
        face=f"{plate.tag} {face.name}",
        surveyed_on=survey.surveyed_on,
        removed_um=survey.removed_um,
        landmarks=landmarks,
        settings=settings,
        progress=progress,
    )
    with tempfile.TemporaryDirectory() as folder:
        saved = save_inspection(inspection, Path(folder) / "inspection")
        return book.add_inspection(survey, saved, summary=_summary(inspection), carry_edits=True)


def newest_inspection(book: Casebook, survey: Survey) -> InspectionRef | None:
    """The inspection of a survey that counts, or None."""
    kept = book.inspections(survey)
    return kept[-1] if kept else None


def survey_words(survey: Survey) -> str:
    """A survey as sentences about it begin."""
    return f"the survey {Stage(survey.stage).moment}, {survey.surveyed_on:%Y-%m-%d}"


def _in_revision(survey: Survey) -> str:
    return "" if survey.state == "open" else " in a new revision of the signed survey"


def map_again_words(survey: Survey) -> str:
    """To map a survey again, and where."""
    return f"{_MAP_AGAIN}{_in_revision(survey)}"


def drawing_changed_words(survey: Survey) -> str:
    """The drawing of a survey is another one now."""
    return f"{survey_words(survey)}: {DRAWING_CHANGED}{_in_revision(survey)}"


def open_inspection(book: Casebook, survey: Survey, ref: InspectionRef, drawing: Drawing) -> Inspection:
    """A kept inspection with its hand edits applied and measured again, and its readings.

    Raises
    ------
    MeasurementError
        It has hand edits, and the drawing is not the one it was mapped with.
    InputError
        It has hand edits, and was mapped with settings that this release does not know.
    """
    with tempfile.TemporaryDirectory() as folder:
        book.write_inspection(ref, Path(folder))
        inspection = load_inspection(folder)
    edits = book.edits(ref)
    if edits:
        if not is_of_drawing(inspection, drawing):
            raise MeasurementError(f"{drawing_changed_words(survey)}; its hand edits are carried over")
        settings = Settings.from_dict(inspection.settings)
        class_map, changed, told = with_edits(inspection.class_map, edits)
        measured = measure(
            class_map,
            drawing,
            camera_scale=inspection.photo_px_per_mm,
            alignment_error_mm=inspection.alignment_error_mm,
            settings=MeasureSettings(level=settings.level, n_places=settings.n_narrowest),
            edited=changed,
            before=inspection.measurement,
        )
        notes = inspection.notes
        if not inspection.measurement.zone_measures:
            notes = (*notes, _NO_DOUBT)
        if decided := decided_words(told):
            notes = (*notes, decided)
        inspection = replace(inspection, class_map=class_map, measurement=measured, notes=notes, edits=told)
    # The survey may have been corrected after mapping: its own entries count.
    return replace(
        inspection,
        surveyed_on=survey.surveyed_on,
        removed_um=survey.removed_um,
        readings=readings_table(book, survey, inspection),
    )


def inspections_of_face(
    book: Casebook, face: CasebookFace, job: Job, opened: Callable[[Survey], Inspection | None]
) -> list[tuple[Survey, Inspection]]:
    """Every mapped survey of a face in a job, newest revisions only, in the order of work.

    `opened` gives the inspection of a survey, or None when it was not mapped; callers may cache it.
    """
    found = [(s, opened(s)) for s in book.surveys(face=face, job=job, counting=True)]
    mapped = [(s, i) for s, i in found if i is not None]
    return in_order_of_work(mapped, of=lambda pair: pair[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class UnmappedSurvey:
    """A survey that counts and has no map: what it holds, which nothing made of the maps can know."""

    stage: Stage
    surveyed_on: date
    removed_um: Estimate
    n_readings: int
    n_depths: int

    @property
    def words(self) -> str:
        """Which survey, and that it has no map."""
        return f"the survey {self.stage.moment} of {self.surveyed_on:%Y-%m-%d} is not mapped"


def unmapped_of_face(book: Casebook, face: CasebookFace, job: Job) -> tuple[UnmappedSurvey, ...]:
    """Every survey of a face in a job that :func:`inspections_of_face` leaves out because it was not mapped."""
    found = []
    for survey in book.surveys(face=face, job=job, counting=True):
        if newest_inspection(book, survey) is None:
            kinds = [r.kind for r in book.readings(survey)]
            found.append(
                UnmappedSurvey(
                    stage=Stage(survey.stage),
                    surveyed_on=survey.surveyed_on,
                    removed_um=survey.removed_um,
                    n_readings=len(kinds),
                    n_depths=kinds.count("pit_depth"),
                )
            )
    return tuple(found)
