"""How often the fate of a pit is right, and how often change intervals cover, on simulated series with truth.

The class maps come from `tests/compare_sim.py`: pits of known depth lapped down step by step,
photographed with a wrong place, edges read too far in or out, pits missed, specks invented, and glare.
"""

import json
import math
from dataclasses import replace
from datetime import date

import compare_sim as sim
import cv2
import numpy as np
import pandas as pd
import pytest
from holes_left import holes_where_gone, pit_fates, shown_mm
from rounds import long

from pitmap.casebook.sample import sample_folder
from pitmap.classes import Stage
from pitmap.compare import Repeatability, compare
from pitmap.drawing import load_shipped
from pitmap.estimate import Estimate
from pitmap.grid import Grid
from pitmap.pipeline import map_face

HOLE_MM2 = math.pi / 4 * 0.3**2
"""A hole of 0.3 mm: what "gone" promises is not left."""


TOLD = Repeatability(
    common_edge_mm=0.03,
    own_edge_mm=0.05,
    coming_and_going=0.5,
    relative_sd={},
    blank_sd={},
    source="the simulation",
)
"""What the simulated noise amounts to: 0.02 mm common and 0.03 mm own edge a photo, root 2 times that between two,
and the raster; no patches of a class come and go."""


def run_series(seeds, repeatability=TOLD):
    drawing = sim.make_drawing()
    grid = drawing.grid(sim.PX_PER_MM)
    pits, changes, unchanged = [], [], []
    for seed in seeds:
        rng = np.random.default_rng(1000 + seed)
        plate, removed, surveys = sim.make_series(rng, drawing, grid, 4)
        comparison = compare(surveys, drawing, repeatability=repeatability)
        for k, pair in enumerate(comparison.pairs):
            steps = [(surveys[i].stage, removed[i]) for i in (k, k + 1)]
            truth = sim.true_fates(plate, drawing, grid, *steps, surveys[k : k + 2])
            pits.append(sim.judge(pair, truth).assign(seed=seed))
            true_change = sim.true_zone_change(plate, drawing, grid, *steps, surveys[k : k + 2])
            for row in pair.zone_changes.itertuples():
                # A class that neither survey shows has no change to cover; counting it would flatter.
                if (row.zone, row.class_word) in true_change and max(
                    row.share_before, row.share_after
                ) > 1e-4:
                    true = true_change[row.zone, row.class_word]
                    changes.append((row.class_word, row.change_low <= true <= row.change_high))
        twice = [
            sim.photograph(
                rng, plate, drawing, grid, Stage("lap_1"), removed[2], date(2025, 4, 1), sim.Noise()
            )
            for _ in range(2)
        ]
        same = compare(twice, drawing, repeatability=repeatability).overall.zone_changes
        same = same[same["class_word"].isin(["pit", "uncut", "affected"])]
        unchanged.extend((~same["is_beyond_repeatability"]).tolist())
    return pd.concat(pits), pd.DataFrame(changes, columns=["class_word", "is_covered"]), np.array(unchanged)


def check(pits, changes, unchanged, *, slack):
    there = pits[pits["b"] >= HOLE_MM2]
    gone_but_there = float((there["fate"] == "gone").mean())
    right = float(pits["is_right"].mean())
    covered = float(changes["is_covered"].mean())
    quiet = float(unchanged.mean())
    print(
        f"\n{len(pits)} pits of 0.8 mm and more in {pits['seed'].nunique()} series: fate right {right:.3f}, "
        f"gone but there {gone_but_there:.4f}; change intervals cover {covered:.3f} of {len(changes)}; "
        f"unchanged zones called unchanged {quiet:.3f} of {len(unchanged)}"
    )
    print(changes.groupby("class_word")["is_covered"].agg(["mean", "size"]))
    assert right >= 0.95 - slack
    assert gone_but_there <= 0.01 + slack / 2
    assert 0.85 - slack <= covered <= 0.95 + slack
    assert quiet >= 0.95


def test_fates_and_changes_on_three_series():
    # Few pits and zone changes spread by several percent; the forty series below are the bar.
    check(*run_series(range(40, 43)), slack=0.05)


@pytest.mark.slow
@pytest.mark.long
def test_fates_and_changes_on_forty_series():
    check(*run_series(range(40)), slack=0.0)


@pytest.mark.slow
@pytest.mark.parametrize("face", ["a", long("b")])
def test_no_pit_of_the_sample_job_is_called_gone_that_is_there(face: str):
    drawing = load_shipped(f"heron40_intermediate_{face}")
    found = []
    for stage, removed_um in (("test_lap", 20.0), ("lap_1", 45.0)):
        photo = sample_folder() / f"{face}_{stage}" / "photo.jpg"
        survey = map_face([photo], drawing, stage=Stage(stage))
        found.append(replace(survey, removed_um=Estimate.from_sd(removed_um, 2.0)))
    folder = sample_folder() / f"{face}_lap_1"
    labels = cv2.imread(str(folder / "labels.png"), cv2.IMREAD_UNCHANGED)
    grid = Grid(**json.loads((folder / "truth.json").read_text(encoding="utf-8"))["grid"])
    fates = compare(found, drawing).pairs[0].fates
    left = holes_where_gone(fates, labels, grid)
    print(f"{len(pit_fates(fates))} pits, {len(left)} gone, widest hole left there {left.max():.2f} mm")
    assert len(left) >= 5
    # The claim is that no hole is left that the photo could show; 0.3 mm is what the bar counts.
    assert left.max() < shown_mm(found[1].photo_px_per_mm)
    assert (left >= 0.3).sum() <= max(1, 0.01 * len(pit_fates(fates)))


@pytest.mark.slow
def test_repeatability_is_learned_from_repeat_photos():
    drawing = sim.make_drawing()
    grid = drawing.grid(sim.PX_PER_MM)
    rng = np.random.default_rng(77)
    commons = rng.normal(0, 0.02, (12, 2))
    pairs = []
    for common in commons:
        plate = sim.make_plate(rng, drawing, grid)
        args = (plate, drawing, grid, Stage("test_lap"), 10.0, date(2025, 4, 1), sim.Noise())
        twice = [sim.photograph(rng, *args, common=float(c)) for c in common]
        pairs.append(compare(twice, drawing).overall)
    learned = Repeatability.from_repeats(pairs)
    drawn = float(np.sqrt(np.mean(np.diff(commons, axis=1) ** 2)))
    # 90 pits with 0.04 mm of their own each leave about 0.005 mm on the common part of a pair.
    assert learned.common_edge_mm == pytest.approx(drawn, rel=0.3)
    # 0.03 mm a photo at 1 mm is 0.042 mm between two; the ragged edge and the raster add to it.
    assert 0.035 < learned.own_edge_mm < 0.08
    assert 0.1 < learned.coming_and_going < 0.9
