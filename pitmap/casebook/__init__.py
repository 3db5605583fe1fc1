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

Notes
-----
A change is kept when the call returns: the file is flushed and renamed first, then the database commits with
full synchronisation. A crash in between leaves a file that :meth:`Casebook.check` names. What the disk itself
promises and does not keep is beyond this.

A record carries a `version`; whoever changes an older one gets :class:`~pitmap.errors.EditConflict`, and the
change is kept as a draft. Values from outside pass the doors in ``clean.py`` and ``entries.py``.

To change the tables: change ``models.py``, add a step under ``migrations/versions`` and its name to
``migrate.KNOWN``; a test compares the steps with the models. A step runs in one transaction on both kinds of
database. Rows of the trail and signatures are never rewritten, not even by a step.
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
