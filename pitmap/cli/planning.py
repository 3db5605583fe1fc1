"""What ``pitmap plan`` and ``pitmap record`` plan with: the same options lead to the same plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

import click

from ..depth import ReadingSheet, read_readings
from ..drawing import Drawing
from ..errors import InputError
from ..inspection import (
    Inspection,
    changed_tables,
    in_order_of_work,
    inspection_folders,
    load_inspection,
    must_be_one_face,
)
from ..stock import StockPlan, read_limits
from ..units import UnitSystem
from .options import NumberRange, StockType, with_error

__all__ = ["open_face", "plan_options", "plan_surveys", "with_sheet"]

_OPTIONS = (
    click.option(
        "--readings", type=click.Path(path_type=Path), help="CSV of readings for any of the stages."
    ),
    click.option(
        "--face",
        default=None,
        help="Take the rows of this face from the readings; else those of the surveys' own face.",
    ),
    click.option(
        "--keep-good", is_flag=True, help="Keep the good rows of the readings even if some are bad."
    ),
    click.option(
        "--limits", type=click.Path(path_type=Path), help="Limit sheet (TOML); without one nothing is judged."
    ),
    click.option(
        "--housing-dip", type=StockType(), help="Dip of the rotor housing along the land, for the joint gap."
    ),
    click.option(
        "--housing-dip-within",
        type=StockType(),
        help="How far --housing-dip may be off, either way.  [default: 5 um]",
    ),
    click.option(
        "--confidence",
        type=NumberRange(0.5, 0.999),
        default=0.90,
        show_default=True,
        help="The chance that the advised stock is to be enough with: 0.9 is nine faces of ten.",
    ),
)


def plan_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """The options that :func:`plan_surveys` takes."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def open_face(folders: Sequence[Path]) -> list[Inspection]:
    """Inspections from their folders, or from a folder that holds several, in the order of work."""
    surveys: list[Path] = []
    for folder in folders:
        inside = inspection_folders(folder)
        surveys += [folder] if (folder / "inspection.json").exists() or not inside else inside
    places = [f.resolve() for f in surveys]
    for k, place in enumerate(places):
        if place in places[:k]:
            raise InputError(f"{surveys[k]}: this survey is given twice; name each folder once")
    inspections = [load_inspection(f) for f in surveys]
    for folder in surveys:
        for name in changed_tables(folder):
            instead = "; give readings in a sheet with --readings" if name == "readings.csv" else ""
            click.echo(
                f"{folder / name}: was changed after it was written, and is not read: what counts stands in "
                f"inspection.json{instead}",
                err=True,
            )
    return in_order_of_work(inspections)


def plan_surveys(
    inspections: list[Inspection],
    units: str,
    *,
    drawing: Drawing | None,
    readings: Path | None,
    face: str | None,
    keep_good: bool,
    limits: Path | None,
    housing_dip: float | None,
    housing_dip_within: float | None,
    confidence: float,
) -> tuple[list[Inspection], StockPlan]:
    """The surveys of one face with their readings, and the plan that follows from them, on their drawing if it is given."""
    from ..workflow import plan_face

    # asked first: a sheet of readings would ask whose rows to take, of faces that are refused together whatever is said
    must_be_one_face(inspections, "plan")
    if readings is not None:
        inspections = with_sheet(inspections, readings, face, keep_good)
    elif face is not None or keep_good:
        option = "--keep-good" if face is None else f"--face {face!r}"
        raise InputError(
            f"{option}: says which rows of a sheet of readings to take, and none is given; name it with --readings, or "
            "leave this out"
        )
    sheet = read_limits(limits) if limits else None
    if sheet is not None and not sheet.entries:
        click.echo(
            f"{limits}: holds no limit, so nothing is judged; type them in from the manual, with the page",
            err=True,
        )
    dip = with_error(housing_dip, housing_dip_within, "--housing-dip")
    plan = plan_face(
        inspections,
        sheet,
        drawing=drawing,
        confidence=confidence,
        housing_dip_um=dip,
        system=cast(UnitSystem, units),
    )
    return inspections, plan


def with_sheet(
    inspections: Sequence[Inspection], path: Path, face: str | None = None, keep_good: bool = False
) -> list[Inspection]:
    """The inspections with the readings of a CSV; says how many are used, and which rows were left out."""
    from ..workflow import with_readings

    sheet = read_readings(path, keep_good=keep_good)
    first = inspections[0]
    face = _face_in(sheet, face, first.face, is_named=first.face != first.drawing_name)
    grids = {i.stage.name: i.picture_grid for i in inspections}
    maps = {i.stage.name: i.class_map for i in inspections}
    used = sheet.on_surveys(grids, face, keep_good=keep_good, maps=maps)
    for problem in used.problems:
        click.echo(f"left out: {problem}", err=True)
    click.echo(f"readings used: {len(used)} of {len(sheet) + len(sheet.problems)}")
    return [with_readings(i, used.of(i.stage.name)) for i in inspections]


def _face_in(sheet: ReadingSheet, asked: str | None, surveyed: str, *, is_named: bool) -> str | None:
    """Whose rows to take: the face asked for, else the surveyed one; None takes all, of the only face that is named.

    `is_named`: the surveys bear a name that the shop gave, not that of their drawing.
    """
    named = sorted({face for face in sheet.faces if face})
    if not named:
        return None
    if asked is None and len(named) == 1:
        if is_named and named[0] != surveyed:
            click.echo(
                f"the readings are of face {named[0]!r}, the surveys of {surveyed!r}: taken for one and the same; if they"
                " are not, give the sheet of this face",
                err=True,
            )
        return None
    face = surveyed if asked is None else asked
    if face not in named:
        wanted = "the surveys are of" if asked is None else "--face asks for"
        raise InputError(
            f"--readings: the readings name the faces {', '.join(named)}, and {wanted} {face!r}; choose with --face "
            f"whose to take, as it stands in their column face: --face {named[0]!r}"
        )
    return face
