"""How deep? Readings and lap bounds, the pit-depth model, extremes, flatness and heights."""

from .attach import attach_readings
from .bounds import PITS, LapBounds, PixelBounds, lap_bounds, pixel_bounds
from .next_readings import NEXT_READINGS, next_readings
from .pit_model import DEPTHS, PARAMETERS, PRIOR, DepthModel, fit_depths
from .readings import (
    CSV_COLUMNS,
    READING_KINDS,
    READINGS,
    ReadingSheet,
    read_readings,
    readings_from_csv_text,
    readings_from_rows,
)
from .removed import RemovedStock, removed_from_thickness
from .series import fit_series, readings_under_first_face
from .survey import FaceSurvey

__all__ = [
    "CSV_COLUMNS",
    "DEPTHS",
    "NEXT_READINGS",
    "PARAMETERS",
    "PITS",
    "PRIOR",
    "READINGS",
    "READING_KINDS",
    "DepthModel",
    "FaceSurvey",
    "LapBounds",
    "PixelBounds",
    "ReadingSheet",
    "RemovedStock",
    "attach_readings",
    "fit_depths",
    "fit_series",
    "lap_bounds",
    "next_readings",
    "pixel_bounds",
    "read_readings",
    "readings_from_csv_text",
    "readings_from_rows",
    "readings_under_first_face",
    "removed_from_thickness",
]
