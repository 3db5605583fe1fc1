"""Surveys of an invented face, readings and limits, as the tests of the stock plan take them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd

import pitmap.drawing
from pitmap.depth import FaceSurvey, RemovedStock, readings_from_rows
from pitmap.flags import Flag
from pitmap.stock import (
    Limit,
    LimitSheet,
    plan_stock,
)

PLATES = Path(pitmap.drawing.__file__).parent / "plates"
PIT, STAIN, TINT, UNCUT, SCORE = 2, 3, 4, 5, 6
# (x, y, diameter, depth under the first face, zone)
PITS = [
    (20, 10, 0.6, 12, "seal_land"), (40, 12, 0.8, 18, "seal_land"), (60, 11, 1.0, 26, "seal_land"),
    (80, 10, 1.5, 33, "seal_land"), (100, 9, 2.2, 47, "seal_land"), (30, 60, 0.7, 15, "running_surface"),
    (50, 62, 1.2, 28, "running_surface"), (70, 64, 1.8, 39, "running_surface"), (90, 66, 2.6, 55, "running_surface"),
    (110, 30, 3.0, 90, "rim"),
]  # fmt: skip


def surveyed(stage, removed, *, pits=PITS, others=(), readings=(), share=None, lands=None, sd=1.5):
    there = [p for p in pits if p[3] > removed]
    rows = [
        {
            "class_code": PIT, "x_mm": float(x), "y_mm": float(y), "eq_diam_mm": d, "zone": zone,
            "dist_trace_mm": (y - 6 - d / 2) if zone == "seal_land" else math.nan,
            "dist_coolant_mm": (14 - y - d / 2) if zone == "seal_land" else math.nan,
        }
        for x, y, d, _, zone in there
    ]  # fmt: skip
    rows += [
        {"class_code": c, "x_mm": 5.0, "y_mm": 5.0, "eq_diam_mm": 4.0, "zone": z, "dist_trace_mm": math.nan,
         "dist_coolant_mm": math.nan}
        for c, z in others
    ]  # fmt: skip
    marks = pd.DataFrame(
        [{"mark_id": i, **r} for i, r in enumerate(rows, 1)],
        columns=[
            "mark_id",
            "class_code",
            "x_mm",
            "y_mm",
            "eq_diam_mm",
            "zone",
            "dist_trace_mm",
            "dist_coolant_mm",
        ],
    )
    zones = None
    if share is not None:
        zones = pd.DataFrame(
            {
                "zone": ["seal_land", "running_surface"], "class_word": "uncut", "share": share,
                "share_low": 0.8 * share, "share_high": 1.2 * share, "unseen_share": 0.0,
            }
        )  # fmt: skip
    table = readings_from_rows({"stage": stage, "kind": "pit_depth", **r} for r in readings).table
    return FaceSurvey(
        stage=stage, removed=RemovedStock.of(removed, sd if removed else 0.0), marks=marks, readings=table, zones=zones,
        lands=lands,
    )  # fmt: skip


def needle(*pairs, sd=5):
    return [{"mark": m, "value": v, "unit": "um", "uncertainty": sd} for m, v in pairs]


LANDS = pd.DataFrame(
    {
        "place": [1], "x_mm": [100.0], "y_mm": [9.0], "sound_width_mm": [5.8], "sound_width_low_mm": [5.6],
        "sound_width_high_mm": [6.0], "nominal_width_mm": [8.0], "is_leak_path": [False], "flags": [0],
    }
)  # fmt: skip


def lapped_series(**changes):
    """Intake, 20 um, then readings of every pit that is left (numbers on the map after 20 um)."""
    after = needle((1, 6), (2, 13), (3, 27), (4, 8), (5, 19), (6, 35))
    return [surveyed("intake", 0), surveyed("test_lap", 20, readings=after, lands=LANDS, **changes)]


def plan_of(surveys, limits=None, seed=1, **changes):
    return plan_stock(surveys, limits, rng=np.random.default_rng(seed), **changes)


def limit_sheet(**entries):
    return LimitSheet(entries={k: Limit(value=v, source="own rule") for k, v in entries.items()})


def need_for(plan, zone, aim="pits"):
    return next(n for n in plan.needed if (n.zone, n.aim) == (zone, aim))


def zones_unseen(unseen):
    return pd.DataFrame(
        {
            "zone": ["seal_land", "running_surface"], "class_word": "uncut", "share": 0.0,
            "share_low": 0.0, "share_high": 0.0, "unseen_share": unseen,
        }
    )  # fmt: skip


HIDDEN = LANDS.assign(sound_width_low_mm=0.0, flags=int(Flag.TOUCHES_UNSEEN))
LEAK = LANDS.assign(sound_width_mm=0.0, sound_width_low_mm=0.0, sound_width_high_mm=0.2, is_leak_path=True)


def read_at(x, y, value, **more):
    return {"x_mm": x, "y_mm": y, "value": value, "unit": "um", "uncertainty": 5, **more}


def thickness_spots(stage, thickness):
    return [
        {
            "stage": stage,
            "kind": "thickness",
            "x_mm": x,
            "y_mm": y,
            "value": t,
            "unit": "um",
            "uncertainty": 2,
        }
        for (x, y), t in zip([(0, 0), (150, 0), (0, 80), (150, 80)], thickness)
    ]
