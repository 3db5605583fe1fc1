"""The day of a survey, as a person enters it or a camera notes it: one that has not come yet is refused."""

from __future__ import annotations

from datetime import date, timedelta

from .errors import InputError

__all__ = ["check_day"]


def check_day(day: date, *, noted_by: str = "") -> None:
    """Refuse a day that lies in the future, which is a slip of the year or a camera's clock.

    Surveys are put in the order of their days, so such a one would stand after every later one of the same job.
    Tomorrow is taken, because time zones differ by a day.

    Parameters
    ----------
    day : date
    noted_by : str
        The photo that says so; empty for a day that a person entered.

    Raises
    ------
    InputError
        It is later than tomorrow by this computer's clock.
    """
    today = date.today()
    if day <= today + timedelta(days=1):
        return
    if noted_by:
        raise InputError(
            f"{noted_by}: its camera dates it {day}, which lies in the future (today is {today}): set the camera's clock, "
            "and give the day of the survey yourself (--date)"
        )
    raise InputError(
        f"Day of the survey: {day} lies in the future (today is {today}); correct it, or this computer's clock"
    )
