"""A plate that came back years later: every page says in which of its jobs one is."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from page_steps import page, place_of
from survey_fakes import keep_survey

from pitmap.casebook import Casebook

pytestmark = pytest.mark.filterwarnings("default")


@pytest.mark.parametrize("screen", ["checklist", "depth", "map", "photos", "plan"])
def test_intake_of_an_earlier_job_is_not_taken_for_that_of_the_new_one(
    empty_book: Casebook, tmp_path: Path, screen: str
) -> None:
    old, *_ = keep_survey(empty_book, tmp_path / "map", [(0.0, 25.0, 3.0)])
    plate, first = empty_book.plates()[0], empty_book.jobs()[0]

    def told() -> list[str]:
        test = page(screen, **place_of(survey)).run()
        assert not test.exception
        return [e.value for e in (*test.warning, *test.caption) if e.value.startswith("Job ")]

    survey = old
    assert told() == []
    later = empty_book.create_job("order 99")
    empty_book.put_into_job(plate, later)
    face = empty_book.faces(plate)[0]
    new = empty_book.create_survey(face, later, old.stage, date(2026, 5, 2), removed_um=old.removed_um)
    assert told() == [
        f"Job {first.reference} (open): an earlier job of this plate. Its newest is order 99; open it on the Jobs page."
    ]
    survey = new
    assert told() == [f"Job order 99 (open), the newest of this plate. Earlier: {first.reference}."]
