"""From the casebook's records to the stages: what is taken from which, and how it is told."""

from __future__ import annotations

from datetime import UTC, date, datetime
from types import SimpleNamespace
from typing import Any

import pandas as pd

from pitmap.classes import Stage
from pitmap.workflow import inspections_of_face, record_of_face


def inspection(stage: str, day: date) -> Any:
    return SimpleNamespace(face="front", stage=Stage(stage), surveyed_on=day, readings=pd.DataFrame())


def test_record_says_that_the_moment_of_the_signature_is_in_utc() -> None:
    # Half past seven in the evening of 4 May in Chicago, five hours behind UTC in summer.
    signed = SimpleNamespace(
        signed_by="Ada", signed_at=datetime(2026, 5, 5, 0, 30, tzinfo=UTC), statement="looked over"
    )
    book: Any = SimpleNamespace(checklist=lambda job, plate: (), sign_offs=lambda job: (signed,))
    job: Any = SimpleNamespace(reference="order 7", customer="", engine="", state="released")
    plate: Any = SimpleNamespace(tag="T-12")
    record = record_of_face(
        book, job, plate, SimpleNamespace(), [inspection("final", date(2026, 5, 4))],  # type: ignore[arg-type]
        drawing=SimpleNamespace(), plan=None, comparison=None, units="mm",  # type: ignore[arg-type]
    )  # fmt: skip
    assert record.sign_off == {"name": "Ada", "date": "2026-05-05 00:30 UTC", "remark": "looked over"}


def test_inspections_of_a_face_come_in_the_order_of_work_without_replaced_revisions() -> None:
    told = [(1, "lap_1", 6), (2, "intake", 4), (3, "lap_1", 7), (4, "test_lap", 7), (5, "final", 9)]
    # The casebook says which surveys count: the first was replaced by the third.
    surveys = [SimpleNamespace(id=n) for n, *_ in told[1:]]
    # The last one was not mapped.
    mapped = {n: inspection(stage, date(2026, 5, day)) for n, stage, day in told[:-1]}
    book: Any = SimpleNamespace(surveys=lambda face, job, counting: surveys if counting else [])
    series = inspections_of_face(book, SimpleNamespace(), SimpleNamespace(), lambda s: mapped.get(s.id))  # type: ignore[arg-type]
    assert [(s.id, i.stage.name) for s, i in series] == [(2, "intake"), (4, "test_lap"), (3, "lap_1")]
