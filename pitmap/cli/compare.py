"""``pitmap compare``: what changed between surveys of one face."""

from __future__ import annotations

import math
import re
from collections import Counter
from pathlib import Path
from typing import Any, cast

import click

from ..csv_rows import table_csv
from ..drawing import Drawing
from ..errors import InputError
from ..inspection import must_be_on_drawing
from ..units import UnitSystem, format_length
from ..whole_file import write_all_whole
from .options import DRAWING, RESULT_FOLDER, units_option
from .planning import open_face
from .tables import print_table

__all__ = ["command"]

_STAGES = "(?:intake|test_lap|lap_[0-9]{1,2}|final)"
_PAIR = rf"(?:{_STAGES}_to_{_STAGES}|first_to_last)(?:_[0-9]+)?"
_OF_A_PAIR = re.compile(rf"(?:fates|zones)_{_PAIR}\.csv|change_{_PAIR}\.jpg")
"""Files of one pair of surveys, as this command names them."""


@click.command(name="compare")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--drawing", required=True, type=DRAWING, help="Drawing that the surveys were mapped with.")
@click.option(
    "--out",
    type=RESULT_FOLDER,
    help="Folder for the tables as CSV and the change pictures; those of an earlier comparison there are replaced.",
)
@units_option
def command(folders: tuple[Path, ...], drawing: Drawing, out: Path | None, units: str) -> None:
    """The fate of every pit and the change of every zone between two or more surveys of one face."""
    from ..compare import compare
    from ..report import translator
    from ..report.words import fate_name, stage_word

    inspections = open_face(folders)
    if len(inspections) < 2:
        raise InputError(f"compare: {len(inspections)} survey found; give the folders of two or more")
    must_be_on_drawing(inspections, drawing, "compare")
    comparison = compare(inspections, drawing, system=cast(UnitSystem, units))
    for problem in comparison.problems:
        click.echo(f"! {problem}")
    t = translator()
    for pair in _shown(comparison):
        before, after = (stage_word(t, inspections[k - 1].stage) for k in (pair.before, pair.after))
        within = format_length(pair.tolerance_mm, cast(UnitSystem, units))
        click.echo(f"\n{before} to {after}: two sights of one mark within {within}")
        counts = pair.counts("pit")
        print_table(["pits", *(fate_name(t, f) for f in counts)], [["", *map(str, counts.values())]])
        changes = pair.zone_changes.to_dict("records")
        print_table(
            ["zone", "what", "before", "after", "change", "beyond repeatability"], [_row(r) for r in changes]
        )
        for what, note in dict.fromkeys((r["class_word"], r["note"]) for r in changes if r["note"]):
            click.echo(f"  {what}: {note}")
    if out is not None:
        _write(comparison, inspections, out)
        click.echo(f"\nwritten to {out}")


def _shown(comparison: Any) -> tuple[Any, ...]:
    """Each survey with the next and, of three and more, the first with the last."""
    return comparison.pairs + ((comparison.overall,) if len(comparison.pairs) > 1 else ())


def _row(change: dict[str, Any]) -> list[str]:
    from ..compare import proof_of_change

    is_known = not math.isnan(change["change"])
    proof = proof_of_change(change["is_beyond_repeatability"], change["change_low"], change["change_high"])
    shares = [
        "cannot be told" if math.isnan(change[name]) else f"{100 * change[name]:.2f} %"
        for name in ("share_before", "share_after")
    ]
    moved = f"{100 * change['change']:+.2f} % ({100 * change['change_low']:+.2f} to {100 * change['change_high']:+.2f})"
    return [
        str(change["zone"]).replace("_", " "),
        str(change["class_word"]),
        *shares,
        moved if is_known else "cannot be told",
        {"yes": "yes", "amount uncertain": "yes, amount uncertain", "no": "no"}[proof] if is_known else "-",
    ]


def _write(comparison, inspections, out: Path) -> None:  # type: ignore[no-untyped-def]
    from ..report.page_compare import change_with_key
    from .write import jpeg_of

    out.mkdir(parents=True, exist_ok=True)
    met: Counter[str] = Counter()
    files: dict[Path, str | bytes] = {}
    for pair in _shown(comparison):
        before, after = inspections[pair.before - 1], inspections[pair.after - 1]
        stem = f"{before.stage}_to_{after.stage}"
        if pair is comparison.overall and len(comparison.pairs) > 1:
            stem = "first_to_last"
        met[stem] += 1
        if met[stem] > 1:  # a plate that came back goes through the same stages again
            stem = f"{stem}_{met[stem]}"
        files[out / f"fates_{stem}.csv"] = table_csv(pair.fates)
        files[out / f"zones_{stem}.csv"] = table_csv(pair.zone_changes)
        picture = f"change_{stem}.jpg"
        files[out / picture] = jpeg_of(change_with_key(pair, before, after), picture)
    files[out / "series.csv"] = table_csv(comparison.series)
    files[out / "tracks.csv"] = table_csv(comparison.tracks)
    write_all_whole(files)
    # of an earlier comparison of other surveys: left here they would pass for pairs of this one
    for old in sorted(out.iterdir()):
        if old not in files and _OF_A_PAIR.fullmatch(old.name) and old.is_file():
            old.unlink()
