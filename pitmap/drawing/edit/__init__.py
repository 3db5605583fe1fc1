"""Editing a drawing: every change returns a new drawing and a sentence; steps can be taken back and laid on again."""

from .blank import blank_plate
from .contours import EDGE_WORDS, add_corner, contour_of, move_corner, remove_corner, remove_edge, set_edge
from .history import OPERATIONS, History, Replay, Step, apply_step
from .hit import Hit, hit
from .judge_fit import judge_fit
from .openings import (
    EDGES,
    add_hole,
    add_opening,
    free_name,
    move_opening,
    opening_named,
    remove_opening,
    rename_opening,
    set_diameter,
    set_kind,
)
from .remake import Edited, adopted, band_rule
from .shapes import Circle, circle_of, closed_curve, corners_of, moved_stretch
from .zones import (
    land_width,
    remove_band,
    rename_band,
    set_band,
    set_land,
    set_plate,
    set_purpose,
    set_trace,
    trace_numbers,
)

__all__ = [
    "EDGES",
    "EDGE_WORDS",
    "OPERATIONS",
    "Circle",
    "Edited",
    "History",
    "Hit",
    "Replay",
    "Step",
    "add_corner",
    "add_hole",
    "add_opening",
    "adopted",
    "apply_step",
    "band_rule",
    "blank_plate",
    "circle_of",
    "closed_curve",
    "contour_of",
    "corners_of",
    "free_name",
    "hit",
    "judge_fit",
    "land_width",
    "move_corner",
    "move_opening",
    "moved_stretch",
    "opening_named",
    "remove_band",
    "remove_corner",
    "remove_edge",
    "remove_opening",
    "rename_band",
    "rename_opening",
    "set_band",
    "set_diameter",
    "set_edge",
    "set_kind",
    "set_land",
    "set_plate",
    "set_purpose",
    "set_trace",
    "trace_numbers",
]
