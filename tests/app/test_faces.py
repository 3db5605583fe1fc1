"""What is entered for one face stays with that face."""

from __future__ import annotations

import pytest
from page_steps import page
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook
from pitmap.drawing import load_shipped, shipped_plates
from pitmap.drawing.edit import History, Step
from pitmap.review.screens.drawing_desk import Desk
from pitmap.stock import Limit, LimitSheet
from pitmap.workflow import limits_of, save_limits

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def two_faces(empty_book: Casebook) -> Casebook:
    """An empty job: plate 1 with face A (1) and face B (2)."""
    plate = empty_book.create_plate("T-1", drawing="heron40_end", job=empty_book.create_job("order 1"))
    empty_book.create_face(plate, "A")
    empty_book.create_face(plate, "B")
    return empty_book


def _limit_sheet() -> None:
    import streamlit as st

    from pitmap.casebook import Face, Plate
    from pitmap.review.screens.plan import _limit_sheet
    from pitmap.review.state import book

    _limit_sheet(book(), book().get(Plate, 1), book().get(Face, st.session_state["face_id"]))


def sheet_page(face_id: int) -> AppTest:
    test = AppTest.from_function(_limit_sheet, default_timeout=60)
    test.session_state["face_id"] = face_id
    return test.run()


def field(test: AppTest, label: str):  # type: ignore[no-untyped-def]
    return next(t for t in test.text_input if t.label.startswith(label))


def keep(test: AppTest) -> None:
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    assert not test.exception
    assert [e.value for e in test.error] == []


def sheet(book: Casebook, face_id: int) -> LimitSheet:
    face = book.faces(book.plates()[0])[face_id - 1]
    return limits_of(book, face)


def test_limit_sheet_of_the_other_face_is_not_shown_or_kept(two_faces: Casebook) -> None:
    plate = two_faces.plates()[0]
    a, b = two_faces.faces(plate)
    save_limits(two_faces, plate, a, LimitSheet(entries={"total_stock": Limit(value=100.0, source="A")}))
    save_limits(two_faces, plate, b, LimitSheet(entries={"total_stock": Limit(value=60.0, source="B")}))
    test = sheet_page(1)
    assert field(test, "Most stock").value == "100 um"
    test.session_state["face_id"] = 2
    test.run()
    assert field(test, "Most stock").value == "60 um"
    keep(test)
    assert sheet(two_faces, 2).entries == {"total_stock": Limit(value=60.0, source="B")}
    assert sheet(two_faces, 1).entries == {"total_stock": Limit(value=100.0, source="A")}


def test_limit_sheet_kept_by_somebody_else_is_shown(two_faces: Casebook) -> None:
    plate = two_faces.plates()[0]
    test = sheet_page(1)
    assert field(test, "Most stock").value == ""
    entry = Limit(value=80.0, source="manual, page 3")
    save_limits(two_faces, plate, two_faces.faces(plate)[0], LimitSheet(entries={"total_stock": entry}))
    assert field(test.run(), "Most stock").value == "80 um"


def test_limit_sheet_sent_after_somebody_else_kept_one_is_laid_over_it(two_faces: Casebook) -> None:
    plate = two_faces.plates()[0]
    test = sheet_page(1)
    k = [t.label.startswith("Least thickness") for t in test.text_input].index(True)
    test.text_input[k].input("11.5 mm")
    test.text_input[k + 2].input("manual, page 4")
    theirs = Limit(value=80.0, source="manual, page 3")
    save_limits(two_faces, plate, two_faces.faces(plate)[0], LimitSheet(entries={"total_stock": theirs}))
    keep(test)
    assert [w.value.split(".")[0] for w in test.warning] == ["Somebody else changed this after you opened it"]
    assert [e.proto.expanded for e in test.expander] == [True]  # the warning is not folded away
    assert sheet(two_faces, 1).entries == {"total_stock": theirs}
    assert (field(test, "Most stock").value, field(test, "Least thickness").value) == ("80 um", "11.5 mm")
    keep(test)
    assert [w.value for w in test.warning] == []
    assert sheet(two_faces, 1).entries == {
        "total_stock": theirs,
        "thickness_min": Limit(value=11.5, source="manual, page 4"),
    }


def test_limit_sheet_keeps_every_number_when_it_is_kept_as_shown(two_faces: Casebook) -> None:
    plate = two_faces.plates()[0]
    entries = {
        "case_depth": Limit(value=300.0, uncertainty=5.0, source="section of a scrap plate"),
        "stock_removed_before": Limit(value=0.0, source="first rebuild"),
        "squeeze_min": Limit(value=12.5, uncertainty=0.5, source="ring maker, page 2"),
        "thickness": Limit(value=11.9876543, source="micrometer"),
    }
    save_limits(two_faces, plate, two_faces.faces(plate)[0], LimitSheet(entries=entries))
    keep(sheet_page(1))
    assert sheet(two_faces, 1).entries == entries


def test_uncertainty_of_a_limit_can_be_entered(two_faces: Casebook) -> None:
    test = sheet_page(1)
    row = [t.label for t in test.text_input].index("Depth of the hardened case when new")
    for text_input, text in zip(test.text_input[row : row + 3], ("0.3 mm", "1 thou", "scrap plate")):
        text_input.input(text)
    keep(test)
    assert sheet(two_faces, 1).entries == {
        "case_depth": Limit(value=300.0, uncertainty=25.4, source="scrap plate")
    }


def _take_off() -> None:
    from types import SimpleNamespace

    import streamlit as st

    from pitmap.review.screens.plan import _what_if
    from pitmap.stock.curves import CURVES

    rows = [
        {"zone": "seal_land", "aim": "pits", "removal_um": um, "value": 1.0, "value_low": 1.0, "value_high": 1.0,
         "p_reached": 0.0}
        for um in (0.0, 10.0, 20.0)
    ]  # fmt: skip
    _what_if(SimpleNamespace(curves=CURVES.frame(rows)), SimpleNamespace(id=st.session_state["face_id"]))


def test_stock_chosen_on_one_face_is_not_chosen_on_the_other() -> None:
    test = AppTest.from_function(_take_off, default_timeout=60)
    test.session_state["face_id"] = 1
    test.run().select_slider[0].set_value(20.0).run()
    test.session_state["face_id"] = 2
    assert test.run().select_slider[0].value == 0.0


def test_drawing_page_opens_on_the_face_that_one_works_on(two_faces: Casebook) -> None:
    test = page("drawing", job_id=1, plate_id=1, face_id=2).run()
    assert [e.value for e in test.error] == []
    chosen = next(s for s in test.selectbox if s.label.replace("\\", "") == "Plate T-1: face")
    assert chosen.value.name == "B"
    chosen.select(chosen.options[0]).run()
    assert test.session_state["face_id"] == 1
    assert not test.info


def test_drawing_page_tells_of_work_begun_on_another_face(two_faces: Casebook) -> None:
    begun = Desk(history=History(steps=(Step.of("remove_opening", name="bolt_03"),), n_done=1))
    test = page("drawing", job_id=1, plate_id=1, face_id=2, edit_desk_1=begun).run()
    (said,) = [i.value for i in test.info]
    assert said.startswith("Not kept yet on face A:")


@pytest.mark.parametrize("module", ["map", "plan", "drawing"])
def test_names_of_plate_and_face_are_no_markup_in_the_list_of_faces(
    empty_book: Casebook, module: str
) -> None:
    plate = empty_book.create_plate("T*1*_$5$:red[x]", job=empty_book.create_job("order 1"))
    for name in ("A*b*", "$C$"):
        empty_book.create_face(plate, name)
    test = page(module, job_id=1, plate_id=1, face_id=1).run()
    assert r"Plate T\*1\*\_\$5\$\:red\[x\]: face" in [s.label for s in test.selectbox]
    # The lines of a list are shown as they are by themselves.
    assert ["$C$", "A*b*"] in [s.options for s in test.selectbox]


def test_sizes_of_a_drawing_are_in_the_chosen_units(empty_book: Casebook) -> None:
    """A shipped plate, looked at without a job: thickness and zones by the drawing itself, 1 in = 25.4 mm."""
    name = shipped_plates()[0]
    drawing = load_shipped(name)
    land = drawing.zones["seal_land"].area
    for units, thick, area in (
        ("mm", f"{drawing.thickness_mm:g} mm thick", f"seal land {land:.1f} mm2"),
        (
            "inch",
            f"{drawing.thickness_mm / 25.4:.4f}".rstrip("0") + " in thick",
            f"seal land {land / 645.16:.4f} in2",
        ),
    ):
        (said,) = [c.value for c in page("drawing", units=units).run().caption if "thick" in c.value]
        assert thick in said and area in said


def test_notes_on_a_drawing_name_faces_as_they_were_written(empty_book: Casebook) -> None:
    plate = empty_book.create_plate("T-1", job=empty_book.create_job("order 1"))
    for name in ("A*1*", "B*2*"):
        empty_book.create_face(plate, name)
    begun = {"width_mm": 200.0}
    test = page("drawing", job_id=1, plate_id=1, face_id=1, blank_plate_2=begun).run()
    begun_there, has_none = (i.value for i in test.info)
    assert begun_there.startswith(r"Not kept yet on face B\*2\*: a drawing")
    assert has_none.startswith(r"plate T-1, face A\*1\*: has no drawing")
