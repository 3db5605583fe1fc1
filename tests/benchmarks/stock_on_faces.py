"""Is the advised stock enough on lapped faces of the renderer, whose pits grow together and narrow to their floor?

Faces of `pitmap.synthetic` with the damage of its samples, mapped without error at intake and after a test lap, nine needle
readings at each. Their depth grows with the 0.8th power of the width, faster than the plan takes for likely before it has
readings, so this is a hard case; `stock_bench.py` has the usual ones. Prints one line.

    python tests/benchmarks/stock_on_faces.py --faces 60
"""

from __future__ import annotations

import argparse
from typing import NamedTuple

import cv2
import numpy as np
import pandas as pd

from pitmap.classes import SurfaceClass
from pitmap.depth import READINGS, FaceSurvey, RemovedStock, attach_readings
from pitmap.depth.gone import GONE_BELOW_MM
from pitmap.drawing import Drawing, load_shipped, shipped_plates
from pitmap.stock import plan_stock
from pitmap.synthetic import Survey, lap, make_face
from pitmap.synthetic.face import random_damage
from pitmap.synthetic.readings import pit_depths
from pitmap.units import UM_PER_THOU

PX_PER_MM = 6.0
STOCK_SD_UM = 2.0
STEP_UM = 20.0


class Zone(NamedTuple):
    """What the plan said of a zone, and whether it was so."""

    is_given: bool
    is_covered: bool
    is_enough: bool
    is_band_right: bool
    """The band of the pits left after about 20 um more holds their number."""


def _marks(survey: Survey, drawing: Drawing) -> tuple[pd.DataFrame, np.ndarray]:
    """The pits of a survey as an errorless map shows them, and the deepest place of each, um."""
    grid = survey.grid
    pits = (survey.labels == SurfaceClass.PIT).astype(np.uint8)
    _, spots, stats, centres = cv2.connectedComponentsWithStats(pits, connectivity=8)
    diameter_mm = np.sqrt(4 * stats[:, cv2.CC_STAT_AREA] / np.pi) * grid.mm_per_px
    kept = np.flatnonzero(diameter_mm >= GONE_BELOW_MM)[1:]  # the first is what lies round them
    cols, rows = np.round(centres[kept]).astype(int).T
    zone = drawing.zone_raster(grid, by_centre=True)[rows, cols]
    xy = grid.px_to_mm(centres[kept])
    deepest = np.array([survey.depth_um[spots == k].max() for k in kept])
    names = np.array(["rim", *drawing.zone_names], object)
    return (
        pd.DataFrame(
            {
                "mark_id": kept.astype(np.int64), "class_code": int(SurfaceClass.PIT), "x_mm": xy[:, 0], "y_mm": xy[:, 1],
                "eq_diam_mm": diameter_mm[kept], "zone": names[zone],
            }
        ),
        deepest,
    )  # fmt: skip


def _survey(
    lapped: Survey, marks: pd.DataFrame, removed: RemovedStock, rng: np.random.Generator
) -> FaceSurvey:
    per = {"um": 1.0, "thou": UM_PER_THOU}
    rows = (
        {
            "reading_id": i, "kind": "pit_depth", "x_mm": r["x_mm"], "y_mm": r["y_mm"], "mark_id": -1,
            "value_um": r["value"] * per[r["unit"]], "uncertainty_um": r["uncertainty"] * per[r["unit"]],
            "is_lower_bound": r["lower_bound"], "instrument": "", "note": "", "flags": 0,
        }
        for i, r in enumerate(pit_depths(lapped, "A", rng), 1)
    )  # fmt: skip
    readings = attach_readings(READINGS.frame(rows), marks, 0.3)
    return FaceSurvey(stage=str(lapped.stage), removed=removed, marks=marks, readings=readings)


def one_face(seed: int) -> list[Zone]:
    """The zones of one face with pits, planned after its test lap."""
    rng = np.random.default_rng([31, seed])
    plates = shipped_plates()
    drawing = load_shipped(plates[seed % len(plates)])
    face = make_face(drawing, rng, random_damage(rng), PX_PER_MM)
    off_um = rng.uniform(12, 30)
    surveys = []
    for lapped in (lap(face, 0.0), lap(face, off_um)):
        marks, deepest = _marks(lapped, drawing)
        sd = STOCK_SD_UM if surveys else 0.0
        said = max((off_um if surveys else 0.0) + sd * rng.standard_normal(), 0.0)
        surveys.append(_survey(lapped, marks, RemovedStock.of(said, sd), rng))
    plan = plan_stock(surveys, rng=np.random.default_rng(seed))
    out = []
    for need in plan.needed:
        of_zone = deepest[(marks["zone"] == need.zone).to_numpy()]
        if need.aim != "pits" or not len(of_zone):
            continue
        curve = plan.curves[(plan.curves["zone"] == need.zone) & (plan.curves["aim"] == "pits")]
        # the step of the curve nearest to it; there is no curve where no stock is given
        at = curve.iloc[(curve["removal_um"] - STEP_UM).abs().argsort()[:1]].to_dict("records")
        out.append(
            Zone(
                is_given=need.stock_um.is_known,
                is_covered=need.stock_um.covers(float(of_zone.max())),
                is_enough=bool(need.recommended_um >= of_zone.max()),
                is_band_right=any(
                    r["value_low"] <= (of_zone > r["removal_um"]).sum() <= r["value_high"] for r in at
                ),
            )
        )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--faces", type=int, default=60)
    parser.add_argument("--first", type=int, default=0, help="number of the first face")
    args = parser.parse_args()
    zones = [z for seed in range(args.first, args.first + args.faces) for z in one_face(seed)]
    given = [z for z in zones if z.is_given]
    covered, enough, band = (np.mean(x) for x in zip(*(z[1:] for z in given), strict=True))
    print(
        f"{len(zones)} zones with pits, stock given for {len(given)}: interval holds the deepest pit {covered:.1%}, advised"
        f" stock enough {enough:.1%} (aim 90 %), band of pits left after about {STEP_UM:.0f} um more holds them {band:.1%}"
    )


if __name__ == "__main__":
    main()
