"""From the casebook's records to the stages: what is taken from which, and how it is told."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from measure_fakes import ring_plate
from survey_fakes import keep_survey

from pitmap.casebook import Casebook, Face, Job, Plate, Survey, release
from pitmap.casebook.checklists import STEPS
from pitmap.classes import Stage
from pitmap.depth import readings_from_rows
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.inspection import limit_problems, not_held_problem
from pitmap.stock import Limit, LimitSheet, stock_budget
from pitmap.stock.rules import judge_budget
from pitmap.workflow import (
    UnmappedSurvey,
    doubt_of_micrometer,
    drawing_of,
    flatness_of,
    inspections_of_face,
    left_open,
    limits_of,
    open_inspection,
    plan_face,
    record_of_face,
    save_drawing,
    save_limits,
    unmapped_of_face,
    with_readings,
)


def inspection(stage: str, day: date) -> Any:
    return SimpleNamespace(face="front", stage=Stage(stage), surveyed_on=day, readings=pd.DataFrame())


def test_record_says_that_the_moment_of_the_signature_is_in_utc() -> None:
    # Half past seven in the evening of 4 May in Chicago, five hours behind UTC in summer.
    signed = SimpleNamespace(
        signed_by="Ada", signed_at=datetime(2026, 5, 5, 0, 30, tzinfo=UTC), statement="looked over"
    )
    book: Any = SimpleNamespace(checklist=lambda job, plate: (), sign_offs=lambda job: (signed,))
    job: Any = SimpleNamespace(reference="order 7", customer="", engine="", notes="ran hot", state="released")
    plate: Any = SimpleNamespace(tag="T-12")
    record = record_of_face(
        book, job, plate, SimpleNamespace(), [inspection("final", date(2026, 5, 4))],  # type: ignore[arg-type]
        drawing=SimpleNamespace(), plan=None, comparison=None, units="mm",  # type: ignore[arg-type]
    )  # fmt: skip
    assert record.notes == "ran hot"
    assert record.sign_off == {"name": "Ada", "date": "2026-05-05 00:30 UTC", "remark": "looked over"}


def test_record_carries_the_state_of_every_checklist_item(book: Casebook) -> None:
    job = book.create_job("order 1")
    plate = book.create_plate("T-12", job=job)
    face = book.create_face(plate, "A")
    first, second, *_ = book.start_checklist(job, plate, "finish")
    book.update(first, state="done")
    book.update(second, state="not needed", note="goes straight into the engine")
    record = record_of_face(
        book, job, plate, face, [inspection("final", date(2026, 5, 4))],
        drawing=SimpleNamespace(), plan=None, comparison=None, units="mm",  # type: ignore[arg-type]
    )  # fmt: skip
    assert [(i.state, i.note) for i in record.checklist] == [
        ("done", ""), ("not needed", "goes straight into the engine"), ("open", ""), ("open", "")
    ]  # fmt: skip


def test_inspections_of_a_face_come_in_the_order_of_work_without_replaced_revisions() -> None:
    told = [(1, "lap_1", 6), (2, "intake", 4), (3, "lap_1", 7), (4, "test_lap", 7), (5, "final", 9)]
    # The casebook says which surveys count: the first was replaced by the third.
    surveys = [SimpleNamespace(id=n) for n, *_ in told[1:]]
    # The last one was not mapped.
    mapped = {n: inspection(stage, date(2026, 5, day)) for n, stage, day in told[:-1]}
    book: Any = SimpleNamespace(surveys=lambda face, job, counting: surveys if counting else [])
    series = inspections_of_face(book, SimpleNamespace(), SimpleNamespace(), lambda s: mapped.get(s.id))  # type: ignore[arg-type]
    assert [(s.id, i.stage.name) for s, i in series] == [(2, "intake"), (4, "test_lap"), (3, "lap_1")]


def taken_off(value: float, half: float = 4.0) -> Estimate:
    return Estimate(value=value, low=max(0.0, value - half), high=value + half)


def sheet(**entries: float) -> LimitSheet:
    return LimitSheet(entries={name: Limit(value=v, source="manual p. 3") for name, v in entries.items()})


LIMITS: dict[str, float] = {"total_stock": 100.0, "case_depth": 150.0, "case_left_min": 60.0}


@pytest.fixture
def book(tmp_path: Any) -> Any:
    with Casebook(tmp_path, who="Ada") as opened:
        yield opened


@pytest.fixture
def face(book: Casebook) -> Face:
    """Face A of plate T-12, whose first job is released after 80 um came off."""
    job = book.create_job("order 1")
    plate = book.create_plate("T-12", job=job)
    face = book.create_face(plate, "A")
    save_limits(
        book, plate, face, sheet(**LIMITS, stock_removed_before=0.0, thickness=12.0, thickness_min=11.95)
    )
    for stage, stock in (("test_lap", 30.0), ("final", 80.0)):
        survey = book.create_survey(face, job, stage, "2024-01-01", removed_um=taken_off(stock))
        book.add_readings(survey, [{"kind": "wear_step", "value_um": 3.0}])
        book.sign_off(survey, "checked")
    book.sign_off(book.get(Job, job.id), "released")
    return face


def come_back(book: Casebook, face: Face) -> tuple[Plate, Job]:
    plate, job = book.get(Plate, face.plate_id), book.create_job("order 2")
    book.put_into_job(plate, job)
    book.create_survey(face, job, "test_lap", "2026-01-01", removed_um=taken_off(15.0))
    return plate, job


def judged(book: Casebook, face: Face, job: Job, **more: Any) -> dict[str, tuple[str, str]]:
    lines = stock_budget(limits_of(book, face, job, **more), taken_off(15.0), taken_off(20.0))
    return {line.name: (judge_budget(line).status, line.doubt) for line in lines}


def test_stock_of_earlier_jobs_is_not_forgotten_when_a_plate_comes_back(book: Casebook, face: Face) -> None:
    plate, job = come_back(book, face)
    book.add_event(plate, "stock", text="lapped elsewhere", removed_um=40.0)
    # 80 um of the first job and 40 um elsewhere; the sheet is that of the first job.
    why = "earlier work on this face took off 120 um, and the limit sheet says 0 um; enter it"
    found = judged(book, face, job)
    assert found["total_stock"] == found["case_left"] == ("not judged", why)
    # 15 um of this job are off the plate as well.
    why = "135 um came off since the thickness was entered; measure it and enter it again"
    assert found["thickness"] == ("not judged", why)
    assert "took off 4.7 thou" in judged(book, face, job, system="inch")["total_stock"][1]
    # Entered and measured now: every budget is judged, and the truth told.
    save_limits(
        book, plate, face, sheet(**LIMITS, stock_removed_before=120.0, thickness=11.865, thickness_min=11.8)
    )
    assert judged(book, face, job) == {
        "total_stock": ("stop", ""), "case_left": ("stop", ""), "thickness": ("pass", "")
    }  # fmt: skip


def test_sheet_kept_again_for_another_limit_is_no_new_thickness(book: Casebook, face: Face) -> None:
    plate, job = come_back(book, face)
    kept = {**LIMITS, "stock_removed_before": 80.0, "thickness": 12.0, "thickness_min": 11.9}
    save_limits(book, plate, face, sheet(**kept))
    assert judged(book, face, job) == {
        "total_stock": ("stop", ""),
        "case_left": ("stop", ""),
        "thickness": (
            "not judged",
            "95 um came off since the thickness was entered; measure it and enter it again",
        ),
    }


def test_stock_that_a_repair_took_off_is_stock(book: Casebook, face: Face) -> None:
    plate, job = come_back(book, face)
    save_limits(book, plate, face, sheet(total_stock=200.0, stock_removed_before=80.0))
    book.add_event(plate, "stud", text="new stud, nothing taken off")
    assert judged(book, face, job) == {"total_stock": ("pass", "")}
    book.add_event(plate, "repair", text="ground round the port", removed_um=76.2)
    assert judged(book, face, job)["total_stock"] == (
        "not judged",
        "earlier work on this face took off 156 um, and the limit sheet says 80 um; enter it",
    )


@pytest.mark.parametrize(("of", "counts"), [("A", True), ("front side", True), ("b", False)])
def test_stock_of_a_face_that_the_plate_does_not_have_counts_for_each(
    book: Casebook, face: Face, of: str, counts: bool
) -> None:
    """Written otherwise than the face is called, it may be this one: only what is known to be another's is another's."""
    plate, job = come_back(book, face)
    book.create_face(plate, "b")
    save_limits(book, plate, face, sheet(total_stock=200.0, stock_removed_before=80.0))
    book.add_event(plate, "stock", face=of, removed_um=60.0)
    assert judged(book, face, job)["total_stock"][0] == ("not judged" if counts else "pass")


def test_stock_of_no_known_amount_is_asked_for(book: Casebook, face: Face) -> None:
    plate, job = come_back(book, face)
    save_limits(book, plate, face, sheet(total_stock=200.0, stock_removed_before=80.0))
    assert judged(book, face, job) == {"total_stock": ("pass", "")}
    book.add_event(plate, "stock", face="a", text="the owner lapped it")
    assert judged(book, face, job)["total_stock"] == (
        "not judged",
        "earlier work on this face took off 80 um and more of an amount that is not known, and the limit sheet says 80 um; "
        "enter it",
    )


def test_released_job_keeps_the_limit_sheet_and_the_drawing_that_were_signed(
    book: Casebook, face: Face
) -> None:
    plate, job = book.get(Plate, face.plate_id), book.jobs()[0]
    assert job.state == "released"
    save_limits(book, plate, face, sheet(total_stock=200.0))
    save_drawing(book, plate, face, ring_plate())
    assert limits_of(book, face, job).value("total_stock") == 100.0
    with pytest.raises(InputError, match="has no drawing"):
        drawing_of(book, plate, face, job)
    assert drawing_of(book, plate, face).name == "ring plate"
    assert book.check().ok
    again = book.reopen_job(job, "the limit was wrong")
    assert limits_of(book, face, again).value("total_stock") == 200.0


def test_job_released_before_files_were_signed_keeps_what_there_was_by_then(
    book: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = book.create_job("order 1")
    plate = book.create_plate("T-12", job=job)
    face = book.create_face(plate, "A")
    save_limits(book, plate, face, sheet(total_stock=60.0))
    survey = book.create_survey(face, job, "final", "2024-01-01", removed_um=taken_off(10.0))
    book.add_readings(survey, [{"kind": "wear_step", "value_um": 3.0}])
    book.sign_off(survey, "checked")
    now = release.job_content
    monkeypatch.setattr(
        release,
        "job_content",
        lambda *of: {k: v for k, v in now(*of).items() if k not in ("files", "drawings")},
    )
    book.sign_off(book.get(Job, job.id), "released")
    save_limits(book, plate, face, sheet(total_stock=200.0))
    assert limits_of(book, face, book.get(Job, job.id)).value("total_stock") == 60.0


def test_what_happens_after_a_release_changes_none_of_its_figures(book: Casebook, face: Face) -> None:
    plate = book.get(Plate, face.plate_id)
    save_limits(book, plate, face, sheet(total_stock=100.0, stock_removed_before=0.0))
    first = book.jobs()[0]
    _, second = come_back(book, face)
    book.add_event(plate, "stock", text="lapped elsewhere", removed_um=40.0)
    assert judged(book, face, first)["total_stock"] == ("pass", "")
    assert judged(book, face, second)["total_stock"][0] == "not judged"


def test_event_that_is_left_out_counts_no_more_but_where_it_was_signed(book: Casebook, face: Face) -> None:
    plate, job = come_back(book, face)
    slip = book.add_event(plate, "stock", text="lapped elsewhere", removed_um=400.0)
    save_limits(book, plate, face, sheet(total_stock=100.0, stock_removed_before=80.0))
    why = "earlier work on this face took off 480 um, and the limit sheet says 80 um; enter it"
    assert limits_of(book, face, job).doubts == {"stock_removed_before": why}
    released = book.create_job("order 3")
    survey = book.create_survey(face, released, "intake", "2026-02-01")
    book.add_readings(survey, [{"kind": "wear_step", "value_um": 3.0}])
    book.sign_off(survey, "checked")
    book.sign_off(released, "released")
    released = book.get(Job, released.id)
    book.withdraw(slip, "typed in um, was 40")
    assert limits_of(book, face, job).doubts == {}
    assert (
        limits_of(book, face, book.create_job("order 4"))
        .doubts["stock_removed_before"]
        .startswith("earlier work on this face took off 95 um")
    )
    # What was released while it stood keeps it.
    assert "took off 495 um" in limits_of(book, face, released).doubts["stock_removed_before"]
    # What came later than the release is not told of it, as before.
    again = book.add_event(plate, "stock", text="lapped elsewhere", removed_um=40.0)
    assert "took off 495 um" in limits_of(book, face, released).doubts["stock_removed_before"]
    assert "took off 120 um" in limits_of(book, face, job).doubts["stock_removed_before"]
    book.withdraw(again, "another plate's")
    assert "took off 495 um" in limits_of(book, face, released).doubts["stock_removed_before"]
    assert book.check().problems == ()


def test_a_survey_added_to_an_older_job_changes_no_figure_of_a_released_one(book: Casebook) -> None:
    older, job = book.create_job("order 1"), book.create_job("order 2")
    plate = book.create_plate("T-12", job=older)
    face = book.create_face(plate, "A")
    save_limits(
        book,
        plate,
        face,
        sheet(total_stock=100.0, stock_removed_before=0.0, thickness=12.0, thickness_min=11.9),
    )
    survey = book.create_survey(face, job, "test_lap", "2026-01-01")
    book.add_readings(survey, [{"kind": "wear_step", "value_um": 3.0}])
    book.sign_off(survey, "checked")
    book.sign_off(book.get(Job, job.id), "released")
    job = book.get(Job, job.id)
    before = limits_of(book, face, job).doubts
    book.create_survey(face, older, "final", "2026-01-02", removed_um=taken_off(60.0))
    assert limits_of(book, face, job).doubts == before
    assert "stock_removed_before" in limits_of(book, face, book.create_job("order 3")).doubts


def test_other_face_of_the_plate_has_its_own_history_but_shares_the_thickness(
    book: Casebook, face: Face
) -> None:
    plate, job = come_back(book, face)
    other = book.create_face(plate, "B")
    save_limits(book, plate, other, sheet(total_stock=100.0, stock_removed_before=0.0, thickness=12.0))
    assert limits_of(book, other, job).doubts == {}
    book.create_survey(face, job, "lap_1", "2026-01-02", removed_um=taken_off(40.0))
    assert limits_of(book, other, job).doubts == {
        "thickness": "25 um came off since the thickness was entered; measure it and enter it again"
    }


@pytest.mark.parametrize(
    ("read_um", "system", "said"),
    [
        (14_000.0, "mm", ""),
        (12_610.0, "mm", ""),  # laps take off a tenth of 14 mm at most
        (12_590.0, "mm", "A thickness of 12.59 mm was read, and the plate is 14.00 mm thick by"),
        (12_000.0, "inch", "A thickness of 0.472 in was read, and the plate is 0.551 in thick by"),
        (15_500.0, "mm", "A thickness of 15.50 mm was read, and the plate is 14.00 mm thick by"),
    ],
)  # fmt: skip
def test_plan_says_that_a_thickness_cannot_be_that_of_the_drawing(
    book: Casebook, tmp_path: Any, read_um: float, system: Any, said: str
) -> None:
    """The sample's drawing was 14 mm thick and its micrometer read 12 mm; nothing said so."""
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [])
    drawing = replace(drawing, thickness_mm=14.0)
    book.add_readings(
        survey,
        [{"kind": "thickness", "x_mm": 14.0, "y_mm": 14.0, "value_um": read_um, "uncertainty_um": 4.0}],
    )
    inspections = [open_inspection(book, survey, ref, drawing)]
    told = [
        p for p in plan_face(inspections, None, drawing=drawing, system=system).problems if "its drawing" in p
    ]
    assert [p[: len(said)] for p in told] == ([said] if said else [])


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("case_depth", 1400.0, ""),  # a tenth of 14 mm
        ("case_depth", 1401.0, "more than a tenth of the plate, which is 14.00 mm thick"),
        ("total_stock", 1500.0, "1.50 mm for the most stock that may come off this face over the plate's life, more"),
        ("thickness_min", 13.0, ""),
        ("thickness_min", 250.0, "250.00 mm for the least thickness of the plate, and the plate is 14.00 mm thick"),
        ("thickness", 2.0, "2.00 mm for the thickness now, and the plate is 14.00 mm thick"),
        ("sound_width_min", 3.0, ""),
    ],
)  # fmt: skip
def test_a_limit_that_no_such_plate_can_have_is_named(name: str, value: float, said: str) -> None:
    told = limit_problems(sheet(**{name: value}), 14.0)
    assert len(told) == bool(said)
    assert all(said in sentence for sentence in told)
    assert limit_problems(sheet(**{name: value}), math.nan) == []


def test_a_drawing_without_a_thickness_is_named_where_something_is_to_be_held_against_it() -> None:
    said = not_held_problem(2, sheet(case_depth=300.0), is_drawing_given=True)
    assert said == (
        "The thickness that was read and the limit sheet could not be held against the plate, because its drawing does not "
        "say how thick it is; enter the thickness in the drawing"
    )
    # the width of the land has nothing to do with how thick the plate is
    assert not_held_problem(0, sheet(sound_width_min=3.0), is_drawing_given=True) == ""


def test_thickness_measured_before_the_other_face_was_lapped_is_not_that_of_now(
    book: Casebook, tmp_path: Any
) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [])
    plate, face, job = book.plates()[0], book.get(Face, survey.face_id), book.get(Job, survey.job_id)
    other = book.create_face(plate, "B")
    book.create_survey(other, job, "test_lap", "2026-03-01", removed_um=taken_off(20.0))
    book.add_readings(
        survey,
        [{"kind": "thickness", "x_mm": 14.0, "y_mm": 14.0, "value_um": 11_950.0, "uncertainty_um": 4.0}],
    )

    def thickness() -> tuple[str, str]:
        newest = book.surveys(face=face, job=job, counting=True)[-1]
        plan = plan_face(
            [open_inspection(book, newest, book.inspections(newest)[-1], drawing)],
            sheet(thickness_min=11.9),
            thickness_doubt=doubt_of_micrometer(book, face, job, "mm"),
        )
        found = {f.rule: f for f in plan.verdict.findings}["thickness"]
        return found.status, found.sentence

    # What came off the other face before is in the reading, and so is what this face's own laps took.
    assert thickness()[0] == "pass"
    book.create_survey(other, job, "lap_1", "2026-03-02", removed_um=taken_off(80.0))
    # Said alone among the plan's problems, "since it was measured here" spoke of nothing.
    said = "60 um came off the plate's other faces since the thickness was measured here; measure it again"
    assert doubt_of_micrometer(book, face, job, "mm") == said
    why = f"Thickness: not judged, {said}."
    assert thickness() == ("not judged", why)
    # A revision takes the reading over; it is no new one.
    book.sign_off(book.get(Survey, survey.id), "checked")
    revised = book.open_revision(book.get(Survey, survey.id), "a typing error in the notes")
    assert thickness() == ("not judged", why)
    book.add_readings(
        revised,
        [{"kind": "thickness", "x_mm": 14.0, "y_mm": -14.0, "value_um": 11_890.0, "uncertainty_um": 4.0}],
    )
    assert thickness()[0] == "stop"


@pytest.mark.parametrize("pits", [[], [(-14.0, 0.0, 2.0)]], ids=["sound", "pitted"])
def test_plan_names_a_later_survey_that_is_not_mapped_and_advises_nothing(
    book: Casebook, tmp_path: Any, pits: list[tuple[float, float, float]]
) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", pits)
    inspection = open_inspection(book, survey, ref, drawing)
    face, job = book.get(Face, survey.face_id), book.get(Job, survey.job_id)
    limits = sheet(total_stock=100.0, stock_removed_before=0.0)
    alone = plan_face([inspection], limits)
    assert (unmapped_of_face(book, face, job), alone.problems) == ((), ())
    later = book.create_survey(face, job, "lap_1", "2026-03-02", removed_um=taken_off(45.0))
    book.add_readings(later, [{"kind": "pit_depth", "value_um": 120.0, "uncertainty_um": 5.0}])
    unmapped = unmapped_of_face(book, face, job)
    assert unmapped == (
        UnmappedSurvey(
            stage=Stage("lap_1"), surveyed_on=date(2026, 3, 2), removed_um=taken_off(45.0), n_readings=1, n_depths=1
        ),
    )  # fmt: skip
    plan = plan_face([inspection], limits, unmapped=unmapped)
    why = (
        "the survey after lap 1 of 2026-03-02 is not mapped, so the 45 um that had come off by then and its 1 reading "
        "count for nothing here; map it, or leave it out"
    )
    assert plan.problems == (why,)
    assert plan.verdict.outcome == "not enough readings"
    assert plan.verdict.reasons[0] == f"The{why[3:]}."
    assert not any(n.stock_um.is_known for n in plan.needed)
    assert {f.status for f in plan.verdict.findings} == {"not judged"}


def test_plan_only_names_an_earlier_survey_that_was_never_mapped(book: Casebook, tmp_path: Any) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [])
    inspection = open_inspection(book, survey, ref, drawing)
    face, job = book.get(Face, survey.face_id), book.get(Job, survey.job_id)
    book.create_survey(face, job, "intake", "2026-02-27", removed_um=taken_off(0.0, 0.0))
    plan = plan_face([inspection], None, unmapped=unmapped_of_face(book, face, job))
    assert plan.problems == (
        "the survey at intake of 2026-02-27 is not mapped, so what it shows counts for nothing here; map it, "
        "or leave it out",
    )
    assert plan.verdict.outcome == "polish only"


def heights(*places: tuple[float, float] | int, values: tuple[float, ...] = (0.0,) * 9) -> pd.DataFrame:
    """Height readings at places, or at the marks of these numbers."""
    rows = [
        {"stage": "test_lap", "kind": "height", "unit": "um", "value": value, **(
            {"mark": str(place)} if isinstance(place, int) else {"x_mm": place[0], "y_mm": place[1]}
        )}
        for place, value in zip(places, values)
    ]  # fmt: skip
    return readings_from_rows(rows).table


def test_heights_on_one_line_leave_the_flatness_open_and_not_the_plan(book: Casebook, tmp_path: Any) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [])
    inspection = with_readings(
        open_inspection(book, survey, ref, drawing), heights((-30, 0), (-20, 0), (20, 0), (30, 0))
    )
    why = "the 4 heights that were measured lie on one line; at least four over the face are needed"
    assert flatness_of(inspection, np.random.default_rng(0)).reason == why
    found = {f.rule: f for f in plan_face([inspection], None).verdict.findings}["flatness"]
    assert (found.status, found.sentence) == ("not judged", f"Flatness of the face: not known ({why}).")


def test_height_at_a_mark_has_the_place_of_the_mark(book: Casebook, tmp_path: Any) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [(-14.0, 0.0, 2.0)])
    inspection = open_inspection(book, survey, ref, drawing)
    # The mark lies inside the triangle of the three others and 9 um under its plane: no closer planes hold all four.
    table = heights((14, 14), (14, -14), (-28, 0), 1, values=(0.0, 0.0, 0.0, -9.0))
    with_mark = with_readings(inspection, table)
    assert with_mark.readings.x_mm.tolist() == pytest.approx([14, 14, -28, -14], abs=0.06)
    assert flatness_of(with_mark, np.random.default_rng(0)).value == pytest.approx(9.0, abs=0.01)
    # A number that no mark has gives no place, and the height is not left out in silence.
    table = heights((14, 14), (14, -14), (-28, 0), (0, 1), 7)
    lost = flatness_of(with_readings(inspection, table), np.random.default_rng(0))
    assert lost.reason == "1 of 5 heights came without a place; give x and y for each"


def test_flatness_and_gap_of_a_plan_have_its_level(book: Casebook, tmp_path: Any) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [])
    table = heights((14, 14), (14, -14), (-28, 0), (-14, 0), values=(0.0, 0.0, 0.0, -60.0))
    inspection = with_readings(open_inspection(book, survey, ref, drawing), table)
    dip = Estimate(value=20.0, low=15.0, high=25.0)
    ends = {}
    with pytest.raises(InputError, match="Dip of the rotor housing: 30 mm = 1.18 in cannot be"):
        plan_face([inspection], None, housing_dip_um=Estimate(value=30_000.0, low=29_000.0, high=31_000.0))
    for level in (0.5, 0.9):
        plan = plan_face([inspection], None, housing_dip_um=dip, level=level)
        found = {f.rule: f.value for f in plan.verdict.findings}
        assert (found["flatness"].level, found["joint_gap"].level) == (level, level)
        ends[level] = [found[rule].high - found[rule].value for rule in ("flatness", "joint_gap")]
    # Normal half widths of 50 and 90 %; the gap's is a little off, for a flatness leans to the high side.
    assert ends[0.9] == pytest.approx([e * 1.64485 / 0.67449 for e in ends[0.5]], rel=0.01)


def test_heights_pasted_twice_are_no_more_heights(book: Casebook, tmp_path: Any) -> None:
    survey, ref, drawing = keep_survey(book, tmp_path / "map", [])
    inspection = open_inspection(book, survey, ref, drawing)
    table = heights((14, 14), (14, -14), (-28, 0), (-14, 0), (0, 20), values=(0.0, 1.0, 0.0, -9.0, 3.0))
    twice = pd.concat([table, table], ignore_index=True).assign(reading_id=range(1, 11))
    once, doubled = (
        flatness_of(with_readings(inspection, t), np.random.default_rng(0)) for t in (table, twice)
    )
    assert doubled == once
    three = with_readings(inspection, pd.concat([table[:3], table[:3]]).assign(reading_id=range(1, 7)))
    assert flatness_of(three, np.random.default_rng(0)).reason.startswith("3 heights were measured")
    alone = with_readings(inspection, table[:1])
    assert flatness_of(alone, np.random.default_rng(0)).reason.startswith("1 height was measured")


def test_whoever_releases_a_job_is_told_what_it_leaves_open(book: Casebook, tmp_path: Any) -> None:
    survey, *_ = keep_survey(book, tmp_path / "map", [])
    job, plate = book.get(Job, survey.job_id), book.plates()[0]
    name = f"plate {plate.tag}, face {book.get(Face, survey.face_id).name}"
    steps = f"plate {plate.tag}: nobody started 5 of the 5 steps of the checklist"
    assert left_open(book, job) == (steps,)
    book.create_face(plate, "Z")
    for day in ("2026-03-02", "2026-03-03"):  # lap 1 surveyed twice: which of them is told
        book.create_survey(book.get(Face, survey.face_id), job, "lap_1", day)
    assert left_open(book, job) == (
        f"{name}: the survey after lap 1 of 2026-03-02 is not mapped",
        f"{name}: the survey after lap 1 of 2026-03-03 is not mapped",
        f"plate {plate.tag}, face Z: has no survey in this job",
        steps,
    )
    for step in STEPS[:4]:
        book.start_checklist(job, plate, step)
    assert left_open(book, job)[-1] == f"plate {plate.tag}: nobody started 1 of the 5 steps of the checklist"
