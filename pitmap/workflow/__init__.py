"""From the casebook's records to the stages and back: map a survey, open it with its hand edits, plan a face.

The faces of the program (command line, review page) call this; it calls the stages and holds no formulas.
"""

from .earlier_stock import doubt_of_micrometer
from .kept_files import (
    DRAWING_ROLE,
    HOUSING_ROLE,
    LIMITS_ROLE,
    drawing_of,
    housing_dip_of,
    limit_rows_of,
    limits_of,
    newest_file,
    save_drawing,
    save_housing_dip,
    save_limits,
)
from .kept_readings import (
    HAND_SD_MM,
    keep_readings,
    readings_table,
    rows_of_face,
    tie_readings,
    with_readings,
)
from .left_open import asked_by_plan, left_open
from .outdated import must_be_of_drawing, outdated, photos_outdated
from .planning import PLAN_SEED, all_readings, flatness_of, plan_face, record_of_face
from .surveys import (
    DRAWING_CHANGED,
    UnmappedSurvey,
    inspections_of_face,
    keep_photo,
    map_survey,
    newest_inspection,
    open_inspection,
    photos_of,
    unmapped_of_face,
)

__all__ = [
    "DRAWING_CHANGED",
    "DRAWING_ROLE",
    "HAND_SD_MM",
    "HOUSING_ROLE",
    "LIMITS_ROLE",
    "PLAN_SEED",
    "UnmappedSurvey",
    "all_readings",
    "asked_by_plan",
    "doubt_of_micrometer",
    "drawing_of",
    "flatness_of",
    "housing_dip_of",
    "inspections_of_face",
    "keep_photo",
    "keep_readings",
    "left_open",
    "limit_rows_of",
    "limits_of",
    "map_survey",
    "must_be_of_drawing",
    "newest_file",
    "newest_inspection",
    "open_inspection",
    "outdated",
    "photos_of",
    "photos_outdated",
    "plan_face",
    "readings_table",
    "record_of_face",
    "rows_of_face",
    "save_drawing",
    "save_housing_dip",
    "save_limits",
    "tie_readings",
    "unmapped_of_face",
    "with_readings",
]
