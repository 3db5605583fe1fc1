"""Checklists, sign-off, and what happens when something must change after it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, TypeVar

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from ..classes import Stage
from ..errors import CasebookError, EditConflict, InputError
from . import models as m
from . import records as r
from .checklists import CHECKLISTS, STEPS
from .clean import as_plain, canonical_json, clean_choice, clean_line
from .desk import called, kind_of
from .entries import FIELDS
from .surveys import SurveyDesk, is_counting

__all__ = ["ReleaseDesk", "job_content", "survey_content", "text_to_sign"]

S = TypeVar("S", r.Survey, r.Job)


class ReleaseDesk(SurveyDesk):
    """The part of the casebook about checklists, sign-off and revisions."""

    def start_checklist(self, job: r.Job, plate: r.Plate, step: str) -> tuple[r.ChecklistItem, ...]:
        """The items of one step for one plate, made when they are not there yet.

        `step` is ``intake``, ``clean``, ``lap``, ``finish`` or ``release``. An item is ticked with
        ``update(item, state="done")``.
        """
        step = clean_choice(step, "checklist.step", STEPS)
        with self._write() as session:
            owner = self._row(session, m.JobRow, job.id, lock=True)
            plate_id = self._row(session, m.PlateRow, plate.id).id
            rows = [row for row in self._items(session, owner.id, plate_id) if row.step == step]
            if not rows:
                self._must_be_open(session, owner)
                for template in CHECKLISTS[step]:
                    row = m.ChecklistRow(
                        job_id=owner.id,
                        plate_id=plate_id,
                        step=step,
                        text=template.text,
                        caution=template.caution,
                    )
                    rows.append(self._add(session, row, told=("step", "text")))
            return tuple(r.to_record(r.ChecklistItem, row) for row in rows)

    def add_checklist_item(self, job: r.Job, plate: r.Plate, step: str, text: str) -> r.ChecklistItem:
        """One more thing to do at a step."""
        step = clean_choice(step, "checklist.step", STEPS)
        text = clean_line(text, "checklist.text", required=True)
        with self._write() as session:
            owner = self._row(session, m.JobRow, job.id, lock=True)
            self._must_be_open(session, owner)
            plate_id = self._row(session, m.PlateRow, plate.id).id
            row = m.ChecklistRow(job_id=owner.id, plate_id=plate_id, step=step, text=text)
            return r.to_record(r.ChecklistItem, self._add(session, row, told=("step", "text")))

    def checklist(self, job: r.Job, plate: r.Plate | None = None) -> tuple[r.ChecklistItem, ...]:
        """The items of a job, or of one plate in it, in the order of work."""
        with self._read() as session:
            rows = self._items(session, job.id, None if plate is None else plate.id)
            rows.sort(key=lambda row: (row.plate_id, STEPS.index(row.step), row.id))
            return tuple(r.to_record(r.ChecklistItem, row) for row in rows)

    def _items(self, session: Session, job_id: int, plate_id: int | None) -> list[m.ChecklistRow]:
        query = select(m.ChecklistRow).where(m.ChecklistRow.job_id == job_id).order_by(m.ChecklistRow.id)
        if plate_id is not None:
            query = query.where(m.ChecklistRow.plate_id == plate_id)
        return list(session.scalars(query))

    def fingerprint(self, record: r.Survey | r.Job) -> str:
        """The hash of what a signature under this record would stand for now, for :meth:`sign_off` to compare with."""
        with self._read() as session:
            return _fingerprint(text_to_sign(session, self._row(session, kind_of(record)[1], record.id)))

    def sign_off(self, record: S, statement: str, *, seen: str | None = None) -> r.SignOff:
        """Freeze a survey, or release a job, in the name of :attr:`who`.

        Parameters
        ----------
        record : Survey or Job
            As it was read. A job is released once every newest survey of it is signed or left out, and every item of its
            checklists is done or not needed.
        statement : str
            What is signed for, in words.
        seen : str or None
            :meth:`fingerprint` of what the signer was shown. A survey keeps its version when a reading or a photo comes to
            it, so only this tells that the signer has not seen all of it; None: not asked.

        Raises
        ------
        EditConflict
            Somebody changed it, or what it holds, meanwhile.
        CasebookError
            Something is still open (the message lists it), or it is signed already.
        """
        statement = clean_line(statement, "sign_off.statement", required=True, limit=2000)
        kind, table = kind_of(record)
        with self._write() as session:
            row: Any = self._row(session, table, record.id, lock=True)
            conflict = self._conflict(session, row, record.version, {}, statement)
            if conflict is None:
                self._must_be_open(session, row)
                self._must_be_ready(session, row)
                text = text_to_sign(session, row)
                if seen is not None and _fingerprint(text) != seen:
                    raise self._unseen(session, row, statement)
                sign = m.SignOffRow(
                    kind=kind,
                    record_id=row.id,
                    revision=row.revision,
                    statement=statement,
                    content_json=text,
                    content_sha256=_fingerprint(text),
                    signed_by=self.who,
                )
                before, row.state = row.state, "signed" if kind == "survey" else "released"
                self._touch(row)
                session.add(sign)
                session.flush()
                self._log(session, "sign off", row, {"state": [before, row.state]}, statement)
                return r.to_record(r.SignOff, sign)
        raise conflict

    def _unseen(self, session: Session, row: Any, typed: str) -> EditConflict:
        """The refusal to sign what the signer was not shown, with the newest change of its job or plate."""
        job_id, plate_id = getattr(row, "job_id", row.id), getattr(row, "plate_id", None)
        query = select(m.AuditRow).where(or_(m.AuditRow.job_id == job_id, m.AuditRow.plate_id == plate_id))
        last = session.scalars(query.order_by(m.AuditRow.id.desc()).limit(1)).one()
        return EditConflict(
            f"What {called(row)} holds was changed after you opened it (the newest change is by "
            f"{self._first(last.who)} on {last.at:%Y-%m-%d at %H:%M} UTC). Nothing was signed: look at it "
            f"again, then repeat it; you wrote: {typed}",
            changed_by=last.who,
            changed_at=last.at.isoformat(),
        )

    def _must_be_ready(self, session: Session, row: Any) -> None:
        missing = []
        if isinstance(row, m.SurveyRow):
            looks: tuple[tuple[Any, tuple[Any, ...]], ...] = (
                (m.PhotoRow, (m.PhotoRow.withdrawn == "",)),
                (m.ReadingRow, (m.ReadingRow.withdrawn == "",)),
                (m.InspectionRow, ()),
            )
            if not any(
                session.scalars(select(t.id).where(t.survey_id == row.id, *counts).limit(1)).first()
                for t, counts in looks
            ):
                missing.append("it has neither photo, reading nor inspection")
        else:
            surveys = _counting_surveys(session, row.id)
            if not surveys:
                missing.append("it has no survey")
            missing += [self._not_signed(session, s) for s in surveys if s.state == "open"]
            missing += [
                f"plate {session.get_one(m.PlateRow, i.plate_id).tag}, checklist {i.step}: {i.text}"
                for i in self._items(session, row.id, None)
                if i.state == "open"
            ]
        if missing:
            shown = "; ".join(missing[:10]) + ("; and more" if len(missing) > 10 else "")
            raise CasebookError(f"{called(row)} cannot be signed yet: {shown}")

    def _not_signed(self, session: Session, survey: m.SurveyRow) -> str:
        """By plate, face and stage: the surveys of two faces are of one day as a rule."""
        plate, face = session.get_one(m.PlateRow, survey.plate_id), session.get_one(m.FaceRow, survey.face_id)
        which = f"survey number {survey.id} {Stage(survey.stage).moment} of {survey.surveyed_on}"
        return f"plate {plate.tag}, face {face.name}: {which} is not signed"

    def sign_offs(self, record: r.Survey | r.Job) -> tuple[r.SignOff, ...]:
        """Who signed a survey or a job, oldest first."""
        kind = kind_of(record)[0]
        query = select(m.SignOffRow).where(m.SignOffRow.kind == kind, m.SignOffRow.record_id == record.id)
        with self._read() as session:
            rows = session.scalars(query.order_by(m.SignOffRow.id))
            return tuple(r.to_record(r.SignOff, row) for row in rows)

    def open_revision(self, survey: r.Survey, reason: str) -> r.Survey:
        """A new, open revision of a signed survey, with its readings, photos, newest inspection and layers.

        The signed one stays as it is. Photos and inspection files are not stored again.

        Raises
        ------
        InputError
            The survey is not signed, so it can be changed as it is.
        CasebookError
            Somebody has opened its next revision already, or the job is released (reopen it first).
        """
        reason = clean_line(reason, "reason", required=True, limit=2000)
        with self._write() as session:
            old = self._row(session, m.SurveyRow, survey.id, lock=True)
            if old.state != "signed":
                raise InputError(f"survey number {old.id} is not signed; change it as it is")
            self._must_be_open(session, self._row(session, m.JobRow, old.job_id))
            later = select(m.SurveyRow).where(m.SurveyRow.supersedes_id == old.id)
            if (newer := session.scalars(later).one_or_none()) is not None:
                raise CasebookError(
                    f"survey number {old.id} has a newer revision already: number {newer.id}, opened by "
                    f"{newer.changed_by}"
                )
            new = m.SurveyRow(
                **_copied(old, ("job_id", "plate_id", "face_id", *FIELDS["survey"])),
                revision=old.revision + 1,
                supersedes_id=old.id,
            )
            self._add(session, new, reason, told=("revision", "supersedes_id"))
            self._copy_contents(session, old, new)
            return r.to_record(r.Survey, new)

    def _copy_contents(self, session: Session, old: m.SurveyRow, new: m.SurveyRow) -> None:
        copied: tuple[tuple[type[m.PhotoRow] | type[m.ReadingRow], tuple[str, ...]], ...] = (
            (m.PhotoRow, ("sha256", "n_bytes", "name", "role")),
            (m.ReadingRow, tuple(FIELDS["reading"])),
        )
        for table, names in copied:
            query = select(table).where(table.survey_id == old.id, table.withdrawn == "").order_by(table.id)
            for row in session.scalars(query).all():
                self._add(session, table(survey_id=new.id, **_copied(row, names)))
        newest = self._newest_inspection(session, old.id)
        if newest is None:
            return
        inspection = self._add(
            session, m.InspectionRow(survey_id=new.id, edits_version=0, summary_json=newest.summary_json)
        )
        files = select(m.InspectionFileRow).where(m.InspectionFileRow.inspection_id == newest.id)
        for row in session.scalars(files).all():
            kept = _copied(row, ("name", "sha256", "n_bytes"))
            session.add(m.InspectionFileRow(inspection_id=inspection.id, **kept))
        self._copy_layers(session, newest, inspection)

    def reopen_job(self, job: r.Job, reason: str) -> r.Job:
        """Open a released job again as its next revision, with the reason; its sign-off stays readable.

        Raises
        ------
        InputError
            The job is open already, or no reason is given.
        EditConflict
            Somebody changed the job meanwhile.
        """
        reason = clean_line(reason, "reason", required=True, limit=2000)
        with self._write() as session:
            row = self._row(session, m.JobRow, job.id, lock=True)
            conflict = self._conflict(session, row, job.version, {}, reason)
            if conflict is None:
                if row.state != "released":
                    raise InputError(f"{called(row)} is open already")
                row.state, row.revision = "open", row.revision + 1
                self._touch(row)
                session.flush()
                self._log(session, "reopen", row, {"state": ["released", "open"]}, reason)
                return r.to_record(r.Job, row)
        raise conflict


def _copied(row: m.Base, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: getattr(row, name) for name in names}


def _counting_surveys(session: Session, job_id: int) -> list[m.SurveyRow]:
    query = select(m.SurveyRow).where(m.SurveyRow.job_id == job_id, is_counting()).order_by(m.SurveyRow.id)
    return list(session.scalars(query))


def _told(row: m.Base, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: as_plain(getattr(row, name)) for name in names}


def text_to_sign(session: Session, row: Any, signed: Mapping[str, Any] | None = None) -> str:
    """What a signature under a survey or job stands for, as text; `signed` as in :func:`job_content`."""
    is_survey = isinstance(row, m.SurveyRow)
    return canonical_json(survey_content(session, row) if is_survey else job_content(session, row, signed))


def _fingerprint(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def survey_content(session: Session, survey: m.SurveyRow) -> dict[str, Any]:
    """What a signature under a survey stands for, in plain values."""
    plate = session.get_one(m.PlateRow, survey.plate_id)
    face = session.get_one(m.FaceRow, survey.face_id)

    def rows(table: Any) -> list[Any]:
        return list(session.scalars(select(table).where(table.survey_id == survey.id).order_by(table.id)))

    inspections = []
    for inspection in rows(m.InspectionRow):
        files = select(m.InspectionFileRow).where(m.InspectionFileRow.inspection_id == inspection.id)
        layers = select(m.MapEditRow).where(
            m.MapEditRow.inspection_id == inspection.id, m.MapEditRow.state == "applied"
        )
        inspections.append(
            {
                "id": inspection.id,
                "summary": r.unfolded(inspection, "summary"),
                "files": {row.name: row.sha256 for row in session.scalars(files)},
                "layers": [
                    {**_told(row, ("layer", "action", "class_code", "reason", "created_by")),
                     "shape": r.unfolded(row, "shape"),
                     # left out where it is empty: the older signatures knew nothing of it
                     **({"accepted_by": row.accepted_by} if row.accepted_by else {})}
                    for row in session.scalars(layers.order_by(m.MapEditRow.layer))
                ],
            }
        )  # fmt: skip
    return {
        "plate_id": plate.id,
        "face_id": face.id,
        **_told(survey, ("id", "job_id", "revision", *FIELDS["survey"])),
        "photos": [_told(row, ("id", "name", "sha256", "role", "withdrawn")) for row in rows(m.PhotoRow)],
        "readings": [_told(row, ("id", "withdrawn", *FIELDS["reading"])) for row in rows(m.ReadingRow)],
        "inspections": inspections,
    }


def job_content(session: Session, job: m.JobRow, signed: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """What a release of a job stands for, in plain values.

    Parameters
    ----------
    session : Session
    job : JobRow
    signed : mapping or None
        What a signature says was signed, to be compared with: drawings and limit sheets that the plates were given
        later, for later jobs, are no part of it, and the older signatures knew of none.
    """
    surveys = _counting_surveys(session, job.id)
    signs = {
        (row.record_id, row.revision): row.content_sha256
        for row in session.scalars(
            select(m.SignOffRow).where(
                m.SignOffRow.kind == "survey", m.SignOffRow.record_id.in_([s.id for s in surveys])
            )
        )
    }
    items = session.scalars(
        select(m.ChecklistRow).where(m.ChecklistRow.job_id == job.id).order_by(m.ChecklistRow.id)
    )
    return {
        **_told(job, ("id", "revision", *FIELDS["job"])),
        "surveys": {str(s.id): signs.get((s.id, s.revision), "") for s in surveys},
        "checklist": [_told(row, ("id", "plate_id", "step", "text", "state", "note")) for row in items],
        **_plate_files(session, job, signed),
    }


def _plate_files(session: Session, job: m.JobRow, signed: Mapping[str, Any] | None) -> dict[str, Any]:
    """The files of a job's plates (drawings, limit sheets), and which drawing each face is named to have."""
    if signed is not None and "files" not in signed:
        return {}
    plates = select(m.JobPlateRow.plate_id).where(m.JobPlateRow.job_id == job.id)
    files = select(m.AttachmentRow).where(m.AttachmentRow.plate_id.in_(plates)).order_by(m.AttachmentRow.id)
    if signed is not None:
        files = files.where(m.AttachmentRow.id.in_([f["id"] for f in signed["files"]]))
        named = signed["drawings"]
    else:
        faces = select(m.FaceRow, m.PlateRow).join(m.PlateRow, m.PlateRow.id == m.FaceRow.plate_id)
        named = {
            str(face.id): face.drawing or plate.drawing
            for face, plate in session.execute(faces.where(m.FaceRow.plate_id.in_(plates)))
        }
    told = ("id", "plate_id", "face_id", "role", "name", "sha256")
    return {"files": [_told(row, told) for row in session.scalars(files)], "drawings": named}
