"""Readings as written down, and which pit they belong to."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest

from pitmap.classes import SurfaceClass
from pitmap.depth import (
    CSV_COLUMNS,
    READINGS,
    attach_readings,
    read_readings,
    readings_from_csv_text,
    readings_from_rows,
)
from pitmap.depth.places import off_the_metal
from pitmap.errors import InputError, ReadingError
from pitmap.flags import Flag
from pitmap.grid import Grid
from pitmap.surface import ClassMap

HEAD = "stage,kind,x_mm,y_mm,mark,value,unit,uncertainty,lower_bound,instrument,note\n"


def _csv(tmp_path, text, name="readings.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_text(text, encoding=encoding)
    return path


def test_read_readings_mixed_units(tmp_path):
    path = _csv(
        tmp_path,
        HEAD
        + "test_lap,pit_depth,10.5,-3,,1.5,thou,0.3,,needle,\n"
        + "test_lap,pit_depth,,,7,0.002 in,,8 um,yes,needle,stuck\n"
        + "lap_1,thickness,0,0,,12.345,mm,,,micrometer,\n"
        + "lap_1,height,1,2,,-4,um,,,dial,\n",
    )
    sheet = read_readings(path)
    assert READINGS.check(sheet.table) is sheet.table
    assert sheet.table["value_um"].tolist() == pytest.approx([38.1, 50.8, 12345.0, -4.0])
    assert sheet.table["uncertainty_um"].tolist() == pytest.approx([7.62, 8.0, 4.0, 4.0])
    assert sheet.table["mark_id"].tolist() == [-1, 7, -1, -1]
    assert sheet.table["is_lower_bound"].tolist() == [False, True, False, False]
    assert sheet.table["flags"].tolist() == [0, int(Flag.DEPTH_LOWER_BOUND), 0, 0]
    assert sheet.stages == ("test_lap", "test_lap", "lap_1", "lap_1")
    assert sheet.of("lap_1")["kind"].tolist() == ["thickness", "height"]


def test_read_readings_semicolon_and_decimal_comma(tmp_path):
    text = "stage;kind;mark;value;unit\n# a remark\n\ntest_lap;pit_depth;3;0,03;mm\n"
    assert read_readings(_csv(tmp_path, text, encoding="utf-8-sig")).table[
        "value_um"
    ].tolist() == pytest.approx([30.0])


def test_a_first_line_that_names_the_separator_is_taken():
    """A spreadsheet program writes it over the header: "column missing: kind, stage, value" was said of a good sheet."""
    rows = "stage;kind;mark;value;unit\ntest_lap;pit_depth;3;0,03;mm\n"
    for first in ("sep=;", "sep=;;;;"):
        assert readings_from_csv_text(f"{first}\n{rows}").table.value_um.tolist() == pytest.approx([30])
    assert readings_from_csv_text(
        "sep=\t\n" + rows.replace(",", ".").replace(";", "\t")
    ).table.value_um.tolist() == pytest.approx([30])
    with pytest.raises(ReadingError, match="table, line 3, column kind"):
        readings_from_csv_text("sep=;\n" + rows.replace("pit_depth", "pit"))


def test_empty_columns_behind_the_last_one_are_passed_over():
    """A spreadsheet program writes every column that was ever typed in; the sheet was refused for an "unknown column ;"."""
    sheet = readings_from_csv_text(
        "stage;kind;mark;value;unit;;\ntest_lap;pit_depth;3;0,03;mm;; \ntest_lap;pit_depth;4;40;um\n"
    )
    assert sheet.table.mark_id.tolist() == [3, 4]
    assert sheet.table.value_um.tolist() == pytest.approx([30, 40])
    for cells in (";;rim", ";;;"):
        with pytest.raises(ReadingError, match="line 2: . fields for 5 columns"):
            readings_from_csv_text(f"stage;kind;mark;value;unit;;\ntest_lap;pit_depth;3;0,03;mm{cells}\n")
    with pytest.raises(ReadingError, match=r"table: unknown column number 3, without a name; known are"):
        readings_from_csv_text("stage,kind,,value\n")


def test_a_decimal_comma_between_commas_is_told_what_to_do():
    """The advice was to quote text that holds a comma, and no text did."""
    head = "stage,kind,mark,value,unit\n"
    with pytest.raises(
        ReadingError, match="line 2: 6 fields for 5 columns; write numbers with a point, or part"
    ):
        readings_from_csv_text(head + "test_lap,pit_depth,3,0,03,mm\n")
    with pytest.raises(
        ReadingError, match="6 fields for 5 columns; put text that holds what parts the columns"
    ):
        readings_from_csv_text(head.replace(",", ";") + "test_lap;pit_depth;3;0,03;mm;rim\n")


def test_a_column_that_is_there_twice_is_named():
    with pytest.raises(ReadingError, match="table: column mark, value is there twice; take one out"):
        readings_from_csv_text("stage,kind,mark,value,unit,Value,mark\n")


def test_in_a_semicolon_sheet_a_comma_is_the_decimal_sign_also_before_three_figures(tmp_path):
    text = (
        "stage;kind;x_mm;y_mm;value;unit;uncertainty;note\n"
        "lap_1;thickness;12,5;-3,25;12,001;mm;0,004;spot 1, rim\n"
    )
    (row,) = read_readings(_csv(tmp_path, text)).table.to_dict("records")
    assert (row["x_mm"], row["y_mm"]) == (12.5, -3.25)
    assert (row["value_um"], row["uncertainty_um"]) == (pytest.approx(12001.0), pytest.approx(4.0))
    assert row["note"] == "spot 1, rim"


def test_a_sheet_without_a_needed_column_says_which_there_are():
    with pytest.raises(
        ReadingError, match=r"^table: column missing: kind, value; the header names.*uncertainty"
    ):
        readings_from_csv_text("stage,depth\nintake,3 thou\n")


def test_a_comma_that_can_be_read_both_ways_is_blamed_on_its_column(tmp_path):
    text = 'stage,kind,x_mm,y_mm,value,unit\nlap_1,thickness,1,2,"12,001",mm\n'
    with pytest.raises(ReadingError, match=r"line 2, column value: .*both ways"):
        read_readings(_csv(tmp_path, text))


@pytest.mark.parametrize(
    ("row", "where"),
    [
        ("later,pit_depth,1,1,,30,um,,,,", "line 3, column stage"),
        ("test_lap,pit,1,1,,30,um,,,,", "line 3, column kind"),
        ("test_lap,pit_depth,1,,,30,um,,,,", "line 3, column y_mm"),
        ("test_lap,pit_depth,,,,30,um,,,,", "line 3, column x_mm"),
        ("test_lap,pit_depth,1,1,,deep,um,,,,", "line 3, column value"),
        ("test_lap,pit_depth,1,1,,,um,,,,", "line 3, column value"),
        ("test_lap,pit_depth,1,1,,30,,,,,", "line 3, column unit"),
        ("test_lap,pit_depth,1,1,,30,kg,,,,", "line 3, column unit"),
        ("test_lap,pit_depth,1,1,,-30,um,,,,", "line 3, column value"),
        ("test_lap,pit_depth,1,1,x,30,um,,,,", "line 3, column mark"),
        (
            "test_lap,pit_depth,1,1,99999999999999999999,30,um,,,,",
            "line 3, column mark: expected a mark number",
        ),
        (
            "test_lap,pit_depth,1,1,,30 um,mm,8,,,",
            "column uncertainty: 8 mm = 0.315 in cannot be (at most 0.5 mm = 0.0197 in): check the unit",
        ),
        ("test_lap,pit_depth,1,1,,30,um,0,,,", "line 3, column uncertainty"),
        ("test_lap,pit_depth,1,1,,30 um,,8,,,", "line 3, column uncertainty: length '8': no unit"),
        ("test_lap,pit_depth,1,1,,30,um,,maybe,,", "line 3, column lower_bound"),
        ("test_lap,hardness,1,1,,600,um,,,,", "line 3, column unit"),
        (
            "test_lap,pit_depth,1,1,,60,mm,,,,",
            "a pit_depth of 60 mm = 2.36 in cannot be (at most 5 mm = 0.197 in): check the unit",
        ),
        ("test_lap,pit_depth,1,1,,30,um,,,,,,", "line 3: 13 fields"),
    ],
)
def test_read_readings_names_line_and_column(tmp_path, row, where):
    path = _csv(tmp_path, HEAD + "test_lap,pit_depth,1,1,,30,um,,,,\n" + row + "\n")
    with pytest.raises(ReadingError) as caught:
        read_readings(path)
    assert where in str(caught.value)


def test_read_readings_keeps_good_rows_only_on_request(tmp_path):
    path = _csv(tmp_path, HEAD + "test_lap,pit_depth,1,1,,30,um,,,,\ntest_lap,pit_depth,1,1,,deep,,,,,\n")
    sheet = read_readings(path, keep_good=True)
    assert len(sheet) == 1
    assert len(sheet.problems) == 1
    assert "line 3" in sheet.problems[0]


@pytest.mark.parametrize(
    "text", ["", "kind,value\n", "stage,kind,value,colour\n", "stage,kind,value,value\n"]
)
def test_read_readings_header(tmp_path, text):
    with pytest.raises(ReadingError):
        read_readings(_csv(tmp_path, text))


def test_read_readings_missing_file(tmp_path):
    with pytest.raises(ReadingError, match=r"none\.csv: cannot be read \(No such file or directory\)"):
        read_readings(tmp_path / "none.csv")
    with pytest.raises(ReadingError, match=r"readings\.csv: is not UTF-8 text; save it as CSV in UTF-8"):
        read_readings(_csv(tmp_path, HEAD + "é", encoding="latin-1"))


def test_readings_from_rows_numbers_and_nothing():
    assert len(readings_from_rows([])) == 0
    assert list(readings_from_rows([]).table.columns) == READINGS.names
    row = {"stage": "intake", "kind": "hardness", "x_mm": 1.0, "y_mm": 2.0, "value": 640, "unit": "HV"}
    assert readings_from_rows([row]).table["value_um"].tolist() == [640.0]
    with pytest.raises(ReadingError, match="row 2, column depth"):
        readings_from_rows([row, {"depth": 3}])


def test_readings_faces_are_kept_apart():
    rows = [
        {"face": f, "stage": "intake", "kind": "pit_depth", "mark": 1, "value": v, "unit": "um"}
        for f, v in (("front", 10), ("rear", 20))
    ]
    sheet = readings_from_rows(rows)
    assert sheet.of("intake", "rear")["value_um"].tolist() == [20.0]
    assert len(sheet.of("intake")) == 2


GRID = Grid(x0_mm=-100.0, y1_mm=80.0, px_per_mm=2.0, n_rows=320, n_cols=400)
"""From (-100, -80) to (100, 80) mm."""


def _three(x_mm=5.0, y_mm=9.0):
    common = {"kind": "height", "unit": "um", "value": 3}
    return readings_from_rows(
        [
            {**common, "face": "A", "stage": "intake", "x_mm": 1, "y_mm": 1},
            {**common, "face": "B", "stage": "intake", "x_mm": 5000, "y_mm": 1},
            {**common, "face": "A", "stage": "lap_7", "x_mm": 1, "y_mm": 1},
            {**common, "face": "", "stage": "intake", "x_mm": x_mm, "y_mm": y_mm},
        ]
    )


def test_on_surveys_tells_of_every_row_that_is_left_out():
    used = _three().on_surveys({"intake": GRID, "lap_1": GRID}, "A")
    assert used.table["x_mm"].tolist() == [1.0, 5.0]
    assert (used.faces, used.stages, used.places) == (("A", ""), ("intake", "intake"), ("row 1", "row 4"))
    assert used.problems == (
        "row 2: of face B, not A",
        "row 3: stage lap_7 was not surveyed (surveyed: intake, lap_1)",
    )


@pytest.mark.parametrize(
    ("n", "said"),
    [(1, "s.csv, line 2"), (3, "s.csv, line 2, line 3, line 4"), (9, "s.csv, line 2 and 8 more")],
)
def test_on_surveys_names_rows_left_out_for_one_reason_together(n, said):
    text = "stage,kind,mark,value,unit\n" + n * "lap_7,pit_depth,1,30,um\n"
    used = readings_from_csv_text(text, name="s.csv").on_surveys({"intake": GRID})
    assert used.problems == (f"{said}: stage lap_7 was not surveyed (surveyed: intake)",)
    assert len(used) == 0


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ({"x_mm": 5000.0}, "row 4, column x_mm: 5000 mm lies off the plate, whose map reaches from -100 to 100 mm"),
        ({"y_mm": -80.5}, "row 4, column y_mm: -80.5 mm lies off the plate, whose map reaches from -80 to 80 mm"),
    ],
)  # fmt: skip
def test_on_surveys_refuses_a_place_off_the_plate(place, said):
    with pytest.raises(ReadingError, match=said):
        _three(**place).on_surveys({"intake": GRID}, "A")
    used = _three(**place).on_surveys({"intake": GRID}, "A", keep_good=True)
    assert len(used) == 1
    assert used.problems[0].startswith(said)


def test_on_surveys_refuses_a_place_in_an_opening_of_the_map():
    codes = np.full(GRID.shape, SurfaceClass.SOUND, np.uint8)
    codes[:, 160:240] = SurfaceClass.OUTSIDE  # from x -20 to 20 mm
    confidence = np.ones(GRID.shape, np.float32)
    class_map = ClassMap(codes=codes, confidence=confidence, grid=GRID, px_per_mm=2.0, stage="intake")
    said = "row 1: x 1, y 1 mm (x 0.039, y 0.039 in) lies off the plate or inside an opening"
    with pytest.raises(ReadingError, match=re.escape(said)):
        _three(x_mm=19.0).on_surveys({"intake": GRID}, "A", maps={"intake": class_map})
    used = _three(x_mm=19.0).on_surveys({"intake": GRID}, "A", keep_good=True, maps={"intake": class_map})
    assert used.table["x_mm"].tolist() == [19.0]
    assert used.problems[0].startswith(said)


@pytest.mark.parametrize(
    ("kind", "x_mm", "y_mm", "is_off"),
    [
        ("pit_depth", 15.0, 30.0, False),
        ("pit_depth", 8.2, 30.0, False),  # within 2 mm of the metal, which begins at x = 10
        ("pit_depth", 7.8, 30.0, True),
        ("pit_depth", 15.0, 41.8, False),  # and ends at y = 40
        ("pit_depth", 15.0, 42.2, True),
        ("pit_depth", 8.4, 41.4, True),  # 1.6 and 1.4 mm beside its corner: 2.1 mm
        ("straightedge", 2.0, 30.0, False),
        ("pit_depth", math.nan, math.nan, False),
    ],
)
def test_place_of_a_reading_is_on_the_metal_or_within_two_millimetres_of_it(kind, x_mm, y_mm, is_off):
    grid = Grid(x0_mm=0, y1_mm=50, px_per_mm=10, n_rows=500, n_cols=200)
    x, y = grid.centres_mm()
    metal = (x > 10)[None] & (y < 40)[:, None]
    assert bool(off_the_metal(kind, x_mm, y_mm, grid, metal)) is is_off


def test_thickness_of_a_film_is_refused():
    row = {"stage": "intake", "kind": "thickness", "x_mm": 1, "y_mm": 1, "value": "30 um"}
    with pytest.raises(
        ReadingError,
        match=r"column value: a thickness of 0.03 mm = 0.00118 in cannot be \(at least 1 mm = 0.0394 in\)",
    ):
        readings_from_rows([row])


def test_a_quotation_mark_that_is_not_closed_is_told():
    """It makes one cell of all that follows, longer than Python's reader takes (131,072 characters)."""
    text = (
        'stage,kind,value,note\nintake,thickness,12 mm,"worn\n'
        + 5000 * "intake,thickness,12 mm,at the left\n"
    )
    with pytest.raises(ReadingError, match=r"sheet\.csv: cannot be read as CSV .* a quotation mark"):
        readings_from_csv_text(text, name="sheet.csv")


def test_csv_columns_are_documented():
    assert all(CSV_COLUMNS.values())


MARKS = pd.DataFrame(
    {
        "mark_id": [1, 2, 3, 4],
        "class_code": [2, 2, 2, 3],
        "x_mm": [10.0, 12.0, 40.0, 60.0],
        "y_mm": [5.0, 5.0, 5.0, 5.0],
        "eq_diam_mm": [1.0, 1.0, 2.0, 3.0],
    }
)


def _reading(**changes):
    row = {
        "stage": "test_lap",
        "kind": "pit_depth",
        "x_mm": 10.0,
        "y_mm": 5.0,
        "value": 30,
        "unit": "um",
        **changes,
    }
    return readings_from_rows([row]).table


@pytest.mark.parametrize(
    ("place", "mark", "flag"),
    [
        ((10.1, 5.0), 1, Flag.NONE),
        ((9.3, 5.0), 1, Flag.NONE),
        ((40.0, 6.3), 3, Flag.NONE),
        ((11.0, 5.0), -1, Flag.UNMATCHED),  # half way between two pits
        ((25.0, 5.0), -1, Flag.UNMATCHED),  # no pit near
        ((60.0, 5.0), -1, Flag.UNMATCHED),  # a stain is no pit
    ],
)
def test_attach_readings_by_place(place, mark, flag):
    out = attach_readings(_reading(x_mm=place[0], y_mm=place[1]), MARKS, 0.25)
    assert out["mark_id"].iat[0] == mark
    assert Flag(out["flags"].iat[0]) == flag
    assert bool(out["note"].iat[0]) == bool(flag)


def test_attach_readings_worse_alignment_matches_less():
    near = _reading(x_mm=10.8, y_mm=5.0)
    assert attach_readings(near, MARKS, 0.1)["mark_id"].iat[0] == -1
    assert attach_readings(near, MARKS, 0.2)["mark_id"].iat[0] == 1
    assert attach_readings(near, MARKS, 1.0)["mark_id"].iat[0] == -1


def test_attach_readings_typed_number():
    assert attach_readings(_reading(mark=2, x_mm="", y_mm=""), MARKS, 0.25)["mark_id"].iat[0] == 2
    gone = attach_readings(_reading(mark=9, x_mm="", y_mm=""), MARKS, 0.25)
    assert gone["mark_id"].iat[0] == -1
    assert "number 9" in gone["note"].iat[0]
    wrong = attach_readings(_reading(mark=3), MARKS, 0.25)
    assert wrong["mark_id"].iat[0] == -1
    assert Flag(wrong["flags"].iat[0]) == Flag.UNMATCHED | Flag.CONTRADICTION


@pytest.mark.parametrize(("beyond_sd", "mark"), [(4.8, 2), (5.0, -1)])
@pytest.mark.parametrize("sd", [0.25, 2.0])
def test_place_speaks_against_a_typed_number_from_twice_the_reach_on(sd, beyond_sd, mark):
    """Within 2.448 standard deviations of the edge lie 95 of 100 places (Rayleigh): twice that are 4.896."""
    pit = MARKS.set_index("mark_id").loc[2]
    at = _reading(mark=2, x_mm=pit.x_mm, y_mm=pit.y_mm + pit.eq_diam_mm / 2 + beyond_sd * sd)
    assert attach_readings(at, MARKS, sd)["mark_id"].iat[0] == mark


def test_attach_readings_leaves_other_kinds_alone():
    height = _reading(kind="height", value=-4)
    pd.testing.assert_frame_equal(attach_readings(height, MARKS, 0.25), height)


def test_attach_readings_empty_map_and_bad_error():
    assert attach_readings(_reading(), MARKS.iloc[:0], 0.25)["mark_id"].iat[0] == -1
    with pytest.raises(InputError):
        attach_readings(_reading(), MARKS, np.nan)


def test_own_name_of_a_spot_is_kept_as_a_note_when_the_place_is_given() -> None:
    row = {"stage": "test_lap", "kind": "pit_depth", "value": "3 thou", "x_mm": 1, "y_mm": 2, "mark": "P101"}
    table = readings_from_rows([{**row, "note": "rim"}]).table
    assert (table.mark_id[0], table.note[0]) == (-1, "P101; rim")
    with pytest.raises(ReadingError, match="mark"):
        readings_from_rows([{**row, "x_mm": "", "y_mm": ""}])
