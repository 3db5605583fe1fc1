"""``pitmap plan``: from the surveys of one face to a stock plan."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import cast

import click
import pandas as pd

from ..inspection import Inspection, load_inspection, plain_values
from ..stock import LimitSheet, StockPlan, read_limits
from ..units import UnitSystem, format_depth, format_estimate
from .options import units_option
from .tables import CAUTION, print_table

__all__ = ["command", "open_face", "print_plan", "write_plan"]

_AIM = {"pits": "last pit gone", "sound_width": "sound width", "uncut": "cut all over"}


def open_face(folders: Sequence[Path]) -> list[Inspection]:
    """Inspections from their folders, or from a folder that holds several."""
    found: list[Inspection] = []
    for folder in folders:
        inside = [p.parent for p in sorted(folder.glob("*/inspection.json"))] if folder.is_dir() else []
        found += [
            load_inspection(f)
            for f in ([folder] if (folder / "inspection.json").exists() or not inside else inside)
        ]
    return sorted(found, key=lambda i: i.stage.order)


@click.command(name="plan")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--readings", type=click.Path(path_type=Path), help="CSV of readings for any of the stages.")
@click.option("--face", default=None, help="Take the rows of this face from the readings.")
@click.option("--keep-good", is_flag=True, help="Keep the good rows of the readings even if some are bad.")
@click.option(
    "--limits", type=click.Path(path_type=Path), help="Limit sheet (TOML); without one nothing is judged."
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
    confidence: float,
    out: Path | None,
    units: str,
) -> None:
    """How much must come off, what that uses up, and whether to do it at all.

    FOLDERS are inspection folders of one face that `pitmap map` wrote, or one folder that holds them.
    """
    from ..depth import read_readings
    from ..workflow import with_readings

    inspections = open_face(folders)
    if readings is not None:
        sheet = read_readings(readings, keep_good=keep_good)
        for problem in sheet.problems:
            click.echo(f"left out: {problem}", err=True)
        inspections = [with_readings(i, sheet.of(i.stage.name, face)) for i in inspections]
    plan = write_plan(inspections, read_limits(limits) if limits else None, out, units, confidence)
    print_plan(plan, units)
    if out is not None:
        click.echo(f"\nwritten to {out}")


def write_plan(
    inspections: Sequence[Inspection],
    limits: LimitSheet | None,
    out: Path | None,
    units: str,
    confidence: float = 0.90,
) -> StockPlan:
    """Plan, and write it where `out` says."""
    from ..workflow import plan_face

    plan = plan_face(inspections, limits, confidence=confidence, system=cast(UnitSystem, units))
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
            [_step(r, system) for _, r in plan.steps.iterrows()],
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
    click.echo(f"\n{CAUTION}")


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
