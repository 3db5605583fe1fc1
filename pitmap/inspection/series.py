"""Several surveys of one face: are they, and in which order?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from itertools import pairwise
from typing import TypeVar

from ..classes import Stage
from ..drawing import Drawing
from ..errors import InputError
from .record import Inspection

__all__ = ["in_order_of_work", "is_of_drawing", "must_be_on_drawing", "must_be_one_face", "order_problems"]


_T = TypeVar("_T")


def must_be_one_face(inspections: Sequence[Inspection], what: str) -> None:
    """Refuse surveys of several faces, or laid on several drawings, where `what` is made of one.

    Raises
    ------
    InputError
        They differ in face or drawing; the message names each.
    """
    for name, word in (("face", "face"), ("drawing_name", "drawing")):
        values = sorted({getattr(i, name) for i in inspections})
        if len(values) > 1:
            raise InputError(
                f"{what}: the surveys differ in {word}: {', '.join(values)}; take one face on one drawing at a time"
            )


def is_of_drawing(inspection: Inspection, drawing: Drawing) -> bool:
    """The inspection was measured on this drawing, as far as it says."""
    return inspection.drawing_fingerprint in ("", drawing.fingerprint())


def must_be_on_drawing(inspections: Sequence[Inspection], drawing: Drawing, what: str) -> None:
    """Refuse a drawing other than the one that the surveys of a face were mapped with.

    Raises
    ------
    InputError
        They differ among themselves, or from the drawing, in name or in shape; the message names both.
    """
    must_be_one_face(inspections, what)
    if inspections and inspections[0].drawing_name != drawing.name:
        raise InputError(
            f"{what}: the surveys were mapped with the drawing {inspections[0].drawing_name!r}, and --drawing is "
            f"{drawing.name!r}; give the one that they were mapped with, or map the photos again"
        )
    for inspection in inspections:
        if not is_of_drawing(inspection, drawing):
            raise InputError(
                f"{what}: the survey {inspection.stage.moment} was mapped with another state of the drawing "
                f"{drawing.name!r} (edges or zones differ); give the drawing as it was then, or map the photos again with "
                "this one"
            )


def _fall_back(inspections: Iterable[Inspection]) -> tuple[Inspection, Inspection] | None:
    """A survey, and the next one after it whose stage ought to lie before it.

    A stage that was met already may come again: the plate is back with a new job.
    """
    met: set[Stage] = set()
    top: Inspection | None = None
    for one in inspections:
        if top is None or one.stage.order >= top.stage.order:
            top = one
        elif one.stage in met:
            met, top = set(), one
        else:
            return top, one
        met.add(one.stage)
    return None


def _is_backwards(by_day: Sequence[Inspection]) -> bool:
    """Every survey is of an earlier stage than the one before it: no one slip, and no plate that came back, does that."""
    return all(a.stage.order > b.stage.order for a, b in pairwise(by_day))


def _by_day(inspection: Inspection) -> tuple[date, int]:
    return inspection.surveyed_on or date.min, inspection.stage.order


def in_order_of_work(
    surveys: Iterable[_T],
    of: Callable[[_T], Inspection] = lambda survey: survey,  # type: ignore[assignment,return-value]
) -> list[_T]:
    """Surveys of one face from the first to the last; everything that numbers or pairs surveys takes this order.

    Parameters
    ----------
    surveys : iterable
        Inspections, or whatever `of` gives the inspection of.
    of : callable

    Returns
    -------
    list
        By day and, on one day, by stage. Where a day is missing as given, or by stage when the given order contradicts
        the stages.
    """
    found = list(surveys)
    if all(of(s).surveyed_on for s in found):
        return sorted(found, key=lambda s: _by_day(of(s)))
    if _fall_back(of(s) for s in found):
        return sorted(found, key=lambda s: of(s).stage.order)
    return found


def order_problems(inspections: Iterable[Inspection]) -> tuple[str, ...]:
    """Sentences when surveys contradict each other: days and stages, as after a clock was reset; one photo in two."""
    inspections = list(inspections)
    problems = _shared_photos(inspections)
    by_day = sorted((i for i in inspections if i.surveyed_on), key=_by_day)
    pair = _fall_back(by_day)
    if pair is None:
        return problems
    if len(by_day) > 2 and _is_backwards(by_day):
        order = ", ".join(f"{i.stage.moment} on {i.surveyed_on}" for i in by_day)
        return (
            *problems,
            f"The whole order looks reversed: by date the surveys run from the last stage back to the first ({order}). "
            "Before and after follow the dates, the stock plan the stages. Correct the dates, all of them, on the Jobs "
            "page or by mapping again with the right ones, or the stages where those are wrong.",
        )
    before, after = pair
    return (
        *problems,
        f"Dates and stages contradict each other: the survey {after.stage.moment} is dated {after.surveyed_on}, later than "
        f"the one {before.stage.moment} of {before.surveyed_on}. Before and after follow the dates, the stock plan the "
        "stages. Correct the date that is wrong, on the Jobs page or by mapping again with the right one, unless the plate "
        "came back for a new job.",
    )


def _shared_photos(inspections: Sequence[Inspection]) -> tuple[str, ...]:
    """A sentence for every photo that stands for the face at more than one survey."""
    seen: dict[str, list[Inspection]] = {}
    for inspection in inspections:
        for sha256 in dict.fromkeys(p.sha256 for p in inspection.photos if p.sha256):
            seen.setdefault(sha256, []).append(inspection)
    return tuple(
        f"One photo ({next(p.name for p in those[0].photos if p.sha256 == sha256)}) was mapped as "
        f"the survey {' and as the one '.join(i.stage.moment for i in those)}; one of them is the wrong photo. Map it again."
        for sha256, those in seen.items()
        if len(those) > 1
    )
