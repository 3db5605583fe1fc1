"""``pitmap map``: photos of one face in, a map and tables out."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path
from typing import cast

import click

from ..classes import Stage
from ..drawing import Drawing
from ..settings import Settings
from ..units import UnitSystem
from .options import (
    NAME,
    OUT_FOLDER,
    SOUND_DRAWING,
    STAGE,
    SURVEY_DATE,
    NumberRange,
    StockType,
    units_option,
    with_error,
)
from .progress import step_bar
from .tables import print_inspection

__all__ = ["command"]


@click.command(name="map")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--drawing",
    required=True,
    type=SOUND_DRAWING,
    help="SVG, TOML, DXF or JSON of the plate, or the name of a shipped one.",
)
@click.option(
    "--stage",
    type=STAGE,
    default="intake",
    show_default=True,
    help="intake, test_lap, lap_1, lap_2 ... final.",
)
@click.option("--face", type=NAME, default="", help="What the shop calls this face.")
@click.option("--date", "surveyed_on", type=SURVEY_DATE, help="Day of the survey; else the photo's own.")
@click.option(
    "--removed",
    type=StockType(),
    help="Stock taken off in all, from the intake to this survey, with its unit: '22 um', '1 thou'.",
)
@click.option(
    "--removed-within",
    type=StockType(),
    help="How far --removed may be off, either way.  [default: 5 um]",
)
@click.option(
    "--landmarks",
    type=click.Path(path_type=Path),
    help="CSV of four or more places picked on the first photo: x_mm, y_mm, x_px, y_px.",
)
@click.option(
    "--method",
    type=click.Choice(["auto", "learned", "classic"]),
    default="auto",
    show_default=True,
    help="How metal is read: the trained network, the classical method (darkness and colour alone), or auto: the network "
    "where its file is there.",
)
@click.option(
    "--scale",
    type=NumberRange(2, 20),
    default=10.0,
    show_default=True,
    help="Scale of the map, pixels per mm.",
)
@click.option(
    "--out",
    type=OUT_FOLDER,
    help="Folder to write; else <photo>_pitmap beside the first photo.",
)
@click.option(
    "--overwrite",
    is_flag=True,
    help="Replace a survey of another face, stage or day, or one with readings, in the folder.",
)
@units_option
def command(
    photos: tuple[Path, ...],
    drawing: Drawing,
    stage: Stage,
    face: str,
    surveyed_on: date | None,
    removed: float | None,
    removed_within: float | None,
    landmarks: Path | None,
    method: str,
    scale: float,
    out: Path | None,
    overwrite: bool,
    units: str,
) -> None:
    """Turn photos of one face into a map in millimetres and figures per working zone.

    Several photos are taken as one face at one stage, the lamp or the phone moved between them. Each is read
    by itself and what they say together counts; less is lost to glare. What a photo does not show is reported
    as unseen and never counted as sound.
    """
    from ..inspection import must_be_same_survey, must_take_inspection
    from ..pipeline import map_face
    from ..registration import read_landmarks
    from .write import write_map

    folder = out or OUT_FOLDER.convert(photos[0].parent / f"{photos[0].stem}_pitmap", None, None)
    must_take_inspection(folder, photos)
    if not overwrite:
        # whose photos they are matters where a day is given that may be another one
        hashes = {hashlib.sha256(p.read_bytes()).hexdigest() for p in photos if surveyed_on and p.is_file()}
        must_be_same_survey(folder, face or drawing.name, stage, surveyed_on, hashes)
    with step_bar(len(photos)) as progress:
        inspection = map_face(
            photos,
            drawing,
            stage=stage,
            face=face,
            surveyed_on=surveyed_on,
            removed_um=with_error(removed, removed_within, "--removed"),
            landmarks=read_landmarks(landmarks) if landmarks else None,
            settings=Settings(method=method, map_px_per_mm=scale),
            progress=progress,
            system=cast(UnitSystem, units),
        )
    if not overwrite:
        # only now the photo's own day is known, and another map may have been written there meanwhile
        hashes = {photo.sha256 for photo in inspection.photos}
        must_be_same_survey(folder, inspection.face, stage, inspection.surveyed_on, hashes)
    write_map(inspection, drawing, folder, units)
    print_inspection(inspection, units)
    click.echo(f"\nwritten to {folder}")
