"""Jobs, plates, faces and the plate's earlier life."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from ..errors import EditConflict, InputError
from . import models as m
from . import records as r
from .blobs import Readable
from .clean import clean_line, clean_whole, file_label, search_key
from .desk import Desk
from .entries import clean_entries

__all__ = ["PlateDesk"]


class PlateDesk(Desk):
    """The part of the casebook about jobs and plates."""

    def create_job(self, reference: str, *, customer: str = "", engine: str = "", notes: str = "") -> r.Job:
        """A new job under the customer's reference.

        Raises
        ------
        InputError
            An entry that cannot be taken; the message names the field.
        """
        cleaned = clean_entries(
            "job", {"reference": reference, "customer": customer, "engine": engine, "notes": notes}
        )
        with self._write() as session:
            return r.to_record(r.Job, self._add(session, m.JobRow(**cleaned)))

    def create_plate(
        self, tag: str, *, position: str = "", drawing: str = "", notes: str = "", job: r.Job | None = None
    ) -> r.Plate:
        """A new plate; its tag is its name for life. With `job` it is put into that job at once.

        Raises
        ------
        InputError
            The tag is taken (then the plate has been here before: use :meth:`plate_by_tag`), or an entry
            cannot be taken.
        CasebookError
            The job is released.
        """
        cleaned = clean_entries(
            "plate", {"tag": tag, "position": position, "drawing": drawing, "notes": notes}
        )
        with self._write() as session:
            row = m.PlateRow(**cleaned)
            self._must_be_free(session, row, cleaned)
            self._add(session, row)
            if job is not None:
                self._put_into(session, job.id, row)
            return r.to_record(r.Plate, row)

    def put_into_job(self, plate: r.Plate, job: r.Job) -> None:
        """Put a plate that has been here before into another job; nothing happens when it is in it."""
        with self._write() as session:
            self._put_into(session, job.id, self._row(session, m.PlateRow, plate.id))

    def _put_into(self, session: Session, job_id: int, plate: m.PlateRow) -> None:
        job = self._row(session, m.JobRow, job_id, lock=True)
        link = select(m.JobPlateRow).where(m.JobPlateRow.job_id == job.id, m.JobPlateRow.plate_id == plate.id)
        if session.scalars(link).one_or_none() is None:
            self._must_be_open(session, job)
            self._add(session, m.JobPlateRow(job_id=job.id, plate_id=plate.id))

    def create_face(self, plate: r.Plate, name: str, *, drawing: str = "", notes: str = "") -> r.Face:
        """A machined face of a plate, for example ``front`` or ``side A``, with the name of its drawing."""
        cleaned = clean_entries("face", {"name": name, "drawing": drawing, "notes": notes})
        with self._write() as session:
            row = m.FaceRow(plate_id=self._row(session, m.PlateRow, plate.id, lock=True).id, **cleaned)
            self._must_be_free(session, row, cleaned)
            return r.to_record(r.Face, self._add(session, row))

    def add_event(self, plate: r.Plate, kind: str, **entries: object) -> r.PlateEvent:
        """Something in the plate's life outside this casebook's surveys.

        Parameters
        ----------
        plate : Plate
        kind : str
            ``stock`` (metal taken off before), ``reshaped port``, ``stud``, ``dowel``, ``repair``, ``other``.
        **entries
            `face`, `text`, `happened_on`, `removed_um` and `uncertainty_um` (um), `source`.
        """
        cleaned = clean_entries("plate_event", {"kind": kind, **entries})
        with self._write() as session:
            row = m.PlateEventRow(plate_id=self._row(session, m.PlateRow, plate.id).id, **cleaned)
            return r.to_record(r.PlateEvent, self._add(session, row))

    def attach_file(
        self,
        plate: r.Plate,
        data: bytes | Path | Readable,
        name: str,
        *,
        role: str = "drawing",
        face: r.Face | None = None,
        over: int | None = None,
    ) -> r.Attachment:
        """Keep a file with a plate, for example its drawing; the bytes are kept once and never changed.

        Parameters
        ----------
        plate : Plate
        data : bytes, Path or file to read
        name, role : str
        face : Face or None
            Whose it is; None: of the whole plate.
        over : int or None
            Number of the file of this role that was the newest when this one was made of it, 0 where there was none; the
            plate's own counts for a face that has none. None: whatever is kept by now.

        Raises
        ------
        InputError
            A face of another plate.
        EditConflict
            A newer file than `over` is kept by now; the message says whose.
        """
        label, role = file_label(name, "attachment.name"), clean_line(role, "attachment.role")
        with self._staged(data, "attachment") as blob, self._write() as session:
            # Locked, so that nobody can keep another one between the look for the newest and this one.
            plate_id = self._row(session, m.PlateRow, plate.id, lock=over is not None).id
            face_id = None if face is None else self._row(session, m.FaceRow, face.id).id
            if face is not None and face.plate_id != plate_id:
                raise InputError(f"attachment.face: face {face.name} belongs to another plate")
            newest = None if over is None else _newest_file(session, plate_id, face_id, role)
            if newest is not None and newest.id != over:
                raise EditConflict(
                    f"another {role} was kept by {self._first(newest.created_by)} on "
                    f"{newest.created_at:%Y-%m-%d at %H:%M} UTC, after you opened it. Nothing was done: look at that one, "
                    "then press again",
                    changed_by=newest.created_by,
                    changed_at=newest.created_at.isoformat(),
                )
            self._keep_blob(session, blob)
            row = m.AttachmentRow(
                plate_id=plate_id,
                face_id=face_id,
                sha256=blob.sha256,
                n_bytes=blob.n_bytes,
                name=label,
                role=role,
                created_by=self.who,
            )
            return r.to_record(r.Attachment, self._add(session, row, told=("name", "role", "sha256")))

    def plate_by_tag(self, tag: str) -> r.Plate | None:
        """The plate with this tag, upper and lower case alike, or None."""
        key = search_key(clean_line(tag, "plate.tag"))
        with self._read() as session:
            row = session.scalars(select(m.PlateRow).where(m.PlateRow.tag_key == key)).one_or_none()
            return None if row is None else r.to_record(r.Plate, row)

    def jobs(self, *, state: str | None = None, limit: int = 200, offset: int = 0) -> tuple[r.Job, ...]:
        """Jobs, newest first; `state` picks ``open`` or ``released`` ones.

        Raises
        ------
        InputError
            Another state than these.
        """
        query = select(m.JobRow).order_by(m.JobRow.id.desc())
        if state is not None:
            if state not in ("open", "released"):
                raise InputError(f"job.state: expected open or released, got {ascii(state)[:60]}")
            query = query.where(m.JobRow.state == state)
        limit, offset = _page(limit, offset)
        with self._read() as session:
            rows = session.scalars(query.limit(limit).offset(offset))
            return tuple(r.to_record(r.Job, row) for row in rows)

    def plates(self, *, job: r.Job | None = None, limit: int = 200, offset: int = 0) -> tuple[r.Plate, ...]:
        """Plates by tag, all or those of one job."""
        query = select(m.PlateRow).order_by(m.PlateRow.tag_key)
        if job is not None:
            query = query.join(m.JobPlateRow, m.JobPlateRow.plate_id == m.PlateRow.id)
            query = query.where(m.JobPlateRow.job_id == job.id)
        limit, offset = _page(limit, offset)
        with self._read() as session:
            rows = session.scalars(query.limit(limit).offset(offset))
            return tuple(r.to_record(r.Plate, row) for row in rows)

    def faces(self, plate: r.Plate) -> tuple[r.Face, ...]:
        """The faces of a plate by name."""
        query = select(m.FaceRow).where(m.FaceRow.plate_id == plate.id).order_by(m.FaceRow.name_key)
        with self._read() as session:
            return tuple(r.to_record(r.Face, row) for row in session.scalars(query))


def _newest_file(session: Session, plate_id: int, face_id: int | None, role: str) -> m.AttachmentRow | None:
    """The file of this role that counts for a face: the newest of its own, else of the whole plate."""
    table = m.AttachmentRow
    query = select(table).where(table.plate_id == plate_id, table.role == role).order_by(table.id.desc())
    for whose in dict.fromkeys((face_id, None)):
        row = session.scalars(query.where(table.face_id.is_not_distinct_from(whose)).limit(1)).first()
        if row is not None:
            return row
    return None


def _page(limit: object, offset: object) -> tuple[int, int]:
    return clean_whole(limit, "limit", low=1, high=100_000), clean_whole(offset, "offset", low=0, high=10**9)
