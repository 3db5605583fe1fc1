"""A mapped survey without a photo: pits of literal sizes on the ring plate, kept in a casebook."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
from measure_fakes import PIT, blank, disc, ring_plate

from pitmap.casebook import Casebook, InspectionRef, Survey
from pitmap.classes import Stage
from pitmap.depth import READINGS
from pitmap.drawing import Drawing
from pitmap.estimate import Estimate
from pitmap.inspection import Inspection, save_inspection
from pitmap.measure import MeasureSettings, break_chance, make_frame, measure
from pitmap.registration import Alignment, RunnerUp
from pitmap.registration.regions import REGIONS
from pitmap.registration.view import View
from pitmap.settings import Settings
from pitmap.surface import PROBABILITY_CLASSES, ClassMap
from pitmap.workflow import drawing_of, save_drawing

PX_PER_MM = 10.0


def alignment() -> Alignment:
    """A camera straight over the middle; places are good to 0.1 mm."""
    view = View(
        rotation=np.diag([1.0, -1.0, -1.0]),
        shift_mm=np.array([0.0, 0.0, 400.0]),
        focal_px=4000.0,
        centre_xy=np.array([400.0, 350.0]),
    )
    sd = 0.1 * np.sqrt(2)
    return Alignment(
        view=view,
        covariance=np.zeros((11, 11)),
        size_wh=(800, 700),
        residual_mm=Estimate(value=sd, low=0.8 * sd, high=1.2 * sd),
        regions=REGIONS.empty(),
        seen=1.0,
        met=1.0,
        runner_up=RunnerUp(kind="none", turn_deg=np.nan, met=np.nan, margin=np.nan),
        edge_break_mm=0.3,
        blur_px=1.0,
    )


def inspection_of_pits(
    drawing: Drawing, pits: list[tuple[float, float, float]], *, doubt: float = 0.0
) -> Inspection:
    """The ring plate after the test lap with pits at (x mm, y mm) of a diameter in mm.

    Every sound pixel may be a pit with the chance `doubt`. It was mapped with two photos, the second laid within 0.3 mm,
    and lists two narrow places of the land.
    """
    drawn = blank(drawing, PX_PER_MM)
    for x, y, diameter in pits:
        disc(drawn, x, y, diameter, PIT)
    class_map = ClassMap(
        codes=drawn.codes,
        confidence=drawn.confidence,
        stage=Stage("test_lap"),
        px_per_mm=PX_PER_MM,
        grid=drawn.grid,
    )
    chances = np.zeros((len(PROBABILITY_CLASSES), *drawn.grid.shape), np.float16)
    chances[0], chances[1] = 1 - doubt, doubt
    chances[:, drawn.codes == PIT] = np.eye(len(PROBABILITY_CLASSES))[1][:, None]
    settings = Settings(map_px_per_mm=PX_PER_MM, n_narrowest=2)
    class_map = replace(class_map, break_chance=break_chance(chances, make_frame(drawing, drawn.grid).land))
    measured = measure(
        replace(class_map, probabilities=chances), drawing, camera_scale=PX_PER_MM, alignment_error_mm=0.3,
        settings=MeasureSettings(n_places=2),
    )  # fmt: skip
    return Inspection(
        face="R-1 A",
        stage=Stage("test_lap"),
        surveyed_on=date(2026, 3, 1),
        removed_um=Estimate(value=20.0, low=18.0, high=22.0),
        drawing_name=drawing.name,
        drawing_fingerprint=drawing.fingerprint(),
        drawing_thickness_mm=drawing.thickness_mm,
        photos=(),
        alignment=alignment(),
        alignment_error_mm=0.3,
        class_map=class_map,
        measurement=measured,
        readings=READINGS.empty(),
        picture=np.full((*drawn.grid.shape, 3), 180, np.uint8),
        picture_grid=drawn.grid,
        photo_px_per_mm=PX_PER_MM,
        settings=settings.to_dict(),
    )


def keep_survey(
    book: Casebook, folder: Path, pits: list[tuple[float, float, float]], *, doubt: float = 0.0
) -> tuple[Survey, InspectionRef, Drawing]:
    """One job with one face of the ring plate, surveyed after the test lap and mapped."""
    job = book.create_job("order 1")
    plate = book.create_plate("R-1", job=job)
    face = book.create_face(plate, "A")
    save_drawing(book, plate, face, ring_plate())
    drawing = drawing_of(book, plate, face)  # as an SVG keeps it
    survey = book.create_survey(
        face, job, "test_lap", "2026-03-01", removed_um=Estimate(value=20.0, low=18.0, high=22.0)
    )
    ref = book.add_inspection(survey, save_inspection(inspection_of_pits(drawing, pits, doubt=doubt), folder))
    return survey, ref, drawing
