"""The frozen record of one survey of one face, its folder on disk, and what a series of them must be."""

from .entered_stock import check_dip, check_stock, limit_problems, not_held_problem, thickness_problem
from .files import (
    FILE_VERSION,
    changed_tables,
    inspection_folders,
    kept_confidence,
    load_inspection,
    must_be_same_survey,
    must_take_inspection,
    plain_values,
    save_inspection,
)
from .notes import decided_words, notes_in
from .record import HandEdit, Inspection, PhotoSource
from .series import in_order_of_work, is_of_drawing, must_be_on_drawing, must_be_one_face, order_problems

__all__ = [
    "FILE_VERSION",
    "HandEdit",
    "Inspection",
    "PhotoSource",
    "changed_tables",
    "check_dip",
    "check_stock",
    "decided_words",
    "in_order_of_work",
    "inspection_folders",
    "is_of_drawing",
    "kept_confidence",
    "limit_problems",
    "load_inspection",
    "must_be_on_drawing",
    "must_be_one_face",
    "must_be_same_survey",
    "must_take_inspection",
    "not_held_problem",
    "notes_in",
    "order_problems",
    "plain_values",
    "save_inspection",
    "thickness_problem",
]
