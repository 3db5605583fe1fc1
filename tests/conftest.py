"""Fixtures that several files of tests share."""

from __future__ import annotations

import pytest
import report_fakes
from main_job_survey import folder, inspection, photo, series, steps

__all__ = ["bare", "folder", "inspection", "photo", "record", "series", "steps"]


@pytest.fixture(scope="module")
def record():
    """An invented face with its surveys, plan and comparison."""
    return report_fakes.make_record()


@pytest.fixture(scope="module")
def bare():
    """A record of one survey and no plan."""
    return report_fakes.make_record(surveys=1, with_plan=False)
