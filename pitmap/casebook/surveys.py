"""Surveys of a face with their photos, readings and kept inspections."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, and_, select
from sqlalchemy.orm import aliased

from ..errors import InputError, ReadingError
from ..estimate import Estimate
from . import models as m
from . import records as r
from .blobs import Readable
from .clean import clean_json, clean_line, file_label
from .desk import kind_of
from .edits import EditDesk
from .entries import clean_entries
from .plates import PlateDesk

__all__ = ["SurveyDesk", "is_counting"]

W = TypeVar("W", r.Survey, r.PhotoRef, r.Reading, r.PlateEvent)

MAX_INSPECTION_FILES = 100
_FILE_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,99}")
# Names that some system takes for a device whatever their ending.
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def is_counting() -> ColumnElement[bool]:
    """Which surveys count: the newest revision of each, unless it was left out."""
    later = aliased(m.SurveyRow)
    is_replaced = select(later.id).where(later.supersedes_id == m.SurveyRow.id).exists()
    return and_(m.SurveyRow.withdrawn == "", ~is_replaced)


class SurveyDesk(PlateDesk, EditDesk):
    """The part of the casebook about surveys."""

    def create_survey(
        self,
        face: r.Face,
        job: r.Job,
        stage: str,
        surveyed_on: date | str,
        *,
        removed_um: Estimate | None = None,
        notes: str = "",
    ) -> r.Survey:
        """A new survey of a face at a stage.

        Parameters
        ----------
        face : Face
        job : Job
            The job in which it is done; the plate is put into it when it is not yet.
        stage : str
            ``intake``, ``test_lap``, ``lap_1`` ... or ``final``.
        surveyed_on : date or str
            The day (YYYY-MM-DD), no later than tomorrow.
        removed_um : Estimate or None
            Stock taken off before this survey, all steps together; None for not known.
        notes : str

        Raises
        ------
        InputError
            An entry that cannot be taken, a day that has not come yet among them.
        CasebookError
            The job is released.
        """
        cleaned = clean_entries(
            "survey",
            {"stage": stage, "surveyed_on": surveyed_on, "removed_um": removed_um, "notes": notes},
        )
        with self._write() as session:
            plate = self._row(session, m.PlateRow, self._row(session, m.FaceRow, face.id).plate_id)
            self._must_be_open(session, self._row(session, m.JobRow, job.id))
            self._put_into(session, job.id, plate)
            row = m.SurveyRow(job_id=job.id, plate_id=plate.id, face_id=face.id, **cleaned)
            return r.to_record(r.Survey, self._add(session, row))

    def surveys(
        self,
        *,
        face: r.Face | None = None,
        job: r.Job | None = None,
        plate: r.Plate | None = None,
        counting: bool = False,
    ) -> tuple[r.Survey, ...]:
        """Surveys in the order of their days; of one face, job or plate.

        With `counting` the newest revision of each that was not left out, else all of them.

        Raises
        ------
        InputError
            None of the three is given.
        """
        query = select(m.SurveyRow).order_by(m.SurveyRow.surveyed_on, m.SurveyRow.id)
        chosen = {"face_id": face, "job_id": job, "plate_id": plate}
        if all(record is None for record in chosen.values()):
            raise InputError("surveys: say of which face, job or plate")
        for column, record in chosen.items():
            if record is not None:
                query = query.where(getattr(m.SurveyRow, column) == record.id)
        if counting:
            query = query.where(is_counting())
        with self._read() as session:
            return tuple(r.to_record(r.Survey, row) for row in session.scalars(query))

    # Photos -------------------------------------------------------------------------------------------

    def add_photo(
        self, survey: r.Survey, data: bytes | Path | Readable, name: str = "", *, role: str = ""
    ) -> r.PhotoRef:
        """Keep a photo with a survey: its bytes once, under their hash, never changed.

        Parameters
        ----------
        survey : Survey
        data : bytes, Path or open binary file
        name : str
            The file's name as a label; taken from `data` when that is a path.
        role : str
            What it is for, for example ``lamp 2``.

        Raises
        ------
        InputError
            Empty, too large, not readable.
        CasebookError
            The survey is signed, or the disk failed; nothing is half saved.
        """
        label = file_label(name or (data.name if isinstance(data, Path) else "photo"), "photo.name")
        cleaned = clean_entries("photo", {"role": role})
        with self._staged(data, "photo") as blob, self._write() as session:
            row = self._row(session, m.SurveyRow, survey.id)
            self._must_be_open(session, row)
            self._keep_blob(session, blob)
            photo = m.PhotoRow(
                survey_id=row.id, sha256=blob.sha256, n_bytes=blob.n_bytes, name=label, **cleaned
            )
            return r.to_record(r.PhotoRef, self._add(session, photo, told=("name", "sha256")))

    def photos(self, survey: r.Survey, *, withdrawn: bool = False) -> tuple[r.PhotoRef, ...]:
        """The photos of a survey in the order they came; withdrawn ones only when asked for."""
        query = select(m.PhotoRow).where(m.PhotoRow.survey_id == survey.id).order_by(m.PhotoRow.id)
        if not withdrawn:
            query = query.where(m.PhotoRow.withdrawn == "")
        with self._read() as session:
            return tuple(r.to_record(r.PhotoRef, row) for row in session.scalars(query))

    def read_file(self, sha256: str) -> bytes:
        """The bytes of a photo, an attachment or an inspection's file, found to be what was stored.

        Raises
        ------
        CasebookError
            The kept file is missing or damaged.
        """
        return self._blobs.read(sha256)

    def withdraw(self, record: W, reason: str) -> W:
        """Let a survey, a photo, a reading or a plate's event count no longer, with the reason; it stays in the casebook.

        A survey takes its earlier revisions with it.
        """
        reason = clean_line(reason, "reason", required=True, limit=2000)
        table: Any = kind_of(record)[1]
        with self._write() as session:
            row = self._row(session, table, record.id, lock=True)
            conflict = self._conflict(session, row, record.version, {}, reason)
            if conflict is None:
                self._must_be_open(session, row)
                row.withdrawn = reason
                self._touch(row)
                session.flush()
                self._log(session, "withdraw", row, reason=reason)
                return r.to_record(type(record), row)
        raise conflict

    # Readings -----------------------------------------------------------------------------------------

    def add_readings(self, survey: r.Survey, rows: Iterable[Mapping[str, object]]) -> tuple[r.Reading, ...]:
        """Keep readings, all or none of them.

        Parameters
        ----------
        survey : Survey
        rows : iterable of mappings
            `kind` and `value_um` at least; also `x_mm`, `y_mm`, `mark_id` (-1 free), `uncertainty_um`,
            `is_lower_bound`, `instrument`, `note`, `as_typed`, `flags`. An uncertainty that was not given is kept as
            not given; whoever works with the reading takes that of its kind.

        Raises
        ------
        ReadingError
            A row that cannot be taken; the message names row and field, and nothing is kept.
        """
        cleaned = []
        for number, row in enumerate(rows, start=1):
            try:
                entries = clean_entries("reading", row)
            except InputError as error:
                raise ReadingError(f"row {number}: {error}") from None
            missing = [name for name in ("kind", "value_um") if name not in entries]
            if missing:
                raise ReadingError(f"row {number}: reading.{missing[0]}: missing")
            cleaned.append(entries)
        with self._write() as session:
            owner = self._row(session, m.SurveyRow, survey.id)
            self._must_be_open(session, owner)
            kept = [self._add(session, m.ReadingRow(survey_id=owner.id, **entries)) for entries in cleaned]
            return tuple(r.to_record(r.Reading, row) for row in kept)

    def readings(self, survey: r.Survey, *, withdrawn: bool = False) -> tuple[r.Reading, ...]:
        """The readings of a survey in the order they came; withdrawn ones only when asked for."""
        query = select(m.ReadingRow).where(m.ReadingRow.survey_id == survey.id).order_by(m.ReadingRow.id)
        if not withdrawn:
            query = query.where(m.ReadingRow.withdrawn == "")
        with self._read() as session:
            return tuple(r.to_record(r.Reading, row) for row in session.scalars(query))

    # Inspections --------------------------------------------------------------------------------------

    def add_inspection(
        self,
        survey: r.Survey,
        files: Path | Mapping[str, bytes],
        *,
        summary: Mapping[str, Any] | None = None,
        carry_edits: bool = False,
    ) -> r.InspectionRef:
        """Keep an inspection: its files as they are, and a small summary to find and list it by.

        Parameters
        ----------
        survey : Survey
        files : Path or mapping of name to bytes
            A folder of files as ``Inspection.save`` writes it (no folders in it), or the same in memory.
        summary : mapping, optional
            Plain values (numbers, texts, lists) shown in lists.
        carry_edits : bool
            Lay the edit layers of the newest inspection of this survey over this one too.

        Raises
        ------
        InputError
            No files, too many, or a name that could not be written back on every system.
        """
        summary_json = clean_json(dict(summary or {}), "inspection.summary")
        sources = _inspection_sources(files)
        with ExitStack() as stack:
            staged = {
                name: stack.enter_context(self._staged(data, f"inspection file {name}"))
                for name, data in sources.items()
            }
            session = stack.enter_context(self._write())
            owner = self._row(session, m.SurveyRow, survey.id)
            self._must_be_open(session, owner)
            before = self._newest_inspection(session, owner.id)
            for blob in {b.sha256: b for b in staged.values()}.values():
                self._keep_blob(session, blob)
            row = self._add(
                session, m.InspectionRow(survey_id=owner.id, summary_json=summary_json, edits_version=0)
            )
            session.add_all(
                m.InspectionFileRow(inspection_id=row.id, name=name, sha256=blob.sha256, n_bytes=blob.n_bytes)
                for name, blob in staged.items()
            )
            if carry_edits and before is not None:
                self._copy_layers(session, before, row)
            session.flush()
            return r.to_record(r.InspectionRef, row)

    def inspections(self, survey: r.Survey) -> tuple[r.InspectionRef, ...]:
        """The inspections of a survey, oldest first; the last one is the one that counts."""
        query = select(m.InspectionRow).where(m.InspectionRow.survey_id == survey.id)
        with self._read() as session:
            rows = session.scalars(query.order_by(m.InspectionRow.id))
            return tuple(r.to_record(r.InspectionRef, row) for row in rows)

    def inspection_files(self, inspection: r.InspectionRef) -> dict[str, bytes]:
        """The files of a kept inspection by name, found to be what was stored."""
        query = select(m.InspectionFileRow).where(m.InspectionFileRow.inspection_id == inspection.id)
        with self._read() as session:
            rows = session.scalars(query.order_by(m.InspectionFileRow.name)).all()
            return {row.name: self._blobs.read(row.sha256) for row in rows}

    def write_inspection(self, inspection: r.InspectionRef, folder: Path) -> None:
        """Write the files of a kept inspection into a folder, for ``Inspection.load``."""
        with self._read():  # for its wrapping of disk errors
            folder.mkdir(parents=True, exist_ok=True)
            for name, data in self.inspection_files(inspection).items():
                (folder / name).write_bytes(data)


def _inspection_sources(files: Path | Mapping[str, bytes]) -> dict[str, Path | bytes]:
    if isinstance(files, Path):
        if not files.is_dir():
            raise InputError(f"inspection: there is no folder {files}")
        inside = sorted(files.iterdir())
        odd = [p.name for p in inside if p.is_symlink() or not p.is_file()]
        if odd:
            raise InputError(f"inspection: {ascii(odd[0])[:80]} in {files} is not a plain file; take it out")
        sources: dict[str, Path | bytes] = {p.name: p for p in inside}
    elif isinstance(files, Mapping):
        sources = dict(files)
    else:
        raise InputError(f"inspection: expected a folder or a mapping, got {type(files).__name__}")
    if not 1 <= len(sources) <= MAX_INSPECTION_FILES:
        raise InputError(f"inspection: {len(sources)} files; from 1 to {MAX_INSPECTION_FILES} are kept")
    for name in sources:
        if not isinstance(name, str) or not _FILE_NAME.fullmatch(name) or _DEVICE.fullmatch(name):
            raise InputError(
                f"inspection: {ascii(name)[:80]} cannot be a file's name here; use letters, digits, . _ -"
            )
    if len({name.lower() for name in sources}) < len(sources):
        raise InputError("inspection: two file names differ only in upper and lower case; rename one")
    return sources
