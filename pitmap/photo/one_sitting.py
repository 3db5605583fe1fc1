"""Were several photos of one survey taken in one go? What is worked on in between is another stage."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from ..errors import MeasurementError

__all__ = ["taken_apart"]

_IN_ONE_GO = timedelta(minutes=30)
_ANOTHER_DAY = timedelta(hours=12)
"""House choice, common practice behind it: lamps are moved in minutes, and a face that is photographed again the next day
has been cleaned, lapped or has rusted since. A light lap changes a face so little that the pictures alone do not tell.
"""


def taken_apart(taken: Iterable[tuple[str, datetime | None]]) -> str:
    """What speaks against photos being of one face at one stage, by when they were taken.

    Parameters
    ----------
    taken : iterable of (str, datetime or None)
        Name of each photo, and when its camera says that it was taken; None where it does not.

    Returns
    -------
    str
        A sentence where they were not taken in one go, else empty; so it is where fewer than two say when.

    Raises
    ------
    MeasurementError
        They were taken on different days.
    """
    known = sorted((at, name) for name, at in taken if at is not None)
    if len(known) < 2 or known[-1][0] - known[0][0] <= _IN_ONE_GO:
        return ""
    first, last = (f"{name} was taken on {at:%Y-%m-%d at %H:%M}" for at, name in (known[0], known[-1]))
    words = f"{first}, {last}"
    if known[-1][0] - known[0][0] > _ANOTHER_DAY:
        raise MeasurementError(
            f"{words}: several photos of a survey show one face at one stage under several lamps, so they are taken in one "
            "go. Leave out those of another stage, and put them into a survey of their own"
        )
    return (
        f"{words}. If the face was worked on in between, they are of two stages, and the map shows neither: map them as "
        "two surveys."
    )
