"""Tracing: photos of a folder with truth, coverage of the intervals on renders, and the printed target; error beside time.

Run ``python tests/benchmarks/tracing_bench.py sets --photos FOLDER`` (laid out like photos_dev), ``align --photos FOLDER``
(the folder's other pictures on a traced drawing and on the true one), ``coverage`` or ``sheet``.
Sets of three are drawn by a seed, or are the best three by a rule that knows no truth: the two finest pictures (pixels
along the plate), then of the rest the one seen most from a side that still shows every click.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

import trace_renders as renders
import trace_scoring as scoring

from pitmap.drawing import Drawing, load_rings, load_shipped
from pitmap.errors import AlignmentRefused, PitmapError
from pitmap.registration import register
from pitmap.tracing import PhotoClicks, SheetUse, Trace, trace_plate

CLICKED = ("dowel_a", "dowel_b", "lift_a", "lift_b")
COMPLETE = [*(f"d{k:02d}" for k in (1, 2, 3, 6, 7, 8, 10, 12)), *(f"lap1_{k}" for k in range(4)), "multi1_0"]
"""Pictures of photos_dev that show the whole plate with nothing over it, by its README."""


def coverage_of(
    trace: Trace, truth: Drawing, first: str, second: str, edge_mm: float
) -> dict[str, np.ndarray]:
    """Which intervals hold the truth, in the trace's own frame."""
    turn, origin = renders.in_frame(truth, first, second)
    six = [*turn.ravel(), *(-turn @ origin)]
    return scoring.covered(trace, truth, six, edge_mm)


def table_row(label: str, trace: Trace, truth: Drawing, seconds: float) -> str:
    s = scoring.score_trace(trace, truth)
    said = float(trace.circles["centre_err_mm"].median())
    return (
        f"{label:24s} {s.outline_rms_mm:7.3f} {np.sqrt((s.centre_mm**2).mean()):7.3f} {s.centre_mm.max():7.3f} "
        f"{(np.abs(s.diameter_mm) < 0.2).sum():4d}/{len(s.diameter_mm):<3d} {s.diameter_mm.mean():+7.3f} "
        f"{len(trace.drawing.openings):3d}/{len(truth.openings)} {trace.outline_err_mm:7.3f} {said:7.3f} {seconds:6.1f}"
    )


HEAD = (
    "set                      outline centres    most  d<.2 mm  d mean openings   said o  said c      s"
    "   (mm, lower is better)"
)


def quality(photos: dict[str, PhotoClicks]) -> tuple[str, str, str]:
    """The best three by the rule in the heading, from the clicks alone."""
    size = {n: float(np.ptp(np.array(list(p.clicks_px.values())), axis=0).max()) for n, p in photos.items()}
    finest = sorted(size, key=lambda n: -size[n])[:2]

    def side(n: str) -> float:
        """How unlike its picture of the clicks is to that of the finest photo, once moved, turned and scaled."""
        a, b = (
            np.array([photos[m].clicks_px[c] for c in sorted(photos[m].clicks_px)]) for m in (finest[0], n)
        )
        a, b = ((p - p.mean(0)) @ [1, 1j] for p in (a, b))
        return float(1 - abs(np.vdot(a, b)) / np.sqrt(np.vdot(a, a).real * np.vdot(b, b).real))

    return (*finest, max((n for n in photos if n not in finest), key=side))


def run_sets(folder: Path, n_sets: int, seed: int) -> None:
    truth = load_rings(folder / "plate.json")
    rng = np.random.default_rng(seed)
    sets = [tuple(rng.choice(COMPLETE, 3, replace=False)) for _ in range(n_sets)]
    every = dict(
        zip(COMPLETE, scoring.dev_photos(folder, COMPLETE, np.random.default_rng(0))[0], strict=True)
    )
    sets = [quality(every), *sets]
    print(HEAD)
    for names in sets:
        photos, distance = scoring.dev_photos(folder, names, np.random.default_rng(0))
        start = time.perf_counter()
        try:
            trace = trace_plate(
                photos, ("dowel_1", "dowel_2", distance), thickness_mm=12.0, edge_break_mm=0.3
            )
        except PitmapError as error:
            print(f"{','.join(names):24s} refused: {error}", flush=True)
            continue
        print(table_row(",".join(names), trace, truth, time.perf_counter() - start), flush=True)


def run_align(folder: Path, names: list[str]) -> None:
    """Every picture of the folder laid on the drawing traced from three of them, and on the true one."""
    truth = load_rings(folder / "plate.json")
    photos, distance = scoring.dev_photos(folder, names, np.random.default_rng(0))
    trace = trace_plate(photos, ("dowel_1", "dowel_2", distance), thickness_mm=12.0, edge_break_mm=0.3)
    print(HEAD)
    print(table_row(",".join(names), trace, truth, np.nan))
    six = scoring.score_trace(trace, truth).six
    turn, shift = np.reshape(six[:4], (2, 2)), np.array(six[4:])
    print("picture    RMS mm on the traced drawing, on the true one, ratio")
    ratios = []
    for row in pd.read_csv(folder / "index.csv", keep_default_na=False).to_dict("records"):
        told = json.loads((folder / row["id"] / "truth.json").read_text())
        rgb = cv2.cvtColor(cv2.imread(str(folder / row["id"] / "photo.jpg")), cv2.COLOR_BGR2RGB)
        camera = scoring.dev_camera(told) if told["plate_present"] else None
        rms = []
        for drawing, is_traced in ((trace.drawing, True), (truth, False)):
            try:
                found = register(rgb, drawing)
            except AlignmentRefused:
                rms.append(np.nan)
                continue
            if camera is None:
                rms.append(np.inf)
                continue
            at = np.array(told["points_mm"])
            here = (at - shift) @ turn if is_traced else at
            off = camera.px_to_mm(found.mm_to_px(here)) - at
            rms.append(float(np.sqrt((off**2).sum(1).mean())))
        used = " (traced from)" if row["id"] in names else ""
        said = [
            "refused" if np.isnan(r) else "ACCEPTED, no plate" if np.isinf(r) else f"{r:.3f}" for r in rms
        ]
        print(f"{row['id']:10s} {said[0]:>10s} {said[1]:>10s} {rms[0] / rms[1]:6.2f}{used}", flush=True)
        if not used and np.isfinite(rms).all():
            ratios.append((rms[0], rms[1]))
    ours, true = np.median(ratios, axis=0)
    print(f"{len(ratios)} other pictures accepted on both: median {ours:.3f} mm traced, {true:.3f} mm true")


def run_coverage(n: int, seed: int, first: int) -> None:
    """Three photos each, another tilt, side, light and lens every time."""
    drawing = load_shipped("heron40_end")
    found: dict[str, list[np.ndarray]] = {}
    print(
        "coverage of 90 % intervals (aim 85 to 95 %): centre x and y, diameter, outline; then said and true RMS"
    )
    for k in range(first, first + n):
        rng = np.random.default_rng([seed, k])
        start = time.perf_counter()
        photos, distance, edge = renders.three_views(drawing, rng)
        try:
            trace = trace_plate(
                photos, ("dowel_a", "dowel_b", distance), thickness_mm=12.0, edge_break_mm=edge
            )
        except PitmapError as error:
            print(f"{k:3d} refused: {error}", flush=True)
            continue
        cover = coverage_of(trace, drawing, "dowel_a", "dowel_b", edge)
        for name, values in cover.items():
            found.setdefault(name, []).append(values)
        print(
            f"{k:3d} " + " ".join(f"{m} {v.mean():.2f}" for m, v in cover.items())
            + f" outline said {trace.outline_err_mm:.3f} {time.perf_counter() - start:.0f} s", flush=True,
        )  # fmt: skip
    for name, values in found.items():
        print(f"{name}: {np.concatenate(values).mean():.3f} over {len(values)} plates")


def run_sheet(seed: int, tilts: list[float], places: list[str]) -> None:
    drawing = load_shipped("heron40_end")
    print(
        "scale error, % (aim 0.1): square root of the outline's area; said: half width of its 90 % interval"
    )
    for on in places:
        for k, tilt in enumerate(tilts):
            rng = np.random.default_rng([seed, k, on == "face"])
            survey = renders.lapped(drawing, rng)
            scene = renders.sheet_scene(drawing, rng, on, tilt, float(rng.uniform(0, 360)))
            photos = renders.shots(drawing, survey, [scene], (), rng, focal_off=float(rng.normal(0, 0.01)))
            start = time.perf_counter()
            try:
                trace = trace_plate(
                    photos, sheet=SheetUse(on=on), thickness_mm=12.0, edge_break_mm=scene.chamfer_mm  # type: ignore[arg-type]
                )  # fmt: skip
            except PitmapError as error:
                print(f"{on:6s} {tilt:4.0f} refused: {error}", flush=True)
                continue
            s = scoring.score_trace(trace, drawing)
            print(
                f"{on:6s} tilt {tilt:4.0f} deg, scale {100 * scoring.scale_error(trace, drawing):+.3f} said "
                f"{100 * (trace.size.high - 1):.3f}; outline {s.outline_rms_mm:.3f} mm, centres "
                f"{np.sqrt((s.centre_mm**2).mean()):.3f}, d mean {s.diameter_mm.mean():+.3f}, openings "
                f"{len(trace.drawing.openings)}/{len(drawing.openings)}, extra {s.n_extra}, correction "
                f"{100 * trace.height_correction:.2f} %, {time.perf_counter() - start:.0f} s",
                flush=True,
            )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("sets", "align", "coverage", "sheet"))
    parser.add_argument("--photos", type=Path, help="folder laid out like photos_dev, for sets and align")
    parser.add_argument("--set", default="d03,d08,lap1_3", help="pictures to trace from, for align")
    parser.add_argument("--n", type=int, default=8, help="sets, or plates for coverage")
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first plate, to go on with a long run"
    )
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--tilts", default="0,5,10,15,20")
    parser.add_argument("--places", default="face,bench")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    print(
        f"{platform.platform()}, Python {platform.python_version()}, numpy {np.__version__}, OpenCV {cv2.__version__}"
    )
    if args.what in ("sets", "align") and args.photos is None:
        parser.error(f"{args.what}: --photos is needed")
    if args.what == "align":
        run_align(args.photos, args.set.split(","))
    elif args.what == "sets":
        run_sets(args.photos, args.n, args.seed)
    elif args.what == "coverage":
        run_coverage(args.n, args.seed, args.first)
    else:
        run_sheet(args.seed, [float(t) for t in args.tilts.split(",")], args.places.split(","))


if __name__ == "__main__":
    main()
