"""Checklists, sign-off, revisions: what is signed stays what it was."""

from __future__ import annotations

import hashlib
import sqlite3

import pytest

from pitmap.casebook import Casebook, InspectionRef, Job, Plate, Survey, release
from pitmap.errors import CasebookError, EditConflict, InputError


@pytest.fixture
def book(tmp_path):
    with Casebook(tmp_path, who="Ada") as casebook:
        yield casebook


@pytest.fixture
def survey(book):
    job = book.create_job("order 7")
    face = book.create_face(book.create_plate("T-12", job=job), "front")
    survey = book.create_survey(face, job, "final", "2026-05-04", notes="as polished")
    book.add_photo(survey, b"photo", "a.jpg")
    book.add_readings(survey, [{"kind": "thickness", "value_um": 22_010.0, "x_mm": 1.0, "y_mm": 2.0}])
    inspection = book.add_inspection(survey, {"inspection.json": b"{}"}, summary={"share": 0.25})
    book.add_edit(inspection, "erase", class_code=1, shape={"xy_mm": [[3, 4]]}, reason="dust")
    return survey


def the_job(book):
    return book.jobs()[0]


def the_plate(book):
    return book.plates()[0]


def test_what_changes_no_field_keeps_no_draft_and_gives_back_what_was_typed(book, survey):
    job = the_job(book)
    reading = book.readings(survey)[0]
    bob = book.as_person("Bob")
    bob.update(survey, notes="Bob was first")
    bob.update(reading, note="Bob was first")
    bob.update(job, notes="Bob was first")
    for late in (
        lambda: book.sign_off(survey, "my own words"),
        lambda: book.withdraw(reading, "my own words"),
        lambda: book.reopen_job(job, "my own words"),
    ):
        with pytest.raises(
            EditConflict, match="changed by Bob .* repeat it; you wrote: my own words$"
        ) as told:
            late()
        assert told.value.draft_id == 0
    assert book.drafts(open_only=False) == ()
    assert book.get(Survey, survey.id).state == "open"


def test_left_out_survey_stays_and_holds_up_no_release(book, survey):
    job, face = the_job(book), book.faces(the_plate(book))[0]
    slip = book.create_survey(face, job, "final", "2026-05-05")
    book.sign_off(survey, "measured and checked")
    with pytest.raises(
        CasebookError,
        match="plate T-12, face front: survey number 2 at the final survey of 2026-05-05 is not signed",
    ):
        book.sign_off(job, "done")
    out = book.withdraw(slip, "added by mistake")
    assert out.withdrawn == "added by mistake"
    assert [s.id for s in book.surveys(job=job)] == [1, 2]
    assert [s.id for s in book.surveys(job=job, counting=True)] == [1]
    assert str(book.search("T-12").rows[0].last_surveyed_on) == "2026-05-04"
    assert book.trail(record=out)[0].reason == "added by mistake"
    for attempt in (
        lambda: book.add_photo(out, b"y"),
        lambda: book.update(out, notes="x"),
        lambda: book.sign_off(out, "x"),
    ):
        with pytest.raises(CasebookError, match=r"survey number 2 was left out \(added by mistake\)"):
            attempt()
    assert book.sign_off(job, "done").kind == "job"
    assert book.check().ok


def test_left_out_revision_takes_the_signed_one_with_it(book, survey):
    book.sign_off(survey, "measured and checked")
    signed = book.get(Survey, survey.id)
    with pytest.raises(CasebookError, match="is signed and frozen"):
        book.withdraw(signed, "of another plate")
    book.withdraw(book.open_revision(signed, "of another plate"), "of another plate")
    assert book.surveys(job=the_job(book), counting=True) == ()


def test_signed_survey_takes_no_change_of_any_kind(book, survey):
    photo, reading, inspection = book.photos(survey)[0], book.readings(survey)[0], book.inspections(survey)[0]
    book.sign_off(survey, "measured and checked")
    signed = book.get(Survey, survey.id)
    assert signed.state == "signed"
    tries = (
        lambda: book.update(signed, notes="x"),
        lambda: book.add_photo(signed, b"y"),
        lambda: book.add_readings(signed, [{"kind": "height", "value_um": 1.0}]),
        lambda: book.update(reading, value_um=1.0),
        lambda: book.update(photo, role="x"),
        lambda: book.withdraw(reading, "x"),
        lambda: book.withdraw(photo, "x"),
        lambda: book.add_inspection(signed, {"a": b"x"}),
        lambda: book.add_edit(inspection, "brush", class_code=2, shape={}, reason="x"),
        lambda: book.undo_edit(book.get(InspectionRef, inspection.id)),
        lambda: book.sign_off(signed, "again"),
    )
    for attempt in tries:
        with pytest.raises(CasebookError, match=r"survey number 1 is signed and frozen \(by Ada on \d{4}-"):
            attempt()
    assert book.check().ok
    assert book.get(Survey, survey.id) == signed


def test_revision_carries_everything_and_leaves_the_signed_one(book, survey):
    signature = book.sign_off(survey, "measured and checked")
    revised = book.as_person("Bob").open_revision(book.get(Survey, survey.id), "customer found a scratch")
    assert (revised.revision, revised.supersedes_id, revised.state) == (2, survey.id, "open")
    assert (revised.notes, revised.stage) == ("as polished", "final")
    assert [p.sha256 for p in book.photos(revised)] == [p.sha256 for p in book.photos(survey)]
    assert [(r.kind, r.value_um) for r in book.readings(revised)] == [("thickness", 22_010.0)]
    (inspection,) = book.inspections(revised)
    assert inspection.summary == {"share": 0.25}
    assert book.inspection_files(inspection) == {"inspection.json": b"{}"}
    assert [(e.reason, e.created_by) for e in book.edits(inspection)] == [("dust", "Ada")]
    book.add_readings(revised, [{"kind": "height", "value_um": 3.0}])
    assert len(book.readings(survey)) == 1
    assert book.sign_offs(survey) == (signature,)
    assert book.sign_offs(revised) == ()
    assert book.check().ok


def test_only_one_next_revision(book, survey):
    book.sign_off(survey, "checked")
    signed = book.get(Survey, survey.id)
    book.as_person("Bob").open_revision(signed, "one")
    with pytest.raises(CasebookError, match="has a newer revision already: number 2, opened by Bob"):
        book.open_revision(signed, "two")


def test_an_open_survey_needs_no_revision(book, survey):
    with pytest.raises(InputError, match="is not signed; change it as it is"):
        book.open_revision(survey, "why")


def test_nothing_to_sign(book, survey):
    face = book.faces(the_plate(book))[0]
    bare = book.create_survey(face, the_job(book), "final", "2026-05-05")
    with pytest.raises(CasebookError, match="neither photo, reading nor inspection"):
        book.sign_off(bare, "x")


def test_what_was_withdrawn_is_nothing_to_sign(book, survey):
    face = book.faces(the_plate(book))[0]
    slip = book.create_survey(face, the_job(book), "final", "2026-05-05")
    book.withdraw(book.add_photo(slip, b"blurred", "b.jpg"), "blurred")
    (reading,) = book.add_readings(slip, [{"kind": "height", "value_um": 1.0}])
    book.withdraw(reading, "of another plate")
    with pytest.raises(CasebookError, match="neither photo, reading nor inspection"):
        book.sign_off(slip, "x")
    book.add_photo(slip, b"sharp", "c.jpg")
    assert book.sign_off(slip, "x").kind == "survey"


def test_release_signs_the_files_of_its_plates(book, survey):
    plate = book.update(the_plate(book), drawing="ring")
    book.attach_file(plate, b"limit 60 um", "limits.toml", role="limit sheet", face=book.faces(plate)[0])
    book.sign_off(survey, "checked")
    content = book.sign_off(the_job(book), "released").content
    sha256 = hashlib.sha256(b"limit 60 um").hexdigest()
    assert content["files"] == [
        {"id": 1, "plate_id": 1, "face_id": 1, "role": "limit sheet", "name": "limits.toml", "sha256": sha256}
    ]
    assert content["drawings"] == {"1": "ring"}
    # A sheet for a later job is no change of this one; another file under the old one's number is.
    book.attach_file(plate, b"limit 200 um", "limits.toml", role="limit sheet", face=book.faces(plate)[0])
    book.update(book.get(Plate, plate.id), drawing="oval")
    assert book.check().ok
    plain = sqlite3.connect(book.place.path)
    plain.execute("UPDATE attachment SET sha256 = (SELECT sha256 FROM attachment WHERE id = 2) WHERE id = 1")
    plain.commit()
    plain.close()
    assert [f.text for f in book.check().problems] == [
        "job number 1 is not what Ada signed: it was changed since."
    ]


def test_signature_from_before_files_were_signed_still_holds(book, survey, monkeypatch):
    with monkeypatch.context() as older:
        now = release.job_content
        older.setattr(
            release,
            "job_content",
            lambda *of: {k: v for k, v in now(*of).items() if k not in ("files", "drawings")},
        )
        book.sign_off(survey, "checked")
        assert "files" not in book.sign_off(the_job(book), "released").content
    book.attach_file(the_plate(book), b"limit 200 um", "limits.toml", role="limit sheet")
    assert book.check().ok


def test_sign_off_of_something_changed_meanwhile(book, survey):
    book.as_person("Bob").update(survey, notes="changed")
    with pytest.raises(EditConflict, match="changed by Bob"):
        book.sign_off(survey, "checked")


def test_nobody_signs_what_came_after_the_look(book, survey):
    seen = book.fingerprint(survey)
    book.as_person("Bob").add_readings(survey, [{"kind": "pit_depth", "value_um": 180.0}])
    with pytest.raises(
        EditConflict,
        match=r"survey number 1 holds was changed .* by Bob .* Nothing was signed.* you wrote: deepest 20 um$",
    ):
        book.sign_off(survey, "deepest 20 um", seen=seen)
    assert (book.get(Survey, survey.id).state, book.sign_offs(survey)) == ("open", ())
    signature = book.sign_off(survey, "deepest 180 um", seen=book.fingerprint(survey))
    assert [x["value_um"] for x in signature.content["readings"]] == [22_010.0, 180.0]
    job, plate = the_job(book), the_plate(book)
    seen = book.fingerprint(job)
    book.as_person("Bob").attach_file(plate, b"limit 200 um", "limits.toml", role="limit sheet")
    with pytest.raises(EditConflict, match="What job order 7 holds was changed"):
        book.sign_off(job, "released", seen=seen)


def test_release_says_of_which_plate_an_item_is_open_and_names_stages_in_words(book, survey):
    """ "test_lap" and "checklist intake: Tag the plate" stood there, of a job with three plates."""
    job = the_job(book)
    book.create_survey(book.faces(the_plate(book))[0], job, "test_lap", "2026-05-03")
    for tag in ("T-13", "T-14"):
        plate = book.create_plate(tag, job=job)
        book.start_checklist(job, plate, "intake")
    for item in book.checklist(job, book.plate_by_tag("T-13")):
        book.update(item, state="done")
    with pytest.raises(CasebookError) as told:
        book.sign_off(job, "released")
    assert "after the test lap of 2026-05-03 is not signed" in str(told.value)
    assert "plate T-14, checklist intake: " in str(told.value)
    assert "test_lap" not in str(told.value) and "plate T-13" not in str(told.value)


def test_release_lists_what_is_missing(book, survey):
    job, plate = the_job(book), the_plate(book)
    items = book.start_checklist(job, plate, "finish")
    with pytest.raises(
        CasebookError, match=r"of 2026-05-04 is not signed; plate T-12, checklist finish: Polish"
    ):
        book.sign_off(job, "released")
    book.sign_off(survey, "checked")
    for item in items[:-1]:
        book.update(item, state="done")
    with pytest.raises(InputError, match="say why this is not needed"):
        book.update(items[-1], state="not needed")
    book.update(items[-1], state="not needed", note="goes straight into the engine")
    signature = book.sign_off(job, "released to the customer")
    assert signature.content["surveys"] == {"1": book.sign_offs(survey)[0].content_sha256}
    released = book.get(Job, job.id)
    assert released.state == "released"
    for attempt in (
        lambda: book.update(released, notes="x"),
        lambda: book.create_plate("T-13", job=released),
        lambda: book.create_survey(book.faces(plate)[0], released, "final", "2026-06-01"),
        lambda: book.update(book.checklist(released)[0], state="open"),
        lambda: book.add_checklist_item(released, plate, "finish", "more"),
        lambda: book.open_revision(book.get(Survey, survey.id), "x"),
    ):
        with pytest.raises(CasebookError, match=r"job order 7 is released and frozen \(by Ada"):
            attempt()
    assert book.plate_by_tag("T-13") is None
    assert book.check().ok


def test_reopened_job_is_its_next_revision(book, survey):
    book.sign_off(survey, "checked")
    book.sign_off(the_job(book), "released")
    job = book.reopen_job(the_job(book), "came back")
    assert (job.state, job.revision) == ("open", 2)
    book.open_revision(book.get(Survey, survey.id), "look again")
    with pytest.raises(CasebookError, match="survey number 2"):
        book.sign_off(book.get(Job, job.id), "released")
    book.sign_off(book.get(Survey, 2), "checked again")
    book.sign_off(book.get(Job, job.id), "released again")
    assert [s.revision for s in book.sign_offs(job)] == [1, 2]
    assert book.check().ok


def test_checklist_is_made_once_and_in_the_order_of_work(book, survey):
    job, plate = the_job(book), the_plate(book)
    book.start_checklist(job, plate, "release")
    first = book.start_checklist(job, plate, "clean")
    assert book.start_checklist(job, plate, "clean") == first
    added = book.add_checklist_item(job, plate, "clean", "Take the dowels out")
    items = book.checklist(job, plate)
    assert [i.step for i in items] == ["clean"] * 4 + ["release"] * 2
    assert items[3] == added
    assert "gloves" in items[0].caution
    with pytest.raises(InputError, match=r"checklist\.step: expected one of intake, clean, lap, finish"):
        book.start_checklist(job, plate, "drink coffee")


@pytest.mark.parametrize("table", ["audit", "sign_off"])
@pytest.mark.parametrize("change", ["DELETE FROM {}", "UPDATE {} SET id = id + 100"])
def test_trail_and_signatures_cannot_be_changed_by_other_programs(book, survey, table, change):
    book.sign_off(survey, "checked")
    plain = sqlite3.connect(book.place.path)
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        plain.execute(change.format(table))
    plain.close()


def test_check_tells_a_record_changed_after_its_signature(book, survey):
    book.sign_off(survey, "checked")
    plain = sqlite3.connect(book.place.path)
    plain.execute("UPDATE reading SET value_um = 21000")
    plain.commit()
    plain.close()
    report = book.check()
    assert [f.text for f in report.problems] == [
        "survey number 1 is not what Ada signed: it was changed since."
    ]
