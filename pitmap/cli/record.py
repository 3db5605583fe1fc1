"""``pitmap record``: the record for the customer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

import click

from ..drawing import Drawing
from ..inspection import Inspection, must_be_on_drawing
from ..stock import StockPlan
from ..units import UnitSystem
from ..whole_file import write_all_whole
from .options import DRAWING, NAME, RESULT_FOLDER, units_option
from .planning import open_face, plan_options, plan_surveys

__all__ = ["command", "write_record"]


@click.command(name="record")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--drawing", required=True, type=DRAWING, help="Drawing that the surveys were mapped with.")
@plan_options
@click.option("--job", type=NAME, default="", help="The customer's reference.")
@click.option("--engine", type=NAME, default="", help="The engine that the plate is of.")
@click.option("--plate", type=NAME, default="", help="The plate's tag.")
@click.option("--workshop", type=NAME, default="", help="Whose record it is.")
@click.option("--out", type=RESULT_FOLDER, default=Path("record"), show_default=True, help="Folder to write.")
@click.option("--overwrite", is_flag=True, help="Replace the record of another face or job in the folder.")
@units_option
def command(
    folders: tuple[Path, ...],
    drawing: Drawing,
    job: str,
    engine: str,
    plate: str,
    workshop: str,
    out: Path,
    overwrite: bool,
    units: str,
    **choices: Any,
) -> None:
    """Write the record of one face: PDF, web page, and a ZIP of everything with hashes.

    Its plan is the one that `pitmap plan` shows when it is given the same options.
    """
    from ..report import must_be_same_record

    inspections = open_face(folders)
    must_be_on_drawing(inspections, drawing, "record")
    if not overwrite:
        photos = (photo.sha256 for survey in inspections for photo in survey.photos)
        must_be_same_record(out, inspections[0].face, job, photos)
    inspections, plan = plan_surveys(inspections, units, drawing=drawing, **choices)
    words = {"reference": job, "engine": engine, "plate": plate, "workshop": workshop}
    path = write_record(inspections, drawing, plan, out, units, {k: v for k, v in words.items() if v})
    click.echo(f"written to {path.parent}")


def write_record(
    inspections: Sequence[Inspection],
    drawing: Drawing,
    plan: StockPlan | None,
    out: Path,
    units: str,
    job: Mapping[str, str],
) -> Path:
    """Write PDF, page and ZIP into a folder; the path of the PDF."""
    from ..compare import compare
    from ..report import RecordInput, record_zip, zip_member
    from ..workflow import all_readings

    system = cast(UnitSystem, units)
    record = RecordInput(
        job={k: v for k, v in job.items() if k != "workshop"},
        drawing=drawing,
        inspections=tuple(inspections),
        plan=plan,
        comparison=compare(inspections, drawing, system=system) if len(inspections) > 1 else None,
        readings=all_readings(inspections),
        workshop=job.get("workshop", ""),
        units=system,
    )
    everything = record_zip(record)
    out.mkdir(parents=True, exist_ok=True)
    # the same files beside the ZIP: a PDF made again would not have the hash that is listed in it
    beside = {out / name: zip_member(everything, name) for name in ("record.html", "record.pdf")}
    write_all_whole({**beside, out / "record.zip": everything})
    return out / "record.pdf"
