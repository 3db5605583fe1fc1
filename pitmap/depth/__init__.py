"""How deep? Readings and lap bounds, the pit-depth model, extremes, flatness and heights."""

from .attach import attach_readings
from .bounds import PITS, LapBounds, PixelBounds, lap_bounds, pixel_bounds
from .crosscheck import CROSS_CHECKS, cross_checks
from .extremes import GumbelFit, ParetoFit, fit_gumbel, fit_pareto, plotting_positions, return_level
from .flatness import Flatness
from .heights import HeightData, LowSpotMap, height_data, low_spot_map
from .next_readings import NEXT_READINGS, next_readings
from .pit_model import DEPTHS, PARAMETERS, PRIOR, DepthModel, fit_depths
from .places import off_the_metal
from .readings import (
    CSV_COLUMNS,
    DEFAULT_UNCERTAINTY_UM,
    READING_KINDS,
    READINGS,
    ReadingSheet,
    read_readings,
    readings_from_csv_text,
    readings_from_rows,
)
from .removed import RemovedStock, removed_from_thickness
from .series import (
    fit_series,
    more_entered_than_lost,
    readings_under_first_face,
    with_measured_stock,
    with_readings,
)
from .straightedge import EdgeGap, edge_gap, feeler_gap
from .survey import FaceSurvey
from .turnbull import Turnbull, wilson_share
from .union_jack import UnionJack
from .zones import in_zone, zones_of

__all__ = [
    "CROSS_CHECKS",
    "CSV_COLUMNS",
    "DEFAULT_UNCERTAINTY_UM",
    "DEPTHS",
    "NEXT_READINGS",
    "PARAMETERS",
    "PITS",
    "PRIOR",
    "READINGS",
    "READING_KINDS",
    "DepthModel",
    "EdgeGap",
    "FaceSurvey",
    "Flatness",
    "GumbelFit",
    "HeightData",
    "LapBounds",
    "LowSpotMap",
    "ParetoFit",
    "PixelBounds",
    "ReadingSheet",
    "RemovedStock",
    "Turnbull",
    "UnionJack",
    "attach_readings",
    "cross_checks",
    "edge_gap",
    "feeler_gap",
    "fit_depths",
    "fit_gumbel",
    "fit_pareto",
    "fit_series",
    "height_data",
    "in_zone",
    "lap_bounds",
    "low_spot_map",
    "more_entered_than_lost",
    "next_readings",
    "off_the_metal",
    "pixel_bounds",
    "plotting_positions",
    "read_readings",
    "readings_from_csv_text",
    "readings_from_rows",
    "readings_under_first_face",
    "removed_from_thickness",
    "return_level",
    "wilson_share",
    "with_measured_stock",
    "with_readings",
    "zones_of",
]
