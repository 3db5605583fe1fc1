"""What every part of the casebook shares: transactions, the trail, and changes guarded by versions."""

from __future__ import annotations

import getpass
import json
import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Engine, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from ..errors import CasebookError, EditConflict, InputError
from ..estimate import Estimate
from . import models as m
from . import records as r
from .blobs import BlobStore, Readable, StagedBlob
from .clean import as_plain, canonical_json, clean_id, clean_line, search_key
from .engine import storage_errors
from .entries import FIELDS, clean_entries
from .place import Place

__all__ = ["KINDS", "Desk", "called", "current_person", "kind_of"]

R = TypeVar("R", bound=r.Tracked)
Row = TypeVar("Row", bound=m.Base)

KINDS: dict[type, tuple[str, type[m.Base]]] = {
    r.Job: ("job", m.JobRow),
    r.Plate: ("plate", m.PlateRow),
    r.PlateEvent: ("plate_event", m.PlateEventRow),
    r.Face: ("face", m.FaceRow),
    r.Survey: ("survey", m.SurveyRow),
    r.PhotoRef: ("photo", m.PhotoRow),
    r.InspectionRef: ("inspection", m.InspectionRow),
    r.Reading: ("reading", m.ReadingRow),
    r.ChecklistItem: ("checklist_item", m.ChecklistRow),
}


def _table_of(kind: type) -> type[m.Base]:
    if kind not in KINDS:
        raise InputError(f"expected a kind of record, as Job or Plate, got {ascii(kind)[:60]}")
    return KINDS[kind][1]


def called(row: m.Base) -> str:
    """What a sentence calls a record: a job by its reference, which is what the shop knows it by; else kind and number."""
    if isinstance(row, m.JobRow):
        return f"job {row.reference}"
    return f"{row.__tablename__.replace('_', ' ')} number {row.id}"


def kind_of(record: object) -> tuple[str, type[m.Base]]:
    """The kind of a record and its table.

    Raises
    ------
    InputError
        Not a record that people edit.
    """
    if type(record) not in KINDS:
        raise InputError(f"expected a record of the casebook, got {type(record).__name__}")
    return KINDS[type(record)]


def current_person() -> str:
    """Whose name changes are written under when nobody else is named: PITMAP_WHO, else the login name."""
    try:
        return os.environ.get("PITMAP_WHO", "") or getpass.getuser()
    except (KeyError, OSError):  # a login without a name, as in a bare container
        return "somebody"


class Desk:
    """Shared workings of the parts of :class:`~pitmap.casebook.Casebook`."""

    def __init__(
        self,
        place: Place,
        reader: Engine,
        writer: Engine,
        blobs: BlobStore,
        who: str,
        ongoing: threading.local | None = None,
    ) -> None:
        self.place = place
        self.who = clean_line(who, "who", required=True)
        self._reader, self._writer, self._blobs = reader, writer, blobs
        self._ongoing = threading.local() if ongoing is None else ongoing

    @contextmanager
    def together(self) -> Iterator[None]:
        """Keep everything that is done inside the block, or nothing of it when the block ends in an error.

        Others wait with their changes until it ends, so let nobody type inside it. When the whole block is
        dropped, drafts that were kept inside it are dropped too.
        """
        if getattr(self._ongoing, "session", None) is not None:
            yield
            return
        with self._write() as session:
            self._ongoing.session = session
            try:
                yield
            finally:
                self._ongoing.session = None

    @contextmanager
    def _read(self) -> Iterator[Session]:
        ongoing = getattr(self._ongoing, "session", None)
        with storage_errors(self.place):
            if ongoing is not None:
                yield ongoing
                return
            with Session(self._reader) as session:
                yield session

    @contextmanager
    def _write(self) -> Iterator[Session]:
        ongoing = getattr(self._ongoing, "session", None)
        with storage_errors(self.place):
            if ongoing is not None:
                with ongoing.begin_nested():  # a refused step inside leaves no half of itself
                    yield ongoing
                return
            with Session(self._writer, expire_on_commit=False) as session, session.begin():
                yield session

    def _row(self, session: Session, table: type[Row], number: object, *, lock: bool = False) -> Row:
        name = table.__tablename__
        number = clean_id(number, name)
        query = select(table).where(table.id == number)
        if lock:  # and read anew: on a server another writer may have been first while this one waited
            query = query.with_for_update().execution_options(populate_existing=True)
        row = session.scalars(query).one_or_none()
        if row is None:
            raise InputError(f"{name}: there is no {name.replace('_', ' ')} number {number} in this casebook")
        return row

    def _log(
        self,
        session: Session,
        action: str,
        row: m.Base,
        changes: Mapping[str, Any] | None = None,
        reason: str = "",
    ) -> None:
        """One line of the trail, in the transaction of the change that it tells of."""
        plate_id, job_id = _belongs_to(session, row)
        session.add(
            m.AuditRow(
                who=self.who,
                action=action,
                kind=row.__tablename__,
                record_id=row.id,
                plate_id=plate_id,
                job_id=job_id,
                changes_json=canonical_json(changes or {}),
                reason=reason,
            )
        )

    def _add(self, session: Session, row: Row, reason: str = "", told: tuple[str, ...] = ()) -> Row:
        """Put a new row in and write the trail's first line about it, with the fields in `told`."""
        if isinstance(row, m.Tracked):
            row.changed_by = self.who
        session.add(row)
        session.flush()
        names = (*FIELDS.get(row.__tablename__, {}), *told)
        self._log(session, "create", row, {n: [None, as_plain(getattr(row, n))] for n in names}, reason)
        return row

    @contextmanager
    def _staged(self, data: bytes | Path | Readable, field: str) -> Iterator[StagedBlob]:
        with storage_errors(self.place), self._blobs.staged(data, field) as blob:
            yield blob

    def _keep_blob(self, session: Session, blob: StagedBlob) -> None:
        """The staged file into the store, its row first: `tidy` locks that table, and so cannot interfere."""
        dialect: Any = {"sqlite": sqlite, "postgresql": postgresql}[session.get_bind().dialect.name]
        row = dialect.insert(m.BlobRow).values(sha256=blob.sha256, n_bytes=blob.n_bytes)
        session.execute(row.on_conflict_do_nothing(index_elements=["sha256"]))
        self._blobs.keep(blob)

    def get(self, kind: type[R], number: int) -> R:
        """The newest version of one record.

        Raises
        ------
        InputError
            No such record.
        """
        with self._read() as session:
            return r.to_record(kind, self._row(session, _table_of(kind), number))

    def update(self, record: R, *, reason: str = "", keep_draft: bool = True, **changes: object) -> R:
        """Change fields of a record that has not changed since it was read.

        Parameters
        ----------
        record : Job, Plate, PlateEvent, Face, Survey, PhotoRef, Reading or ChecklistItem
            As it was read; its `version` says what the person saw.
        reason : str
            Why, for the trail.
        keep_draft : bool
            Keep a change that comes too late as a draft; False where nobody is shown the drafts, then the refusal gives
            back what was typed.
        **changes
            New values by field name.

        Returns
        -------
        The record as it is now.

        Raises
        ------
        InputError
            A value or field that cannot be taken.
        EditConflict
            Somebody changed it meanwhile; the message says who and when, and where the change is now.
        CasebookError
            The record is signed and frozen.
        """
        kind, table = kind_of(record)
        cleaned = clean_entries(kind, changes)
        reason = clean_line(reason, "reason", limit=2000)
        with self._write() as session:
            row = self._row(session, table, record.id, lock=True)
            conflict = self._conflict(
                session,
                row,
                record.version,
                cleaned if keep_draft else {},
                "" if keep_draft else _typed(cleaned, reason),
            )
            if conflict is None:
                self._change(session, row, cleaned, reason)
                return r.to_record(type(record), row)
        raise conflict

    def _change(self, session: Session, row: Any, cleaned: Mapping[str, Any], reason: str) -> None:
        self._must_be_open(session, row)
        self._must_be_free(session, row, cleaned)
        if row.__tablename__ == "checklist_item":
            _check_ticks(row, cleaned)
        changes = {}
        for name, value in cleaned.items():
            before, after = as_plain(getattr(row, name)), as_plain(value)
            if before != after:
                setattr(row, name, value)
                changes[name] = [before, after]
        if changes:
            self._touch(row)
            session.flush()
            self._log(session, "change", row, changes, reason)

    def _touch(self, row: Any) -> None:
        row.version += 1
        row.changed_at, row.changed_by = m.now(), self.who

    def _conflict(
        self, session: Session, row: Any, seen_version: int, cleaned: Mapping[str, Any], typed: str = ""
    ) -> EditConflict | None:
        """None when the row is as it was seen; else the refusal, with new values of fields kept as a draft.

        What changes no field (to sign, withdraw, reopen) has nothing that a draft could lay over the record: the
        refusal gives back what was `typed` instead.
        """
        if row.version == seen_version:
            return None
        draft_id = 0
        kept = "Nothing was done: read the record again, then repeat it"
        if cleaned:
            draft_id = self._keep_draft(session, row, seen_version, cleaned)
            kept = f"Your change is kept as draft {draft_id}: read the record again, then apply or discard the draft"
        elif typed:
            kept += f"; you wrote: {typed}"
        return EditConflict(
            f"{called(row)} was changed by {self._first(row.changed_by)} on "
            f"{row.changed_at:%Y-%m-%d at %H:%M} UTC, after you opened it. {kept}",
            changed_by=row.changed_by,
            changed_at=row.changed_at.isoformat(),
            draft_id=draft_id,
        )

    def _first(self, who: str) -> str:
        """Who was first, for a refusal: one's own change is not spoken of as somebody else's."""
        return f"{who} (your own name: another window, or a second press)" if who == self.who else who

    def _keep_draft(self, session: Session, row: Any, seen_version: int, cleaned: Mapping[str, Any]) -> int:
        kept = {name: as_plain(value) for name, value in cleaned.items()}
        draft = m.DraftRow(
            kind=row.__tablename__,
            record_id=row.id,
            seen_version=seen_version,
            changes_json=canonical_json(kept),
            created_by=self.who,
        )
        session.add(draft)
        session.flush()
        self._log(session, "keep as draft", row, {name: [None, value] for name, value in kept.items()})
        return draft.id

    def drafts(self, *, open_only: bool = True) -> tuple[r.Draft, ...]:
        """Changes of records that came too late and were kept, oldest first."""
        query = select(m.DraftRow).order_by(m.DraftRow.id)
        if open_only:
            query = query.where(m.DraftRow.state == "open")
        with self._read() as session:
            return tuple(r.to_record(r.Draft, row) for row in session.scalars(query))

    def apply_draft(self, draft_id: int, seen: r.Tracked) -> r.Tracked:
        """Lay a kept change over the record as it is now; `seen` is that record, newly read.

        Raises
        ------
        InputError
            `seen` is another record than the one that the draft changes, or the draft is not open.
        EditConflict
            The record was changed again since `seen` was read; the draft stays open.
        """
        conflict = None
        with self._write() as session:
            draft = self._open_draft(session, draft_id)
            kind, table = kind_of(seen)
            if (draft.kind, draft.record_id) != (kind, seen.id):
                raise InputError(f"draft {draft.id}: belongs to {draft.kind} number {draft.record_id}")
            row: Any = self._row(session, table, seen.id, lock=True)
            if row.version == seen.version:
                cleaned = clean_entries(kind, json.loads(draft.changes_json))
                self._change(session, row, cleaned, f"draft {draft.id} of {draft.created_by}")
                draft.state = "applied"
                return r.to_record(type(seen), row)
            conflict = EditConflict(
                f"{kind} number {row.id} was changed again by {self._first(row.changed_by)} on "
                f"{row.changed_at:%Y-%m-%d at %H:%M} UTC. Draft {draft.id} is still kept: read "
                "the record again",
                changed_by=row.changed_by,
                changed_at=row.changed_at.isoformat(),
                draft_id=draft.id,
            )
        raise conflict

    def discard_draft(self, draft_id: int) -> None:
        """Lay a kept change aside; it stays readable in :meth:`drafts` with ``open_only=False``."""
        with self._write() as session:
            draft = self._open_draft(session, draft_id)
            draft.state = "discarded"
            self._log(session, "discard", draft)

    def _open_draft(self, session: Session, draft_id: int) -> m.DraftRow:
        draft = self._row(session, m.DraftRow, draft_id, lock=True)
        if draft.state != "open":
            raise InputError(f"draft {draft.id}: was already {draft.state}")
        return draft

    def _must_be_open(self, session: Session, row: m.Base) -> None:
        """Refuse a change of what somebody has signed or left out."""
        job_id = None
        if isinstance(row, m.PlateEventRow) and row.withdrawn:
            raise CasebookError(
                f"plate event number {row.id} was left out ({row.withdrawn}); add it again as it was"
            )
        if isinstance(row, (m.ReadingRow, m.PhotoRow, m.InspectionRow)):
            row = self._row(session, m.SurveyRow, row.survey_id)
        if isinstance(row, m.SurveyRow):
            # Locked, so that no sign-off can come between this look and the change that follows it.
            row = self._row(session, m.SurveyRow, row.id, lock=True)
            if row.state == "signed":
                raise CasebookError(
                    f"survey number {row.id} is signed and frozen{self._signer(session, row)}; open a new "
                    "revision of it to change anything"
                )
            if row.withdrawn:
                raise CasebookError(
                    f"survey number {row.id} was left out ({row.withdrawn}); add a new survey to go on"
                )
            job_id = row.job_id
        elif isinstance(row, m.ChecklistRow):
            job_id = row.job_id
        elif isinstance(row, m.JobRow):
            job_id = row.id
        if job_id is None:
            return
        job = self._row(session, m.JobRow, job_id, lock=True)
        if job.state != "open":
            raise CasebookError(
                f"{called(job)} is released and frozen{self._signer(session, job)}; reopen the job to "
                "change anything"
            )

    def _signer(self, session: Session, row: Any) -> str:
        query = select(m.SignOffRow).where(
            m.SignOffRow.kind == row.__tablename__,
            m.SignOffRow.record_id == row.id,
            m.SignOffRow.revision == row.revision,
        )
        sign = session.scalars(query).one_or_none()
        return "" if sign is None else f" (by {sign.signed_by} on {sign.signed_at:%Y-%m-%d at %H:%M} UTC)"

    def _must_be_free(self, session: Session, row: Any, cleaned: Mapping[str, Any]) -> None:
        """Refuse a tag or face name that another record has."""
        query: Any = None
        if isinstance(row, m.PlateRow) and "tag" in cleaned:
            shown = cleaned["tag"]
            query = select(m.PlateRow).where(m.PlateRow.tag_key == search_key(shown))
        elif isinstance(row, m.FaceRow) and "name" in cleaned:
            shown = cleaned["name"]
            query = select(m.FaceRow).where(
                m.FaceRow.plate_id == row.plate_id, m.FaceRow.name_key == search_key(shown)
            )
        if query is None:
            return
        with session.no_autoflush:
            other = session.scalars(query).first()
        if other is not None and other.id != row.id:
            field = "plate.tag" if isinstance(row, m.PlateRow) else "face.name"
            raise InputError(
                f"{field}: {shown} is taken already by number {other.id}; use that one, or another name"
            )


def _typed(cleaned: Mapping[str, Any], reason: str) -> str:
    """The new values of fields in words, for whoever has to type them again."""
    told = {
        name.replace("_", " "): f"{value.value:g} um" if isinstance(value, Estimate) else str(as_plain(value))
        for name, value in cleaned.items()
    }
    return "; ".join(f"{name}: {text}" for name, text in {**told, "why": reason}.items() if text)


def _belongs_to(session: Session, row: Any) -> tuple[int | None, int | None]:
    """The plate and job in whose life a change of this row is told."""
    if isinstance(row, m.PlateRow):
        return row.id, None
    if isinstance(row, m.JobRow):
        return None, row.id
    if isinstance(row, m.MapEditRow):
        row = session.get_one(m.InspectionRow, row.inspection_id)
    if hasattr(row, "survey_id"):
        row = session.get_one(m.SurveyRow, row.survey_id)
    return getattr(row, "plate_id", None), getattr(row, "job_id", None)


def _check_ticks(row: m.ChecklistRow, cleaned: Mapping[str, Any]) -> None:
    state, note = cleaned.get("state", row.state), cleaned.get("note", row.note)
    if state == "not needed" and not note:
        raise InputError("checklist_item.note: say why this is not needed")
