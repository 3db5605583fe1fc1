"""Stock that the casebook knows to have come off a face, held against what its limit sheet says of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from ..casebook import Casebook, Job, PlateEvent, PlateLife, Survey
from ..casebook import Face as CasebookFace
from ..classes import Stage
from ..stock import Limit
from ..units import UnitSystem, format_depth

__all__ = ["doubt_of_micrometer", "doubts_of_sheet"]

_ROUNDING_UM = 1.0
"""What the sheet may say less than the casebook, for it was rounded (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cut:
    """Stock that came off: when the casebook learned of it, how much (NaN for not known), in which job, of which face (0
    for none, as of work elsewhere).
    """

    told_at: datetime
    stock_um: float
    job_id: int
    face_id: int


def doubts_of_sheet(
    book: Casebook,
    life: PlateLife,
    face: CasebookFace,
    job: Job,
    entries: Mapping[str, Limit],
    entered_at: Mapping[str, datetime],
    system: UnitSystem,
) -> dict[str, str]:
    """Which entries of a limit sheet do not hold for the face as it is in a job, and why.

    Parameters
    ----------
    book : Casebook
    life : PlateLife
        Of the face's plate.
    face : Face
    job : Job
        What came off in later jobs, or was told after this one was released, does not count; an event that was left out
        after the release still does.
    entries : mapping of str to Limit
    entered_at : mapping of str to datetime
        Since when each entry has stood as it is.
    system : {"mm", "inch"}
        Units of the sentences.

    Returns
    -------
    dict of str to str
        ``stock_removed_before`` where earlier jobs and the plate's events took off more than it says; ``thickness``
        and ``groove_depth``, which are those of the face as it is now, where stock came off since they were entered.

    Notes
    -----
    What was told to the casebook after an entry counts as done after it: whether a size that was typed in earlier has
    that stock in it, nobody can say.
    """
    cuts = _cuts(book, life, [face], job)
    doubts = {}
    if said := _history_doubt(
        [c for c in cuts if c.job_id != job.id],
        entries.get("stock_removed_before"),
        entered_at.get("stock_removed_before"),
        system,
    ):
        doubts["stock_removed_before"] = said
    # A plate grows thinner by what comes off its other face as well.
    for name, of in (("thickness", _cuts(book, life, life.faces, job)), ("groove_depth", cuts)):
        since = [c.stock_um for c in of if name in entries and c.told_at > entered_at[name]]
        if since:
            doubts[name] = (
                f"{_amount(since, system)} came off since the {name.replace('_', ' ')} was entered; measure it and enter"
                " it again"
            )
    return doubts


def doubt_of_micrometer(book: Casebook, face: CasebookFace, job: Job, system: UnitSystem) -> str:
    """Why the thickness that was measured on a face in a job is not that of the plate now; empty when it is.

    What the face's own surveys of the job took off since is counted by the plan; what came off the plate's other faces,
    or elsewhere, is not.
    """
    life = book.open_plate(face.plate_id)
    measured_at = _thickness_measured_at(book, face, job, {s.id: s for s in life.surveys})
    if measured_at is None:
        return ""
    cuts = _cuts(book, life, life.faces, job)
    since = [c.stock_um for c in cuts if c.face_id != face.id and c.told_at > measured_at]
    if not since:
        return ""
    amount = _amount(since, system)
    return (
        f"{amount} came off the plate's other faces since the thickness was measured here; measure it again"
    )


def _thickness_measured_at(
    book: Casebook, face: CasebookFace, job: Job, every: Mapping[int, Survey]
) -> datetime | None:
    """When the thickness was told that the plan of a face takes: that of its newest mapped survey with one."""
    counting = book.surveys(face=face, job=job, counting=True)
    for survey in sorted(counting, key=lambda s: Stage(s.stage).order, reverse=True):
        told = _thickness_told(book, survey)
        if not told or not book.inspections(survey):
            continue
        while (
            survey.supersedes_id is not None
        ):  # a later revision measured nothing anew that it only took over
            survey = every[survey.supersedes_id]
            before = _thickness_told(book, survey)
            told = {reading: min(at, before.get(reading, at)) for reading, at in told.items()}
        return max(told.values())
    return None


def _thickness_told(book: Casebook, survey: Survey) -> dict[str, datetime]:
    """The thickness readings of a survey, by place and value, and when each was told."""
    return {
        f"{r.x_mm} {r.y_mm} {r.value_um}": r.created_at
        for r in book.readings(survey)
        if r.kind == "thickness"
    }


def _history_doubt(
    cuts: Sequence[_Cut], entry: Limit | None, entered_at: datetime | None, system: UnitSystem
) -> str:
    known = sum(c.stock_um for c in cuts if not math.isnan(c.stock_um))
    is_new = entered_at is None or any(math.isnan(c.stock_um) and c.told_at > entered_at for c in cuts)
    is_unknown = is_new and any(math.isnan(c.stock_um) for c in cuts)
    says = 0.0 if entry is None else entry.value
    if known <= says + _ROUNDING_UM and not is_unknown:
        return ""
    amount = _amount([c.stock_um for c in cuts], system)
    sheet = "does not say so" if entry is None else f"says {format_depth(says, system)}"
    return f"earlier work on this face took off {amount}, and the limit sheet {sheet}; enter it"


def _amount(cuts_um: Sequence[float], system: UnitSystem) -> str:
    known = [c for c in cuts_um if not math.isnan(c)]
    if not known:
        return "stock of an amount that is not known"
    more = " and more of an amount that is not known" if len(known) < len(cuts_um) else ""
    return f"{format_depth(sum(known), system)}{more}"


def _cuts(book: Casebook, life: PlateLife, faces: Sequence[CasebookFace], job: Job) -> list[_Cut]:
    """Stock that came off these faces up to this job."""
    end = book.sign_offs(job)[-1].signed_at if job.state == "released" else None
    # Of a face that the plate does not have, nobody can say that it is another than these.
    others = {f.name.casefold() for f in life.faces} - {f.name.casefold() for f in faces}
    cuts = [
        _Cut(told_at=e.created_at, stock_um=e.removed_um, job_id=0, face_id=0)
        for e in life.events
        if _tells_of_stock(e) and e.face.casefold() not in others and _stood(e, end)
    ]
    every = {s.id: s for s in life.surveys}
    for face in faces:
        for other in life.jobs:
            if other.id <= job.id:
                counting = book.surveys(face=face, job=other, counting=True)
                cuts += _cuts_of_job(counting, every)
    return [c for c in cuts if end is None or c.told_at <= end]


def _stood(event: PlateEvent, end: datetime | None) -> bool:
    """An event is not left out, or was not yet when the job was released, whose figures stay as they were signed."""
    return not event.withdrawn or (end is not None and event.changed_at > end)


def _tells_of_stock(event: PlateEvent) -> bool:
    """Whatever it is called: a repair that took metal off took it off."""
    return event.removed_um > 0 or (event.kind == "stock" and math.isnan(event.removed_um))


def _cuts_of_job(surveys: Sequence[Survey], every: Mapping[int, Survey]) -> list[_Cut]:
    """What each survey of a job adds to the stock of those before it: it counts all steps of its job together."""
    cuts: list[_Cut] = []
    so_far, unknown = 0.0, None
    for survey in sorted(surveys, key=lambda s: Stage(s.stage).order):
        first = survey
        while first.supersedes_id is not None:  # a later revision tells of no later cut
            first = every[first.supersedes_id]
        stock = survey.removed_um.value
        if math.isnan(stock):
            unknown = survey if Stage(survey.stage).is_lapped else unknown
            continue
        unknown = None
        if stock > so_far:
            cuts.append(
                _Cut(
                    told_at=first.created_at,
                    stock_um=stock - so_far,
                    job_id=survey.job_id,
                    face_id=survey.face_id,
                )
            )
            so_far = stock
    if unknown is not None:
        cuts.append(
            _Cut(
                told_at=unknown.created_at,
                stock_um=math.nan,
                job_id=unknown.job_id,
                face_id=unknown.face_id,
            )
        )
    return cuts
