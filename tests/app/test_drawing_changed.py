"""A drawing that was changed after a face was mapped: the pages say so and measure nothing anew."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from page_steps import page, place_of
from shapely import Point
from streamlit.testing.v1 import AppTest
from survey_fakes import inspection_of_pits, keep_survey

from pitmap.casebook import Casebook, Face, Plate, Survey
from pitmap.classes import Stage, SurfaceClass
from pitmap.inspection import save_inspection
from pitmap.workflow import save_drawing

pytestmark = pytest.mark.filterwarnings("default")
SAID = "the drawing was changed since this photo was mapped: map it again"


class Bench:
    """A mapped survey, and the Map page on it."""

    def __init__(self, book: Casebook, folder: Path) -> None:
        self.book = book
        self.survey, self.ref, self.drawing = keep_survey(book, folder, [(24.0, 0.0, 2.0)])

    def edit(self) -> None:
        self.book.add_edit(
            self.ref, "polygon", class_code=int(SurfaceClass.STAIN), reason="test",
            shape={"polygon_mm": [[38, -28], [39, -28], [39, -27]]},
        )  # fmt: skip

    def change_drawing(self) -> None:
        """The land becomes 9 mm wide."""
        face = self.book.get(Face, self.survey.face_id)
        land = Point(0, 0).buffer(29, quad_segs=256).difference(self.drawing.trace)
        new = replace(self.drawing, zones={**self.drawing.zones, "seal_land": land})
        save_drawing(self.book, self.book.get(Plate, face.plate_id), face, new)

    def page(self, name: str = "map") -> AppTest:
        return page(name, **place_of(self.book.get(Survey, self.survey.id))).run()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    with Casebook(tmp_path / "book", who="Ada") as book:
        yield Bench(book, tmp_path / "map")


def can_correct(test: AppTest) -> bool:
    return "Change the map" in [b.label for b in test.button]


def test_map_page_without_edits_keeps_its_figures_and_takes_no_correction(bench: Bench) -> None:
    test = bench.page()
    assert can_correct(test) and not test.warning
    figures = [m.value for m in test.metric]
    bench.change_drawing()
    test.run()
    assert [m.value for m in test.metric] == figures
    assert [w.value for w in test.warning] == [f"the survey after the test lap, 2026-03-01: {SAID}"]
    kinds = [element.type for element in test.main]
    assert kinds.index("warning") < kinds.index("plotly_chart")
    assert not can_correct(test)


def test_map_page_with_edits_says_to_map_again_instead_of_measuring(bench: Bench) -> None:
    bench.edit()
    test = bench.page()
    assert can_correct(test) and not test.error
    bench.change_drawing()
    test.run()
    assert not test.exception
    assert [e.value for e in test.error] == [
        f"the survey after the test lap, 2026-03-01: {SAID}; its hand edits are carried over"
    ]
    assert not test.metric


@pytest.mark.parametrize("name", ["plan", "before_after", "record"])
def test_nothing_is_made_of_figures_of_another_drawing(bench: Bench, name: str) -> None:
    again = bench.book.create_survey(
        bench.book.get(Face, bench.survey.face_id), bench.book.jobs()[0], "lap_1", "2026-03-02",
        removed_um=bench.survey.removed_um,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        made = inspection_of_pits(bench.drawing, [(24.0, 0.0, 2.0)])
        mapped = replace(made, stage=Stage("lap_1"), class_map=replace(made.class_map, stage=Stage("lap_1")))
        bench.book.add_inspection(again, save_inspection(mapped, Path(folder) / "map"))
    test = bench.page(name)
    assert not test.error and not test.exception
    bench.change_drawing()
    test.run()
    assert [e.value for e in test.error] == [
        f"the survey after the test lap, 2026-03-01: {SAID}; the survey after lap 1, 2026-03-02: {SAID}"
    ]


def test_signing_a_survey_of_another_drawing_is_warned_of(bench: Bench) -> None:
    def before_signing() -> list[str]:
        # what a release would leave open is told below
        return [w.value for w in bench.page("checklist").warning if "leaves this open" not in w.value]

    assert before_signing() == []
    bench.change_drawing()
    assert before_signing() == [f"the survey after the test lap, 2026-03-01: {SAID}"]
