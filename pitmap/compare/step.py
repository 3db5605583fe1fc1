"""What was done to the face between two surveys: was metal cut, did a new job begin?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Step", "begins_new_job"]


def _is_apart(less: Any, more: Any) -> bool:
    """Is one stock below the other by more than their intervals leave open? False where one is not known."""
    if not (less.is_known and more.is_known and less.value < more.value):
        return False
    return not (less.has_interval and more.has_interval) or less.high < more.low


def begins_new_job(before: Any, after: Any) -> bool:
    """Has the plate come back: is the later of two surveys of a face one of another job?

    Parameters
    ----------
    before, after : pitmap.inspection.Inspection
        In the order of time.

    Notes
    -----
    A survey knows its stage and the stock of its own job. Neither goes back within a job: a stage before that of the
    earlier survey, or less stock beyond both intervals, belongs to a new one. What looks like the same job gone on is
    taken for it.
    """
    return after.stage.order < before.stage.order or _is_apart(after.removed_um, before.removed_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What was done to the face between two surveys.

    Parameters
    ----------
    is_cut : bool or None
        Metal was removed; None when the surveys do not say.
    is_same_visit : bool
        Neither metal nor a week went by: two photos of the same face.
    """

    is_cut: bool | None
    is_same_visit: bool

    @classmethod
    def between(cls, before: Any, after: Any) -> Step:
        """From stage, date and removed stock of two inspections, one right after the other.

        A survey at `intake` after any other stage starts a new job: no metal was cut on the way. Any other survey of a
        new job comes after a cut as soon as that job has taken stock off. Within a job a later stage means a cut; two
        surveys at one stage were cut between only if the removed stock says so beyond its interval.
        """
        a, b = before.removed_um, after.removed_um
        known = a.is_known and b.is_known
        is_cut: bool | None
        if begins_new_job(before, after):
            is_cut = after.stage.is_lapped and not (b.is_known and b.value <= 0)
        elif after.stage.order > before.stage.order:
            # "final" after a lap may be polish alone, which takes next to nothing off a pit's depth.
            is_cut = after.stage.name != "final" or not known or b.value > a.value
        elif after.stage.is_lapped and not known:
            is_cut = None
        else:
            is_cut = _is_apart(a, b)
        return cls._of(is_cut, before, after)

    @classmethod
    def over(cls, inspections: Sequence[Any]) -> Step:
        """From the first to the last of several inspections in the order of time; those between them are heard.

        Notes
        -----
        The two ends alone do not tell of a job that came and went between them.
        """
        first, last = inspections[0], inspections[-1]
        cuts = [cls.between(a, b).is_cut for a, b in zip(inspections, inspections[1:], strict=False)]
        cuts.append(cls.between(first, last).is_cut)
        return cls._of(True if True in cuts else None if None in cuts else False, first, last)

    @classmethod
    def _of(cls, is_cut: bool | None, first: Any, last: Any) -> Step:
        dated = first.surveyed_on is not None and last.surveyed_on is not None
        # Without dates nobody can say that time went by, so nothing may be called new.
        days = abs((last.surveyed_on - first.surveyed_on).days) if dated else 0
        return cls(is_cut=is_cut, is_same_visit=not is_cut and days <= 7)
