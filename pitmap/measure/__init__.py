"""How much, how wide, where? From a class map and a drawing to tables in millimetres."""

from .calibrate import MapPair, fit_error_model
from .doubt import break_chance
from .edits import SEEN_METAL, ClassEdit, change_classes, drawn_area, must_change
from .errors_model import ClassErrors, ErrorModel
from .frame import MeasureFrame, make_frame
from .marks import mark_diameter_mm
from .measurement import Measurement, measure
from .ratings import (
    d610_grade,
    g46_density_class,
    g46_depth_class,
    g46_size_class,
    iso4628_rust_grade,
    iso10289_rating,
    pitting_factor,
    radial_projection_mm,
    ratings_table,
    ten_deepest_um,
)
from .schemas import LANDS, MARKS, RATINGS, ZONES
from .settings import MeasureSettings
from .zone_shares import ZoneMeasure, marks_counted

__all__ = [
    "LANDS",
    "MARKS",
    "RATINGS",
    "SEEN_METAL",
    "ZONES",
    "ClassEdit",
    "ClassErrors",
    "ErrorModel",
    "MapPair",
    "MeasureFrame",
    "MeasureSettings",
    "Measurement",
    "ZoneMeasure",
    "break_chance",
    "change_classes",
    "d610_grade",
    "drawn_area",
    "fit_error_model",
    "g46_density_class",
    "g46_depth_class",
    "g46_size_class",
    "iso4628_rust_grade",
    "iso10289_rating",
    "make_frame",
    "mark_diameter_mm",
    "marks_counted",
    "measure",
    "must_change",
    "pitting_factor",
    "radial_projection_mm",
    "ratings_table",
    "ten_deepest_um",
]
