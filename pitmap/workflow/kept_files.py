"""The drawing and the limit sheet that a face has in the casebook."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from ..casebook import Attachment, Casebook, Job, Plate, SignOff
from ..casebook import Face as CasebookFace
from ..drawing import Drawing, load_drawing, load_shipped, save_svg, shipped_plates
from ..errors import InputError
from ..estimate import Estimate
from ..inspection import check_dip
from ..stock import (
    LIMIT_TEXT,
    LimitSheet,
    limit_rows,
    usable_limits,
    write_limits,
)
from ..units import UnitSystem
from .earlier_stock import doubts_of_sheet

__all__ = [
    "DRAWING_ROLE",
    "HOUSING_ROLE",
    "LIMITS_ROLE",
    "drawing_of",
    "housing_dip_of",
    "limit_rows_of",
    "limits_of",
    "newest_file",
    "save_drawing",
    "save_housing_dip",
    "save_limits",
]


DRAWING_ROLE = "drawing"
HOUSING_ROLE = "housing dip"
LIMITS_ROLE = "limit sheet"


def _signed(book: Casebook, job: Job | None) -> SignOff | None:
    """The signature under a released job."""
    return book.sign_offs(job)[-1] if job is not None and job.state == "released" else None


def _attached(book: Casebook, face: CasebookFace, role: str, job: Job | None) -> list[Attachment]:
    """Files of a face in the order they came: its own where it has any, else those of the whole plate.

    Of a released job those that were signed with it: what is kept for a later one changes nothing in its record.
    """
    of_role = [a for a in book.open_plate(face.plate_id).attachments if a.role == role]
    sign = _signed(book, job)
    if sign is not None:
        signed = {f["id"] for f in sign.content.get("files", ())}
        is_told = "files" in sign.content  # an older signature does not name them: what there was by then
        of_role = [a for a in of_role if (a.id in signed if is_told else a.created_at <= sign.signed_at)]
    own = [a for a in of_role if a.face_id == face.id]
    return own or [a for a in of_role if a.face_id is None]


def drawing_of(book: Casebook, plate: Plate, face: CasebookFace, job: Job | None = None) -> Drawing:
    """The drawing of a face: the newest one attached for it, else the shipped one that it or its plate names.

    With a released `job` the one that was signed with it.

    Raises
    ------
    InputError
        The face has no usable drawing.
    """
    attached = _attached(book, face, DRAWING_ROLE, job)
    if attached:
        with tempfile.TemporaryDirectory() as folder:
            # An SVG and the TOML beside it are two attachments with one stem.
            for one in attached:
                (Path(folder) / Path(one.name).name).write_bytes(book.read_file(one.sha256))
            main = next((a for a in reversed(attached) if not a.name.endswith(".toml")), attached[-1])
            return load_drawing(Path(folder) / Path(main.name).name)
    sign = _signed(book, job)
    named = {} if sign is None else sign.content.get("drawings", {})
    name = named.get(str(face.id), face.drawing or plate.drawing)
    if name in shipped_plates():
        return load_shipped(name)
    raise InputError(
        f"plate {plate.tag}, face {face.name}: has no drawing; give it one on the Drawing page, or name a shipped one"
    )


def limit_rows_of(
    book: Casebook, face: CasebookFace, job: Job | None = None
) -> dict[str, tuple[Any, str, Any]]:
    """The rows of the newest limit sheet kept for a face (:func:`pitmap.stock.limit_rows`); none when there is none.

    With a released `job` those of the sheet that was signed with it.
    """
    sheets = _attached(book, face, LIMITS_ROLE, job)
    return limit_rows(book.read_file(sheets[-1].sha256).decode()) if sheets else {}


def limits_of(
    book: Casebook, face: CasebookFace, job: Job | None = None, *, system: UnitSystem = "mm"
) -> LimitSheet:
    """The newest limit sheet kept for a face; an empty one (nothing is judged) when there is none.

    What is lapped off one face is not off the other, so each face has its own sheet. A plate that comes back brings the
    sheet of its last job: what has come off since is in none of its sizes, and they are doubted.

    Parameters
    ----------
    book : Casebook
    face : Face
    job : Job or None
        Whose sheet; None: the newest job that the plate is in. Of a released job it is the sheet that was signed.
    system : {"mm", "inch"}
        Units of the doubts.

    Raises
    ------
    InputError
        A row of it cannot be used: an older pitmap took what no such size can have. No figure is made without it.
    """
    life = book.open_plate(face.plate_id)
    job = job or (life.jobs[-1] if life.jobs else None)
    entries, wrong = usable_limits(limit_rows_of(book, face, job))
    for name, why in wrong.items():
        raise InputError(
            f"limit sheet of face {face.name}, {LIMIT_TEXT[name][1]}: {why}; correct it on the Plan page, under Limit "
            "sheet of this face"
        )
    if job is None:
        return LimitSheet(entries=entries)
    entered_at = _entered_at(book, _attached(book, face, LIMITS_ROLE, job))
    doubts = doubts_of_sheet(book, life, face, job, entries, entered_at, system)
    return LimitSheet(entries=entries, doubts=doubts)


def _entered_at(book: Casebook, sheets: Sequence[Attachment]) -> dict[str, datetime]:
    """Since when each entry of the newest sheet has stood as it is: every sheet holds all entries anew."""
    since: dict[str, datetime] = {}
    standing: dict[str, tuple[Any, str, Any]] | None = None
    for sheet in reversed(sheets):
        try:
            rows = limit_rows(book.read_file(sheet.sha256).decode())
        except InputError:  # an old sheet that nothing can be read from
            break
        standing = rows if standing is None else {k: v for k, v in standing.items() if rows.get(k) == v}
        since |= dict.fromkeys(standing, sheet.created_at)
    return since


def newest_file(book: Casebook, face: CasebookFace, role: str) -> int:
    """Number of the newest file that counts for a face, for `over` of what is made of it; 0 where there is none.

    Asked for before that file is read: one that comes between the two is then not written over.
    """
    return max((a.id for a in _attached(book, face, role, None)), default=0)


def save_limits(
    book: Casebook, plate: Plate, face: CasebookFace, sheet: LimitSheet, *, over: int | None = None
) -> None:
    """Keep a limit sheet for a face; the earlier ones stay readable.

    Raises
    ------
    EditConflict
        A newer one than `over` (:func:`newest_file`) is kept by now.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "limits.toml"
        write_limits(sheet, path)
        book.attach_file(plate, path.read_bytes(), "limits.toml", role=LIMITS_ROLE, face=face, over=over)


def save_drawing(
    book: Casebook, plate: Plate, face: CasebookFace, drawing: Drawing, *, over: int | None = None
) -> None:
    """Keep a drawing (SVG and the TOML beside it) for a face; the earlier ones stay readable.

    Raises
    ------
    EditConflict
        A newer one than `over` (:func:`newest_file`) is kept by now.
    """
    with tempfile.TemporaryDirectory() as folder:
        save_svg(drawing, Path(folder) / "drawing.svg")
        # An SVG beside the TOML of an earlier one would be another plate.
        with book.together():
            for one in sorted(Path(folder).iterdir()):
                book.attach_file(plate, one.read_bytes(), one.name, role=DRAWING_ROLE, face=face, over=over)
                over = None  # the second is laid over the first


def housing_dip_of(book: Casebook, face: CasebookFace, job: Job | None = None) -> Estimate | None:
    """The dip of the rotor housing that goes on a face, um, as it was last kept; None where none is.

    With a released `job` the one that was signed with it.
    """
    kept = _attached(book, face, HOUSING_ROLE, job)
    dip = json.loads(book.read_file(kept[-1].sha256)) if kept else {}
    return Estimate(**dip) if dip else None


def save_housing_dip(
    book: Casebook, plate: Plate, face: CasebookFace, dip_um: Estimate | None, *, over: int | None = None
) -> None:
    """Keep the dip of the rotor housing that goes on a face, or that it is not known any more.

    Raises
    ------
    InputError
        A dip that no housing has.
    EditConflict
        A newer one than `over` (:func:`newest_file`) is kept by now.
    """
    if dip_um is not None:
        check_dip(dip_um.value)
    dip = {} if dip_um is None else {"value": dip_um.value, "low": dip_um.low, "high": dip_um.high}
    book.attach_file(
        plate, json.dumps(dip).encode(), "housing_dip.json", role=HOUSING_ROLE, face=face, over=over
    )
