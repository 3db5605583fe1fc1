"""``pitmap plan``, ``compare`` and ``record`` on the surveys of one face."""

from __future__ import annotations

import errno
import json
import os
import re
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from main_job_survey import DRAWING, run

from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import load_shipped, save_svg
from pitmap.estimate import Estimate
from pitmap.inspection import Inspection, load_inspection, save_inspection
from pitmap.measure import MARKS
from pitmap.report.closing import CAUTIONS


def test_plan_and_compare_commands(
    inspection: Inspection, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("plan", str(folder)) == 5
    assert (
        "not known; measure it with a micrometer at named spots and enter it, as 22 um or 1 thou"
        in capsys.readouterr().err
    )
    known = replace(inspection, removed_um=Estimate.from_sd(22.0, 3.0))
    save_inspection(known, tmp_path / "known")
    assert run("plan", str(tmp_path / "known"), "--out", str(tmp_path / "plan")) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "not judged" in printed
    for caution in CAUTIONS:
        assert caution in printed
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert plan["verdict"]["outcome"]
    assert run("compare", str(folder), "--drawing", DRAWING) == 2
    assert "two or more" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"face": "B"}, "the surveys differ in face: A, B"),
        ({"drawing_name": "other"}, "the surveys differ in drawing"),
    ],
)
@pytest.mark.parametrize("command", ["plan", "compare", "record"])
def test_surveys_of_two_faces_are_never_mixed(
    series: Path, change: dict[str, str], said: str, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    save_inspection(replace(load_inspection(series / "lap_1"), **change), series / "lap_1")  # type: ignore[arg-type]
    options = [] if command == "plan" else ["--drawing", DRAWING]
    assert run(command, str(series), *options) == 2
    assert said in capsys.readouterr().err


def test_plan_of_surveys_on_two_states_of_a_drawing_is_refused(
    series: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The drawing was moved by 5 mm between two surveys: the plan took every pit for gone, and for as many new ones."""
    moved = load_shipped(DRAWING).moved(5.0, 0.0).fingerprint()
    lap = load_inspection(series / "lap_1")
    assert lap.drawing_fingerprint not in ("", moved)
    save_inspection(replace(lap, drawing_fingerprint=moved), series / "lap_1")
    assert run("plan", str(series)) == 2
    assert (
        "plan: the surveys after the test lap and after lap 1 were mapped with different states of the drawing "
        "'Heron 40 intermediate plate, face A' (edges or zones differ); map their photos again"
    ) in capsys.readouterr().err
    # an inspection of an earlier release does not say
    save_inspection(replace(lap, drawing_fingerprint=""), series / "lap_1")
    assert run("plan", str(series)) == 0


@pytest.mark.parametrize("command", ["plan", "record"])
def test_plan_of_two_surveys_of_one_stage_says_which_and_what_to_give(
    series: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The plate is back, and both jobs lie in one folder: it was told "lap_bounds: a stage stands twice: lap_1, lap_1"."""
    back = replace(load_inspection(series / "lap_1"), surveyed_on=date(2033, 5, 9))
    save_inspection(back, series / "again")
    options = [] if command == "plan" else ["--drawing", DRAWING]
    assert run(command, str(series), *options) == 2
    assert (
        "plan: 2 surveys are of one stage, after lap 1 (of 2031-03-07 and 2033-05-09); a plan is of one job"
        in capsys.readouterr().err
    )


@pytest.mark.parametrize("command", ["plan", "compare", "record"])
def test_surveys_need_the_drawing_they_were_mapped_with(
    series: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(command, str(series), "--drawing", "heron40_intermediate_b", "--out", str(out)) == 2
    said = capsys.readouterr().err
    assert (
        f"{command}: the surveys were mapped with the drawing 'Heron 40 intermediate plate, face A'" in said
    )
    assert "--drawing is 'Heron 40 intermediate plate, face B'" in said
    assert not out.exists()


@pytest.mark.parametrize("command", ["plan", "compare", "record"])
def test_a_drawing_changed_since_the_surveys_were_mapped_is_refused(
    series: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    plate = load_shipped(DRAWING)
    edited = replace(plate, openings=plate.openings[:-1])
    save_svg(edited, tmp_path / "edited.svg")
    assert edited.name == plate.name
    out = tmp_path / "out"
    assert run(command, str(series), "--drawing", str(tmp_path / "edited.svg"), "--out", str(out)) == 2
    assert "was mapped with another state of the drawing" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize("command", ["plan", "compare", "record"])
def test_results_are_not_laid_into_a_survey_nor_a_survey_taken_twice(
    series: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    options = [] if command == "plan" else ["--drawing", DRAWING]
    assert run(command, str(series), *options, "--out", str(series / "lap_1")) == 2
    assert "holds a survey" in capsys.readouterr().err
    assert run(command, str(series), str(series / "lap_1"), *options) == 2
    assert "lap_1: this survey is given twice" in capsys.readouterr().err


def test_record_of_something_else_is_not_written_over(
    series: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "record"
    out.mkdir()
    (out / "record.zip").write_bytes(b"of another program")
    assert run("record", str(series), "--drawing", DRAWING, "--out", str(out)) == 2
    assert "choose another --out, or say --overwrite" in capsys.readouterr().err
    assert (out / "record.zip").read_bytes() == b"of another program"


def test_files_beside_the_zip_are_those_that_its_hashes_are_of(series: Path, tmp_path: Path) -> None:
    out = tmp_path / "record"
    assert run("record", str(series), "--drawing", DRAWING, "--out", str(out)) == 0
    with zipfile.ZipFile(out / "record.zip") as archive:
        for name in ("record.pdf", "record.html"):
            assert archive.read(name) == (out / name).read_bytes()


@pytest.mark.parametrize("command", ["plan", "compare", "record"])
def test_what_a_command_leaves_is_whole_or_not_there(
    command: str,
    series: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A disk that is full from the third file on."""
    out = tmp_path / "out"
    flushed: list[int] = []

    def full(handle: int) -> None:
        flushed.append(handle)
        if len(flushed) == 3:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("pitmap.whole_file.os.fsync", full)
    drawing = () if command == "plan" else ("--drawing", DRAWING)
    assert run(command, str(series), *drawing, "--out", str(out)) == 2
    assert "No space left on device" in capsys.readouterr().err
    assert list(out.iterdir()) == []


def test_minutes_are_for_the_stock_that_is_advised(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("plan", str(series), "--pass", "20 um in 5 min", "--out", str(series / "plan")) == 0
    printed = capsys.readouterr().out
    stock = json.loads((series / "plan" / "plan.json").read_text(encoding="utf-8"))["verdict"]["stock_um"]
    if stock is None:
        assert "not known, because the stock is not" in printed
    else:
        minutes = float(re.search(r"minutes on the table for .*: about (\d+)", printed)[1])  # type: ignore[index]
        assert minutes == pytest.approx(stock * 5 / 20, abs=0.51)


def test_record_shows_the_plan_that_plan_shows(
    series: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "readings.csv").write_text(
        "face,stage,kind,mark,value,unit\nA,lap_1,pit_depth,1,31,um\nB,lap_1,pit_depth,1,99,um\n",
        encoding="utf-8",
    )
    (tmp_path / "limits.toml").write_text(
        '[total_stock]\nvalue = "2 um"\nsource = "own rule"\n[joint_gap]\nvalue = "3 thou"\nsource = "own rule"\n',
        encoding="utf-8",
    )
    options = (
        "--readings", str(tmp_path / "readings.csv"), "--face", "B", "--limits", str(tmp_path / "limits.toml"),
        "--housing-dip", "1 thou", "--confidence", "0.8",
    )  # fmt: skip
    assert run("plan", str(series), *options, "--out", str(tmp_path / "plan")) == 0
    assert capsys.readouterr().out.split("limits:")[1].count("own rule") == 1
    assert run("record", str(series), "--drawing", DRAWING, *options, "--out", str(tmp_path / "record")) == 0
    plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    with zipfile.ZipFile(tmp_path / "record" / "record.zip") as archive:
        record = json.loads(archive.read("record.json"))
    assert [r["value_um"] for r in record["tables"]["readings"]] == [99.0]
    assert record["verdict"]["headline"] == plan["verdict"]["headline"]
    assert record["tables"]["steps"] == plan["steps"]
    judged = {f["rule"] for f in record["verdict"]["findings"] if f["status"] != "not judged"}
    assert judged == {"total_stock"}


def test_plan_and_record_hold_what_was_entered_against_the_plate(
    series: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The plate is 14 mm thick. 25 mm and 3 mm of case were taken in silence; only the review page knew the drawing."""
    (tmp_path / "readings.csv").write_text(
        "stage,kind,x_mm,y_mm,value,unit\nlap_1,thickness,40,95.5,25,mm\n", encoding="utf-8"
    )
    (tmp_path / "limits.toml").write_text(
        '[case_depth]\nvalue = "3 mm"\nsource = "slip"\n[total_stock]\nvalue = "150 um"\nsource = "page 1"\n',
        encoding="utf-8",
    )
    options = ("--readings", str(tmp_path / "readings.csv"), "--limits", str(tmp_path / "limits.toml"))
    assert run("plan", str(series), *options) == 0
    on_screen = " ".join(capsys.readouterr().out.split())
    assert run("record", str(series), "--drawing", DRAWING, *options, "--out", str(tmp_path / "record")) == 0
    page = (tmp_path / "record" / "record.html").read_text(encoding="utf-8")
    for said in (on_screen, page):
        assert "A thickness of 25.00 mm was read, and the plate is 14.00 mm thick by its drawing" in said
        assert "3.00 mm for the depth of the hardened case when new, more than a tenth of the plate" in said
        assert said.count("The limit sheet says") == 1


def test_what_no_thickness_is_known_for_is_said_and_the_drawing_lets_it_be_held(
    series: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Maps of an earlier release keep no thickness of the plate: 25 mm passed in silence, with the record's drawing too."""
    for survey in ("test_lap", "lap_1"):
        path = series / survey / "inspection.json"
        kept = json.loads(path.read_text(encoding="utf-8"))
        del kept["drawing_thickness_mm"], kept["files"]
        path.write_text(json.dumps(kept), encoding="utf-8")
    (tmp_path / "readings.csv").write_text(
        "stage,kind,x_mm,y_mm,value,unit\nlap_1,thickness,40,95.5,25,mm\n", encoding="utf-8"
    )
    (tmp_path / "limits.toml").write_text('[case_depth]\nvalue = "3 mm"\nsource = "slip"\n', encoding="utf-8")
    readings = ("--readings", str(tmp_path / "readings.csv"))
    limits = ("--limits", str(tmp_path / "limits.toml"))
    why = (
        "could not be held against the plate, because these maps do not keep how thick its drawing says it is; give the "
        "drawing, with --drawing"
    )

    def said(*options: str) -> str:
        assert run("plan", str(series), *options) == 0
        return " ".join(capsys.readouterr().out.split())

    assert "could not be held" not in said()
    assert f"The thickness that was read {why}" in said(*readings)
    assert f"The limit sheet {why}" in said(*limits)
    assert f"The thickness that was read and the limit sheet {why}" in said(*readings, *limits)
    assert (
        run(
            "record", str(series), "--drawing", DRAWING, *readings, *limits, "--out", str(tmp_path / "record")
        )
        == 0
    )
    page = (tmp_path / "record" / "record.html").read_text(encoding="utf-8")
    capsys.readouterr()
    for told in (said("--drawing", DRAWING, *readings, *limits), page):
        assert "could not be held" not in told
        assert "A thickness of 25.00 mm was read, and the plate is 14.00 mm thick by its drawing" in told
        assert "3.00 mm for the depth of the hardened case when new, more than a tenth of the plate" in told


def test_the_folder_one_is_in_is_a_survey_like_any_other(
    series: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`pitmap plan .` ended in a traceback: "PosixPath('.') has an empty name"."""
    monkeypatch.chdir(series / "lap_1")
    assert run("plan", ".") == 0
    assert run("plan", "/") == 2
    assert "/: no inspection.json in it" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["plan", "compare", "record"])
def test_who_works_in_inch_reads_no_sentence_in_mm(
    series: Path, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = {
        "plan": [],
        "compare": ["--drawing", DRAWING],
        "record": ["--drawing", DRAWING, "--out", str(tmp_path / "r")],
    }
    assert run(command, str(series), *options[command], "--units", "inch") == 0
    said = capsys.readouterr().out
    if command == "record":
        page = (tmp_path / "r" / "record.html").read_text(encoding="utf-8")
        said = re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<(style|script|svg).*?</\1>", " ", page))
    assert " in" in said
    assert re.findall(r".*\b(?:mm2?|um)\b.*", said) == []


def test_dates_against_stages_are_told_and_names_stay_with_their_maps(
    series: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A camera whose clock was reset dates the later survey before the earlier one, which alone has pits.
    later = load_inspection(series / "lap_1")
    codes = np.where(later.class_map.codes == SurfaceClass.PIT, SurfaceClass.SOUND, later.class_map.codes)
    clean = replace(
        later,
        surveyed_on=date(2020, 1, 1),
        class_map=replace(later.class_map, codes=codes.astype(np.uint8)),
        measurement=replace(later.measurement, marks=MARKS.empty()),
    )
    save_inspection(clean, series / "lap_1")
    out = tmp_path / "change"
    assert run("compare", str(series), "--drawing", DRAWING, "--out", str(out)) == 0
    printed = capsys.readouterr().out
    assert "no provable change  larger  new  opened up by the lap  cannot tell" in printed
    contradiction = (
        "the survey after the test lap is dated 2031-03-05, later than the one after lap 1 of 2020-01-01"
    )
    assert contradiction in printed
    assert re.search(r"\nafter lap 1 to light test lap: two sights of one mark within 0\.\d\d mm\n", printed)
    assert run("compare", str(series), "--drawing", DRAWING, "--units", "inch") == 0
    assert re.search(r"two sights of one mark within 0\.\d\d\d in\n", capsys.readouterr().out)
    fates = pd.read_csv(out / "fates_lap_1_to_test_lap.csv")
    assert (fates.mark_before == -1).all() and len(fates) > 10
    assert run("plan", str(series)) == 0
    assert contradiction in capsys.readouterr().out
    assert run("record", str(series), "--drawing", DRAWING, "--out", str(tmp_path / "record")) == 0
    page = (tmp_path / "record" / "record.html").read_text(encoding="utf-8")
    assert contradiction in page and "Pits from after lap 1 to light test lap" in page


def test_compare_keeps_apart_the_same_stages_of_a_plate_that_came_back(series: Path, tmp_path: Path) -> None:
    for stage, removed, day in (("test_lap", 60.0, 15), ("lap_1", 80.0, 17)):
        survey = replace(
            load_inspection(series / stage),
            surveyed_on=date(2035, 3, day),
            removed_um=Estimate.from_sd(removed, 3.0),
        )
        save_inspection(survey, series / f"{stage}_again")
    out = tmp_path / "change"
    assert run("compare", str(series), "--drawing", DRAWING, "--out", str(out)) == 0
    assert sorted(p.name for p in out.glob("fates_*")) == [
        "fates_first_to_last.csv",
        "fates_lap_1_to_test_lap.csv",
        "fates_test_lap_to_lap_1.csv",
        "fates_test_lap_to_lap_1_2.csv",
    ]
    picture = cv2.imread(str(out / "change_test_lap_to_lap_1_2.jpg"))
    assert picture is not None


def test_compare_leaves_no_file_of_an_earlier_comparison_and_touches_no_other(
    series: Path, tmp_path: Path
) -> None:
    third = replace(load_inspection(series / "lap_1"), stage=Stage("lap_2"), surveyed_on=date(2031, 3, 20))
    save_inspection(replace(third, removed_um=Estimate.from_sd(80.0, 3.0)), tmp_path / "lap_2")
    out, both = tmp_path / "change", [str(series / "test_lap"), str(series / "lap_1")]
    assert run("compare", *both, str(tmp_path / "lap_2"), "--drawing", DRAWING, "--out", str(out)) == 0
    assert (out / "change_first_to_last.jpg").exists() and (out / "zones_lap_1_to_lap_2.csv").exists()
    mine = {
        "zones_of_the_bench.csv",
        "change_test_lap_to_lap_1_mine.jpg",
        "fates_lap_1_to_lap_2.txt",
        "note.csv",
    }
    for name in mine:
        (out / name).write_text("mine")
    (out / "zones_intake_to_final.csv").mkdir()
    assert run("compare", *both, "--drawing", DRAWING, "--out", str(out)) == 0
    pair = {"fates_test_lap_to_lap_1.csv", "zones_test_lap_to_lap_1.csv", "change_test_lap_to_lap_1.jpg"}
    there = {p.name for p in out.iterdir()}
    assert there == pair | mine | {"series.csv", "tracks.csv", "zones_intake_to_final.csv"}
    assert all((out / name).read_text() == "mine" for name in mine)
