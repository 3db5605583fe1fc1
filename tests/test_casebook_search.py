"""Finding plates: by tag, reference, customer, engine, stage and day."""

from __future__ import annotations

from datetime import date

import pytest

from pitmap.casebook import Casebook
from pitmap.errors import InputError


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    with Casebook(tmp_path_factory.mktemp("shop"), who="Ada") as book:
        early = book.create_job("A-100", customer="Birch Racing", engine="two rotor")
        late = book.create_job("B-200", customer="Dune Motors", engine="one rotor")
        for tag, job, stage, day in (
            ("T-1", early, "intake", "2024-01-10"),
            ("T-2", early, "final", "2024-02-20"),
            ("Ü-3", late, "intake", "2026-03-30"),
        ):
            face = book.create_face(book.create_plate(tag, job=job), "front")
            book.create_survey(face, job, stage, day)
        book.create_plate("T-4")
        yield book


@pytest.mark.parametrize(
    ("query", "tags"),
    [
        ({}, ["Ü-3", "T-2", "T-1", "T-4"]),
        ({"text": "birch"}, ["T-2", "T-1"]),
        ({"text": "birch t-1"}, ["T-1"]),
        ({"text": "ROTOR"}, ["Ü-3", "T-2", "T-1"]),
        ({"tag": "ü"}, ["Ü-3"]),
        ({"tag": "u\u0308"}, ["Ü-3"]),
        ({"reference": "a-1"}, ["T-2", "T-1"]),
        ({"engine": "one"}, ["Ü-3"]),
        ({"since": "2024-02-20"}, ["Ü-3", "T-2"]),
        ({"until": date(2024, 2, 20)}, ["T-2", "T-1"]),
        ({"stage": "final"}, ["T-2"]),
        ({"stage": "intake", "since": "2025-01-01"}, ["Ü-3"]),
        ({"text": "%"}, []),
        ({"text": "_"}, []),
        ({"tag": "t-", "reference": "b"}, []),
    ],
)
def test_search(shop, query, tags):
    result = shop.search(**query)
    assert [row.plate.tag for row in result.rows] == tags
    assert result.n_found == len(tags)


def test_search_pages_and_tells_the_newest_survey(shop):
    page = shop.search(limit=1, offset=1)
    assert page.n_found == 4
    (row,) = page.rows
    assert (row.plate.tag, row.last_stage, row.n_surveys) == ("T-2", "final", 1)
    assert row.last_surveyed_on == date(2024, 2, 20)
    assert [job.reference for job in row.jobs] == ["A-100"]


def test_the_same_plate_years_later_shows_both_jobs(tmp_path):
    with Casebook(tmp_path, who="Ada") as book:
        first = book.create_job("A-100")
        plate = book.create_plate("T-1", job=first)
        face = book.create_face(plate, "front")
        book.create_survey(face, first, "intake", "2018-01-10")
        second = book.create_job("C-300")
        book.create_survey(face, second, "intake", "2025-07-01")
        life = book.open_plate(plate.id)
        assert [j.reference for j in life.jobs] == ["A-100", "C-300"]
        assert [s.surveyed_on.year for s in life.surveys] == [2018, 2025]
        assert book.plates(job=second) == (plate,)


@pytest.mark.parametrize(
    "query", [{"limit": 0}, {"limit": "5"}, {"offset": -1}, {"text": 7}, {"stage": "x"}, {"since": "soon"}]
)
def test_bad_searches_give_a_sentence(shop, query):
    with pytest.raises(InputError, match="search|survey|limit"):
        shop.search(**query)
