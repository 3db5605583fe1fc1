"""How good are the stock figures? Invented faces with known depths over a grid of pits, readings and lap steps.

Prints the environment, the table, and with --timing the time of a plan against the number of pits. A long run can be
split: each part appends its faces to the file given with --out, and --report reads that file.

    python tests/benchmarks/stock_bench.py --faces 1000 --out faces.csv
    python tests/benchmarks/stock_bench.py --faces 250 --first 250 --out faces.csv
    python tests/benchmarks/stock_bench.py --report faces.csv
    python tests/benchmarks/stock_bench.py --timing
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from pitmap.depth import FaceSurvey
from pitmap.depth.extremes import fit_gumbel
from pitmap.depth.flatness import flatness
from pitmap.errors import NotEnoughData
from pitmap.stock import lapping_plane, plan_stock

sys.path.insert(0, str(Path(__file__).parents[1]))
import stock_truth

PITS = (5, 15, 40, 100, 300)
READINGS = (0, 4, 8, 12, 16, 20)
LAPS = (0, 1, 2, 3, 4)


def gumbel_width(face, n_blocks: float) -> float:  # type: ignore[no-untyped-def]
    """Width of the 90 % interval for the deepest pit from the readings alone; NaN with fewer than three."""
    values = [
        r["value_um"] + s.removed.coefficients[0] for s in face.surveys for _, r in s.readings.iterrows()
    ]
    if len(values) < 3:
        return np.nan
    try:
        e = fit_gumbel(values, "ml").predict(n_blocks)
    except NotEnoughData:
        return np.nan
    return e.high - max(e.low, 0.0)


def one_face(number: int, seed: int) -> dict:
    """Make, plan and score face `number`; the same number gives the same face whatever runs before it."""
    rng = np.random.default_rng([seed, number])
    n_pits, n_readings, n_laps = (int(rng.choice(g)) for g in (PITS, READINGS, LAPS))
    face = stock_truth.make_face(rng, n_pits, n_readings, n_laps)
    n_read = sum(len(s.readings) for s in face.surveys)
    start = time.process_time()
    plan = plan_stock(face.surveys, rng=rng)
    seconds = time.process_time() - start
    need = next(n for n in plan.needed if n.zone == "seal_land" and n.aim == "pits")
    return {
        "face": number, "n_pits": n_pits, "n_readings": n_readings, "n_read": n_read, "n_laps": n_laps, "law": face.law,
        "truth_um": face.to_clear_um, "low_um": need.stock_um.low, "value_um": need.stock_um.value,
        "high_um": need.stock_um.high, "recommended_um": need.recommended_um, "is_given": need.stock_um.is_known,
        "gumbel_um": gumbel_width(face, n_pits), "gumbel_patch_um": gumbel_width(face, max(n_pits / max(n_read, 1), 1)),
        "seconds": seconds,
    }  # fmt: skip


def _line(name: str, rows: pd.DataFrame) -> str:
    given = rows.loc[rows["is_given"]]
    if not len(given):
        return f"{name:22s} {len(rows):5d} {0:6.1%}"
    covered = (given["low_um"] <= given["truth_um"]) & (given["truth_um"] <= given["high_um"])
    below, above = given["truth_um"] < given["low_um"], given["truth_um"] > given["high_um"]
    width = given["high_um"] - given["low_um"]
    excess = given["recommended_um"] - given["truth_um"]
    both = given["gumbel_um"].notna()
    saved = 1 - width[both].median() / given.loc[both, "gumbel_um"].median() if both.any() else np.nan
    patch = 1 - width[both].median() / given.loc[both, "gumbel_patch_um"].median() if both.any() else np.nan
    return (
        f"{name:22s} {len(rows):5d} {len(given) / len(rows):6.1%} {covered.mean():7.1%} {below.mean():7.1%}"
        f" {above.mean():7.1%} {given['truth_um'].median():8.1f} {width.median():8.1f} {saved:8.0%} {patch:8.0%}"
        f" {excess.median():8.1f} {(excess >= 0).mean():8.1%}"
    )


def report(rows: pd.DataFrame) -> None:
    """The table: faces with pits left; those that the steps had already cleared are counted apart."""
    rows = rows.assign(is_given=rows["is_given"].astype(bool))
    dirty = rows.loc[rows["truth_um"] > 0]
    print(
        f"{len(rows)} faces, {len(rows) - len(dirty)} of them already clear (truth 0, answer 0); the table is of the rest"
    )
    print(
        f"{'':22s} {'faces':>5s} {'given':>6s} {'covers':>7s} {'under':>7s} {'over':>7s} {'truth um':>8s} {'width um':>8s}"
        f" {'Gumbel':>8s} {'patches':>8s} {'excess':>8s} {'enough':>8s}"
    )
    print(_line("all", dirty))
    for column in ("n_pits", "n_readings", "n_laps", "law"):
        for value, part in dirty.groupby(column):
            print(_line(f"{column} {value}", part))
    rich = dirty.loc[(dirty["n_readings"] >= 8) | (dirty["n_laps"] >= 2)]
    all_rich = rows.loc[(rows["n_readings"] >= 8) | (rows["n_laps"] >= 2)]
    lacking = (~rich["is_given"]).sum()
    print(
        f"'not enough readings' with 8 readings or 2 lap steps: {lacking} of {len(rich)} = {lacking / len(rich):.1%}"
        f" (of all such faces, cleared ones too: {lacking / len(all_rich):.1%})"
    )
    given = rows.loc[rows["is_given"]]
    excess = given["recommended_um"] - given["truth_um"]
    print(f"median excess with the cleared faces counted too: {excess.median():.1f} um")
    print(
        f"seconds of CPU per plan: median {rows['seconds'].median():.2f}, largest {rows['seconds'].max():.2f}"
    )
    print(
        "under/over: truth under/over the interval. Gumbel: how much narrower the median width is than that of the Gumbel"
        " fit to the readings alone, every reading one pit; patches: the same with each reading the deepest of an equal"
        " patch. excess: median of recommended less truly needed, um; enough: share of faces that it clears (aim 90 %)."
    )


def timing(seed: int) -> None:
    """Time of one plan (20 readings, 6 surveys) and of both linear programmes against size; best of three."""
    print(
        f"{'pits':>6s} {'plan wall s':>11s} {'plan CPU s':>10s} {'ms/pit':>7s} {'plane LP ms':>11s} {'zone LP ms':>10s}"
    )
    for n in (125, 250, 500, 1000, 2000, 4000):
        rng = np.random.default_rng([seed, n])
        face = stock_truth.make_face(rng, n, 20, 5, "log-normal")
        surveys = [_with_land(s, n) for s in face.surveys]
        wall, cpu = _best(lambda s=surveys: plan_stock(s, rng=np.random.default_rng(1)))
        x, y, low = rng.uniform(0, 240, n), rng.uniform(0, 150, n), 20 * rng.lognormal(0, 0.5, n)
        _, plane = _best(lambda a=(x, y, low): lapping_plane(*a, (0, 0, 240, 150), tilt_max_um=30))
        _, zone = _best(lambda a=(x, y, low): flatness(*a, 3.0))
        print(
            f"{n:6d} {wall:11.2f} {cpu:10.2f} {1000 * cpu / n:7.2f} {1000 * plane:11.1f} {1000 * zone:10.1f}"
        )


def _best(call) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """Least wall and CPU seconds of three calls."""
    wall, cpu = [], []
    for _ in range(3):
        a, b = time.perf_counter(), time.process_time()
        call()
        wall.append(time.perf_counter() - a)
        cpu.append(time.process_time() - b)
    return min(wall), min(cpu)


def _with_land(survey: FaceSurvey, seed: int) -> FaceSurvey:
    """The same survey on an 8 mm land, so that sound-width curves are part of the time."""
    rng = np.random.default_rng(seed)
    across = rng.uniform(0, 8, 100_000)[survey.marks["mark_id"].to_numpy()]
    half = survey.marks["eq_diam_mm"].to_numpy() / 2
    marks = survey.marks.assign(
        dist_trace_mm=np.maximum(across - half, 0), dist_coolant_mm=np.maximum(8 - across - half, 0),
        zone=np.where(survey.marks["mark_id"] % 2, "seal_land", "running_surface"),
    )  # fmt: skip
    lands = pd.DataFrame(
        {
            "place": [1], "x_mm": [0.0], "y_mm": [0.0], "sound_width_mm": [4.0], "sound_width_low_mm": [3.5],
            "sound_width_high_mm": [4.5], "nominal_width_mm": [8.0], "is_leak_path": [False], "flags": [0],
        }
    )  # fmt: skip
    return FaceSurvey(
        stage=survey.stage, removed=survey.removed, marks=marks, readings=survey.readings, lands=lands
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--faces", type=int, default=0, help="how many faces to plan")
    parser.add_argument("--first", type=int, default=0, help="number of the first face")
    parser.add_argument("--seed", type=int, default=20_260)
    parser.add_argument("--out", type=Path, help="CSV that the faces are appended to")
    parser.add_argument("--report", type=Path, help="print the table of this CSV")
    parser.add_argument("--timing", action="store_true", help="time against the number of pits")
    args = parser.parse_args()
    print(
        f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}, pandas {pd.__version__},"
        f" {os.cpu_count()} cores, {platform.machine()}, seed {args.seed}"
    )
    if args.timing:
        timing(args.seed)
    rows = pd.DataFrame([one_face(i, args.seed) for i in range(args.first, args.first + args.faces)])
    if args.out and len(rows):
        rows.to_csv(args.out, mode="a", header=not args.out.exists(), index=False)
    if args.report:
        rows = pd.read_csv(args.report)
    if len(rows):
        report(rows)


if __name__ == "__main__":
    main()
