"""``pitmap map``: what it writes, what it prints, and what it never writes over."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest
from main_job_survey import DRAWING, run
from shapely.affinity import translate

from pitmap.classes import SurfaceClass
from pitmap.cli.tables import print_inspection
from pitmap.depth import READINGS
from pitmap.drawing import load_drawing, save_svg
from pitmap.inspection import Inspection, load_inspection, save_inspection
from pitmap.measure import LANDS


def test_map_command_writes_and_prints(
    photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "face"
    code = run(
        "map", str(photo), "--drawing", DRAWING, "--stage", "test_lap", "--removed", "1 thou", "--scale", "4",
        "--units", "inch", "--out", str(out),
    )  # fmt: skip
    printed = capsys.readouterr().out
    assert code == 0
    assert "seal land" in printed and "unseen" in printed and " in" in printed
    assert " px per in, edges" in printed and not re.search(r"\d mm\b", printed)
    assert "do not replace measuring" in printed
    overlay = cv2.imread(str(out / "overlay.jpg"))
    assert overlay is not None and overlay.shape[0] > 400
    kept = load_inspection(out)
    assert kept.removed_um.value == pytest.approx(25.4)
    assert set(np.unique(kept.class_map.codes)) <= {int(c) for c in SurfaceClass}


def test_scores_are_listed_longest_first_or_not_at_all(
    inspection: Inspection, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = inspection.marks.head(5).copy()
    marks["class_word"], marks["length_mm"] = (
        ["score", "pit", "score", "score", "score"],
        [8, 90, 41.5, 12, 30],
    )
    print_inspection(replace(inspection, measurement=replace(inspection.measurement, marks=marks)))
    listed = capsys.readouterr().out.split("longest scores")[1].split("narrowest")[0]
    assert [line.split()[1] for line in listed.splitlines()[2:5]] == ["41.50", "30.00", "12.00"]
    assert "8.00" not in listed and "90" not in listed
    none = replace(inspection.measurement, marks=marks[marks.class_word == "pit"])
    print_inspection(replace(inspection, measurement=none))
    assert "scores" not in capsys.readouterr().out


def test_no_pits_are_counted_where_nothing_was_seen(
    inspection: Inspection, capsys: pytest.CaptureFixture[str]
) -> None:
    """ "0" stood there."""
    zones = inspection.zones.copy()
    hidden = zones.zone == "seal_land"
    zones.loc[hidden, ["share", "share_low", "share_high"]] = np.nan
    zones.loc[hidden, "unseen_share"], zones.loc[hidden, "n_marks"] = 1.0, 0
    print_inspection(replace(inspection, measurement=replace(inspection.measurement, zones=zones)))
    rows = {line.split("  ")[1]: line.split() for line in capsys.readouterr().out.splitlines() if "%" in line}
    assert rows["seal land"][-2:] == ["not", "seen"]
    assert rows["running surface"][-1].isdigit()


@pytest.mark.parametrize(("level", "said"), [(0.9, "90 %"), (0.95, "95 %"), (0.995, "99.5 %")])
def test_shares_are_printed_with_the_level_that_they_were_measured_at(
    inspection: Inspection, level: float, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    width = replace(inspection.measurement.sound_width_mm, level=level)
    print_inspection(replace(inspection, measurement=replace(inspection.measurement, sound_width_mm=width)))
    assert f"share of each zone that was seen, with its {said} interval:" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("units", "row", "pixel"),
    [
        ("mm", ["1", "2.79 mm (2.11 to 3.47)", "6.00 mm", "x 39.9, y 71.8 mm", "-"], "0.25 mm"),
        ("inch", ["1", "0.110 in (0.083 to 0.137)", "0.236 in", "x 1.571, y 2.828 in", "-"], "0.010 in"),
    ],
)
def test_narrowest_places_have_intervals_and_the_chosen_units(
    inspection: Inspection, units: str, row: list[str], pixel: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """And below them what they cannot tell: a score finer than a pixel of the photo leaks as well."""
    place = {
        "place": 1, "x_mm": 39.905, "y_mm": 71.82, "sound_width_mm": 2.79, "sound_width_low_mm": 2.11,
        "sound_width_high_mm": 3.47, "nominal_width_mm": 6.0, "is_leak_path": False, "flags": 0,
    }  # fmt: skip
    lands = LANDS.frame([place])
    measured = replace(inspection.measurement, lands=lands)
    print_inspection(replace(inspection, measurement=measured, photo_px_per_mm=4.0), units)
    _, head, printed, fine, *_ = capsys.readouterr().out.split("narrowest sound metal")[1].splitlines()
    assert re.split("  +", head.strip()) == ["place", "sound", "drawn", "at", "note"]
    assert re.split("  +", printed.strip()) == row
    assert f"A score finer than about {pixel}, one pixel of the photo, can go unseen" in fine


@pytest.mark.parametrize("command", ["map", "study"])
def test_drawing_that_the_check_finds_an_error_in_is_refused_before_the_work(
    command: str, photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawing = load_drawing(DRAWING)
    one, other, *rest = drawing.openings
    beside = other.polygon.centroid
    moved = translate(one.polygon, beside.x - one.polygon.centroid.x, beside.y - one.polygon.centroid.y)
    wrong = replace(drawing, openings=(replace(one, polygon=moved), other, *rest))
    save_svg(wrong, tmp_path / "wrong.svg")
    code = run(command, str(photo), "--drawing", str(tmp_path / "wrong.svg"), "--out", str(tmp_path / "out"))
    said = capsys.readouterr().err
    assert code == 2
    assert f"{one.name} overlaps opening {other.name!r}" in said and "pitmap drawing check" in said
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["map", "study"])
def test_what_the_check_warns_of_is_said_before_the_work(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A plate 2 mm thick by a slip of the unit was mapped in silence; only the check and the review page said so."""
    save_svg(replace(load_drawing(DRAWING), thickness_mm=2.0), tmp_path / "thin.svg")
    assert run(command, str(tmp_path / "none.jpg"), "--drawing", str(tmp_path / "thin.svg")) == 2
    assert "thin.svg: thickness of 2 mm is unusual; is the unit right?" in capsys.readouterr().err


def test_map_never_replaces_a_survey_that_was_written_while_it_worked(
    inspection: Inspection,
    photo: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Of two maps of two faces into one folder the second took the place of the first, and both said "written"."""
    folder = tmp_path / "face"

    def meanwhile(*_: object, **__: object) -> Inspection:
        save_inspection(replace(inspection, face="A"), folder)
        return replace(inspection, face="B")

    monkeypatch.setattr("pitmap.pipeline.map_face", meanwhile)
    options = ("--drawing", DRAWING, "--stage", "test_lap", "--face", "B", "--out", str(folder))
    assert run("map", str(photo), *options) == 2
    assert "holds the survey of A after the test lap, which would be replaced by" in capsys.readouterr().err
    assert load_inspection(folder).face == "A"
    assert run("map", str(photo), *options, "--overwrite") == 0
    assert load_inspection(folder).face == "B"


def test_map_never_replaces_another_survey_unasked(
    series: Path, photo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = load_inspection(series / "lap_1")
    command = ("map", str(photo), "--drawing", DRAWING, "--stage", "test_lap", "--out", str(series / "lap_1"))
    assert run(*command, "--face", "A") == 2
    assert "holds the survey of A after lap 1" in capsys.readouterr().err
    row = {
        "reading_id": 1, "kind": "height", "x_mm": 1.0, "y_mm": 2.0, "mark_id": -1, "value_um": 3.5,
        "uncertainty_um": 4.0, "is_lower_bound": False, "instrument": "", "note": "", "flags": 0,
    }  # fmt: skip
    save_inspection(replace(before, readings=READINGS.frame([row])), series / "lap_1")
    assert run(*command[:5], "lap_1", *command[6:], "--face", "A") == 2
    assert "with 1 reading," in capsys.readouterr().err
    assert load_inspection(series / "lap_1").stage == before.stage


def test_map_never_replaces_the_same_stage_of_an_earlier_job(
    inspection: Inspection,
    photo: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A plate that came back after two years was mapped into its old folder, and the first job's survey was gone."""
    folder = tmp_path / "face_a"
    older = tuple(replace(p, sha256="0" * 64) for p in inspection.photos)
    before = replace(inspection, face="A", surveyed_on=date(2023, 5, 1), photos=older)
    save_inspection(before, folder)
    now = replace(inspection, face="A", surveyed_on=date(2025, 5, 2))
    monkeypatch.setattr("pitmap.pipeline.map_face", lambda *_, **__: now)
    command = (
        "map",
        str(photo),
        "--drawing",
        DRAWING,
        "--stage",
        "test_lap",
        "--face",
        "A",
        "--out",
        str(folder),
    )
    for its_day in ((), ("--date", "2025-05-02")):  # the camera's, or the one that was typed
        assert run(*command, *its_day) == 2
        said = capsys.readouterr().err
        assert "holds the survey of A after the test lap of 2023-05-01, which would be replaced by" in said
        assert (
            "the one of A after the test lap of 2025-05-02; choose another --out, or say --overwrite" in said
        )
        assert load_inspection(folder).surveyed_on == date(2023, 5, 1)
    # the very photos again, under the day that is right: as `order_problems` asks for
    save_inspection(replace(before, photos=inspection.photos), folder)
    assert run(*command) == 0
    assert load_inspection(folder).surveyed_on == date(2025, 5, 2)


def test_wrong_drawing_is_refused_with_its_own_exit_code(
    photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # The other face of the same plate is the mirror image: the nearest thing to right that is wrong.
    code = run("map", str(photo), "--drawing", "heron40_intermediate_b", "--out", str(tmp_path / "x"))
    assert code == 4
    assert "photo.jpg" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
