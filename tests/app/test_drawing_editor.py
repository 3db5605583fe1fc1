"""The drawing editor and its neighbours through Streamlit's own test harness: type, press, take back, keep."""

from __future__ import annotations

import json
import pickle
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from page_steps import page
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook, Face
from pitmap.casebook.sample import load_sample
from pitmap.drawing import fill_mask, load_shipped
from pitmap.drawing.edit import (
    History,
    Replay,
    Step,
    circle_of,
    contour_of,
    corners_of,
    move_opening,
    opening_named,
)
from pitmap.errors import DrawingError
from pitmap.review.screens import drawing_edit
from pitmap.review.screens.drawing_desk import Choices, Desk, Press, changed, pointed
from pitmap.review.screens.drawing_fields import shown_deg
from pitmap.review.screens.drawing_figure import PICTURE_PX, Marks, edit_picture, whole_plate
from pitmap.review.screens.drawing_numbers import _rows
from pitmap.workflow import drawing_of, save_drawing

pytestmark = pytest.mark.filterwarnings("default")
MM = {"x_mm": "x", "y_mm": "y", "diameter_mm": "diameter"}
HOLE = ("name", "kind", "x, mm", "y, mm", "diameter, mm")


@pytest.fixture(scope="module")
def sample_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("book")
    with Casebook(path, who="Ada") as book:
        load_sample(book)
    return path


@pytest.fixture
def open_page(sample_book: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(sample_book))

    def run(**state: object) -> AppTest:
        place: dict[str, object] = {"job_id": 1, "plate_id": 1, "face_id": 1, "drawing_mode": "change"}
        return page("drawing", **{**place, **state}).run()

    return run


def desk_of(test: AppTest) -> Desk:
    return test.session_state["edit_desk_1"]


def field(test: AppTest, label: str):  # type: ignore[no-untyped-def]
    return next(t for t in test.text_input if t.label == label)


def press(test: AppTest, label: str) -> AppTest:
    return next(b for b in test.button if b.label == label).click().run()


def fine(test: AppTest) -> None:
    assert not test.exception
    assert [e.value for e in test.error] == []


# The page ---------------------------------------------------------------------------------------------


def test_typed_numbers_move_a_hole_and_can_be_taken_back(open_page: Callable[..., AppTest]) -> None:
    test = open_page(edit_desk_1=Desk(chosen="bolt_03"))
    assert field(test, "Centre x, mm").value == "71.1"
    field(test, "Centre x, mm").input("2.8 in")
    field(test, "Diameter, mm").input("7")
    field(test, "Name").input("long bolt")
    press(test, "Set")
    fine(test)
    assert desk_of(test).chosen == "long bolt"
    assert (field(test, "Centre x, mm").value, field(test, "Diameter, mm").value) == ("71.12", "7")
    assert any("3 changes not kept yet" in m.value for m in test.markdown)
    press(test, "Undo")
    press(test, "Undo")
    press(test, "Undo")
    assert desk_of(test).history.n_done == 0
    assert any("No changes" in m.value for m in test.markdown)
    press(test, "Redo")
    assert desk_of(test).history.n_done == 1
    fine(test)


def test_bad_entry_is_a_sentence_and_changes_nothing(open_page: Callable[..., AppTest]) -> None:
    test = open_page(edit_desk_1=Desk(chosen="bolt_03"))
    field(test, "Diameter, mm").input("thick")
    press(test, "Set")
    assert not test.exception
    assert any("Diameter" in e.value and "thick" in e.value for e in test.error)
    assert desk_of(test).history.n_done == 0


def test_what_somebody_else_keeps_meanwhile_is_not_written_over(
    empty_book: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The editor is drawn again by itself, so it goes on with the drawing of before until the whole page is drawn."""
    plate = empty_book.create_plate("T-12")
    face = empty_book.create_face(plate, "A", drawing="heron40_intermediate_a")
    shipped = load_shipped("heron40_intermediate_a")
    bens = move_opening(shipped, name="bolt_04", x_mm=36.5, y_mm=81.4).drawing
    keep = drawing_edit.save_drawing

    def late_by_a_moment(*args: object, **over: object) -> None:
        monkeypatch.setattr(drawing_edit, "save_drawing", keep)
        keep(empty_book.as_person("Ben"), plate, face, bens)
        keep(*args, **over)  # type: ignore[arg-type]

    def places() -> list[tuple[float, float]]:
        kept = drawing_of(empty_book, plate, empty_book.get(Face, face.id))
        circles = [circle_of(opening_named(kept, name).polygon) for name in ("bolt_03", "bolt_04")]
        return [(round(c.x_mm, 2), round(c.y_mm, 2)) for c in circles if c is not None]

    place: dict[str, object] = {"plate_id": plate.id, "face_id": face.id, "drawing_mode": "change"}
    test = page("drawing", **place, who="Ada", edit_desk_1=Desk(chosen="bolt_03")).run()
    field(test, "Centre x, mm").input("71.5")
    press(test, "Set")
    monkeypatch.setattr(drawing_edit, "save_drawing", late_by_a_moment)
    press(test, "Keep this drawing")
    assert places() == [(71.1, 67.5), (36.5, 81.4)]  # as shipped, and as Ben moved it
    (said,) = [e.value for e in test.error]
    assert "was kept by Ben on " in said
    assert said.endswith("1 of your 1 changes were laid on the new one; look at them before you keep it.")
    press(test, "Keep this drawing")
    fine(test)
    assert places() == [(71.5, 67.5), (36.5, 81.4)]


def test_first_drawing_that_somebody_else_kept_is_not_replaced_by_a_blank_plate(empty_book: Casebook) -> None:
    plate = empty_book.create_plate("T-13")
    face = empty_book.create_face(plate, "A")
    test = page("drawing", plate_id=plate.id, face_id=face.id, who="Ada").run()
    for side, text in {"w": "100", "h": "60", "t": "12"}.items():
        test.text_input(key=f"blank_{side}_{face.id}_mm").input(text)
    press(test, "Start drawing")
    save_drawing(empty_book.as_person("Ben"), plate, face, load_shipped("heron40_intermediate_a"))
    test.run()  # as any press on the way does, with the blank plate in view
    press(test, "Keep this drawing")
    assert any("another drawing was kept by Ben on " in e.value for e in test.error)
    assert drawing_of(empty_book, plate, face).name == "Heron 40 intermediate plate, face A"
    for mode in ("look", "change"):
        next(g for g in test.button_group if g.key == "drawing_mode").set_value(mode).run()
    press(test, "Keep this drawing")
    fine(test)
    assert drawing_of(empty_book, plate, face).name == "T-13 A"


def test_inch_units_reach_the_fields(open_page: Callable[..., AppTest]) -> None:
    test = open_page(edit_desk_1=Desk(chosen="bolt_03"), units="inch")
    # 6.6 mm / 25.4
    assert field(test, "Diameter, in").value == "0.2598"
    field(test, "Diameter, in").input("0.5")
    press(test, "Set")
    fine(test)
    assert dict(desk_of(test).history.steps[0].arguments)["diameter_mm"] == pytest.approx(12.7)


@pytest.mark.parametrize(
    ("tool", "label", "in_mm", "in_inch"),
    [
        ("move", "Diameter", "6.6", "0.2598"),
        ("hole", "Diameter", "8", "0.315"),
        ("trace", "Eccentricity e", "12.2", "0.4803"),
        ("land", "Ends at", "6", "0.2362"),
        ("bands", "Width of the seal", "1.2", "0.0472"),
        ("plate", "Thickness of the plate", "14", "0.5512"),
    ],
)
def test_switch_of_units_shows_the_same_length(
    open_page: Callable[..., AppTest], tool: str, label: str, in_mm: str, in_inch: str
) -> None:
    test = open_page(edit_desk_1=Desk(tool=tool, chosen="bolt_03"))
    assert field(test, f"{label}, mm").value == in_mm
    test.session_state["units"] = "inch"
    test.run()
    assert field(test, f"{label}, in").value == in_inch


def test_switch_of_units_forgets_a_bare_number_that_was_typed(open_page: Callable[..., AppTest]) -> None:
    test = open_page(edit_desk_1=Desk(tool="hole"))
    field(test, "Diameter, mm").input("7")
    field(test, "x, mm").input("50")
    test.session_state["units"] = "inch"
    test.run()
    assert (field(test, "Diameter, in").value, field(test, "x, in").value) == ("0.315", "")
    corner = Desk(chosen="outline", corner=3)
    test = open_page(edit_desk_1=corner)
    x_mm = float(field(test, "x, mm").value)
    test.session_state["units"] = "inch"
    test.run()
    assert float(field(test, "x, in").value) == pytest.approx(x_mm / 25.4, abs=1e-4)
    test = open_page(drawing_mode="look")
    field(test, "Width, mm").input("240")
    test.session_state["units"] = "inch"
    test.run()
    assert field(test, "Width, in").value == ""


@pytest.mark.parametrize("tool", ["move", "hole", "opening", "trace", "land", "bands", "plate", "zoom"])
def test_every_tool_shows_on_a_plain_plate_and_on_a_full_one(
    open_page: Callable[..., AppTest], tool: str
) -> None:
    fine(open_page(edit_desk_1=Desk(tool=tool, chosen="outline", corner=3)))
    blank = {"name": "x", "width_mm": 200.0, "height_mm": 150.0, "thickness_mm": 12.0}
    test = open_page(edit_desk_1=Desk(tool=tool), blank_plate_1=blank)
    fine(test)


def test_typed_trace_and_land_and_band(open_page: Callable[..., AppTest]) -> None:
    blank = {"name": "x", "width_mm": 240.0, "height_mm": 200.0, "thickness_mm": 12.0}
    test = open_page(edit_desk_1=Desk(tool="trace"), blank_plate_1=blank)
    field(test, "Eccentricity e, mm").input("10")
    field(test, "Generating radius R, mm").input("70")
    press(test, "Set the bore trace")
    fine(test)
    test.session_state["edit_desk_1"] = replace(desk_of(test), tool="land")
    test.run()
    field(test, "Ends at, mm").input("6")
    press(test, "Set the seal land")
    fine(test)
    test.session_state["edit_desk_1"] = replace(desk_of(test), tool="bands")
    test.run()
    for label, text in {
        "Name": "side seal",
        "From, mm": "-8",
        "To, mm": "-2",
        "Width of the seal, mm": "1.2",
    }.items():
        field(test, label).input(text)
    press(test, "Set the band")
    fine(test)
    assert [s.operation for s in desk_of(test).history.steps] == ["set_trace", "set_land", "set_band"]


def test_fit_from_clicks_is_offered_with_intervals_and_bad_ones_are_refused(
    open_page: Callable[..., AppTest],
) -> None:
    from pitmap.drawing import Trochoid, suggested_clicks

    clicks = Trochoid(eccentricity_mm=12.2, radius_mm=79.0, offset_mm=2.0).points(suggested_clicks(12))
    clicks = clicks + np.random.default_rng(5).normal(0, 0.2, clicks.shape)
    good = tuple((float(x), float(y)) for x, y in clicks)
    test = open_page(edit_desk_1=Desk(tool="trace", clicks=good), edit_offset_mm_1="2 mm")
    fine(test)
    shown = test.table[0].value.iloc[:, 0]
    assert shown["eccentricity e"].startswith("12") and "to" in shown["eccentricity e"]
    press(test, "Use this bore trace")
    fine(test)
    assert desk_of(test).history.steps[-1].operation == "set_trace"
    assert desk_of(test).clicks == ()
    bad = (*good[:5], (good[5][0] * 0.85, good[5][1] * 0.85), *good[6:])
    test = open_page(edit_desk_1=Desk(tool="trace", clicks=bad), edit_offset_mm_1="2 mm")
    assert any("click 6 lies" in w.value for w in test.warning)
    assert "Use this bore trace" not in [b.label for b in test.button]


def test_photo_lies_under_the_drawing(open_page: Callable[..., AppTest], sample_book: Path) -> None:
    with Casebook(sample_book) as book:
        plate = book.plates()[0]
        face = next(f for f in book.faces(plate) if f.id == 1)
        survey = book.surveys(face=face)[0]
        ref = book.photos(survey)[0]
    test = open_page(edit_photo_1=ref.id)
    fine(test)
    choice = next(s for s in test.selectbox if s.label == "Photo under the drawing")
    assert choice.value == ref.id


def test_look_alikes_are_measured(open_page: Callable[..., AppTest]) -> None:
    test = open_page(edit_desk_1=Desk(tool="plate"), edit_alikes_1=True)
    fine(test)
    assert any("of the edges" in option for r in test.radio for option in r.options)


def test_keep_checks_and_saves(open_page: Callable[..., AppTest], sample_book: Path) -> None:
    off = Step.of("move_opening", name="bolt_03", x_mm=120.0, y_mm=0.0)
    history = History().with_step(off)
    test = open_page(edit_desk_1=Desk(history=history, told=("moved",)))
    press(test, "Keep this drawing")
    assert any("bolt_03: reaches outside the outline" in e.value for e in test.error)
    history = History().with_step(Step.of("set_diameter", name="bolt_03", diameter_mm=7.5))
    test = open_page(edit_desk_1=Desk(history=history, told=("sized",)))
    press(test, "Keep this drawing")
    assert not test.exception
    assert desk_of(test).history == History()
    with Casebook(sample_book) as book:
        plate = book.plates()[0]
        face = next(f for f in book.faces(plate) if f.id == 1)
        circle = circle_of(opening_named(drawing_of(book, plate, face), "bolt_03").polygon)
    assert circle is not None and circle.diameter_mm == pytest.approx(7.5, abs=1e-3)


def test_changes_are_laid_on_a_drawing_that_somebody_else_kept(open_page: Callable[..., AppTest]) -> None:
    history = History()
    for step in (
        Step.of("set_diameter", name="bolt_05", diameter_mm=7.5),
        Step.of("remove_opening", name="not there any more"),
    ):
        history = history.with_step(step)
    test = open_page(edit_desk_1=Desk(history=history, told=("a", "b")), edit_base_1="older")
    assert any("1 of your 2 changes" in e.value for e in test.error)
    assert desk_of(test).history.n_done == 1


@pytest.mark.parametrize(
    ("tool", "label", "before", "after"),
    [
        ("move", "Centre x, mm", "71.1", "73"),
        ("plate", "Name of the drawing", "Heron 40 intermediate plate, face A", "front"),
    ],
)
def test_field_shows_what_somebody_else_kept(
    open_page: Callable[..., AppTest], sample_book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    tool: str, label: str, before: str, after: str,
) -> None:  # fmt: skip
    shutil.copytree(sample_book, tmp_path / "book")
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    test = open_page(edit_desk_1=Desk(tool=tool, chosen="bolt_03"))
    assert field(test, label).value == before
    with Casebook(tmp_path / "book", who="Ben") as book:
        plate = book.plates()[0]
        face = book.faces(plate)[0]
        drawing = drawing_of(book, plate, face)
        y_mm = opening_named(drawing, "bolt_03").polygon.centroid.y
        moved = move_opening(drawing, name="bolt_03", x_mm=73.0, y_mm=y_mm).drawing
        save_drawing(book, plate, face, replace(moved, name="front"))
    assert field(test.run(), label).value == after


def test_a_reload_takes_up_what_was_begun_and_another_person_starts_afresh(
    open_page: Callable[..., AppTest],
) -> None:
    test = open_page(who="Ada", edit_desk_1=Desk(chosen="bolt_03"))
    field(test, "Diameter, mm").input("7")
    press(test, "Set")
    fine(test)
    again = open_page(who="Ada")
    fine(again)
    assert desk_of(again).history == desk_of(test).history
    assert desk_of(again).history.n_done == 1
    assert desk_of(open_page(who="Bob")).history.n_done == 0


def test_a_reload_without_changes_starts_at_the_whole_plate(open_page: Callable[..., AppTest]) -> None:
    test = open_page(who="Ada", edit_desk_1=Desk(tool="bands"))
    next(b for b in test.button_group if b.key == "edit_tool_1").set_value("land").run()
    assert desk_of(test).tool == "land"
    assert desk_of(open_page(who="Ada")) == Desk()


def test_numbers_form_builds(open_page: Callable[..., AppTest]) -> None:
    test = open_page(drawing_mode="look")
    fine(test)
    press(test, "Build and look")
    fine(test)
    field(test, "Generating radius R, mm").input("20")
    press(test, "Build and look")
    assert not test.exception
    assert any("R > 3 e" in e.value for e in test.error)


def test_no_table_of_numbers_drops_a_decimal_comma(open_page: Callable[..., AppTest]) -> None:
    # a browser keeps a comma out of a cell or field for numbers, and 12,5 is 125
    test = open_page(drawing_mode="look")
    tables = [json.loads(table.proto.columns) for table in test.dataframe]
    assert sum("x, mm" in columns for columns in tables) == 3  # corners of the body, holes, ears
    kinds = {c["type_config"]["type"] for columns in tables for c in columns.values() if "type_config" in c}
    assert kinds == {"text", "selectbox"}
    assert not test.number_input


def test_numbers_of_a_table_are_read_with_a_decimal_comma() -> None:
    holes = pd.DataFrame([["h1", "bolt", "-40,5", "1.25", "12,5"], [None] * 5], columns=list(HOLE))
    (row,) = _rows("holes", {"name": "name", "kind": "kind", **MM}, holes)
    assert row == {"name": "h1", "kind": "bolt", "x_mm": -40.5, "y_mm": 1.25, "diameter_mm": 12.5}
    slots = pd.DataFrame([["s", "30,5", "60"]], columns=["name", "from, deg", "to, deg"])
    (row,) = _rows("slots", {"name": "name", "from_deg": "from, deg", "to_deg": "to, deg"}, slots)
    assert row == {"name": "s", "from_deg": 30.5, "to_deg": 60.0}
    port = pd.DataFrame([["p", "46,5 12; 66 8,25; 60 0"]], columns=["name", "corners"])
    (row,) = _rows("ports", {"name": "name", "points_mm": "corners"}, port)
    assert row["points_mm"] == [[46.5, 12.0], [66.0, 8.25], [60.0, 0.0]]


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (
            ["h1", "bolt", "1,250", "0", "8"],
            "holes, row 1: x: length '1,250': the comma can be read both ways",
        ),
        (["h1", "bolt", "12", "", "8"], "holes, row 1: y is empty; fill it in or delete the row"),
        (["h1", "bolt", "12", "0", "eight"], "holes, row 1: diameter: length 'eight'"),
    ],
)
def test_number_of_a_table_that_cannot_be_is_told_by_its_row(cells: list[str], said: str) -> None:
    with pytest.raises(DrawingError, match=re.escape(said)):
        _rows("holes", {"name": "name", "kind": "kind", **MM}, pd.DataFrame([cells], columns=list(HOLE)))


def test_plain_plate_needs_sizes(open_page: Callable[..., AppTest]) -> None:
    test = open_page(drawing_mode="look")
    field(test, "Width, mm").input("9 in")
    press(test, "Start drawing")
    assert any("Height" in e.value for e in test.error)
    field(test, "Height, mm").input("200")
    next(t for t in test.text_input if t.key == "blank_t_1_mm").input("12")
    press(test, "Start drawing")
    fine(test)
    assert test.session_state["blank_plate_1"]["width_mm"] == pytest.approx(228.6)


# Presses ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def plate():  # type: ignore[no-untyped-def]
    return load_shipped("heron40_end")


def at(x: float, y: float, to: tuple[float, float] | None = None) -> Press:
    return Press(begin=(x, y), end=to or (x, y), reach_mm=2.0)


def test_drag_moves_by_as_much_as_the_hand_did(plate) -> None:  # type: ignore[no-untyped-def]
    # Pressed half a millimetre beside the centre: the hole keeps that distance from the hand.
    desk, step = pointed(Desk(), plate, at(105.0, 5.5, (106.0, 9.5)), Choices())
    assert step == Step.of("move_opening", name="bolt_01", x_mm=pytest.approx(105.5), y_mm=pytest.approx(9.5))
    assert desk.chosen == "bolt_01"


def test_tap_chooses_then_places(plate) -> None:  # type: ignore[no-untyped-def]
    desk, step = pointed(Desk(), plate, at(104.5, 5.5), Choices())
    assert (desk.chosen, step) == ("bolt_01", None)
    desk, step = pointed(replace(desk, armed="place"), plate, at(100.0, 0.0), Choices())
    assert step == Step.of("move_opening", name="bolt_01", x_mm=100.0, y_mm=0.0)


def test_drag_of_a_traced_edge_takes_the_stretch_along(plate) -> None:  # type: ignore[no-untyped-def]
    x, y = corners_of(plate.outline)[100]
    _, step = pointed(Desk(chosen="outline"), plate, at(x, y, (x + 1, y)), Choices(stretch_mm=10.0))
    assert step is not None
    arguments = dict(step.arguments)
    assert (step.operation, arguments["index"], arguments["stretch_mm"]) == ("move_corner", 100, 10.0)


def test_ring_closes_on_its_first_place(plate) -> None:  # type: ignore[no-untyped-def]
    desk = Desk(tool="opening")
    for x, y in ((20, -60), (30, -60), (30, -52)):
        desk, step = pointed(desk, plate, at(x, y), Choices(kind="port"))
        assert step is None
    desk, step = pointed(desk, plate, at(20.5, -60.5), Choices(kind="port"))
    assert desk.clicks == ()
    assert step is not None and dict(step.arguments)["points_mm"] == ((20, -60), (30, -60), (30, -52))


def test_press_on_nothing_says_so_and_refusal_keeps_the_drawing(plate) -> None:  # type: ignore[no-untyped-def]
    desk, step = pointed(Desk(), plate, at(400, 400, (410, 400)), Choices())
    assert step is None and "Nothing lies there" in desk.refused
    bad = Step.of("set_diameter", name="bolt_01", diameter_mm=-1.0)
    desk = changed(Desk(), Replay(), plate, "k", bad)
    assert desk.history == History() and "diameter must be above 0" in desk.refused


def test_desk_can_be_pickled(plate) -> None:  # type: ignore[no-untyped-def]
    desk = changed(Desk(view=whole_plate(plate)), Replay(), plate, "k", Step.of("set_land", outer_mm=5.0))
    assert pickle.loads(pickle.dumps(desk)) == desk
    assert len(pickle.dumps(desk)) < 2000


# The picture ------------------------------------------------------------------------------------------


def test_picture_shows_where_things_are(plate) -> None:  # type: ignore[no-untyped-def]
    view = whole_plate(plate)
    plain = edit_picture(plate, view, Marks())
    marked = edit_picture(plate, view, Marks(chosen="bolt_01", clicks=[(40.0, -60.0)]))
    assert plain.shape == (round(PICTURE_PX * view.aspect), PICTURE_PX, 3)
    changed_px = np.argwhere((plain != marked).any(-1))
    mm = view.grid().px_to_mm(changed_px[:, ::-1].astype(float))
    near = np.minimum(np.hypot(*(mm - [104.5, 5.5]).T), np.hypot(*(mm - [40.0, -60.0]).T))
    # The hole, its handle and its name under it; the click.
    assert near.max() < 16
    hole = fill_mask(contour_of(plate, "bore").buffer(-2), view.grid())
    assert (plain[hole] == 255).all()


def test_zoom_box_and_place_go_back_and_forth(plate) -> None:  # type: ignore[no-untyped-def]
    view = whole_plate(plate).on((10.0, 10.0), (50.0, 40.0))
    grid = view.grid()
    corner = grid.px_to_mm([-0.5, -0.5])
    assert corner[0] <= 10.0 + 1e-6 and corner[1] >= 40.0 - 1e-6
    px = grid.mm_to_px([33.0, 21.0])
    assert grid.px_to_mm(px) == pytest.approx([33.0, 21.0])


def test_length_that_nobody_touched_is_not_moved_by_its_inches(open_page: Callable[..., AppTest]) -> None:
    """14 mm are shown as 0.5512 in, 14.0005 mm: a new name alone made the plate thicker."""
    test = open_page(units="inch", edit_desk_1=Desk(tool="plate"))
    field(test, "Name of the drawing").input("renamed")
    test = press(test, "Set")
    fine(test)
    assert dict(desk_of(test).history.steps[-1].arguments) == {"name": "renamed", "thickness_mm": 14.0}


def _fit_of_clicks_a_tenth_off() -> None:
    import numpy as np

    from pitmap.drawing import Trochoid, fit_trochoid
    from pitmap.review.screens.drawing_fit_table import fit_table

    truth = Trochoid(eccentricity_mm=12, radius_mm=80, offset_mm=2, centre_xy_mm=(0, 0), rotation_deg=0)
    at = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    clicks = truth.points(at) + 0.1 * np.random.default_rng(3).standard_normal((24, 2))
    fit_table(fit_trochoid(clicks, offset_mm=2.0), "typed")


def test_a_fit_of_the_trace_is_told_in_inch_where_that_is_worked_in() -> None:
    """How far the clicks lie off the curve stood there in mm."""
    test = AppTest.from_function(_fit_of_clicks_a_tenth_off)
    test.session_state["units"] = "inch"
    (said,) = [c.value for c in test.run().caption]
    # 0.1 mm are 0.004 in
    assert re.fullmatch(r"The places lie within 0\.00[2-6] in \(root mean square\) of the curve\.", said)


def test_what_was_changed_is_told_in_both_units(open_page: Callable[..., AppTest]) -> None:
    """0.5 in were typed, and "12.7 mm thick" stood under the picture: a sentence outlives a switch of the units."""
    test = open_page(units="inch", edit_desk_1=Desk(tool="plate"))
    field(test, "Thickness of the plate, in").input("0.5")
    press(test, "Set")
    assert desk_of(test).said.endswith("12.7 mm = 0.5 in thick")
    test = open_page(units="inch", edit_desk_1=Desk(chosen="bolt_03"))
    field(test, "Centre x, in").input("2.8")
    press(test, "Set")
    assert "bolt_03 moved to x 71.12 mm = 2.8 in, y " in desk_of(test).said


def test_trace_keeps_the_numbers_that_nobody_touched_under_inch(open_page: Callable[..., AppTest]) -> None:
    """Each number is shown to a ten-thousandth of an inch, 2.54 um: a turn alone moved every one of them."""
    before = open_page(edit_desk_1=Desk(tool="trace"))
    names = ("Eccentricity e", "Generating radius R", "Offset", "Centre x", "Centre y")
    shown = [float(field(before, f"{name}, mm").value) for name in names]
    test = open_page(units="inch", edit_desk_1=Desk(tool="trace"))
    field(test, "Rotation, deg").input("1")
    test = press(test, "Set the bore trace")
    fine(test)
    made = dict(desk_of(test).history.steps[-1].arguments)
    assert [
        made[k] for k in ("eccentricity_mm", "radius_mm", "offset_mm", "centre_x_mm", "centre_y_mm")
    ] == shown


def test_opening_that_is_moved_across_stays_at_its_height_under_inch(
    open_page: Callable[..., AppTest],
) -> None:
    """Its height is shown to a ten-thousandth of an inch: typed anew it moved with every change of x."""
    test = open_page(units="inch", edit_desk_1=Desk(chosen="bolt_03"))
    drawn = next(o for o in load_shipped("heron40_intermediate_a").openings if o.name == "bolt_03").polygon
    field(test, "Centre x, in").input("0.1")
    test = press(test, "Set")
    fine(test)
    made = dict(desk_of(test).history.steps[-1].arguments)
    assert made["y_mm"] == pytest.approx(drawn.centroid.y, abs=1e-5)


@pytest.mark.parametrize(
    ("turn", "shown"), [(12.345, "12.345"), (-123.456, "-123.456"), (0.0, "0"), (-0.0002, "0"), (90.0, "90")]
)
def test_angle_of_the_trace_is_shown_as_finely_as_its_lengths(turn: float, shown: str) -> None:
    """Three figures made 12.345 deg 12.3: at 79 mm from the middle 0.06 mm, for whoever changed e alone."""
    assert shown_deg(turn) == shown
