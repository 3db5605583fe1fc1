"""``pitmap study``: a repeatability study of this shop's photos."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import cast

import click
import pandas as pd

from ..classes import Stage
from ..csv_rows import read_rows, table_csv
from ..drawing import Drawing
from ..errors import InputError, MeasurementError, PhotoError, PitmapError
from ..units import UnitSystem
from ..whole_file import write_whole
from .options import OUT_FILE, SOUND_DRAWING, STAGE, units_option
from .tables import print_table

__all__ = ["command"]

_MOST_DIGITS = 6
"""Of the number of a trial: nobody photographs a face a million times, and a number without end cannot be counted with."""

_COLUMNS = ("part", "operator", "trial", "photo")


@click.command(name="study")
@click.argument("list_csv", type=click.Path(path_type=Path))
@click.option("--drawing", required=True, type=SOUND_DRAWING, help="Drawing of the plate in the photos.")
@click.option(
    "--stage", type=STAGE, default="test_lap", show_default=True, help="At which the photos were taken."
)
@click.option(
    "--zone",
    default="seal_land",
    show_default=True,
    type=click.Choice(["seal_land", "running_surface", "rim"]),
    help="Zone that share and pit count are of.",
)
@click.option("--out", type=OUT_FILE, help="CSV of every photo's figures.")
@units_option
def command(list_csv: Path, drawing: Drawing, stage: Stage, zone: str, out: Path | None, units: str) -> None:
    """How small a change this shop's photos can prove: gage R&R of share, pit count and sound width.

    LIST_CSV has the columns part, operator, trial, photo: every face photographed several times by everybody.
    """
    from ..compare import (
        StudyRun,
        study,
        study_deviations,
        study_gaps,
        study_heading,
        study_sentence,
        study_values,
    )
    from ..compare.study import must_be_crossed
    from ..photo import read_photo
    from ..pipeline import map_face

    rows = _rows(list_csv)
    if out is not None and out.resolve() == list_csv.resolve():
        raise InputError(f"{out}: is the list itself, which would be lost; give --out another name")
    must_be_crossed(pd.DataFrame(rows).astype({"trial": int}))
    runs, refused = [], []
    with click.progressbar(rows, label="mapping", show_pos=True) as bar:
        for row in bar:
            try:
                # Named as in the list: the same file name may stand in many folders.
                photo = read_photo(list_csv.parent / row["photo"], name=row["photo"])
                measurement = map_face([photo], drawing, stage=stage).measurement
            except (PhotoError, MeasurementError) as error:
                # the others are tried all the same: who has to take photos anew wants to know of all of them
                refused.append(error)
                continue
            runs.append(
                StudyRun(
                    part=row["part"],
                    operator=row["operator"],
                    trial=int(row["trial"]),
                    measurement=measurement,
                )
            )
    if refused:
        raise _all_of(refused, len(rows))
    values = study_values(runs, zone=zone)
    if out is not None:
        write_whole(out, table_csv(values))
    system = cast(UnitSystem, units)
    for gap in study_gaps(values, system=system):
        click.echo(f"\n{gap}")
    for quantity, result in study(runs, zone=zone).items():
        click.echo(f"\n{study_heading(quantity, system=system)}")
        shares = result.components["share_study"]
        print_table(
            ["component", "standard deviation", "% of study variation"],
            [
                [str(name), f"{sd:.4g}", "-" if math.isnan(shares[name]) else f"{100 * shares[name]:.1f}"]
                for name, sd in study_deviations(quantity, result, system=system).items()
            ],
        )
        click.echo(f"  distinct categories: {result.ndc}")
        click.echo(f"  {study_sentence(quantity, result, system=system)}")


def _all_of(refused: Sequence[PitmapError], n_photos: int) -> PitmapError:
    """One error for all photos that cannot be used, of the kind of the first."""
    if len(refused) == 1:
        return refused[0]
    said = "\n".join(f"  {error}" for error in refused)
    return type(refused[0])(
        f"{len(refused)} of the {n_photos} photos cannot be used; take them anew:\n{said}"
    )


def _rows(path: Path) -> list[Mapping[str, str]]:
    rows: list[Mapping[str, str]] = []
    places: dict[str, str] = {}
    for where, cells in read_rows(path, _COLUMNS):
        # "Ann " and "Ann" are one person
        row: Mapping[str, str] = {name: cells[name].strip() for name in _COLUMNS}
        for name in ("part", "operator"):
            if not row[name]:
                raise InputError(f"{where}, column {name}: is empty; give every face and every person a name")
        if not row["trial"].isdecimal() or len(row["trial"]) > _MOST_DIGITS:
            raise InputError(
                f"{where}, column trial: {row['trial']!r} is not a whole number of up to {_MOST_DIGITS} digits"
            )
        if not (path.parent / row["photo"]).is_file():
            raise InputError(f"{where}, column photo: there is no file {row['photo']!r} beside the list")
        try:
            sha256 = hashlib.sha256((path.parent / row["photo"]).read_bytes()).hexdigest()
        except OSError as error:
            raise InputError(
                f"{where}, column photo: {row['photo']!r} cannot be read ({error.strerror})"
            ) from error
        if sha256 in places:
            raise InputError(
                f"{where}, column photo: {row['photo']!r} is the very picture of {places[sha256]}; a repeat is a photo"
                " taken anew, or the study would promise more than photos can prove"
            )
        places[sha256] = where
        rows.append(row)
    if not rows:
        raise InputError(f"{path}: lists no photo; add a row for each photo under the header")
    return rows
