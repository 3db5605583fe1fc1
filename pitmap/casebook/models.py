"""The tables of the casebook (SQLAlchemy), the same on SQLite and PostgreSQL.

Times and days are stored as ISO 8601 text, hashes as 64 hexadecimal digits, structured values as JSON
text: every cell is a number, a text, a truth value or empty, so that a backup of one kind of server can be
restored into the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any, TypeVar

from sqlalchemy import BigInteger, ForeignKey, Index, Integer, MetaData, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, validates
from sqlalchemy.types import TypeDecorator

from ..errors import CasebookError, InputError
from ..estimate import DEFAULT_LEVEL, Estimate
from .clean import search_key

__all__ = [
    "AttachmentRow",
    "AuditRow",
    "Base",
    "BlobRow",
    "ChecklistRow",
    "DraftRow",
    "FaceRow",
    "InspectionFileRow",
    "InspectionRow",
    "IsoDay",
    "IsoMoment",
    "JobPlateRow",
    "JobRow",
    "MapEditRow",
    "PhotoRow",
    "PlateEventRow",
    "PlateRow",
    "ReadingRow",
    "SignOffRow",
    "SurveyRow",
    "now",
]

T = TypeVar("T")

BigId = BigInteger().with_variant(Integer, "sqlite")


def now() -> datetime:
    """The present moment in UTC."""
    return datetime.now(UTC)


def _parsed(parse: Callable[[str], T], value: str) -> T:
    try:
        return parse(value)
    except (ValueError, TypeError):
        raise CasebookError(f"A day in the casebook was damaged: {ascii(value)[:40]}") from None


class IsoDay(TypeDecorator[date]):
    """A day, stored as YYYY-MM-DD."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: date | None, dialect: Any) -> str | None:
        return None if value is None else value.isoformat()

    def process_result_value(self, value: str | None, dialect: Any) -> date | None:
        return None if value is None else _parsed(date.fromisoformat, value)


class IsoMoment(TypeDecorator[datetime]):
    """A moment in UTC, stored as text of one fixed length so that it sorts as text."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> str | None:
        return None if value is None else value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: str | None, dialect: Any) -> datetime | None:
        return None if value is None else _parsed(datetime.fromisoformat, value)


class Base(DeclarativeBase):
    """Root of the tables; constraints have names so that a migration can speak of them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {str: Text, date: IsoDay, datetime: IsoMoment, int: BigId}
    __table_args__: Any = {"sqlite_autoincrement": True}  # a number, once given, is never given again

    id: Mapped[int] = mapped_column(primary_key=True)


class Tracked:
    """Columns of a record that people edit: its version guards against two people at once."""

    version: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime] = mapped_column(default=now)
    changed_at: Mapped[datetime] = mapped_column(default=now)
    changed_by: Mapped[str]


class JobRow(Tracked, Base):
    __tablename__ = "job"
    reference: Mapped[str]
    reference_key: Mapped[str] = mapped_column(index=True)
    customer: Mapped[str] = mapped_column(default="")
    customer_key: Mapped[str] = mapped_column(default="")
    engine: Mapped[str] = mapped_column(default="")
    engine_key: Mapped[str] = mapped_column(default="")
    notes: Mapped[str] = mapped_column(default="")
    state: Mapped[str] = mapped_column(default="open")
    revision: Mapped[int] = mapped_column(default=1)

    @validates("reference", "customer", "engine")
    def _keep_key(self, name: str, value: str) -> str:
        setattr(self, f"{name}_key", search_key(value))
        return value


class PlateRow(Tracked, Base):
    __tablename__ = "plate"
    tag: Mapped[str]
    tag_key: Mapped[str] = mapped_column(unique=True)
    position: Mapped[str] = mapped_column(default="")
    drawing: Mapped[str] = mapped_column(default="")
    notes: Mapped[str] = mapped_column(default="")

    @validates("tag")
    def _keep_key(self, name: str, value: str) -> str:
        self.tag_key = search_key(value)
        return value


class JobPlateRow(Base):
    __tablename__ = "job_plate"
    __table_args__ = (UniqueConstraint("job_id", "plate_id"), {"sqlite_autoincrement": True})
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"))
    plate_id: Mapped[int] = mapped_column(ForeignKey("plate.id"), index=True)


class PlateEventRow(Tracked, Base):
    __tablename__ = "plate_event"
    plate_id: Mapped[int] = mapped_column(ForeignKey("plate.id"), index=True)
    kind: Mapped[str]
    face: Mapped[str] = mapped_column(default="")
    text: Mapped[str] = mapped_column(default="")
    happened_on: Mapped[date | None]
    removed_um: Mapped[float | None]
    uncertainty_um: Mapped[float | None]
    source: Mapped[str] = mapped_column(default="")
    withdrawn: Mapped[str] = mapped_column(default="", server_default="")


class FaceRow(Tracked, Base):
    __tablename__ = "face"
    __table_args__ = (UniqueConstraint("plate_id", "name_key"), {"sqlite_autoincrement": True})
    plate_id: Mapped[int] = mapped_column(ForeignKey("plate.id"))
    name: Mapped[str]
    name_key: Mapped[str]
    drawing: Mapped[str] = mapped_column(default="", server_default="")
    notes: Mapped[str] = mapped_column(default="")

    @validates("name")
    def _keep_key(self, name: str, value: str) -> str:
        self.name_key = search_key(value)
        return value


class SurveyRow(Tracked, Base):
    __tablename__ = "survey"
    __table_args__ = (
        Index(None, "plate_id", "surveyed_on"),
        Index(None, "surveyed_on", "stage", "plate_id"),  # a search by day and stage reads nothing else
        {"sqlite_autoincrement": True},
    )
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"), index=True)
    plate_id: Mapped[int] = mapped_column(ForeignKey("plate.id"))
    face_id: Mapped[int] = mapped_column(ForeignKey("face.id"), index=True)
    stage: Mapped[str]
    surveyed_on: Mapped[date]
    removed_value_um: Mapped[float | None]
    removed_low_um: Mapped[float | None]
    removed_high_um: Mapped[float | None]
    removed_level: Mapped[float] = mapped_column(default=DEFAULT_LEVEL)
    removed_reason: Mapped[str] = mapped_column(default="")
    notes: Mapped[str] = mapped_column(default="")
    state: Mapped[str] = mapped_column(default="open")
    revision: Mapped[int] = mapped_column(default=1)
    withdrawn: Mapped[str] = mapped_column(default="", server_default="")
    # Unique, so that two people cannot both open a second revision of one survey.
    supersedes_id: Mapped[int | None] = mapped_column(ForeignKey("survey.id"), unique=True)

    @property
    def removed_um(self) -> Estimate:
        """Stock taken off before this survey, all steps, as an estimate."""
        value, low, high = (
            math.nan if v is None else v
            for v in (self.removed_value_um, self.removed_low_um, self.removed_high_um)
        )
        try:
            return Estimate(
                value=value, low=low, high=high, level=self.removed_level, reason=self.removed_reason
            )
        except InputError as error:
            raise CasebookError(f"survey number {self.id}: its removed stock was damaged ({error})") from None

    @removed_um.setter
    def removed_um(self, estimate: Estimate) -> None:
        value, low, high = (
            None if math.isnan(v) else v for v in (estimate.value, estimate.low, estimate.high)
        )
        self.removed_value_um, self.removed_low_um, self.removed_high_um = value, low, high
        self.removed_level, self.removed_reason = estimate.level, estimate.reason


class BlobRow(Base):
    __tablename__ = "blob"
    sha256: Mapped[str] = mapped_column(unique=True)
    n_bytes: Mapped[int]
    stored_at: Mapped[datetime] = mapped_column(default=now)


class AttachmentRow(Base):
    __tablename__ = "attachment"
    plate_id: Mapped[int] = mapped_column(ForeignKey("plate.id"), index=True)
    face_id: Mapped[int | None] = mapped_column(ForeignKey("face.id"), index=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("blob.sha256"), index=True)
    n_bytes: Mapped[int]
    name: Mapped[str]
    role: Mapped[str] = mapped_column(default="")
    created_at: Mapped[datetime] = mapped_column(default=now)
    created_by: Mapped[str]


class PhotoRow(Tracked, Base):
    __tablename__ = "photo"
    survey_id: Mapped[int] = mapped_column(ForeignKey("survey.id"), index=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("blob.sha256"), index=True)
    n_bytes: Mapped[int]
    name: Mapped[str]
    role: Mapped[str] = mapped_column(default="")
    withdrawn: Mapped[str] = mapped_column(default="")


class InspectionRow(Tracked, Base):
    __tablename__ = "inspection"
    survey_id: Mapped[int] = mapped_column(ForeignKey("survey.id"), index=True)
    summary_json: Mapped[str] = mapped_column(default="{}")
    edits_version: Mapped[int] = mapped_column(default=0)


class InspectionFileRow(Base):
    __tablename__ = "inspection_file"
    __table_args__ = (UniqueConstraint("inspection_id", "name"), {"sqlite_autoincrement": True})
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"))
    name: Mapped[str]
    sha256: Mapped[str] = mapped_column(ForeignKey("blob.sha256"), index=True)
    n_bytes: Mapped[int]


class MapEditRow(Base):
    __tablename__ = "map_edit"
    __table_args__ = (UniqueConstraint("inspection_id", "layer"), {"sqlite_autoincrement": True})
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"))
    layer: Mapped[int | None]
    action: Mapped[str]
    class_code: Mapped[int]
    shape_json: Mapped[str]
    reason: Mapped[str]
    state: Mapped[str]
    seen_version: Mapped[int]
    accepted_by: Mapped[str] = mapped_column(default="")
    created_at: Mapped[datetime] = mapped_column(default=now)
    created_by: Mapped[str]
    changed_at: Mapped[datetime] = mapped_column(default=now)
    changed_by: Mapped[str]


class ReadingRow(Tracked, Base):
    __tablename__ = "reading"
    survey_id: Mapped[int] = mapped_column(ForeignKey("survey.id"), index=True)
    kind: Mapped[str]
    x_mm: Mapped[float | None]
    y_mm: Mapped[float | None]
    mark_id: Mapped[int] = mapped_column(default=-1)
    value_um: Mapped[float]
    uncertainty_um: Mapped[float | None]
    is_lower_bound: Mapped[bool] = mapped_column(default=False)
    instrument: Mapped[str] = mapped_column(default="")
    note: Mapped[str] = mapped_column(default="")
    as_typed: Mapped[str] = mapped_column(default="")
    flags: Mapped[int] = mapped_column(default=0)
    withdrawn: Mapped[str] = mapped_column(default="")


class ChecklistRow(Tracked, Base):
    __tablename__ = "checklist_item"
    __table_args__ = (Index(None, "job_id", "plate_id"), {"sqlite_autoincrement": True})
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id"))
    plate_id: Mapped[int] = mapped_column(ForeignKey("plate.id"), index=True)
    step: Mapped[str]
    text: Mapped[str]
    caution: Mapped[str] = mapped_column(default="")
    state: Mapped[str] = mapped_column(default="open")
    note: Mapped[str] = mapped_column(default="")


class SignOffRow(Base):
    __tablename__ = "sign_off"
    __table_args__ = (UniqueConstraint("kind", "record_id", "revision"), {"sqlite_autoincrement": True})
    kind: Mapped[str]
    record_id: Mapped[int]
    revision: Mapped[int]
    statement: Mapped[str]
    content_json: Mapped[str]
    content_sha256: Mapped[str]
    signed_at: Mapped[datetime] = mapped_column(default=now)
    signed_by: Mapped[str]


class DraftRow(Base):
    __tablename__ = "draft"
    __table_args__ = (Index(None, "kind", "record_id"), {"sqlite_autoincrement": True})
    kind: Mapped[str]
    record_id: Mapped[int]
    seen_version: Mapped[int]
    changes_json: Mapped[str]
    state: Mapped[str] = mapped_column(default="open")
    created_at: Mapped[datetime] = mapped_column(default=now)
    created_by: Mapped[str]


class AuditRow(Base):
    __tablename__ = "audit"
    __table_args__ = (Index(None, "kind", "record_id"), {"sqlite_autoincrement": True})
    at: Mapped[datetime] = mapped_column(default=now, index=True)
    who: Mapped[str]
    action: Mapped[str]
    kind: Mapped[str]
    record_id: Mapped[int]
    plate_id: Mapped[int | None] = mapped_column(index=True)
    job_id: Mapped[int | None] = mapped_column(index=True)
    changes_json: Mapped[str] = mapped_column(default="{}")
    reason: Mapped[str] = mapped_column(default="")
