"""The day of a survey, as a person enters it or a camera notes it: one that cannot be is refused."""

from __future__ import annotations

from datetime import date, timedelta

from .errors import InputError

__all__ = ["check_day"]


_FIRST_DAY = date(1995, 1, 1)
"""Cameras have dated their files since the first Exif standard of 1995 (from memory); no photo of a survey is older."""


def check_day(day: date, *, noted_by: str = "") -> None:
    """Refuse a day that lies in the future or before there were such photos: a slip of the year or a camera's clock.

    Surveys are put in the order of their days, so such a one would stand after every later one of the same job, or before
    every earlier one. Tomorrow is taken, because time zones differ by a day.

    Parameters
    ----------
    day : date
    noted_by : str
        The photo that says so; empty for a day that a person entered.

    Raises
    ------
    InputError
        It is later than tomorrow by this computer's clock, or before 1995.
    """
    today = date.today()
    if _FIRST_DAY <= day <= today + timedelta(days=1):
        return
    lies = f"lies in the future (today is {today})" if day > today else "is older than any such photo"
    if noted_by:
        raise InputError(
            f"{noted_by}: its camera dates it {day}, which {lies}: set the camera's clock, "
            "and give the day of the survey yourself (--date)"
        )
    correct = "correct it, or this computer's clock" if day > today else "correct its year"
    raise InputError(f"Day of the survey: {day} {lies}; {correct}")
