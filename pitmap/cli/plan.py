"""``pitmap plan``: from the surveys of one face to a stock plan."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

import click
import pandas as pd

from ..classes import Stage
from ..csv_rows import table_csv
from ..drawing import Drawing
from ..errors import InputError
from ..estimate import Estimate
from ..inspection import check_stock, must_be_on_drawing, plain_values
from ..stock import LapStep, StockPlan, lap_rate, minutes_to_go
from ..units import UnitSystem, format_confidence, format_depth, format_estimate, format_need, parse_length
from ..whole_file import write_all_whole
from .options import DRAWING, RESULT_FOLDER, units_option
from .planning import open_face, plan_options, plan_surveys
from .tables import print_cautions_of_work, print_table

__all__ = ["command", "print_plan", "write_plan"]

_MOST_STEPS = 6
"""Rows per zone on screen; the file has them all."""


@click.command(name="plan")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--drawing",
    type=DRAWING,
    help="Drawing that the surveys were mapped with: how thick the plate is, of maps that do not keep it.",
)
@plan_options
@click.option(
    "--pass",
    "passes",
    multiple=True,
    metavar="'22 um in 6 min'",
    help="An earlier pass on the table, for the time to go.",
)
@click.option("--out", type=RESULT_FOLDER, help="Folder for plan.json and the tables as CSV.")
@units_option
def command(
    folders: tuple[Path, ...],
    drawing: Drawing | None,
    passes: tuple[str, ...],
    out: Path | None,
    units: str,
    **choices: Any,
) -> None:
    """How much must come off, what that uses up, and whether to do it at all.

    FOLDERS are inspection folders of one face that `pitmap map` wrote, or one folder that holds them.
    """
    steps = [_pass(text) for text in passes]
    inspections = open_face(folders)
    if drawing is not None:
        must_be_on_drawing(inspections, drawing, "plan")
    _, plan = plan_surveys(inspections, units, drawing=drawing, **choices)
    print_plan(plan, units)
    _print_time(plan, steps, cast(UnitSystem, units))
    if out is not None:
        write_plan(plan, out)
        click.echo(f"\nwritten to {out}")


def _pass(text: str) -> LapStep:
    match = re.fullmatch(r"\s*(.+?)\s+in\s+(\d+(?:\.\d*|,\d{1,2})?|\.\d+)\s*min\w*\s*", text)
    minutes = float(match[2].replace(",", ".")) if match else 0.0
    if not match or not minutes > 0:
        raise InputError(
            f"--pass {text!r}: expected stock and minutes, such as '22 um in 6 min' or '1 thou in 6.5 min'"
        )
    stock_um = parse_length(match[1], to="um")
    try:
        check_stock(stock_um)
    except InputError as error:
        raise InputError(f"--pass {text!r}: {error}") from error
    # A micrometer pair is good to about 5 um; common practice, no published source.
    return LapStep(minutes=minutes, stock_um=stock_um, stock_sd_um=5.0)


def _print_time(plan: StockPlan, steps: Sequence[LapStep], system: UnitSystem) -> None:
    if not steps:
        example = "1 thou" if system == "inch" else "22 um"
        click.echo(
            f"\n  minutes on the table: not known; give an earlier pass with --pass '{example} in 6 min'"
        )
        return
    stock = plan.verdict.stock_um
    if not math.isfinite(stock):
        click.echo("\n  minutes on the table: not known, because the stock is not")
        return
    if stock <= 0:
        click.echo("\n  minutes on the table: none, because no stock is advised")
        return
    # the plan settles the stock; what is not known is how quickly it comes off
    minutes = minutes_to_go(Estimate(value=stock, low=stock, high=stock), lap_rate(steps))
    click.echo(
        f"\n  minutes on the table for {format_need(stock, system)}: about {minutes.value:.0f} "
        f"({minutes.low:.0f} to {minutes.high:.0f}); Preston's law, from {len(steps)} earlier "
        f"pass{'es' * (len(steps) > 1)}"
    )


def write_plan(plan: StockPlan, out: Path) -> None:
    """Write a plan into a folder: one JSON, and its tables as CSV."""
    out.mkdir(parents=True, exist_ok=True)
    tables = {
        "curves": plan.curves,
        "steps": plan.steps,
        "read_next": plan.read_next,
        "pits": plan.bounds.pits,
        "cross_checks": plan.cross_checks,
    }
    document = {
        "pitmap_plan": 1,
        "needed": [asdict(n) for n in plan.needed],
        "unseen": list(plan.unseen),
        "budget": [asdict(b) for b in plan.budget],
        "verdict": asdict(plan.verdict),
        "removed_um": asdict(plan.removed_um),
        "confidence": plan.confidence,
        "level": plan.level,
        "problems": list(plan.problems),
        **{name: table.to_dict("records") for name, table in tables.items()},
    }
    files: dict[Path, str | bytes] = {out / f"{name}.csv": table_csv(table) for name, table in tables.items()}
    write_all_whole({**files, out / "plan.json": json.dumps(plain_values(document), indent=1)})


def print_plan(plan: StockPlan, units: str) -> None:
    """Verdict, stock per zone and aim, what the next steps buy, budgets, rules."""
    from ..report import translator
    from ..report.words import aim_word

    t, system = translator(), cast(UnitSystem, units)
    click.echo(f"\n  {plan.verdict.headline}")
    for reason in plan.verdict.reasons:
        click.echo(f"  - {reason}")
    if plan.needed:
        click.echo("\n  further stock:")
        print_table(
            ["zone", "aim", "needed", f"enough at {format_confidence(plan.confidence)}"],
            [
                [
                    n.zone.replace("_", " "),
                    aim_word(t, n.aim),
                    format_estimate(n.stock_um, "depth", system) if n.stock_um.is_known else "not known",
                    format_need(n.recommended_um, system),
                ]
                for n in plan.needed
            ],
        )
        # under the table: a sentence in a column makes every row of it wider than a screen
        for n in plan.needed:
            if not n.stock_um.is_known:
                click.echo(f"  {n.zone.replace('_', ' ')}, {aim_word(t, n.aim)}: {n.stock_um.reason}")
        for sentence in plan.unseen:
            click.echo(f"  {sentence}")
    if not plan.steps.empty:
        click.echo(
            f"\n  what each further step buys, the first {_MOST_STEPS} of each zone (pits as expected numbers; how far the "
            "true number may lie from them is in curves.csv of --out, all steps in steps.csv):"
        )
        print_table(
            ["zone", "from", "to", "pits cleared", "pits left", "chance clean"],
            [
                _step(r, system)
                for _, r in plan.steps.groupby("zone", sort=False).head(_MOST_STEPS).iterrows()
            ],
        )
        if plan.each_step_uses:
            click.echo(f"  each step uses {plan.each_step_uses}")
    click.echo("\n  limits:")
    for finding in plan.verdict.findings:
        # The sentence names the source of every limit that it compares with.
        click.echo(f"  [{finding.status}] {finding.sentence}")
    if not plan.read_next.empty:
        marks = ", ".join(str(m) for m in plan.read_next.mark_id)
        moment = Stage(plan.bounds.stages[-1]).moment
        click.echo(f"\n  read these pits of the map {moment} next, in this order: {marks}")
    for problem in plan.problems:
        click.echo(f"  ! {problem}")
    print_cautions_of_work()


def _step(row: pd.Series, system: UnitSystem) -> list[str]:
    return [
        str(row.zone).replace("_", " "),
        format_depth(row.from_um, system),
        format_depth(row.to_um, system),
        f"{row.pits_cleared:.1f}",
        f"{row.pits_left:.1f}",
        "not known" if pd.isna(row.p_clean_after) else f"{100 * row.p_clean_after:.0f} %",
    ]
