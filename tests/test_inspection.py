"""The order that surveys of one face are taken in."""

from __future__ import annotations

from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from pitmap.classes import Stage
from pitmap.entered_day import check_day
from pitmap.errors import InputError
from pitmap.inspection import in_order_of_work, order_problems


def survey(stage: str, day: str = "") -> Any:
    return SimpleNamespace(
        stage=Stage(stage), surveyed_on=date.fromisoformat(day) if day else None, photos=()
    )


def test_a_day_after_tomorrow_is_not_that_of_a_survey() -> None:
    today = date.today()
    for days in (-4000, 0, 1):
        check_day(today + timedelta(days=days))
    with pytest.raises(InputError, match=r"^Day of the survey: .* lies in the future \(today is"):
        check_day(today + timedelta(days=2))


def test_a_day_before_there_were_such_photos_is_not_that_of_a_survey() -> None:
    """1026 for 2026 put a survey before every other of its job; a camera that lost its time begins in 1970 or 1980."""
    check_day(date(1995, 1, 1))
    for day in (date(1026, 3, 4), date(1994, 12, 31)):
        with pytest.raises(
            InputError, match=rf"^Day of the survey: {day} is older than any such photo; correct its year$"
        ):
            check_day(day)
    with pytest.raises(
        InputError, match=r"^a\.jpg: its camera dates it 1980-01-01, which is older .* \(--date\)$"
    ):
        check_day(date(1980, 1, 1), noted_by="a.jpg")


@pytest.mark.parametrize(
    ("given", "ordered"),
    [
        # By day; on one day by stage.
        (
            [("lap_1", "2031-03-07"), ("test_lap", "2031-03-05"), ("intake", "2031-03-05")],
            ["intake", "test_lap", "lap_1"],
        ),
        # A camera whose clock was reset: the day still counts, everywhere, and order_problems says so.
        ([("intake", "2031-03-03"), ("test_lap", "2020-01-01")], ["test_lap", "intake"]),
        # Undated, from folders in the order of the alphabet.
        ([("final", ""), ("intake", ""), ("lap_1", ""), ("test_lap", "")], ["intake", "test_lap", "lap_1", "final"]),
        # Undated, and the plate came back: as given.
        ([("intake", ""), ("lap_1", ""), ("intake", ""), ("test_lap", "")], ["intake", "lap_1", "intake", "test_lap"]),
    ],
)  # fmt: skip
def test_in_order_of_work(given: list[tuple[str, str]], ordered: list[str]) -> None:
    assert [s.stage.name for s in in_order_of_work(survey(*g) for g in given)] == ordered


def test_in_order_of_work_of_what_holds_an_inspection() -> None:
    pairs = [("second", survey("lap_1", "2031-03-07")), ("first", survey("intake", "2031-03-03"))]
    assert [name for name, _ in in_order_of_work(pairs, of=lambda p: p[1])] == ["first", "second"]


def test_order_problems_name_the_stage_that_is_dated_too_late() -> None:
    (said,) = order_problems([survey("intake", "2031-03-03"), survey("test_lap", "2020-01-01")])
    assert (
        "the survey at intake is dated 2031-03-03, later than the one after the test lap of 2020-01-01"
        in said
    )
    # the page and the customer's record say it too, where no option of the command line is known
    assert "Correct the date that is wrong, on the Jobs page or by mapping again" in said and "--" not in said


def test_order_problems_say_that_the_whole_order_looks_reversed() -> None:
    """Only the latest two were named: corrected, the next two were wrong."""
    laid = ["intake", "test_lap", "lap_1", "lap_2"]
    days = ["2031-03-09", "2031-03-07", "2031-03-05", "2031-03-03"]
    (said,) = order_problems(survey(*g) for g in zip(laid, days))
    assert said.startswith(
        "The whole order looks reversed: by date the surveys run from the last stage back to the first (after lap 2 on "
        "2031-03-03, after lap 1 on 2031-03-05, after the test lap on 2031-03-07, at intake on 2031-03-09)."
    )
    # one survey out of its place is one slip, and two of them cannot tell which
    for some in (["2031-03-03", "2031-03-07", "2031-03-05", "2031-03-09"], ["2031-03-09", "2031-03-07"]):
        (said,) = order_problems(survey(*g) for g in zip(laid, some))
        assert said.startswith("Dates and stages contradict each other")


@pytest.mark.parametrize(
    "given",
    [
        [("intake", "2031-03-03"), ("test_lap", "2031-03-03"), ("final", "2031-03-09")],
        # The plate came back, and was lapped in other steps than the first time.
        [("intake", "2031-03-03"), ("lap_2", "2031-03-05"), ("intake", "2035-01-01"), ("test_lap", "2035-01-02")],
        [("intake", "2031-03-03"), ("test_lap", "")],
        [],
    ],
)  # fmt: skip
def test_order_problems_has_none(given: list[tuple[str, str]]) -> None:
    assert order_problems(survey(*g) for g in given) == ()


def test_one_photo_that_stands_for_two_surveys_is_told() -> None:
    def with_photo(stage: str, sha256: str) -> Any:
        return SimpleNamespace(
            stage=Stage(stage), surveyed_on=None, photos=(SimpleNamespace(name="p.jpg", sha256=sha256),)
        )

    (said,) = order_problems(
        [with_photo("intake", "a"), with_photo("test_lap", "b"), with_photo("lap_1", "a")]
    )
    assert "p.jpg" in said and "as the survey at intake and as the one after lap 1;" in said
    # in the order of the photos, whatever the hashes of this run: the same surveys led to another plan.json each time
    many = [
        SimpleNamespace(
            stage=Stage(stage),
            surveyed_on=None,
            photos=tuple(SimpleNamespace(name=f"{k}.jpg", sha256=f"hash {k}") for k in range(9)),
        )
        for stage in ("intake", "test_lap")
    ]
    assert [s[len("One photo (")] for s in order_problems(many)] == list("012345678")
    # surveys of before say nothing of their photo
    assert order_problems([with_photo("intake", ""), with_photo("test_lap", "")]) == ()
