"""Jobs, plates, surveys, readings, photos, corrections: kept, changed, told."""

from __future__ import annotations

import math
import shutil
from datetime import date

import pytest

from pitmap.casebook import Casebook, Face, InspectionRef, Job, Plate, PlateEvent, Survey
from pitmap.errors import CasebookError, EditConflict, InputError
from pitmap.estimate import Estimate


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    """A casebook with one survey, made once: each test works on a copy of it."""
    folder = tmp_path_factory.mktemp("template")
    with Casebook(folder, who="Ada") as casebook:
        job = casebook.create_job("order 6", customer="Birch Racing", engine="two rotor")
        face = casebook.create_face(casebook.create_plate("T-11", job=job), "front")
        casebook.create_survey(face, job, "intake", "2026-05-04")
    return folder


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    folder = tmp_path_factory.mktemp("empty")
    Casebook(folder).close()
    return folder


@pytest.fixture
def book(empty, tmp_path):
    shutil.copytree(empty, tmp_path, dirs_exist_ok=True)
    with Casebook(tmp_path, who="Ada") as casebook:
        yield casebook


@pytest.fixture
def worked(template, tmp_path):
    shutil.copytree(template, tmp_path, dirs_exist_ok=True)
    with Casebook(tmp_path, who="Ada") as casebook:
        yield casebook


@pytest.fixture
def survey(worked):
    return worked.get(Survey, 1)


def reopened(book):
    """What another program would read: nothing of the first one's memory is left."""
    book.close()
    return Casebook(book.place.path, who="Bob")


def test_surveys_come_in_the_order_of_their_days_however_they_were_entered(worked, survey):
    """The fixture's intake is of 4 May; two of one day stand in the order in which they were entered."""
    face, job = worked.faces(worked.plates()[0])[0], worked.jobs()[0]
    late, early, same = (
        worked.create_survey(face, job, stage, day)
        for stage, day in (("lap_1", "2026-05-08"), ("test_lap", "2026-05-02"), ("lap_2", "2026-05-08"))
    )
    assert [s.id for s in worked.surveys(face=face)] == [early.id, survey.id, late.id, same.id]


def test_whole_life_is_read_back_after_reopening(book):
    job = book.create_job("order 7", customer="Birch Racing", engine="two rotor", notes="two\nlines")
    plate = book.create_plate("T-12", position="rear", drawing="sample plate", job=job)
    face = book.create_face(plate, "front")
    book.add_event(plate, "stock", face="front", removed_um=40.0, happened_on="2019-03-01", source="owner")
    book.add_event(plate, "reshaped port", text="inlet opened by hand")
    removed = Estimate(value=20.0, low=17.0, high=23.0)
    survey = book.create_survey(face, job, "lap_1", date(2026, 5, 6), removed_um=removed, notes="after lap")
    photo = book.add_photo(survey, b"the bytes", "IMG_1.jpg", role="lamp 2")
    (reading,) = book.add_readings(
        survey, [{"kind": "pit_depth", "value_um": 76.2, "x_mm": 10.0, "y_mm": -4.5, "as_typed": "3 thou"}]
    )
    inspection = book.add_inspection(
        survey, {"inspection.json": b"{}", "marks.csv": b"a,b\n"}, summary={"n": 3}
    )
    with reopened(book) as other:
        life = other.open_plate(plate.id)
        assert life.plate == plate
        assert life.faces == (face,)
        assert life.jobs == (job,)
        assert life.surveys == (survey,)
        assert life.surveys[0].removed_um == removed
        assert life.surveys[0].surveyed_on == date(2026, 5, 6)
        # An event without a day comes first: it may have been at any time before.
        assert [e.kind for e in life.events] == ["reshaped port", "stock"]
        assert [math.isnan(e.removed_um) for e in life.events] == [True, False]
        assert life.events[1].happened_on == date(2019, 3, 1)
        assert other.photos(survey) == (photo,)
        assert other.read_file(photo.sha256) == b"the bytes"
        (read,) = other.readings(survey)
        assert (read.value_um, read.x_mm, read.y_mm, read.as_typed) == (76.2, 10.0, -4.5, "3 thou")
        assert math.isnan(read.uncertainty_um)
        assert read.mark_id == -1
        assert read.id == reading.id
        assert other.inspections(survey) == (inspection,)
        assert other.inspection_files(inspection) == {"inspection.json": b"{}", "marks.csv": b"a,b\n"}


def test_not_entered_stock_is_unknown_with_a_reason(worked, survey):
    assert not survey.removed_um.is_known
    assert survey.removed_um.reason == "not entered"


def test_one_photo_in_two_surveys_is_stored_once(worked, survey):
    face = worked.faces(worked.get(Plate, survey.plate_id))[0]
    other = worked.create_survey(face, worked.get(Job, survey.job_id), "test_lap", "2026-05-05")
    first = worked.add_photo(survey, b"same bytes", "a.jpg")
    second = worked.add_photo(other, b"same bytes", "b.jpg")
    assert first.sha256 == second.sha256
    assert [p for p in worked.place.files.rglob("*") if p.is_file()] == [
        worked.place.files / first.sha256[:2] / first.sha256
    ]


def test_a_damaged_file_is_never_handed_out_and_heals_when_it_comes_again(worked, survey):
    photo = worked.add_photo(survey, b"good bytes")
    place = worked.place.files / photo.sha256[:2] / photo.sha256
    place.write_bytes(b"bad bytes!")
    with pytest.raises(CasebookError, match="other bytes than were stored"):
        worked.read_file(photo.sha256)
    worked.add_photo(survey, b"good bytes")
    assert worked.read_file(photo.sha256) == b"good bytes"


def test_a_drawing_for_each_face(worked, survey):
    plate = worked.get(Plate, survey.plate_id)
    back = worked.create_face(plate, "back", drawing="sample plate, back")
    both = worked.attach_file(plate, b"<svg/>", "plate.svg")
    one = worked.attach_file(plate, b"<svg />", "back.svg", face=back)
    with reopened(worked) as other:
        life = other.open_plate(plate.id)
        assert [(f.name, f.drawing) for f in life.faces] == [("back", "sample plate, back"), ("front", "")]
        assert life.attachments == (both, one)
        assert [a.face_id for a in life.attachments] == [None, back.id]
        assert other.read_file(one.sha256) == b"<svg />"
        stranger = other.create_plate("T-99")
        with pytest.raises(InputError, match="face back belongs to another plate"):
            other.attach_file(stranger, b"x", "x.svg", face=back)


def test_photo_from_path_and_stream(worked, survey, tmp_path):
    source = tmp_path / "IMG 2.jpg"
    source.write_bytes(b"from a path")
    assert worked.add_photo(survey, source).name == "IMG 2.jpg"
    with open(source, "rb") as stream:
        assert worked.read_file(worked.add_photo(survey, stream, "x").sha256) == b"from a path"


def test_write_inspection_makes_the_folder_again(worked, survey, tmp_path):
    source = tmp_path / "saved"
    source.mkdir()
    (source / "inspection.json").write_bytes(b'{"a": 1}')
    (source / "classes.png").write_bytes(b"\x89PNG")
    kept = worked.add_inspection(survey, source)
    worked.write_inspection(kept, tmp_path / "out")
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == {
        "inspection.json": b'{"a": 1}',
        "classes.png": b"\x89PNG",
    }


# Changes --------------------------------------------------------------------------------------------------


def test_update_counts_the_version_and_tells_the_trail(book):
    job = book.create_job("order 7")
    changed = book.update(job, notes="call first", reason="phone call")
    assert (changed.version, changed.notes) == (2, "call first")
    entry = book.trail(record=job)[0]
    assert (entry.who, entry.action, entry.reason) == ("Ada", "change", "phone call")
    assert entry.changes == {"notes": ["", "call first"]}


def test_update_with_nothing_new_changes_nothing(book):
    job = book.create_job("order 7")
    assert book.update(job, reference="order 7") == job


def test_second_editor_is_told_who_and_the_work_is_kept(book):
    seen = book.create_job("order 7")
    book.as_person("Bob").update(seen, notes="from Bob")
    with pytest.raises(EditConflict, match=r"changed by Bob on \d{4}-\d\d-\d\d at \d\d:\d\d UTC") as told:
        book.update(seen, notes="from Ada", engine="one rotor")
    assert told.value.changed_by == "Bob"
    assert book.get(Job, seen.id).notes == "from Bob"
    (draft,) = book.drafts()
    assert draft.id == told.value.draft_id
    assert draft.changes == {"notes": "from Ada", "engine": "one rotor"}
    assert draft.created_by == "Ada"
    applied = book.apply_draft(draft.id, book.get(Job, seen.id))
    assert (applied.notes, applied.engine) == ("from Ada", "one rotor")
    assert book.drafts() == ()
    assert book.drafts(open_only=False)[0].state == "applied"


def test_negative_stock_is_refused(worked, survey):
    negative = Estimate.from_sd(-22.0, 3.0)
    with pytest.raises(
        InputError, match=r"^survey.removed_um: write it as a positive length, got -22 um = -0.866 thou"
    ):
        worked.update(survey, removed_um=negative, reason="slip")
    job, face = worked.get(Job, survey.job_id), worked.get(Face, survey.face_id)
    with pytest.raises(InputError, match=r"^survey.removed_um: write it as a positive length"):
        worked.create_survey(face, job, "lap_2", "2026-05-07", removed_um=negative)


def test_draft_of_removed_stock_and_day_can_be_applied(worked, survey):
    worked.as_person("Bob").update(survey, notes="from Bob")
    removed = Estimate(value=12.0, low=10.0, high=14.0)
    with pytest.raises(EditConflict) as told:
        worked.update(survey, removed_um=removed, surveyed_on="2026-06-01")
    applied = worked.apply_draft(told.value.draft_id, worked.get(Survey, survey.id))
    assert applied.removed_um == removed
    assert applied.surveyed_on == date(2026, 6, 1)


def test_late_change_without_a_draft_gives_back_what_was_typed(worked, survey):
    worked.as_person("Bob").update(survey, notes="from Bob")
    removed = Estimate(value=12.0, low=10.0, high=14.0)
    with pytest.raises(EditConflict) as told:
        worked.update(
            survey, keep_draft=False, reason="read wrongly", removed_um=removed, surveyed_on="2026-06-01"
        )
    assert str(told.value).endswith(
        "Nothing was done: read the record again, then repeat it; you wrote: removed um: 12 um; surveyed on: 2026-06-01; "
        "why: read wrongly"
    )
    assert (told.value.draft_id, worked.drafts()) == (0, ())
    assert worked.get(Survey, survey.id).removed_um == survey.removed_um


def test_ones_own_earlier_change_is_not_told_as_somebody_elses(book):
    seen = book.create_job("order 7")
    book.update(seen, notes="one")
    with pytest.raises(
        EditConflict, match=r"changed by Ada \(your own name: another window, or a second press\) on"
    ):
        book.update(seen, notes="two")
    with pytest.raises(EditConflict, match=r"changed by Ada on"):
        book.as_person("Bob").update(seen, notes="two")


def test_discarded_draft_stays_readable_and_cannot_be_applied(book):
    seen = book.create_job("order 7")
    book.update(seen, notes="one")
    with pytest.raises(EditConflict) as told:
        book.update(seen, notes="two")
    book.discard_draft(told.value.draft_id)
    assert book.drafts(open_only=False)[0].changes == {"notes": "two"}
    with pytest.raises(InputError, match="already discarded"):
        book.apply_draft(told.value.draft_id, book.get(Job, seen.id))


def test_event_left_out_stays_in_the_plates_life_with_its_reason(worked):
    plate = worked.plates()[0]
    event = worked.add_event(plate, "stock", removed_um=400.0)
    with pytest.raises(InputError, match="reason: empty"):
        worked.withdraw(event, " ")
    out = worked.withdraw(event, "was 40")
    assert (out.withdrawn, out.removed_um, out.version) == ("was 40", 400.0, 2)
    assert out in worked.open_plate(plate.id).events
    (line, _) = worked.trail(record=out)
    assert (line.action, line.plate_id, line.reason) == ("withdraw", plate.id, "was 40")
    with pytest.raises(EditConflict, match="you wrote: again"):
        worked.withdraw(event, "again")
    # Since when it counts no more stays as it was.
    for attempt in (lambda: worked.withdraw(out, "again"), lambda: worked.update(out, removed_um=1.0)):
        with pytest.raises(CasebookError, match=r"plate event number \d+ was left out \(was 40\)"):
            attempt()
    assert worked.get(PlateEvent, out.id) == out


def test_withdrawn_reading_stays_in_the_casebook(worked, survey):
    (reading,) = worked.add_readings(survey, [{"kind": "height", "value_um": 5.0}])
    gone = worked.withdraw(reading, "needle slipped")
    assert gone.withdrawn == "needle slipped"
    assert worked.readings(survey) == ()
    assert worked.readings(survey, withdrawn=True) == (gone,)


def test_trail_of_a_plate_tells_its_whole_life(worked, survey):
    worked.add_photo(survey, b"x")
    told = [(e.action, e.kind) for e in reversed(worked.trail(plate_id=survey.plate_id))]
    assert told == [
        ("create", "plate"),
        ("create", "job_plate"),
        ("create", "face"),
        ("create", "survey"),
        ("create", "photo"),
    ]


# Corrections of the map -------------------------------------------------------------------------------------


def test_edit_layers_undo_and_redo(worked, survey):
    inspection = worked.add_inspection(survey, {"inspection.json": b"{}"})

    def add(reason):
        seen = worked.get(InspectionRef, inspection.id)
        return worked.add_edit(seen, "brush", class_code=2, shape={"xy_mm": [[0, 1]]}, reason=reason)

    def now():
        return worked.get(InspectionRef, inspection.id)

    def reasons():
        return [e.reason for e in worked.edits(inspection)]

    add("one"), add("two"), add("three")
    assert reasons() == ["one", "two", "three"]
    worked.undo_edit(now())
    worked.undo_edit(now())
    assert reasons() == ["one"]
    worked.redo_edit(now())
    assert reasons() == ["one", "two"]
    add("four")
    assert reasons() == ["one", "two", "four"]
    with pytest.raises(InputError, match="nothing to redo"):
        worked.redo_edit(now())
    first = worked.edits(inspection)[0]
    worked.undo_edit(now(), first)
    assert reasons() == ["two", "four"]
    assert worked.redo_edit(now(), first).state == "applied"
    assert reasons() == ["one", "two", "four"]
    assert [e.reason for e in worked.edits(inspection, states=("undone",))] == ["three"]


def test_two_people_on_one_face_second_is_told_and_neither_is_lost(worked, survey):
    seen = worked.add_inspection(survey, {"inspection.json": b"{}"})
    bob = worked.as_person("Bob")
    worked.add_edit(
        seen, "polygon", class_code=1, shape={"ring_mm": [[0, 0], [1, 0], [1, 2]]}, reason="shadow"
    )
    with pytest.raises(EditConflict, match="Ada changed this map") as told:
        bob.add_edit(seen, "brush", class_code=2, shape={"xy_mm": [[5, 5]]}, reason="missed pit")
    (draft,) = bob.edits(seen, states=("draft",))
    assert draft.id == told.value.draft_id
    assert (draft.reason, draft.created_by, draft.layer) == ("missed pit", "Bob", None)
    laid = bob.accept_draft_edit(bob.get(InspectionRef, seen.id), draft)
    assert (laid.layer, laid.state) == (2, "applied")
    assert [e.reason for e in worked.edits(seen)] == ["shadow", "missed pit"]


def test_edit_of_an_older_map_is_kept_for_the_newer_one(worked, survey):
    old = worked.add_inspection(survey, {"inspection.json": b"{}"})
    worked.add_edit(old, "brush", class_code=2, shape={}, reason="one")
    new = worked.as_person("Bob").add_inspection(survey, {"inspection.json": b"{ }"}, carry_edits=True)
    assert [e.reason for e in worked.edits(new)] == ["one"]
    with pytest.raises(EditConflict, match="Bob mapped this face anew"):
        worked.add_edit(worked.get(InspectionRef, old.id), "brush", class_code=2, shape={}, reason="late")
    assert [e.reason for e in worked.edits(new, states=("draft",))] == ["late"]


def test_changes_together_are_kept_or_dropped_together(worked, survey):
    with pytest.raises(InputError, match="surveyed_on"), worked.together():
        job = worked.create_job("order 8")
        worked.add_photo(survey, b"inside")
        assert worked.get(Job, job.id) == job
        face = worked.faces(worked.get(Plate, survey.plate_id))[0]
        worked.create_survey(face, job, "intake", "soon")
    assert [j.reference for j in worked.jobs()] == ["order 6"]
    assert worked.photos(survey) == ()
    report = worked.check()
    assert report.ok
    assert len(report.leftovers) == 1  # the photo's file, named
    with worked.together():
        job = worked.create_job("order 9")
        with pytest.raises(InputError, match="is taken already"):
            worked.create_plate("T-11", job=job)
        worked.create_plate("T-12", job=job)
    with reopened(worked) as other:
        assert [p.tag for p in other.plates(job=job)] == ["T-12"]
