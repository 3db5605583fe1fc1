"""Whose readings of a sheet are taken with the surveys of a face, and what is told of the others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pitmap.cli.planning import plan_surveys, with_sheet
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.inspection import Inspection

SHEET = (
    "face,stage,kind,x_mm,y_mm,value,unit\n"
    "A,test_lap,thickness,40,95.5,12.01,mm\nB,test_lap,thickness,40,95.5,13.02,mm\n"
)


@pytest.mark.parametrize(
    ("text", "asked", "surveyed", "taken_um"),
    [
        (SHEET, None, "A", [12010.0]),
        (SHEET, "B", "A", [13020.0]),
        (SHEET.replace("B,", "A,"), None, "front", [12010.0, 13020.0]),
        (SHEET.replace("B,", ",").replace("A,", ","), "A", "A", [12010.0, 13020.0]),
    ],
)
def test_readings_of_the_chosen_face_are_taken(
    inspection: Inspection, tmp_path: Path, text: str, asked: str | None, surveyed: str, taken_um: list[float]
) -> None:
    (tmp_path / "readings.csv").write_text(text, encoding="utf-8")
    (got,) = with_sheet([replace(inspection, face=surveyed)], tmp_path / "readings.csv", asked)
    assert got.readings.value_um.tolist() == taken_um


@pytest.mark.parametrize(
    ("surveyed", "is_told"), [("A", False), ("B", True), ("", False)], ids=["same", "other", "not named"]
)
def test_a_sheet_of_a_face_by_another_name_is_told(
    inspection: Inspection, tmp_path: Path, surveyed: str, is_told: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(SHEET.replace("B,", "A,"), encoding="utf-8")
    (got,) = with_sheet([replace(inspection, face=surveyed or inspection.drawing_name)], path)
    assert len(got.readings) == 2
    told = "the readings are of face 'A', the surveys of 'B': taken for one and the same"
    assert (told in capsys.readouterr().err) == is_told


def test_readings_used_and_left_out_are_told(
    inspection: Inspection, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(SHEET + "A,lap_7,thickness,40,95.5,12.01,mm\n", encoding="utf-8")
    with_sheet([replace(inspection, face="A")], path)
    told = capsys.readouterr()
    assert told.out == "readings used: 1 of 3\n"
    assert told.err.splitlines() == [
        "left out: readings.csv, line 3: of face B, not A",
        "left out: readings.csv, line 4: stage lap_7 was not surveyed (surveyed: test_lap)",
    ]
    path.write_text(SHEET.replace("40,95.5", "5000,9000"), encoding="utf-8")
    with pytest.raises(InputError, match=r"readings\.csv, line 2, column x_mm: 5000 mm lies off the plate"):
        with_sheet([replace(inspection, face="A")], path)


@pytest.mark.parametrize(
    ("asked", "surveyed", "wanted"),
    [(None, "face A", "the surveys are of 'face A'"), ("face A", "A", "--face asks for 'face A'")],
)
def test_readings_of_several_faces_need_a_choice(
    inspection: Inspection, tmp_path: Path, asked: str | None, surveyed: str, wanted: str
) -> None:
    (tmp_path / "readings.csv").write_text(SHEET, encoding="utf-8")
    with pytest.raises(InputError, match=rf"the readings name the faces A, B, and {wanted};.*--face 'A'"):
        with_sheet([replace(inspection, face=surveyed)], tmp_path / "readings.csv", asked)


@pytest.mark.parametrize("asked", [None, "A"])
def test_surveys_of_two_faces_are_refused_before_a_sheet_asks_whose_rows_to_take(
    inspection: Inspection, tmp_path: Path, asked: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    """`plan` asked for --face, took the rows of the face that was named then, and refused the two faces all the same."""
    (tmp_path / "readings.csv").write_text(SHEET, encoding="utf-8")
    both = [replace(inspection, face=face) for face in ("A", "C")]
    with pytest.raises(InputError, match="plan: the surveys differ in face: A, C; take one face"):
        plan_surveys(
            both, "mm", drawing=None, readings=tmp_path / "readings.csv", face=asked, keep_good=False, limits=None,
            housing_dip=None, housing_dip_within=None, confidence=0.9,
        )  # fmt: skip
    assert capsys.readouterr().out == ""


def test_a_sheet_without_any_limit_is_told(
    inspection: Inspection, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It was taken in silence: whoever gave the wrong file read "not judged" and did not know why."""
    (tmp_path / "limits.toml").write_text("[limits]\n", encoding="utf-8")
    known = replace(inspection, removed_um=Estimate(value=22.0, low=17.0, high=27.0))
    plan_surveys(
        [known], "mm", drawing=None, readings=None, face=None, keep_good=False, limits=tmp_path / "limits.toml",
        housing_dip=None, housing_dip_within=None, confidence=0.9,
    )  # fmt: skip
    assert "limits.toml: holds no limit, so nothing is judged" in capsys.readouterr().err
