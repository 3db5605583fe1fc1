"""Is everything there, whole, and accounted for? Every exception is named."""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import exists, func, select, text
from sqlalchemy.exc import NoResultFound, SQLAlchemyError
from sqlalchemy.orm import Session

from ..errors import CasebookError
from . import models as m
from . import records as r
from .blobs import BlobStore
from .desk import KINDS
from .rawrows import raw_tables
from .release import text_to_sign

__all__ = ["CheckReport", "Finding", "check_contents", "remove_leftovers"]

_TRAILED: tuple[type[m.Base], ...] = (
    m.JobRow,
    m.PlateRow,
    m.JobPlateRow,
    m.PlateEventRow,
    m.FaceRow,
    m.SurveyRow,
    m.PhotoRow,
    m.AttachmentRow,
    m.InspectionRow,
    m.ReadingRow,
    m.ChecklistRow,
)
"""Tables whose every row has a first line in the trail."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that is not as it should be, as a sentence, and the file it is about (empty for a record)."""

    text: str
    path: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What a check found.

    `problems` are lost or damaged things: restore them from a backup. `leftovers` are files that no record
    names, as an interrupted write leaves them: nothing is lost, and tidying removes them.
    """

    problems: tuple[Finding, ...]
    leftovers: tuple[Finding, ...]
    n_records: int
    n_files: int
    n_signed: int

    @property
    def ok(self) -> bool:
        """True when nothing is lost or damaged."""
        return not self.problems

    def sentences(self) -> tuple[str, ...]:
        """The report in words: what was looked at, then each finding."""
        head = (
            f"Looked at {self.n_records} records, {self.n_files} kept files and {self.n_signed} signatures: "
            f"{len(self.problems)} problems, {len(self.leftovers)} leftovers."
        )
        return (head, *(f.text for f in self.problems), *(f.text for f in self.leftovers))


def check_contents(
    session: Session, blobs: BlobStore, *, deep: bool, beside: Path | None = None
) -> CheckReport:
    """Check a casebook in one reading transaction; see :meth:`pitmap.casebook.Casebook.check`.

    `beside` is the database's own file: what an interrupted restore left next to it is named too.
    """
    # Files are listed before the records are read: a photo that arrives in between is in both or in neither.
    on_disk = list(blobs.kept())
    problems: list[Finding] = []
    try:
        problems += _database_damage(session)
        problems += _untold_rows(session)
        problems += _unreadable_rows(session)
        n_signed, unsound = _unsound_signatures(session)
        problems += unsound
        kept = {row.sha256: row.n_bytes for row in session.scalars(select(m.BlobRow))}
        problems += _file_damage(blobs, kept, deep=deep)
        leftovers = _leftovers(on_disk, set(kept), blobs)
        leftovers += _unused_blobs(session)
        leftovers += _interrupted_restores(beside)
        # every row of every table, as a backup counts them: whoever holds one against the other must find one number
        connection = session.connection()
        n_records = sum(
            connection.scalar(select(func.count()).select_from(t)) or 0 for t in raw_tables(connection)
        )
    except (SQLAlchemyError, CasebookError) as error:
        said = str(getattr(error, "orig", error)).splitlines()[0][:200]
        problems.append(Finding(text=f"The database cannot be read through: {said}. Restore a backup."))
        kept, leftovers, n_records, n_signed = {}, [], 0, 0
    return CheckReport(
        problems=tuple(problems),
        leftovers=tuple(leftovers),
        n_records=n_records,
        n_files=len(kept),
        n_signed=n_signed,
    )


def _database_damage(session: Session) -> list[Finding]:
    if session.get_bind().dialect.name != "sqlite":
        return []  # a server checks its own pages, and its references are always enforced
    found = []
    for (said,) in session.execute(text("PRAGMA integrity_check(20)")):
        if said != "ok":
            found.append(Finding(text=f"The database is damaged: {said}. Restore a backup."))
    for table, row_id, parent, _ in session.execute(text("PRAGMA foreign_key_check")):
        found.append(Finding(text=f"{table} number {row_id} belongs to a {parent} that is not there."))
    return found


def _untold_rows(session: Session) -> list[Finding]:
    found = []
    for table in _TRAILED:
        name = table.__tablename__
        told = exists().where(
            m.AuditRow.kind == name, m.AuditRow.record_id == table.id, m.AuditRow.action == "create"
        )
        for number in session.scalars(select(table.id).where(~told).limit(100)):
            found.append(Finding(text=f"{name} number {number} has no first line in the trail."))
    return found


def _unreadable_rows(session: Session) -> list[Finding]:
    """Every record once through the door by which it is handed out."""
    found = []
    kinds: tuple[tuple[Any, Any], ...] = (
        *((kind, table) for kind, (_, table) in KINDS.items()),
        (r.MapEdit, m.MapEditRow),
        (r.Draft, m.DraftRow),
        (r.AuditEntry, m.AuditRow),
    )
    for kind, table in kinds:
        try:
            for row in session.scalars(select(table).execution_options(yield_per=1000)):
                r.to_record(kind, row)
        except CasebookError:
            # One bad value fails the thousand rows read with it, so look for it one by one.
            for number in session.scalars(select(table.id).order_by(table.id)).all():
                try:
                    r.to_record(kind, session.get_one(table, number, populate_existing=True))
                except CasebookError as error:
                    name = f"{table.__tablename__} number {number}"
                    found.append(Finding(text=f"{name} cannot be read: {error}"))
    return found


def _unsound_signatures(session: Session) -> tuple[int, list[Finding]]:
    """Whatever is signed must still be what was signed."""
    found, n_signed = [], 0
    kinds: tuple[tuple[Any, str], ...] = ((m.SurveyRow, "signed"), (m.JobRow, "released"))
    for table, state in kinds:
        kind = table.__tablename__
        for row in session.scalars(select(table).where(table.state == state).order_by(table.id)):
            n_signed += 1
            sign = session.scalars(
                select(m.SignOffRow).where(
                    m.SignOffRow.kind == kind,
                    m.SignOffRow.record_id == row.id,
                    m.SignOffRow.revision == row.revision,
                )
            ).one_or_none()
            name = f"{kind} number {row.id}"
            if sign is None:
                found.append(Finding(text=f"{name} is {state}, but there is no signature for it."))
            elif hashlib.sha256(sign.content_json.encode()).hexdigest() != sign.content_sha256:
                found.append(Finding(text=f"The signature under {name} does not fit its own text."))
            elif _content(session, row, sign) != sign.content_json:
                found.append(
                    Finding(text=f"{name} is not what {sign.signed_by} signed: it was changed since.")
                )
    return n_signed, found


def _content(session: Session, row: Any, sign: m.SignOffRow) -> str:
    try:
        return text_to_sign(session, row, r.unfolded(sign, "content"))
    except (CasebookError, NoResultFound):  # named by the other looks already; here it only does not match
        return ""


def _file_damage(blobs: BlobStore, kept: dict[str, int], *, deep: bool) -> list[Finding]:
    found = []
    for sha256, n_bytes in sorted(kept.items()):
        path = blobs.path(sha256)
        if deep:
            said = blobs.damage(sha256, n_bytes)
        elif not path.is_file():
            said = "is missing"
        else:
            size = path.stat().st_size
            said = "" if size == n_bytes else f"has {size} bytes instead of {n_bytes}"
        if said:
            found.append(
                Finding(text=f"The kept file {path} {said}. Restore it from a backup.", path=str(path))
            )
    return found


def _leftovers(on_disk: list[tuple[Path, str]], kept: set[str], blobs: BlobStore) -> list[Finding]:
    found = []
    for path, sha256 in on_disk:
        if sha256 in kept:
            continue
        if sha256:
            said = "is named by no record (an interrupted write, or one going on now)"
        elif blobs.is_unfinished(path):
            said = "is a write that did not finish, or goes on now"
        else:
            said = "was not put there by pitmap; look at it and move it away"
        found.append(Finding(text=f"The file {path} {said}.", path=str(path)))
    return found


def _interrupted_restores(beside: Path | None) -> list[Finding]:
    if beside is None:
        return []
    return [
        Finding(text=f"{path} was left by an interrupted restore; remove it.", path=str(path))
        for path in sorted(beside.parent.iterdir())
        if path.name.startswith(f"{beside.name}.") and ".restoring-" in path.name
    ]


def _unused_blobs(session: Session) -> list[Finding]:
    used = (
        exists().where(table.sha256 == m.BlobRow.sha256)
        for table in (m.PhotoRow, m.AttachmentRow, m.InspectionFileRow)
    )
    query = select(m.BlobRow.sha256)
    for condition in used:
        query = query.where(~condition)
    return [Finding(text=f"The kept file {sha256} is used by nothing.") for sha256 in session.scalars(query)]


def remove_leftovers(session: Session, blobs: BlobStore, *, older_than_s: float) -> tuple[Path, ...]:
    """Remove files that no record names; runs in a writing transaction, so that no writer is half way."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(text("LOCK TABLE blob IN EXCLUSIVE MODE"))
    kept = set(session.scalars(select(m.BlobRow.sha256)))
    limit = time.time() - older_than_s
    removed = []
    for path, sha256 in blobs.kept():
        ours = (sha256 and sha256 not in kept) or (not sha256 and blobs.is_unfinished(path))
        if ours and path.stat().st_mtime <= limit:
            path.unlink()
            removed.append(path)
    return tuple(removed)
