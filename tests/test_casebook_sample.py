"""The sample job in a casebook."""

from __future__ import annotations

import csv
import hashlib

import pytest

from pitmap.casebook import Casebook
from pitmap.casebook.sample import SAMPLE_TAG, load_sample, sample_folder
from pitmap.errors import InputError
from pitmap.sample_job import demo_limits, keep_sample, sample_surveys
from pitmap.workflow import limits_of

JOB = """
[job]
number = "J-1"
customer = "Customer 1"
engine = "Heron 40"
plate = "intermediate plate"
history = "not known"

[[faces]]
name = "A"
drawing = "drawing_a"

[[faces]]
name = "B"
drawing = "drawing_b"

[[surveys]]
face = "A"
stage = "intake"
surveyed_on = "2025-03-03"
removed_um = 0.0
removed_uncertainty_um = 0.0
lap_minutes = 0.0
folder = "a_intake"
photos = ["photo.jpg"]

[[surveys]]
face = "A"
stage = "test_lap"
surveyed_on = "2025-03-05"
removed_um = 22.0
removed_uncertainty_um = 3.0
lap_minutes = 6.5
folder = "a_test_lap"
photos = ["photo.jpg", "lamp_2.jpg"]
"""

READINGS = """face,stage,kind,x_mm,y_mm,mark,value,unit,uncertainty,lower_bound,instrument,note
A,intake,pit_depth,40.4,73.1,P77,3.9,thou,0.24,True,needle dial indicator,sits on the sides
A,intake,thickness,114.1,-3.0,T1,12.001,mm,0.0035,False,outside micrometer,
A,test_lap,height,1.0,2.0,,-0.2,thou,0.1,False,dial,
"""


@pytest.fixture
def book(tmp_path):
    with Casebook(tmp_path / "shop.db", who="Ada") as casebook:
        yield casebook


@pytest.fixture
def folder(tmp_path):
    files = {
        "job.toml": JOB.encode(),
        "readings.csv": READINGS.encode(),
        "a_intake/photo.jpg": b"photo at intake",
        "a_test_lap/photo.jpg": b"photo after the test lap",
        "a_test_lap/lamp_2.jpg": b"the same under another lamp",
    }
    folder = tmp_path / "sample"
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items()]
    (folder / "hashes.txt").write_text("".join(lines))
    return folder


def test_a_small_sample_is_read_as_it_is_written(book, folder):
    job, plate = load_sample(book, folder)
    life = book.open_plate(plate.id)
    assert (job.reference, job.engine, plate.tag) == ("J-1", "Heron 40", SAMPLE_TAG)
    assert [(f.name, f.drawing) for f in life.faces] == [("A", "drawing_a"), ("B", "drawing_b")]
    intake, test_lap = life.surveys
    assert (intake.stage, str(intake.surveyed_on), intake.removed_um.value) == ("intake", "2025-03-03", 0.0)
    assert test_lap.notes == "6.5 minutes of lapping before this survey"
    # 22 um with one standard deviation of 3 um: 90 % lie within 1.6449 x 3 um of it (normal quantile).
    assert test_lap.removed_um.low == pytest.approx(22.0 - 4.9346, abs=1e-4)
    assert test_lap.removed_um.high == pytest.approx(22.0 + 4.9346, abs=1e-4)
    photos = [(p.name, p.role, book.read_file(p.sha256)) for p in book.photos(test_lap)]
    assert photos == [
        ("photo.jpg", "", b"photo after the test lap"),
        ("lamp_2.jpg", "lamp 2", b"the same under another lamp"),
    ]
    pit, thickness = book.readings(intake)
    assert pit.value_um == pytest.approx(99.06)  # 3.9 x 25.4
    assert pit.uncertainty_um == pytest.approx(6.096)  # 0.24 x 25.4
    assert (pit.as_typed, pit.note, pit.is_lower_bound) == ("3.9 thou", "P77: sits on the sides", True)
    assert (thickness.value_um, thickness.note) == (pytest.approx(12_001.0), "T1")
    assert book.readings(test_lap)[0].value_um == pytest.approx(-5.08)
    assert book.check().ok


def test_the_sample_is_put_in_once(book, folder):
    load_sample(book, folder)
    with pytest.raises(InputError, match=f"plate {SAMPLE_TAG} is in this casebook already"):
        load_sample(book, folder)


def test_a_changed_sample_puts_nothing_in(book, folder, tmp_path):
    (folder / "a_test_lap" / "photo.jpg").write_bytes(b"another photo")
    with pytest.raises(InputError, match=r"photo\.jpg is not the file it should be"):
        load_sample(book, folder)
    with pytest.raises(InputError, match=r"hashes\.txt cannot be read"):
        load_sample(book, tmp_path)
    assert book.jobs() == ()
    assert book.check().leftovers == ()


def test_the_shipped_sample_is_all_there(book):
    try:
        folder = sample_folder()
    except InputError as error:
        pytest.skip(str(error))
    _, plate = load_sample(book)
    life = book.open_plate(plate.id)
    assert [f.name for f in life.faces] == ["A", "B"]
    assert sorted(s.stage for s in life.surveys) == sorted(["intake", "lap_1", "test_lap"] * 2)
    with open(folder / "readings.csv", encoding="utf-8", newline="") as source:
        n_rows = len(list(csv.DictReader(source)))
    assert sum(len(book.readings(s)) for s in life.surveys) == n_rows
    assert all(book.photos(s) for s in life.surveys)
    assert book.check().ok


@pytest.mark.parametrize(
    "text", ["faces = 'front'", "faces = [1]", "faces = []\nsurveys = [{}]", "[job]\nfaces = 3", "x = ["]
)
def test_a_folder_whose_job_is_written_otherwise_is_no_sample(tmp_path, text):
    (tmp_path / "job.toml").write_text(text)
    (tmp_path / "readings.csv").write_text("stage,kind,value\n")
    with pytest.raises(InputError, match=r"job\.toml: is not a sample job"):
        sample_surveys(tmp_path)


def test_each_face_of_the_sample_has_the_limits_of_the_demo(book):
    """Without them the page's plan said "not judged" of nearly everything, and `pitmap demo` another headline."""
    job, plate = keep_sample(book)
    for face in book.faces(plate):
        kept = limits_of(book, face, job)
        assert kept.entries == demo_limits().entries
        assert kept.doubts == {}
        assert (kept.value("total_stock"), kept.value("sound_width_min")) == (150.0, 3.0)


def test_sample_whose_limits_cannot_be_kept_is_not_in_the_book(book, monkeypatch):
    def full(*_):
        raise InputError("the disk is full")

    monkeypatch.setattr("pitmap.sample_job.save_limits", full)
    with pytest.raises(InputError, match="disk is full"):
        keep_sample(book)
    assert book.plate_by_tag(SAMPLE_TAG) is None
