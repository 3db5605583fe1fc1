"""Short tables on screen."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Literal, cast

import click
import pandas as pd

from ..estimate import Estimate
from ..flags import flag_words
from ..inspection import Inspection, notes_in
from ..measure import marks_counted
from ..stock import CAUTION
from ..units import UnitSystem, format_confidence, format_estimate, format_length, format_part, format_place

__all__ = ["print_caution", "print_cautions_of_work", "print_inspection", "print_table"]

_MOST_SCORES = 3
_SHOWN = ("affected", "pit", "stain", "tint", "uncut")


def print_caution() -> None:
    """The usual caution, under whatever was printed."""
    click.echo("\n" + textwrap.fill(CAUTION, 100))


def print_cautions_of_work() -> None:
    """Every caution of the trade, under what speaks of lapping, polishing and cleaning."""
    from ..report.closing import CAUTIONS

    click.echo("\n" + textwrap.fill(" ".join(CAUTIONS), 100, break_on_hyphens=False))


def print_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Left-aligned first column, right-aligned others; nothing for no rows."""
    widths = [max(len(r[k]) for r in [heads, *rows]) for k in range(len(heads))]
    for row in [heads, *rows]:
        cells = [c.ljust(w) if k == 0 else c.rjust(w) for k, (c, w) in enumerate(zip(row, widths))]
        click.echo("  " + "  ".join(cells).rstrip())


def _share(row: pd.Series) -> str:
    if pd.isna(row.share):
        # Nothing seen at all, or a class that cannot be told: at intake nothing is cut yet.
        return "not seen" if row.unseen_share >= 1 else "-"
    estimate = Estimate(value=row.share, low=row.share_low, high=row.share_high)
    return format_estimate(estimate, "share").replace(" to ", "-")


def print_inspection(inspection: Inspection, units: str = "mm") -> None:
    """Alignment, zones, narrowest sound metal and what was not seen, in a dozen lines."""
    from ..report import translator
    from ..report.words import stage_word

    system = cast(UnitSystem, units)
    stage = stage_word(translator(), inspection.stage)
    click.echo(f"\n{inspection.face}, {stage}: {', '.join(p.name for p in inspection.photos)}")
    click.echo(f"  alignment residual {format_estimate(inspection.alignment.residual_mm, 'length', system)}")
    for sentence in (*inspection.findings, *notes_in(inspection, system)):
        click.echo(f"  {sentence}")
    level = format_confidence(inspection.measurement.sound_width_mm.level)
    click.echo(f"\n  share of each zone that was seen, with its {level} interval:")
    rows = []
    for zone, table in inspection.zones.groupby("zone", sort=False):
        by_word = table.set_index("class_word")
        n_pits = marks_counted(by_word).get("pit", 0)
        rows.append(
            [
                str(zone).replace("_", " "),
                *[_share(by_word.loc[w]) if w in by_word.index else "-" for w in _SHOWN],  # type: ignore[arg-type]
                format_part(by_word.unseen_share.iloc[0]),
                "not seen" if pd.isna(n_pits) else str(n_pits),
            ]
        )
    print_table(["zone", *_SHOWN, "unseen", "pits"], rows)
    _print_scores(inspection, system)
    _print_lands(inspection, system)
    print_caution()


def _print_scores(inspection: Inspection, system: Literal["mm", "inch"]) -> None:
    scores = inspection.marks[inspection.marks.class_word == "score"].nlargest(_MOST_SCORES, "length_mm")
    if scores.empty:
        return
    click.echo("\n  longest scores (no interval: their ends fade out; shallow ones do not show on a photo):")
    rows = [
        [
            str(int(row.mark_id)),
            format_length(row.length_mm, system),
            str(row.zone).replace("_", " "),
            format_place(row.x_mm, row.y_mm, system),
        ]
        for _, row in scores.iterrows()
    ]
    print_table(["mark", "length", "zone", "at"], rows)


def _print_lands(inspection: Inspection, system: Literal["mm", "inch"]) -> None:
    from ..report.text import translator
    from ..report.words import estimate_of, unseen_scores_words

    width = inspection.measurement.sound_width_mm
    click.echo(f"\n  narrowest sound metal across the seal land: {format_estimate(width, 'length', system)}")
    if inspection.lands.empty:
        return
    rows = []
    for _, row in inspection.lands.iterrows():
        sound = estimate_of(row.sound_width_mm, row.sound_width_low_mm, row.sound_width_high_mm)
        rows.append(
            [
                str(int(row.place)),
                format_estimate(sound, "length", system),
                format_length(row.nominal_width_mm, system),
                format_place(row.x_mm, row.y_mm, system),
                "leak path" if row.is_leak_path else flag_words(int(row["flags"])) or "-",
            ]
        )
    print_table(["place", "sound", "drawn", "at", "note"], rows)
    click.echo(f"  {unseen_scores_words(translator(), inspection.photo_px_per_mm, system)}")
