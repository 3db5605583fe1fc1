"""Where a job is kept from intake to release, and the same plate's whole life over the years.

::

    with Casebook() as book:
        job = book.create_job("order 7", engine="two rotor")
        plate = book.create_plate("T-12", job=job)
        face = book.create_face(plate, "front")
        survey = book.create_survey(face, job, "intake", "2026-05-04")
        book.add_photo(survey, Path("front.jpg"))

SQLite by default, PostgreSQL by URL. Photos and inspections are kept once by the hash of their bytes, beside
the database. Every change is written with the time and the person; nothing is ever deleted.
"""

from .backup import BackupReport
from .checking import CheckReport, Finding
from .finding import FoundPlate, PlateLife, SearchResult
from .records import (
    Attachment,
    AuditEntry,
    ChecklistItem,
    Draft,
    Face,
    InspectionRef,
    Job,
    MapEdit,
    PhotoRef,
    Plate,
    PlateEvent,
    Reading,
    SignOff,
    Survey,
)
from .restore import RestoreReport, restore
from .store import Casebook

__all__ = [
    "Attachment",
    "AuditEntry",
    "BackupReport",
    "Casebook",
    "CheckReport",
    "ChecklistItem",
    "Draft",
    "Face",
    "Finding",
    "FoundPlate",
    "InspectionRef",
    "Job",
    "MapEdit",
    "PhotoRef",
    "Plate",
    "PlateEvent",
    "PlateLife",
    "Reading",
    "RestoreReport",
    "SearchResult",
    "SignOff",
    "Survey",
    "restore",
]
