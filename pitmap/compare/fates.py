"""What may become of a mark between two surveys, and the tables that say so."""

from __future__ import annotations

from enum import IntEnum, StrEnum

from ..tables import Column, Schema

__all__ = ["FATES", "SERIES", "SURVEYS", "TRACKS", "ZONE_CHANGES", "ChangeCode", "Fate"]


class Fate(StrEnum):
    """What became of one mark between two surveys of the same face."""

    GONE = "gone"
    """The place was seen and is sound metal: no hole is left as wide as `Rules.gone_below_mm` or as the photo can show."""
    SMALLER = "smaller"
    """Still there, and smaller by more than two photos of the same mark differ."""
    SAME = "same"
    """Still there, and no change that the photos can prove."""
    LARGER = "larger"
    """Still there, and larger by more than two photos of the same mark differ."""
    NEW = "new"
    """Not there before, and no metal was cut in between: it came since the last survey."""
    OPENED_UP = "opened_up"
    """Not seen before, but metal was cut in between: it was under scale or under the surface."""
    CANNOT_TELL = "cannot_tell"
    """One of the two pictures does not show the place, or the evidence is too weak; `why` says which."""


class ChangeCode(IntEnum):
    """Codes of the change raster (8 bit, plate frame)."""

    OUTSIDE = 0
    UNTOUCHED = 1
    """No damage in either survey."""
    STAYED = 2
    """Damage in both."""
    CLEARED = 3
    """Damage before, sound after."""
    CAME = 4
    """Sound before, damage after."""
    UNSEEN = 255
    """One of the two surveys does not show it: metal that is not seen and, at intake, metal that the lap will not reach."""


FATES = Schema(
    "fates",
    (
        Column(
            "fate_id", "int64", "from 1; marks of the earlier survey first, then those only in the later one"
        ),
        Column("group_id", "int64", "marks that touch each other across the two surveys share one"),
        Column("kind", "object", "one, split, merge, many, only_before or only_after"),
        Column("class_code", "int64", "SurfaceClass"),
        Column("class_word", "object", "class in words"),
        Column("zone", "object", "zone of the drawing, empty outside every zone"),
        Column("x_mm", "float64", "centroid in the earlier survey where it was there, else in the later one"),
        Column("y_mm", "float64", "the same, y"),
        Column("mark_before", "int64", "mark_id in the earlier survey, -1 for none"),
        Column("marks_after", "object", "mark_ids in the later survey, joined by spaces"),
        Column(
            "area_before_mm2",
            "float64",
            "area of the whole group in the earlier survey; NaN where it does not show it",
        ),
        Column(
            "area_after_mm2",
            "float64",
            "area of the whole group in the later survey; NaN where it does not show it",
        ),
        Column("change_mm2", "float64", "after less before, for the group; NaN where one of them is"),
        Column("change_low_mm2", "float64", "lower end of its interval"),
        Column("change_high_mm2", "float64", "upper end"),
        Column("eq_diam_mm", "float64", "of this mark, in the survey that its place is taken from"),
        Column("perimeter_mm", "float64", "of the whole group, mean of the surveys that show it"),
        Column("seen_before", "float64", "share of its place that the earlier survey shows, 0..1"),
        Column("seen_after", "float64", "share of its place that the later survey shows, 0..1"),
        Column("fate", "object", "one of Fate"),
        Column("why", "object", "the reason in words"),
        Column("flags", "int64", "bits of pitmap.flags.Flag"),
    ),
)

ZONE_CHANGES = Schema(
    "zone_changes",
    (
        Column("zone", "object", "zone of the drawing"),
        Column("class_code", "int64", "SurfaceClass, -1 for affected"),
        Column("class_word", "object", "class in words"),
        Column("zone_area_mm2", "float64", "metal of the zone by the drawing"),
        Column("seen_area_mm2", "float64", "of it, seen in both surveys"),
        Column("share_before", "float64", "share of the seen area, 0..1"),
        Column("share_after", "float64", "share of the seen area, 0..1"),
        Column("change", "float64", "after less before, of the same metal"),
        Column("change_low", "float64", "lower end of the interval"),
        Column("change_high", "float64", "upper end of the interval"),
        Column(
            "least_provable", "float64", "the smallest change that would count as more than repeatability"
        ),
        Column("is_beyond_repeatability", "bool", "True when the change is larger than that"),
        Column("note", "object", "why there is no change, or what it leaves out"),
    ),
)

SURVEYS = Schema(
    "surveys",
    (
        Column("survey", "int64", "from 1 in the order of time"),
        Column("stage", "object", "stage word"),
        Column("surveyed_on", "object", "ISO date"),
        Column("removed_um", "float64", "stock removed before this survey"),
        Column("removed_low_um", "float64", "lower end"),
        Column("removed_high_um", "float64", "upper end"),
    ),
)

SERIES = Schema(
    "series",
    (
        Column("survey", "int64", "as in surveys"),
        Column("zone", "object", "zone of the drawing"),
        Column(
            "quantity",
            "object",
            "affected_share, pit_share, uncut_share, sound_width_mm, n_pits or deepest_um",
        ),
        Column("removed_um", "float64", "stock removed before this survey, NaN unknown"),
        Column("value", "float64", "NaN when it could not be measured"),
        Column("low", "float64", "lower end of the interval, NaN for none"),
        Column("high", "float64", "upper end, infinite for a lower bound only"),
        Column("reason", "object", "why there is no value or no interval"),
    ),
)

TRACKS = Schema(
    "tracks",
    (
        Column("track_id", "int64", "one per pit or uncut spot followed through the surveys"),
        Column("class_code", "int64", "SurfaceClass"),
        Column("zone", "object", "zone of the drawing"),
        Column("x_mm", "float64", "place where it was largest"),
        Column("y_mm", "float64", "the same, y"),
        Column("eq_diam_mm", "float64", "largest equivalent diameter of all surveys"),
        Column("first_survey", "int64", "first survey that shows it"),
        Column("last_survey", "int64", "last survey that shows it"),
        Column("gone_survey", "int64", "first survey at which it is surely gone, -1 for not yet"),
        Column(
            "depth_low_um",
            "float64",
            "deeper than this under the first face, by the least that the stock can be; NaN when unknown",
        ),
        Column(
            "depth_high_um", "float64", "not deeper than this, by the most; infinite while it is still there"
        ),
        Column("mark_ids", "object", "survey:mark_id pairs joined by spaces"),
        Column("flags", "int64", "CONTRADICTION when it came back after it was called gone"),
    ),
)
