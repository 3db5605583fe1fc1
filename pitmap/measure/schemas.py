"""The declared columns of every table that measuring gives."""

from __future__ import annotations

from ..tables import Column, Schema

__all__ = ["LANDS", "MARKS", "RATINGS", "ZONES"]

MARKS = Schema(
    "marks",
    (
        Column("mark_id", "int64", "number of the mark, from 1: by zone, then area falling"),
        Column("class_code", "int64", "code of its class in the class raster"),
        Column("class_word", "object", "its class in words"),
        Column("x_mm", "float64", "centroid, plate frame"),
        Column("y_mm", "float64", "centroid, plate frame"),
        Column("area_mm2", "float64", "area"),
        Column("area_low_mm2", "float64", "low end of the interval of the area"),
        Column("area_high_mm2", "float64", "high end; infinite when the mark runs into metal not seen"),
        Column("eq_diam_mm", "float64", "diameter of the disc of the same area"),
        Column("length_mm", "float64", "long side of the smallest rectangle around it"),
        Column("width_mm", "float64", "short side of the smallest rectangle around it"),
        Column("zone", "object", "zone that holds most of it; empty when none does"),
        Column(
            "dist_trace_mm", "float64", "nearest point to the running-side edge of the land; NaN away from it"
        ),
        Column(
            "dist_coolant_mm",
            "float64",
            "nearest point to the coolant-side edge of the land; NaN away from it",
        ),
        Column("confidence", "float64", "mean confidence of the class over the mark, 0 to 1"),
        Column("flags", "int64", "bits of pitmap.flags.Flag"),
    ),
)

ZONES = Schema(
    "zones",
    (
        Column("zone", "object", "name of the zone"),
        Column("class_code", "int64", "code of the class; -1 for affected"),
        Column("class_word", "object", "class in words, or affected"),
        Column("zone_area_mm2", "float64", "area of the zone by the drawing"),
        Column("seen_area_mm2", "float64", "part of it that the photo shows well enough"),
        Column("unseen_share", "float64", "part not seen, 0 to 1 of the zone"),
        Column("area_mm2", "float64", "area of the class in the zone"),
        Column(
            "share",
            "float64",
            "of the seen area, 0 to 1; NaN when nothing was seen or the class cannot be told",
        ),
        Column("share_low", "float64", "low end of the interval of the share"),
        Column("share_high", "float64", "high end of the interval of the share"),
        Column("n_marks", "int64", "marks of the class that reach into the zone"),
        Column(
            "largest_mm2",
            "float64",
            "the most that one of them covers inside the zone; 0 for none, NaN when the class cannot be told",
        ),
        Column("density_per_cm2", "float64", "marks per cm2 of the seen area"),
        Column("flags", "int64", "bits of pitmap.flags.Flag"),
    ),
)

LANDS = Schema(
    "lands",
    (
        Column("place", "int64", "1 is the narrowest"),
        Column("x_mm", "float64", "middle of the crossing, plate frame"),
        Column("y_mm", "float64", "middle of the crossing, plate frame"),
        Column(
            "sound_width_mm",
            "float64",
            "sound metal that the crossing must cut; metal not seen taken as sound",
        ),
        Column(
            "sound_width_low_mm", "float64", "low end: metal not seen taken as damaged, less the edge error"
        ),
        Column(
            "sound_width_high_mm", "float64", "high end: metal not seen taken as sound, plus the edge error"
        ),
        Column(
            "nominal_width_mm", "float64", "width of the land here by the drawing, without the holes in it"
        ),
        Column("is_leak_path", "bool", "no sound metal left across"),
        Column("flags", "int64", "bits of pitmap.flags.Flag"),
    ),
)

RATINGS = Schema(
    "ratings",
    (
        Column("zone", "object", "name of the zone"),
        Column("system", "object", "which published rating"),
        Column("class_word", "object", "what it was applied to"),
        Column("input_value", "float64", "the figure that the rating was read for"),
        Column("input_unit", "object", "unit of that figure"),
        Column("rating", "object", "the rating"),
        Column("rating_low", "object", "rating of the low end of the interval; empty without one"),
        Column("rating_high", "object", "rating of the high end of the interval; empty without one"),
        Column("source", "object", "where the rating is published, and what was chosen in reading it"),
    ),
)
