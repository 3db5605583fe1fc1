"""An inspection is kept and comes back as it was; nothing else is lost by keeping it."""

from __future__ import annotations

import csv
import errno
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from main_job_survey import DRAWING, run

from pitmap.depth import READINGS
from pitmap.drawing import load_shipped
from pitmap.errors import InputError
from pitmap.inspection import Inspection, load_inspection, save_inspection
from pitmap.measure import LANDS, MARKS, ZONES, measure


def test_inspection_comes_back_as_it_was(inspection: Inspection, folder: Path) -> None:
    again = load_inspection(folder)
    assert np.array_equal(again.class_map.codes, inspection.class_map.codes)
    for name in ("marks", "zones", "lands", "ratings"):
        a, b = getattr(again.measurement, name), getattr(inspection.measurement, name)
        assert a.equals(b), name
    assert again.stage == inspection.stage
    assert again.alignment.mm_to_px([10.0, 20.0]) == pytest.approx(
        inspection.alignment.mm_to_px([10.0, 20.0])
    )
    assert again.measurement.sound_width_mm == inspection.measurement.sound_width_mm
    assert again.photos == inspection.photos
    assert again.picture.shape == inspection.picture.shape


def test_a_kept_map_measured_again_gives_the_same_figures(folder: Path) -> None:
    """As after a hand edit that is undone: the confidence is kept in 8 bits, and was measured in 32."""
    kept = load_inspection(folder)
    again = measure(
        kept.class_map,
        load_shipped(DRAWING),
        camera_scale=kept.photo_px_per_mm,
        alignment_error_mm=kept.alignment_error_mm,
        edited=np.zeros(kept.class_map.shape, bool),
        before=kept.measurement,
    )
    for name in ("marks", "zones", "lands", "ratings"):
        pd.testing.assert_frame_equal(
            getattr(again, name), getattr(kept.measurement, name), rtol=1e-12, atol=1e-12
        )
    assert again.sound_width_mm == kept.measurement.sound_width_mm
    assert again.bright_sound_width_mm == kept.measurement.bright_sound_width_mm


def test_no_marks_are_counted_in_the_csv_of_a_zone_that_was_not_seen(
    inspection: Inspection, tmp_path: Path
) -> None:
    """ "0" stood there, which is a count of none; an inspection comes back all the same, earlier ones too."""
    zones = inspection.zones.copy()
    hidden = zones.zone == "seal_land"
    zones.loc[hidden, ["share", "share_low", "share_high"]] = np.nan
    zones.loc[hidden, "unseen_share"], zones.loc[hidden, "n_marks"] = 1.0, 0
    measured = replace(inspection.measurement, zones=zones)
    folder = save_inspection(replace(inspection, measurement=measured), tmp_path / "map")
    with open(folder / "zones.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {r["n_marks"] for r in rows if r["zone"] == "seal_land"} == {""}
    assert all(r["n_marks"].isdigit() for r in rows if r["zone"] == "running_surface")
    assert load_inspection(folder).zones.equals(zones)


def test_csv_of_ratings_tells_how_much_of_the_zone_was_not_seen(
    inspection: Inspection, tmp_path: Path
) -> None:
    """The page says it beside each rating, the CSV did not: a rating of half a zone read as one of all of it."""
    zones = inspection.zones.copy()
    zones.loc[zones.zone == "seal_land", "unseen_share"] = 0.4
    measured = replace(inspection.measurement, zones=zones)
    folder = save_inspection(replace(inspection, measurement=measured), tmp_path / "map")
    with open(folder / "ratings.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {float(r["zone_unseen_share"]) for r in rows if r["zone"] == "seal_land"} == {0.4}
    assert len(rows) == len(measured.ratings)
    assert load_inspection(folder).measurement.ratings.equals(measured.ratings)


def test_readings_keep_their_text_and_their_csv_has_no_formula(
    inspection: Inspection, tmp_path: Path
) -> None:
    row = {
        "reading_id": 1, "kind": "height", "x_mm": 1.0, "y_mm": 2.0, "mark_id": -1, "value_um": -3.5,
        "uncertainty_um": 4.0, "is_lower_bound": False, "instrument": "=1+1", "note": "-gauge", "flags": 0,
    }  # fmt: skip
    saved = save_inspection(replace(inspection, readings=READINGS.frame([row])), tmp_path / "face")
    with open(saved / "readings.csv", newline="", encoding="utf-8") as file:
        (cells,) = csv.DictReader(file)
    assert (cells["instrument"], cells["note"], cells["value_um"]) == ("'=1+1", "'-gauge", "-3.5")
    (again,) = load_inspection(saved).readings.to_dict("records")
    assert again == row


def test_folder_holds_what_the_readme_says(folder: Path) -> None:
    names = {p.name for p in folder.iterdir()}
    assert {"inspection.json", "classes.png", "marks.csv", "zones.csv", "lands.csv", "readings.csv"} <= names
    document = json.loads((folder / "inspection.json").read_text(encoding="utf-8"))
    assert len(document["photos"][0]["sha256"]) == 64
    assert np.shape(document["alignment"]["homography_mm_to_px"]) == (3, 3)
    assert document["raster"]["px_per_mm"] == 5.0
    with open(folder / "marks.csv", newline="", encoding="utf-8") as file:
        assert next(csv.reader(file)) == MARKS.names


def test_save_that_fails_at_its_last_step_leaves_the_old_inspection(
    inspection: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    saved = save_inspection(inspection, tmp_path / "face", overlay_jpg=b"x")
    real = Path.rename

    def failing(self: Path, target: Path) -> Path:
        if self.name.startswith(".face-"):
            raise OSError(errno.EIO, "Input/output error")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(InputError, match="Input/output error"):
        save_inspection(inspection, tmp_path / "face")
    assert [p.name for p in tmp_path.iterdir()] == ["face"]
    assert (saved / "overlay.jpg").read_bytes() == b"x"


@pytest.mark.parametrize("name", ["inspection.json", "classes.png", "confidence.png", "face.jpg"])
def test_damaged_file_is_named(inspection: Inspection, tmp_path: Path, name: str) -> None:
    damaged = save_inspection(inspection, tmp_path / "face")
    (damaged / name).write_bytes(b"\x00not what it was")
    with pytest.raises(InputError, match=r"map the photo again|is damaged"):
        load_inspection(damaged)


def test_save_never_replaces_another_folder(inspection: Inspection, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep me")
    with pytest.raises(InputError, match="not an inspection folder"):
        save_inspection(inspection, tmp_path / "mine")
    assert (tmp_path / "mine" / "letter.txt").read_text() == "keep me"
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]


@pytest.mark.parametrize("name", ["photo.jpg", "face.jpg"])
def test_map_never_deletes_the_photo_it_reads(
    inspection: Inspection, photo: Path, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = save_inspection(inspection, tmp_path / "face")
    (out / name).write_bytes(photo.read_bytes())
    assert run("map", str(out / name), "--drawing", DRAWING, "--out", str(out)) == 2
    assert f"holds {name}, which would be lost" in capsys.readouterr().err
    assert (out / name).read_bytes() == photo.read_bytes()


def test_save_never_deletes_what_was_laid_beside_an_inspection(
    inspection: Inspection, tmp_path: Path
) -> None:
    out = save_inspection(inspection, tmp_path / "face")
    (out / "letters").mkdir()
    (out / "note.txt").write_text("keep me")
    with pytest.raises(InputError, match=r"holds letters, note\.txt, which would be lost"):
        save_inspection(inspection, out)
    assert (out / "note.txt").read_text() == "keep me"


def test_save_never_replaces_the_folder_one_is_in(
    inspection: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for here in (".", tmp_path, tmp_path.parent / tmp_path.name):
        with pytest.raises(InputError, match="the folder you are in"):
            save_inspection(inspection, here)
    assert save_inspection(inspection, "below/../face") == Path("below/../face")
    assert (tmp_path / "face" / "inspection.json").exists()


def test_save_over_an_inspection_replaces_it_whole(inspection: Inspection, tmp_path: Path) -> None:
    first = save_inspection(inspection, tmp_path / "face", overlay_jpg=b"x")
    save_inspection(inspection, tmp_path / "face")
    assert not (first / "overlay.jpg").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["face"]


def test_declared_columns_are_documented() -> None:
    text = (Path(__file__).resolve().parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    for schema in (MARKS, ZONES, LANDS):
        for name in schema.names:
            assert f"`{name}`" in text, f"{schema.name}.{name}"
