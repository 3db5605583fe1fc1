"""``pitmap plan``: from the surveys of one face to a stock plan."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import cast

import click
import pandas as pd

from ..depth import ReadingSheet, read_readings
from ..errors import InputError
from ..estimate import Estimate
from ..inspection import Inspection, in_order_of_work, load_inspection, plain_values
from ..stock import LapStep, LimitSheet, StockPlan, lap_rate, minutes_to_go, read_limits
from ..units import UnitSystem, format_depth, format_estimate, parse_length
from .options import StockType, units_option
from .tables import print_caution, print_table

__all__ = ["command", "open_face", "print_plan", "with_sheet", "write_plan"]

_MOST_STEPS = 6
"""Rows per zone on screen; the file has them all."""

_AIM = {"pits": "last pit gone", "sound_width": "sound width", "uncut": "cut all over"}


def open_face(folders: Sequence[Path]) -> list[Inspection]:
    """Inspections from their folders, or from a folder that holds several, in the order of work."""
    found: list[Inspection] = []
    for folder in folders:
        inside = [p.parent for p in sorted(folder.glob("*/inspection.json"))] if folder.is_dir() else []
        found += [
            load_inspection(f)
            for f in ([folder] if (folder / "inspection.json").exists() or not inside else inside)
        ]
    return in_order_of_work(found)


@click.command(name="plan")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--readings", type=click.Path(path_type=Path), help="CSV of readings for any of the stages.")
@click.option(
    "--face",
    default=None,
    help="Take the rows of this face from the readings; else those of the surveys' own face.",
)
@click.option("--keep-good", is_flag=True, help="Keep the good rows of the readings even if some are bad.")
@click.option(
    "--limits", type=click.Path(path_type=Path), help="Limit sheet (TOML); without one nothing is judged."
)
@click.option(
    "--housing-dip", type=StockType(), help="Dip of the rotor housing along the land, for the joint gap."
)
@click.option(
    "--housing-dip-within",
    type=StockType(),
    default="5 um",
    show_default=True,
    help="How far that may be off, either way.",
)
@click.option(
    "--pass",
    "passes",
    multiple=True,
    metavar="'22 um in 6 min'",
    help="An earlier pass on the table, for the time to go.",
)
@click.option("--confidence", type=click.FloatRange(0.5, 0.999), default=0.90, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), help="Folder for plan.json and the tables as CSV.")
@units_option
def command(
    folders: tuple[Path, ...],
    readings: Path | None,
    face: str | None,
    keep_good: bool,
    limits: Path | None,
    housing_dip: float | None,
    housing_dip_within: float,
    passes: tuple[str, ...],
    confidence: float,
    out: Path | None,
    units: str,
) -> None:
    """How much must come off, what that uses up, and whether to do it at all.

    FOLDERS are inspection folders of one face that `pitmap map` wrote, or one folder that holds them.
    """
    inspections = open_face(folders)
    if readings is not None:
        inspections = with_sheet(inspections, readings, face, keep_good)
    dip = None
    if housing_dip is not None:
        low, high = max(0.0, housing_dip - housing_dip_within), housing_dip + housing_dip_within
        dip = Estimate(value=housing_dip, low=low, high=high)
    steps = [_pass(text) for text in passes]
    plan = write_plan(inspections, read_limits(limits) if limits else None, out, units, confidence, dip)
    print_plan(plan, units)
    _print_time(plan, steps)
    if out is not None:
        click.echo(f"\nwritten to {out}")


def with_sheet(
    inspections: Sequence[Inspection], path: Path, face: str | None = None, keep_good: bool = False
) -> list[Inspection]:
    """The inspections with the readings of a CSV; says which rows were left out."""
    from ..workflow import with_readings

    sheet = read_readings(path, keep_good=keep_good)
    for problem in sheet.problems:
        click.echo(f"left out: {problem}", err=True)
    face = _face_in(sheet, face, inspections[0].face)
    return [with_readings(i, sheet.of(i.stage.name, face)) for i in inspections]


def _face_in(sheet: ReadingSheet, asked: str | None, surveyed: str) -> str | None:
    """Whose rows to take: the face asked for, else the surveyed one; None takes all, of the only face that is named."""
    named = sorted({face for face in sheet.faces if face})
    if not named or (asked is None and len(named) == 1):
        return None
    face = surveyed if asked is None else asked
    if face not in named:
        raise InputError(
            f"--readings: the readings name the faces {', '.join(named)}, not {face!r}; choose with --face whose to take"
        )
    return face


def _pass(text: str) -> LapStep:
    match = re.fullmatch(r"\s*(.+?)\s+in\s+([0-9.]+)\s*min\w*\s*", text)
    if not match:
        raise InputError(f"--pass {text!r}: expected stock and minutes, such as '22 um in 6 min'")
    # A micrometer pair is good to about 5 um; common practice, no published source.
    return LapStep(minutes=float(match[2]), stock_um=parse_length(match[1], to="um"), stock_sd_um=5.0)


def _print_time(plan: StockPlan, steps: Sequence[LapStep]) -> None:
    if not steps:
        click.echo("\n  minutes on the table: not known; give an earlier pass with --pass '22 um in 6 min'")
        return
    known = [n.stock_um for n in plan.needed if n.stock_um.is_known]
    if not known:
        click.echo("\n  minutes on the table: not known, because the stock is not")
        return
    stock = max(known, key=lambda e: e.value)
    minutes = minutes_to_go(stock, lap_rate(steps))
    click.echo(
        f"\n  minutes on the table: about {minutes.value:.0f} ({minutes.low:.0f} to {minutes.high:.0f}); "
        f"Preston's law, from {len(steps)} earlier pass{'es' * (len(steps) > 1)}"
    )


def write_plan(
    inspections: Sequence[Inspection],
    limits: LimitSheet | None,
    out: Path | None,
    units: str,
    confidence: float = 0.90,
    housing_dip_um: Estimate | None = None,
) -> StockPlan:
    """Plan, and write it where `out` says."""
    from ..workflow import plan_face

    plan = plan_face(
        inspections,
        limits,
        confidence=confidence,
        housing_dip_um=housing_dip_um,
        system=cast(UnitSystem, units),
    )
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        tables = {
            "curves": plan.curves,
            "steps": plan.steps,
            "read_next": plan.read_next,
            "pits": plan.bounds.pits,
        }
        document = {
            "pitmap_plan": 1,
            "needed": [asdict(n) for n in plan.needed],
            "budget": [asdict(b) for b in plan.budget],
            "verdict": asdict(plan.verdict),
            "removed_um": asdict(plan.removed_um),
            "confidence": plan.confidence,
            "level": plan.level,
            "problems": list(plan.problems),
            **{name: table.to_dict("records") for name, table in tables.items()},
        }
        (out / "plan.json").write_text(json.dumps(plain_values(document), indent=1), encoding="utf-8")
        for name, table in tables.items():
            table.to_csv(out / f"{name}.csv", index=False)
    return plan


def print_plan(plan: StockPlan, units: str) -> None:
    """Verdict, stock per zone and aim, what the next steps buy, budgets, rules."""
    system = cast(UnitSystem, units)
    click.echo(f"\n  {plan.verdict.headline}")
    for reason in plan.verdict.reasons:
        click.echo(f"  - {reason}")
    if plan.needed:
        click.echo("\n  further stock:")
        print_table(
            ["zone", "aim", "needed", f"enough at {100 * plan.confidence:.0f} %"],
            [
                [
                    n.zone.replace("_", " "),
                    _AIM.get(n.aim, n.aim),
                    format_estimate(n.stock_um, "depth", system),
                    format_depth(n.recommended_um, system),
                ]
                for n in plan.needed
            ],
        )
    if not plan.steps.empty:
        click.echo("\n  what each further step buys:")
        print_table(
            ["zone", "from", "to", "pits cleared", "pits left", "chance clean", "uses"],
            [
                _step(r, system)
                for _, r in plan.steps.groupby("zone", sort=False).head(_MOST_STEPS).iterrows()
            ],
        )
    click.echo("\n  limits:")
    for finding in plan.verdict.findings:
        click.echo(
            f"  [{finding.status}] {finding.sentence}" + (f" ({finding.source})" if finding.source else "")
        )
    if not plan.read_next.empty:
        marks = ", ".join(str(m) for m in plan.read_next.mark_id)
        click.echo(f"\n  read these pits next, in this order: {marks}")
    for problem in plan.problems:
        click.echo(f"  ! {problem}")
    print_caution()


def _step(row: pd.Series, system: UnitSystem) -> list[str]:
    return [
        str(row.zone).replace("_", " "),
        format_depth(row.from_um, system),
        format_depth(row.to_um, system),
        f"{row.pits_cleared:.1f}",
        f"{row.pits_left:.1f}",
        "not known" if pd.isna(row.p_clean_after) else f"{100 * row.p_clean_after:.0f} %",
        str(row.uses),
    ]
