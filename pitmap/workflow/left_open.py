"""What a job leaves open when it is released: nothing forbids it, but whoever signs is told."""

from __future__ import annotations

from ..casebook import Casebook, Job
from ..casebook.checklists import STEPS
from ..stock import StockPlan
from .surveys import unmapped_of_face

__all__ = ["asked_by_plan", "left_open"]


def left_open(book: Casebook, job: Job) -> tuple[str, ...]:
    """Faces without a survey, surveys without a map and steps that nobody started, a sentence each.

    Parameters
    ----------
    book : Casebook
    job : Job

    Returns
    -------
    tuple of str
        Plate by plate; empty where nothing is left open.
    """
    told = []
    for plate in book.plates(job=job):
        for face in book.faces(plate):
            name = f"plate {plate.tag}, face {face.name}"
            if not book.surveys(face=face, job=job, counting=True):
                told.append(f"{name}: has no survey in this job")
            told += [f"{name}: {one.words}" for one in unmapped_of_face(book, face, job)]
        started = {item.step for item in book.checklist(job, plate)}
        missing = sum(step not in started for step in STEPS)
        if missing:
            told.append(
                f"plate {plate.tag}: nobody started {missing} of the {len(STEPS)} steps of the checklist"
            )
    return tuple(told)


def asked_by_plan(plan: StockPlan) -> tuple[str, ...]:
    """What the plan of a face still asks for, and every limit that the face is beyond, a sentence each.

    Parameters
    ----------
    plan : StockPlan
        Of all its surveys in the job.

    Returns
    -------
    tuple of str
        Empty where nothing is left to take off or to measure and no limit that was entered is passed; what was not
        judged is in the plan's own reasons.
    """
    verdict = plan.verdict
    asked = () if verdict.is_done else (verdict.headline,)
    return (*asked, *(f.sentence for f in verdict.findings if f.status == "stop"))
