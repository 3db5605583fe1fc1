"""``pitmap demo``: the sample job, from photos to maps, plan and comparison."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import click

from ..units import UnitSystem
from .options import OUT_FOLDER, units_option
from .progress import step_bar
from .tables import print_inspection

__all__ = ["command"]


@click.command(name="demo")
@click.option(
    "--out",
    type=OUT_FOLDER,
    default=Path("pitmap_out"),
    show_default=True,
    help="Folder to write; each survey gets a folder in it.",
)
@click.option(
    "--samples", type=click.Path(path_type=Path), help="Folder of the sample job; else the one that ships."
)
@units_option
def command(out: Path, samples: Path | None, units: str) -> None:
    """Map the sample job that ships with pitmap: one invented plate, two faces, three surveys each.

    Writes a folder per survey, plans both faces, compares their surveys and writes their records.
    """
    from ..inspection import must_take_inspection
    from ..sample_job import demo_limits, map_sample, sample_surveys
    from ..workflow import plan_face
    from .plan import print_plan, write_plan
    from .record import write_record
    from .write import write_map

    surveys = sample_surveys(samples)
    for survey in surveys:
        must_take_inspection(out / survey.folder)
    by_face: dict[str, list] = {}
    for survey in surveys:
        with step_bar(len(survey.photos)) as progress:
            inspection = map_sample(survey, progress=progress, system=cast(UnitSystem, units))
        write_map(inspection, survey.drawing, out / survey.folder, units)
        print_inspection(inspection, units)
        by_face.setdefault(survey.face, []).append((survey, inspection))
    limits = demo_limits()
    for face, pairs in by_face.items():
        inspections = [i for _, i in pairs]
        plan = plan_face(inspections, limits, system=cast(UnitSystem, units))
        write_plan(plan, out / f"{face.lower()}_plan")
        click.echo(f"\nface {face}")
        print_plan(plan, units)
        path = write_record(
            inspections, pairs[0][0].drawing, plan, out / f"{face.lower()}_record", units, pairs[0][0].job
        )
        click.echo(f"  record: {path}")
    click.echo(f"\nwritten to {out}")
