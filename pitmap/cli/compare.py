"""``pitmap compare``: what changed between surveys of one face."""

from __future__ import annotations

from pathlib import Path

import click

from ..csv_rows import table_csv
from ..drawing import Drawing
from ..errors import InputError
from ..inspection import must_be_on_drawing
from .options import DRAWING, OUT_FOLDER
from .planning import open_face
from .tables import print_table

__all__ = ["command"]


@click.command(name="compare")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--drawing", required=True, type=DRAWING, help="Drawing that the surveys were mapped with.")
@click.option("--out", type=OUT_FOLDER, help="Folder for the tables as CSV and the change picture.")
def command(folders: tuple[Path, ...], drawing: Drawing, out: Path | None) -> None:
    """The fate of every pit and the change of every zone between two or more surveys of one face."""
    from ..compare import compare

    inspections = open_face(folders)
    if len(inspections) < 2:
        raise InputError(f"compare: {len(inspections)} survey found; give the folders of two or more")
    must_be_on_drawing(inspections, drawing.name, "compare")
    comparison = compare(inspections, drawing)
    for problem in comparison.problems:
        click.echo(f"! {problem}")
    for pair in (*comparison.pairs, *([comparison.overall] if len(comparison.pairs) > 1 else [])):
        before, after = inspections[pair.before - 1], inspections[pair.after - 1]
        click.echo(
            f"\n{before.stage} to {after.stage}: two sights of one mark within {pair.tolerance_mm:.2f} mm"
        )
        counts = pair.counts("pit")
        print_table(["pits", *counts], [["", *[str(n) for n in counts.values()]]])
        rows = [
            [
                str(r["zone"]).replace("_", " "),
                str(r["class_word"]),
                f"{100 * r['share_before']:.2f} %",
                f"{100 * r['share_after']:.2f} %",
                f"{100 * r['change_low']:+.2f} to {100 * r['change_high']:+.2f} %",
                "yes" if r["is_beyond_repeatability"] else "no",
            ]
            for r in pair.zone_changes.to_dict("records")
        ]
        print_table(["zone", "what", "before", "after", "change", "beyond repeatability"], rows)
    if out is not None:
        _write(comparison, inspections, out)
        click.echo(f"\nwritten to {out}")


def _write(comparison, inspections, out: Path) -> None:  # type: ignore[no-untyped-def]
    import cv2

    from ..report.page_compare import change_on_photo

    out.mkdir(parents=True, exist_ok=True)
    for pair in comparison.pairs:
        stem = f"{inspections[pair.before - 1].stage}_to_{inspections[pair.after - 1].stage}"
        (out / f"fates_{stem}.csv").write_text(table_csv(pair.fates), encoding="utf-8")
        (out / f"zones_{stem}.csv").write_text(table_csv(pair.zone_changes), encoding="utf-8")
        picture = change_on_photo(pair, inspections[pair.after - 1])
        cv2.imwrite(str(out / f"change_{stem}.jpg"), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))
    (out / "series.csv").write_text(table_csv(comparison.series), encoding="utf-8")
    (out / "tracks.csv").write_text(table_csv(comparison.tracks), encoding="utf-8")
