"""Find a plate, see its whole life, read the trail."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, or_, select
from sqlalchemy.orm import Session

from ..errors import InputError
from . import models as m
from . import records as r
from .clean import clean_date, clean_id, clean_line, clean_whole, search_key
from .desk import kind_of
from .entries import clean_entries
from .release import ReleaseDesk

__all__ = ["FindingDesk", "FoundPlate", "PlateLife", "SearchResult"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPlate:
    """One plate of a search: its newest survey and the jobs it was in (newest first).

    `last_stage` is empty and `last_surveyed_on` None for a plate without a survey.
    """

    plate: r.Plate
    jobs: tuple[r.Job, ...]
    n_surveys: int
    last_surveyed_on: date | None
    last_stage: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """One page of a search, and how many plates it found in all."""

    rows: tuple[FoundPlate, ...]
    n_found: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateLife:
    """A plate with everything that happened to it, oldest first."""

    plate: r.Plate
    faces: tuple[r.Face, ...]
    jobs: tuple[r.Job, ...]
    events: tuple[r.PlateEvent, ...]
    surveys: tuple[r.Survey, ...]
    attachments: tuple[r.Attachment, ...]


class FindingDesk(ReleaseDesk):
    """The part of the casebook that finds and lists."""

    def search(
        self,
        text: str = "",
        *,
        tag: str = "",
        reference: str = "",
        engine: str = "",
        stage: str = "",
        since: date | str | None = None,
        until: date | str | None = None,
        limit: int = 50,
        offset: int = 0,
    ) -> SearchResult:
        """Plates, those with the newest survey first.

        Parameters
        ----------
        text : str
            Words that must each be found in the tag, or in one job's reference, customer or engine.
        tag, reference, engine : str
            Parts of these; upper and lower case alike.
        stage : str
            Has a survey at this stage.
        since, until : date or str
            Has a survey on a day in this range, both ends included. With `stage`, the same survey.
        limit, offset : int
            Which page.

        Returns
        -------
        SearchResult
            No rows when nothing is found.
        """
        query: Select[Any] = select(m.PlateRow.id)
        for word in clean_line(text, "search.text").split():
            query = query.where(_anywhere(search_key(word)))
        if tag := search_key(clean_line(tag, "search.tag")):
            query = query.where(m.PlateRow.tag_key.contains(tag, autoescape=True))
        job_parts = {"reference": reference, "engine": engine}
        for name, part in job_parts.items():
            if part := search_key(clean_line(part, f"search.{name}")):
                column = getattr(m.JobRow, f"{name}_key")
                query = query.where(
                    m.PlateRow.id.in_(_plates_of_jobs(column.contains(part, autoescape=True)))
                )
        query = _by_survey(query, stage, since, until)
        limit = clean_whole(limit, "search.limit", low=1, high=10_000)
        offset = clean_whole(offset, "search.offset", low=0, high=10**9)
        last = (
            select(func.max(m.SurveyRow.surveyed_on))
            .where(m.SurveyRow.plate_id == m.PlateRow.id, m.SurveyRow.withdrawn == "")
            .correlate(m.PlateRow)
            .scalar_subquery()
        )
        query = query.order_by(func.coalesce(last, "").desc(), m.PlateRow.id.desc())
        with self._read() as session:
            numbers = session.scalars(query).all()  # a few thousand at most, and the count comes with them
            return SearchResult(
                rows=_found(session, list(numbers[offset : offset + limit])), n_found=len(numbers)
            )

    def open_plate(self, plate_id: int) -> PlateLife:
        """A plate and its whole life, however many years and jobs.

        Raises
        ------
        InputError
            No such plate.
        """
        with self._read() as session:
            row = self._row(session, m.PlateRow, plate_id)
            surveys = select(m.SurveyRow).where(m.SurveyRow.plate_id == row.id)
            events = select(m.PlateEventRow).where(m.PlateEventRow.plate_id == row.id)
            faces = select(m.FaceRow).where(m.FaceRow.plate_id == row.id).order_by(m.FaceRow.name_key)
            files = select(m.AttachmentRow).where(m.AttachmentRow.plate_id == row.id)
            jobs = (
                select(m.JobRow)
                .join(m.JobPlateRow, m.JobPlateRow.job_id == m.JobRow.id)
                .where(m.JobPlateRow.plate_id == row.id)
                .order_by(m.JobRow.id)
            )
            event_order = (func.coalesce(m.PlateEventRow.happened_on, ""), m.PlateEventRow.id)
            return PlateLife(
                plate=r.to_record(r.Plate, row),
                faces=tuple(r.to_record(r.Face, x) for x in session.scalars(faces)),
                jobs=tuple(r.to_record(r.Job, x) for x in session.scalars(jobs)),
                events=tuple(
                    r.to_record(r.PlateEvent, x) for x in session.scalars(events.order_by(*event_order))
                ),
                surveys=tuple(
                    r.to_record(r.Survey, x)
                    for x in session.scalars(surveys.order_by(m.SurveyRow.surveyed_on, m.SurveyRow.id))
                ),
                attachments=tuple(
                    r.to_record(r.Attachment, x) for x in session.scalars(files.order_by(m.AttachmentRow.id))
                ),
            )

    def trail(
        self,
        *,
        record: r.Tracked | None = None,
        plate_id: int | None = None,
        job_id: int | None = None,
        since: datetime | None = None,
        limit: int = 200,
    ) -> tuple[r.AuditEntry, ...]:
        """The audit trail, newest first: all of it, or about one record, one plate's life, one job.

        Raises
        ------
        InputError
            `since` is no moment with its time zone.
        """
        query = select(m.AuditRow).order_by(m.AuditRow.id.desc())
        if record is not None:
            kind = kind_of(record)[0]
            query = query.where(m.AuditRow.kind == kind, m.AuditRow.record_id == record.id)
        if plate_id is not None:
            query = query.where(m.AuditRow.plate_id == clean_id(plate_id, "plate"))
        if job_id is not None:
            query = query.where(m.AuditRow.job_id == clean_id(job_id, "job"))
        if since is not None:
            if not isinstance(since, datetime) or since.tzinfo is None:
                raise InputError("trail.since: expected a moment with its time zone")
            query = query.where(m.AuditRow.at >= since)
        query = query.limit(clean_whole(limit, "trail.limit", low=1, high=100_000))
        with self._read() as session:
            return tuple(r.to_record(r.AuditEntry, row) for row in session.scalars(query))


def _plates_of_jobs(condition: ColumnElement[bool]) -> Select[Any]:
    return select(m.JobPlateRow.plate_id).join(m.JobRow, m.JobRow.id == m.JobPlateRow.job_id).where(condition)


def _anywhere(word: str) -> ColumnElement[bool]:
    columns = (m.JobRow.reference_key, m.JobRow.customer_key, m.JobRow.engine_key)
    in_job = or_(*(column.contains(word, autoescape=True) for column in columns))
    return or_(m.PlateRow.tag_key.contains(word, autoescape=True), m.PlateRow.id.in_(_plates_of_jobs(in_job)))


def _by_survey(
    query: Select[Any], stage: str, since: date | str | None, until: date | str | None
) -> Select[Any]:
    conditions = []
    if stage:
        conditions.append(m.SurveyRow.stage == clean_entries("survey", {"stage": stage})["stage"])
    if since is not None:
        conditions.append(m.SurveyRow.surveyed_on >= clean_date(since, "search.since"))
    if until is not None:
        conditions.append(m.SurveyRow.surveyed_on <= clean_date(until, "search.until"))
    if not conditions:
        return query
    conditions.append(m.SurveyRow.withdrawn == "")
    return query.where(m.PlateRow.id.in_(select(m.SurveyRow.plate_id).where(and_(*conditions))))


def _found(session: Session, numbers: list[int]) -> tuple[FoundPlate, ...]:
    """The plates of a page, with what is shown beside each one read for all of them at once."""
    plates = {p.id: p for p in session.scalars(select(m.PlateRow).where(m.PlateRow.id.in_(numbers)))}
    of_plates = m.JobPlateRow.plate_id.in_(numbers)
    links = session.execute(select(m.JobPlateRow.plate_id, m.JobPlateRow.job_id).where(of_plates)).all()
    wanted = select(m.JobPlateRow.job_id).where(of_plates)
    # Bare rows: making objects that track changes of hundreds of jobs takes longer than the whole search.
    found_jobs = session.execute(select(*m.JobRow.__table__.c).where(m.JobRow.id.in_(wanted)))
    jobs = {row.id: r.to_record(r.Job, row) for row in found_jobs}
    surveys: dict[int, list[tuple[date, str]]] = {number: [] for number in numbers}
    found = (
        select(m.SurveyRow.plate_id, m.SurveyRow.surveyed_on, m.SurveyRow.stage)
        .where(m.SurveyRow.plate_id.in_(numbers), m.SurveyRow.withdrawn == "")
        .order_by(m.SurveyRow.surveyed_on, m.SurveyRow.id)
    )
    for plate_id, day, stage in session.execute(found):
        surveys[plate_id].append((day, stage))
    return tuple(
        FoundPlate(
            plate=r.to_record(r.Plate, plates[number]),
            jobs=tuple(jobs[job] for job in sorted((j for p, j in links if p == number), reverse=True)),
            n_surveys=len(surveys[number]),
            last_surveyed_on=surveys[number][-1][0] if surveys[number] else None,
            last_stage=surveys[number][-1][1] if surveys[number] else "",
        )
        for number in numbers
    )
