"""One reading that stands in a survey twice, as when a sheet is pasted again: it is no second look at the metal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from ..classes import Stage
from .survey import FaceSurvey

__all__ = ["each_once", "surveys_with_each_once"]

_OF_THE_ROW = ("reading_id", "flags")
"""What says nothing of the reading itself."""


def each_once(readings: pd.DataFrame) -> pd.DataFrame:
    """Readings without those that agree with an earlier one in all that was written: place, value, instrument, note.

    Parameters
    ----------
    readings : DataFrame
        :data:`~pitmap.depth.READINGS` of one survey.

    Notes
    -----
    A gauge that is read anew can show the very same figure. Taking two such readings for one makes an interval wider than
    it need be; taking one for two makes it too narrow, which is the graver error. Of readings that name neither place nor
    mark (two lines of a straightedge) nobody can say that they are of one, so each stays.
    """
    is_somewhere = readings["x_mm"].notna() | (readings["mark_id"] >= 0)
    return readings.loc[~(is_somewhere & readings.drop(columns=list(_OF_THE_ROW)).duplicated())]


def surveys_with_each_once(surveys: Sequence[FaceSurvey]) -> tuple[list[FaceSurvey], list[str]]:
    """The surveys with each reading once, and a sentence for every survey that had one more often."""
    out, told = [], []
    for survey in surveys:
        once = each_once(survey.readings)
        n = len(survey.readings) - len(once)
        if n:
            what = "1 reading repeats another" if n == 1 else f"{n} readings repeat others"
            told.append(
                f"{Stage(survey.stage).moment}: {what} in every entry, as when a sheet is pasted twice; each counts once."
                " Where a place was truly read again, say so in the note of that reading"
            )
        out.append(replace(survey, readings=once.reset_index(drop=True)) if n else survey)
    return out, told
