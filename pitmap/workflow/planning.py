"""From the inspections of a face to its stock plan and its record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, cast

import numpy as np
import pandas as pd

from ..casebook import Casebook, Job, Plate
from ..casebook import Face as CasebookFace
from ..compare import Comparison
from ..depth import FaceSurvey
from ..depth.doubles import each_once
from ..depth.flatness import flatness
from ..drawing import Drawing
from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from ..inspection import (
    Inspection,
    check_dip,
    limit_problems,
    must_be_one_face,
    not_held_problem,
    order_problems,
    thickness_problem,
)
from ..report import ChecklistItem as ReportItem
from ..report import RecordInput
from ..stock import (
    LimitSheet,
    StockPlan,
    joint_gap_of_dips,
    plan_stock,
)
from ..units import UnitSystem, format_depth
from .surveys import UnmappedSurvey

__all__ = ["PLAN_SEED", "all_readings", "flatness_of", "plan_face", "record_of_face"]


PLAN_SEED = 20260314
"""Plans are simulated; one fixed seed gives the same plan for the same data (house choice)."""


def flatness_of(
    inspection: Inspection, rng: np.random.Generator, *, level: float = DEFAULT_LEVEL
) -> Estimate:
    """Minimum-zone flatness from the height readings of a survey, um; unknown where they do not settle a plane."""
    heights = each_once(inspection.readings[inspection.readings.kind == "height"])
    if len(heights) < 4:
        n = "1 height was" if len(heights) == 1 else f"{len(heights)} heights were"
        return Estimate.unknown(f"{n} measured; at least four over the face are needed")
    placeless = int(heights[["x_mm", "y_mm"]].isna().any(axis=1).sum())
    if placeless:  # the one left out could be the highest
        return Estimate.unknown(
            f"{placeless} of {len(heights)} heights came without a place; give x and y for each"
        )
    try:
        found = flatness(
            heights.x_mm, heights.y_mm, heights.value_um, heights.uncertainty_um, rng=rng, level=level
        )
    except NotEnoughData:
        return Estimate.unknown(
            f"the {len(heights)} heights that were measured lie on one line; at least four over the face are needed"
        )
    return found.minimum_zone_um


def _must_be_one_job(inspections: Sequence[Inspection]) -> None:
    """Refuse a stage that stands twice: what came off before each survey is counted from one intake."""
    for one in inspections:
        same = [i for i in inspections if i.stage == one.stage]
        if len(same) > 1:
            days = " and ".join(str(i.surveyed_on or "an unknown day") for i in same)
            raise InputError(
                f"plan: {len(same)} surveys are of one stage, {one.stage.moment} (of {days}); a plan is of one job, with "
                "every stage once: give the folders of that job alone, and one of each stage"
            )


def _must_be_one_state(inspections: Sequence[Inspection]) -> None:
    """Refuse surveys mapped before and after a change of their drawing.

    What one shows at a place lies elsewhere in another: every pit would be gone, and a new one beside it.
    """
    states = {i.drawing_fingerprint: i.stage.moment for i in inspections if i.drawing_fingerprint}
    if len(states) > 1:
        raise InputError(
            f"plan: the surveys {' and '.join(states.values())} were mapped with different states of the drawing "
            f"{inspections[0].drawing_name!r} (edges or zones differ); map their photos again with one of them"
        )


def plan_face(
    inspections: Sequence[Inspection],
    limits: LimitSheet | None,
    *,
    drawing: Drawing | None = None,
    unmapped: Sequence[UnmappedSurvey] = (),
    housing_dip_um: Estimate | None = None,
    level: float = DEFAULT_LEVEL,
    system: UnitSystem = "mm",
    **choices: Any,
) -> StockPlan:
    """The stock plan of a face from its inspections.

    Flatness comes from the last survey's height readings; with the rotor housing's dip it gives the joint gap. What the
    `unmapped` surveys of the face hold is in no figure, and the plan names them; where one of them is the newest or
    holds depths, nothing is advised. A thickness or a limit that cannot be of a plate as thick as the `drawing` says,
    else that which the last survey was mapped with, is a problem, and so is that neither says how thick.
    Other `choices` go to :func:`pitmap.stock.plan_stock`.

    Raises
    ------
    InputError
        No survey, surveys of several faces or drawings or states of one, or two of one stage.
    NotEnoughData
        The stock taken off before a survey is not known.
    """
    if not inspections:
        raise InputError("plan: no survey given; map the face first")
    must_be_one_face(inspections, "plan")
    _must_be_one_job(inspections)
    _must_be_one_state(inspections)
    for inspection in inspections:
        if not inspection.removed_um.has_interval:
            raise NotEnoughData(
                f"{inspection.face}, {inspection.stage.moment}: the stock taken off before this survey is not known; "
                "measure it with a micrometer at named spots and enter it, as 22 um or 1 thou, with the survey on the Jobs "
                "page, or where its photos are mapped"
            )
    rng = np.random.default_rng(PLAN_SEED)
    last = max(inspections, key=lambda i: i.stage.order)
    flat = flatness_of(last, rng, level=level)
    told = {u: _not_counted(u, system) for u in unmapped}
    in_the_way = [said for u, said in told.items() if u.n_depths or u.stage.order >= last.stage.order]
    gap = None
    if housing_dip_um is not None:
        check_dip(housing_dip_um.value)
        gap = (
            joint_gap_of_dips(flat, housing_dip_um, level=level).gap_um
            if flat.is_known
            else Estimate.unknown(flat.reason)
        )
    plan = plan_stock(
        [FaceSurvey.from_inspection(i) for i in inspections],
        limits,
        rng=rng,
        flatness_um=flat,
        joint_gap_um=gap,
        not_counted=in_the_way,
        level=level,
        system=system,
        **choices,
    )
    of_drawing = _beside_drawing(last, drawing, inspections, limits, system)
    return replace(
        plan,
        problems=tuple(
            dict.fromkeys((*order_problems(inspections), *told.values(), *of_drawing, *plan.problems))
        ),
    )


def _beside_drawing(
    last: Inspection,
    drawing: Drawing | None,
    inspections: Sequence[Inspection],
    limits: LimitSheet | None,
    system: UnitSystem,
) -> list[str]:
    """What was read or entered that no plate as thick as its drawing says can have, or that none is held against."""
    thickness_mm = last.drawing_thickness_mm if drawing is None else drawing.thickness_mm
    sheet = limits or LimitSheet()
    readings = all_readings(inspections)
    read_um = [] if readings is None else readings.value_um[readings.kind == "thickness"].tolist()
    if math.isnan(thickness_mm):
        said = not_held_problem(len(read_um), sheet, is_drawing_given=drawing is not None)
    else:
        said = thickness_problem(read_um, thickness_mm, system)
    return [*([said] if said else []), *limit_problems(sheet, thickness_mm, system)]


def _not_counted(survey: UnmappedSurvey, system: UnitSystem) -> str:
    """Which survey is not mapped, and what is therefore in no figure."""
    held = []
    if survey.removed_um.is_known and survey.removed_um.value > 0:
        held.append(f"the {format_depth(survey.removed_um.value, system)} that had come off by then")
    if survey.n_readings:
        held.append(f"its {survey.n_readings} reading{'s' if survey.n_readings > 1 else ''}")
    return (
        f"{survey.words}, so"
        f" {' and '.join(held) or 'what it shows'} count{'s' if not held else ''} for nothing here; map it, or leave it out"
    )


def all_readings(inspections: Sequence[Inspection]) -> pd.DataFrame | None:
    """The readings of every survey in one table with the stage of each, or None when there are none."""
    taken = [i.readings.assign(stage=str(i.stage)) for i in inspections if not i.readings.empty]
    return pd.concat(taken, ignore_index=True) if taken else None


def record_of_face(
    book: Casebook,
    job: Job,
    plate: Plate,
    face: CasebookFace,
    inspections: Sequence[Inspection],
    *,
    drawing: Drawing,
    plan: StockPlan | None,
    comparison: Comparison | None,
    units: UnitSystem,
    workshop: str = "",
    problems: Sequence[str] = (),
) -> RecordInput:
    """Everything the record of a face shows, from the casebook; `problems` are what it has to say of its own surveys."""
    items = tuple(
        ReportItem(text=i.text, state=cast(Any, i.state), note=i.note) for i in book.checklist(job, plate)
    )
    signs = book.sign_offs(job)
    told = {
        "reference": job.reference,
        "customer": job.customer,
        "engine": job.engine,
        "plate tag": plate.tag,
    }
    return RecordInput(
        job={k: v for k, v in told.items() if v},
        drawing=drawing,
        inspections=tuple(inspections),
        plan=plan,
        comparison=comparison,
        readings=all_readings(inspections),
        checklist=items,
        sign_off=(
            {
                "name": signs[-1].signed_by,
                "date": f"{signs[-1].signed_at:%Y-%m-%d %H:%M} UTC",
                "remark": signs[-1].statement,
            }
            if signs and job.state == "released"
            else {}
        ),
        workshop=workshop,
        units=units,
        problems=tuple(problems),
        notes=job.notes,
    )
