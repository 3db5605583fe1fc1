"""Readings that were kept by a mark's number stay with the mark when the map changes."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from survey_fakes import keep_survey

from pitmap.casebook import Casebook
from pitmap.classes import SurfaceClass
from pitmap.depth import readings_from_rows
from pitmap.errors import ReadingError
from pitmap.flags import Flag
from pitmap.workflow import keep_readings, newest_inspection, open_inspection, plan_face

PITS = [(-14.0, 0.0, 2.0), (14.0, 0.0, 1.0), (0.0, 14.0, 1.5)]
"""By area falling they are marks 1, 3 and 2 of the running surface."""


class Bench:
    """The survey, and what a person does to it."""

    def __init__(self, book: Casebook, folder: Path) -> None:
        self.book = book
        self.survey, self.ref, self.drawing = keep_survey(book, folder, PITS)

    def opened(self):  # type: ignore[no-untyped-def]
        return open_inspection(self.book, self.survey, self.ref, self.drawing)

    def keep(self, **row: object) -> None:
        row = {"stage": "test_lap", "kind": "pit_depth", "value": "70 um", **row}
        keep_readings(self.book, self.survey, readings_from_rows([row]).table, self.opened())

    def paint(self, x: float, y: float, half: float, to: SurfaceClass) -> None:
        square = [[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]]
        self.ref = newest_inspection(self.book, self.survey) or self.ref
        self.book.add_edit(
            self.ref, "polygon", class_code=int(to), shape={"polygon_mm": square}, reason="test"
        )

    def reading(self) -> pd.Series:
        return self.opened().readings.iloc[0]

    def place_of(self, mark_id: int) -> tuple[float, float]:
        row = self.opened().marks.set_index("mark_id").loc[mark_id]
        return round(float(row.x_mm), 1), round(float(row.y_mm), 1)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Casebook(tmp_path / "book", who="Ada") as book:
        yield Bench(book, tmp_path / "map")


def test_kept_by_number_has_the_place_of_the_mark(bench: Bench) -> None:
    bench.keep(mark=3)
    kept = bench.book.readings(bench.survey)[0]
    assert (kept.mark_id, round(kept.x_mm, 1), round(kept.y_mm, 1)) == (3, 14.0, 0.0)


def test_kept_by_number_stays_with_its_pit_when_another_is_painted(bench: Bench) -> None:
    bench.keep(mark=2)
    assert bench.place_of(2) == (0.0, 14.0)
    bench.paint(0.0, -14.0, 2.5, SurfaceClass.PIT)  # the largest: every number moves up by one
    assert bench.place_of(2) == (-14.0, 0.0)
    reading = bench.reading()
    assert (reading.mark_id, reading["flags"]) == (3, 0)
    assert bench.place_of(3) == (0.0, 14.0)


def test_kept_by_number_follows_a_pit_that_is_painted_larger(bench: Bench) -> None:
    bench.keep(mark=3)
    bench.paint(14.3, 0.2, 1.5, SurfaceClass.PIT)
    assert bench.reading().mark_id == 1
    assert bench.place_of(1) == pytest.approx((14.3, 0.2), abs=0.11)  # a pixel


def test_kept_by_number_is_free_when_its_pit_is_erased(bench: Bench) -> None:
    bench.keep(mark=2)
    bench.paint(0.0, 14.0, 2.0, SurfaceClass.SOUND)
    reading = bench.reading()
    assert (reading.mark_id, reading["flags"]) == (-1, int(Flag.UNMATCHED))
    assert reading.note == "no pit within the error of the place"
    assert (round(reading.x_mm, 1), round(reading.y_mm, 1)) == (0.0, 14.0)


def test_erased_pit_does_not_give_its_reading_to_a_neighbour(bench: Bench) -> None:
    bench.paint(1.6, 14.0, 0.2, SurfaceClass.PIT)  # 0.65 mm of metal between it and the pit beside
    bench.keep(mark=2)
    bench.paint(0.0, 14.0, 1.0, SurfaceClass.SOUND)
    assert bench.reading().mark_id == -1


def test_height_at_a_mark_has_a_place(bench: Bench) -> None:
    bench.keep(kind="height", mark=1, value="-4 um")
    assert (round(bench.reading().x_mm, 1), round(bench.reading().y_mm, 1)) == (-14.0, 0.0)


def test_pit_depth_of_a_mark_that_is_no_pit_is_refused_and_its_place_is_free(bench: Bench) -> None:
    bench.paint(0.0, -14.0, 1.0, SurfaceClass.STAIN)  # the largest
    with pytest.raises(ReadingError, match="reading 1, mark 1: on the map it is stain, not a pit"):
        bench.keep(mark=1)
    assert bench.book.readings(bench.survey) == ()
    bench.keep(x_mm=0, y_mm=-14)
    reading = bench.reading()
    assert (reading.mark_id, reading["flags"]) == (-1, int(Flag.UNMATCHED))
    assert (reading.x_mm, reading.y_mm) == pytest.approx((0.0, -14.0), abs=0.11)
    bench.paint(0.0, -14.0, 1.0, SurfaceClass.PIT)
    assert bench.reading().mark_id == 1


@pytest.mark.parametrize("kind", ["pit_depth", "height"])
@pytest.mark.parametrize(("x_mm", "y_mm"), [(0, 0), (60, 0), (0, -36)])
def test_place_off_the_plate_or_in_an_opening_is_refused(
    bench: Bench, kind: str, x_mm: float, y_mm: float
) -> None:
    with pytest.raises(
        ReadingError, match=f"x {x_mm}, y {y_mm} mm .* lies off the plate or inside an opening"
    ):
        bench.keep(kind=kind, x_mm=x_mm, y_mm=y_mm)
    assert bench.book.readings(bench.survey) == ()


def test_place_beside_the_metal_within_the_error_of_a_hand_is_kept(bench: Bench) -> None:
    bench.keep(kind="height", x_mm=4, y_mm=0)  # the bore's edge is at 5 mm
    bench.keep(kind="height", x_mm=45, y_mm=0)  # the plate's edge is at 44 mm
    assert len(bench.book.readings(bench.survey)) == 2


def test_thickness_far_from_that_of_the_drawing_is_refused(bench: Bench) -> None:
    def keep(value: str) -> None:
        row = {"stage": "test_lap", "kind": "thickness", "value": value, "x_mm": 14, "y_mm": 0}
        table = readings_from_rows([row]).table
        keep_readings(bench.book, bench.survey, table, bench.opened(), drawing=bench.drawing)

    with pytest.raises(
        ReadingError, match="127 mm = 5 in cannot be of this plate, which is 12 mm = 0.472 in thick"
    ):
        keep("5 in")
    assert bench.book.readings(bench.survey) == ()
    keep("11.9 mm")


def test_thickness_is_kept_where_the_drawing_has_none(bench: Bench) -> None:
    row = {"stage": "test_lap", "kind": "thickness", "value": "11.9 mm", "x_mm": 14, "y_mm": 0}
    drawing = replace(bench.drawing, thickness_mm=math.nan)
    table = readings_from_rows([row]).table
    keep_readings(bench.book, bench.survey, table, bench.opened(), drawing=drawing)
    assert [r.value_um for r in bench.book.readings(bench.survey)] == [11900.0]


def test_number_that_no_mark_has_is_refused(bench: Bench) -> None:
    with pytest.raises(ReadingError, match="reading 1, mark 9: the map has no such mark; take"):
        bench.keep(mark=9)
    assert bench.book.readings(bench.survey) == ()


def test_number_away_from_the_place_given_with_it_is_refused(bench: Bench) -> None:
    with pytest.raises(
        ReadingError, match=r"mark 1: number 1 and the place disagree by [\d.]+ mm = [\d.]+ in"
    ):
        bench.keep(mark=1, x_mm=14, y_mm=0)


def test_number_without_a_map_is_refused(bench: Bench) -> None:
    sheet = readings_from_rows([{"stage": "test_lap", "kind": "pit_depth", "value": "70 um", "mark": 1}])
    with pytest.raises(ReadingError, match="mark 1: this survey has no map"):
        keep_readings(bench.book, bench.survey, sheet.table, None)


def test_reading_by_place_alone_needs_no_map(bench: Bench) -> None:
    row = {"stage": "test_lap", "kind": "pit_depth", "value": "70 um", "x_mm": 14.2, "y_mm": 0.1}
    keep_readings(bench.book, bench.survey, readings_from_rows([row]).table, None)
    assert bench.reading().mark_id == 3


@pytest.mark.parametrize("given", [{}, {"uncertainty_um": None}, {"uncertainty_um": float("nan")}])
def test_reading_without_its_uncertainty_is_planned_with_that_of_its_kind(
    bench: Bench, given: dict[str, object]
) -> None:
    row = {"kind": "pit_depth", "value_um": 70.0, "x_mm": -14.0, "y_mm": 0.0}
    bench.book.add_readings(bench.survey, [{**row, **given}, {**row, "x_mm": 14.0, "uncertainty_um": 3.0}])
    # A needle is good to 8 um, one standard deviation.
    assert bench.opened().readings.uncertainty_um.tolist() == [8.0, 3.0]
    assert plan_face([bench.opened()], None).verdict.headline


def test_reading_that_an_older_casebook_took_without_any_uncertainty_is_planned(bench: Bench) -> None:
    bench.book.add_readings(bench.survey, [{"kind": "pit_depth", "value_um": 70.0, "uncertainty_um": 3.0}])
    plain = sqlite3.connect(bench.book.place.path)
    plain.execute("UPDATE reading SET uncertainty_um = 0")
    plain.commit()
    plain.close()
    assert bench.opened().readings.uncertainty_um.tolist() == [8.0]
