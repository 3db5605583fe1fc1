"""The folder of an inspection: what a save that is cut off leaves, and files that are of another survey."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from main_job_survey import DRAWING, run

from pitmap.classes import Stage, SurfaceClass
from pitmap.cli.planning import open_face
from pitmap.errors import InputError
from pitmap.inspection import Inspection, load_inspection, must_be_same_survey, save_inspection


def test_leftovers_of_a_broken_save_are_no_surveys(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(series / "lap_1", series / ".test_lap.old")
    (series / "lap_1").rename(series / ".lap_1-x1y2z3")
    assert run("compare", str(series), "--drawing", DRAWING) == 2
    assert "1 survey found" in capsys.readouterr().err


def test_what_a_killed_save_left_goes_with_the_next_one(inspection: Inspection, tmp_path: Path) -> None:
    """Hidden copies of a map of megabytes stayed for ever; what a person laid beside it, or a save at work, stays."""
    saved = save_inspection(inspection, tmp_path / "face")
    hours_ago = time.time() - 3 * 3600
    for name, mode, when, inside in (
        ("killed00", 0o700, hours_ago, "classes.png"),
        ("at_work0", 0o700, time.time(), "classes.png"),
        ("original", 0o755, hours_ago, "classes.png"),
        ("letters0", 0o700, hours_ago, "letter.txt"),
    ):
        left = tmp_path / f".face-{name}"
        left.mkdir()
        (left / inside).write_bytes(b"x")
        left.chmod(mode)
        os.utime(left, (when, when))
    save_inspection(inspection, saved)
    assert {p.name for p in tmp_path.iterdir()} == {
        "face",
        ".face-at_work0",
        ".face-original",
        ".face-letters0",
    }


def test_a_survey_whose_replacement_was_cut_off_counts_as_it_was(series: Path) -> None:
    """Without it the plan of the others would be another one, and nobody would see why."""
    before = [i.stage.name for i in open_face([series])]
    (series / "lap_1").rename(series / ".lap_1.old")
    assert [i.stage.name for i in open_face([series])] == before
    with pytest.raises(InputError, match=r"holds the survey of A after lap 1, which would be replaced by"):
        must_be_same_survey(series / "lap_1", "B", Stage("lap_1"))
    save_inspection(load_inspection(series / "lap_1"), series / "lap_1")
    assert sorted(p.name for p in series.iterdir()) == ["lap_1", "test_lap"]


@pytest.mark.parametrize("step", range(7))
def test_a_save_that_is_cut_off_anywhere_loses_neither_survey(
    inspection: Inspection, tmp_path: Path, step: int
) -> None:
    """The power goes before the `step`-th change of a name or removal: the next opening has the one or the other, whole."""
    save_inspection(replace(inspection, face="old"), tmp_path / "face", overlay_jpg=b"x")
    child = os.fork()
    if child == 0:
        calls = 0

        def or_die(what: Callable[..., Any]) -> Callable[..., Any]:
            def inner(*args: Any, **more: Any) -> Any:
                nonlocal calls
                calls += 1
                if calls > step:
                    os._exit(9)
                return what(*args, **more)

            return inner

        Path.rename = or_die(Path.rename)  # type: ignore[method-assign]
        os.unlink = or_die(os.unlink)
        os.rmdir = or_die(os.rmdir)
        save_inspection(replace(inspection, face="new"), tmp_path / "face")
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    (found,) = open_face([tmp_path])
    assert found.face == ("new" if step >= 2 else "old")
    save_inspection(replace(inspection, face="again"), tmp_path / "face")
    assert load_inspection(tmp_path / "face").face == "again"
    assert [p.name for p in tmp_path.iterdir() if not p.name.startswith(".face-")] == ["face"]


def test_files_are_flushed_before_the_folder_gets_its_name(
    inspection: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushed: set[str] = set()
    at_rename: list[set[str]] = []
    fsync, rename = os.fsync, Path.rename

    def seen(handle: int) -> None:
        flushed.add(Path(f"/proc/self/fd/{handle}").resolve().name)
        fsync(handle)

    def renamed(self: Path, target: Path) -> Path:
        at_rename.append(set(flushed))
        return rename(self, target)

    monkeypatch.setattr(os, "fsync", seen)
    monkeypatch.setattr(Path, "rename", renamed)
    saved = save_inspection(inspection, tmp_path / "face", overlay_jpg=b"x")
    assert len(at_rename) == 1
    assert {p.name for p in saved.iterdir()} <= at_rename[0]
    assert any(name.startswith(".face-") for name in at_rename[0])
    assert tmp_path.name in flushed


@pytest.mark.parametrize(
    "name", ["classes.png", "confidence.png", "doubt.png", "face.jpg", "inspection.json"]
)
def test_a_file_of_another_survey_is_named(inspection: Inspection, tmp_path: Path, name: str) -> None:
    """Of one drawing all rasters are of one size, so nothing else would tell."""
    class_map = inspection.class_map
    other = replace(
        inspection,
        class_map=replace(
            class_map,
            codes=np.where(class_map.codes == SurfaceClass.PIT, SurfaceClass.SOUND, class_map.codes).astype(
                np.uint8
            ),
            confidence=class_map.confidence / 2,
            break_chance=class_map.break_chance // 2,  # type: ignore[operator]
        ),
        picture=255 - inspection.picture,
    )
    mine, others = save_inspection(inspection, tmp_path / "a"), save_inspection(other, tmp_path / "b")
    (mine / name).write_bytes((others / name).read_bytes())
    told = "classes.png" if name == "inspection.json" else name
    with pytest.raises(
        InputError, match=rf"a/{told}: is not the file that inspection\.json beside it was written with"
    ):
        load_inspection(mine)


@pytest.mark.parametrize("entry", ["marks", "removed_um", "sound_width_mm"])
def test_a_figure_that_was_typed_into_the_json_is_refused(
    inspection: Inspection, tmp_path: Path, entry: str
) -> None:
    """A smaller pit or less stock, typed in by hand, went into the plan and the customer's record as measured."""
    saved = save_inspection(inspection, tmp_path / "face")
    document = json.loads((saved / "inspection.json").read_text(encoding="utf-8"))
    if entry == "marks":
        document["marks"][0]["area_mm2"] /= 2
    else:
        document[entry] = {"value": 3.0, "low": 2.0, "high": 4.0, "level": 0.9, "reason": ""}
    (saved / "inspection.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(InputError, match=r"face/inspection\.json: was changed after it was written"):
        load_inspection(saved)
    with pytest.raises(InputError, match="To replace what is there, say --overwrite"):
        must_be_same_survey(saved, inspection.face, inspection.stage)


def test_a_json_that_is_only_laid_out_anew_is_read(inspection: Inspection, tmp_path: Path) -> None:
    saved = save_inspection(inspection, tmp_path / "face")
    document = json.loads((saved / "inspection.json").read_text(encoding="utf-8"))
    anew = json.dumps(dict(reversed(document.items())), indent=4)
    (saved / "inspection.json").write_text(anew, encoding="utf-8")
    assert load_inspection(saved).marks.equals(inspection.marks)


def test_a_table_that_was_edited_is_named(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings that somebody typed into the folder's own table were passed over in silence."""
    assert run("plan", str(series)) == 0
    assert "is not read" not in capsys.readouterr().err
    table = series / "lap_1" / "readings.csv"
    table.write_text(table.read_text() + "1,pit_depth,0,0,1,250,5,False,needle,,0\n")
    assert run("plan", str(series)) == 0
    said = capsys.readouterr().err
    assert f"{table}: was changed after it was written, and is not read" in said and "--readings" in said
    assert said.count("is not read") == 1


def test_a_raster_that_was_taken_away_is_named(inspection: Inspection, tmp_path: Path) -> None:
    """Without its doubt a land would have too narrow an interval, and say nothing."""
    saved = save_inspection(inspection, tmp_path / "face")
    (saved / "doubt.png").unlink()
    with pytest.raises(InputError, match=r"face/doubt\.png: cannot be read \(No such file"):
        load_inspection(saved)
    # the first inspections had none, and named no files
    document = json.loads((saved / "inspection.json").read_text(encoding="utf-8"))
    del document["files"]
    (saved / "inspection.json").write_text(json.dumps(document), encoding="utf-8")
    assert load_inspection(saved).class_map.break_chance is None


def test_an_inspection_of_another_version_is_refused(inspection: Inspection, tmp_path: Path) -> None:
    """A newer pitmap may have given an entry another meaning."""
    saved = save_inspection(inspection, tmp_path / "face")
    document = json.loads((saved / "inspection.json").read_text(encoding="utf-8"))
    for version in (0, 2, "1", None):
        changed = json.dumps({**document, "pitmap_inspection": version})
        (saved / "inspection.json").write_text(changed, encoding="utf-8")
        with pytest.raises(InputError, match=rf"file version {version!r}; this pitmap reads version 1"):
            load_inspection(saved)


@pytest.mark.parametrize("name", ["classes.png", "confidence.png", "face.jpg"])
def test_a_picture_of_another_size_is_named_where_the_first_inspections_have_no_hashes(
    inspection: Inspection, tmp_path: Path, name: str
) -> None:
    saved = save_inspection(inspection, tmp_path / "face")
    document = json.loads((saved / "inspection.json").read_text(encoding="utf-8"))
    del document["files"]
    (saved / "inspection.json").write_text(json.dumps(document), encoding="utf-8")
    assert load_inspection(saved).face == inspection.face
    picture = cv2.imread(str(saved / name), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    cv2.imwrite(str(saved / name), picture[:-1])
    with pytest.raises(InputError, match=rf"{name}.* does not have the size in inspection\.json"):
        load_inspection(saved)


def test_a_survey_without_its_json_is_not_left_out_of_a_plan(
    series: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (series / "lap_1" / "inspection.json").unlink()
    assert run("plan", str(series)) == 2
    assert "lap_1: no inspection.json in it" in capsys.readouterr().err


def test_an_empty_folder_is_taken(inspection: Inspection, tmp_path: Path) -> None:
    (tmp_path / "face").mkdir()
    assert load_inspection(save_inspection(inspection, tmp_path / "face")).face == inspection.face
    assert [p.name for p in tmp_path.iterdir()] == ["face"]


def test_a_folder_that_is_a_link_stays_one(inspection: Inspection, tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    (tmp_path / "face").symlink_to(tmp_path / "disk" / "face", target_is_directory=True)
    for name in ("first", "second"):
        save_inspection(replace(inspection, face=name), tmp_path / "face")
        assert (tmp_path / "face").is_symlink()
        assert load_inspection(tmp_path / "disk" / "face").face == name
    assert sorted(p.name for p in tmp_path.iterdir()) == ["disk", "face"]
    assert [p.name for p in (tmp_path / "disk").iterdir()] == ["face"]
