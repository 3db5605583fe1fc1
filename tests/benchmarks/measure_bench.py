"""Time and error of reading, judging and measuring; and the fit of the error model on own renders.

    python tests/benchmarks/measure_bench.py                      the tables
    python tests/benchmarks/measure_bench.py --fit OUT.json       fit the error model on rendered faces (slow)
    python tests/benchmarks/measure_bench.py --cover IN.json      coverage on other renders than it was fitted
    on (slow)

Times are CPU seconds of one thread, least of the repeats. "plain" is the same work written straight with
scikit-image.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import skimage
from scipy.ndimage import distance_transform_edt
from shapely import Point, box
from skimage.graph import MCP_Geometric
from skimage.measure import label, regionprops_table

from pitmap.classes import Stage
from pitmap.drawing import Drawing
from pitmap.grid import Grid
from pitmap.measure import ErrorModel, MapPair, MeasureSettings, fit_error_model, make_frame, measure
from pitmap.measure.sound_width import measure_land
from pitmap.photo import Photo, check_photo, merge_lamps, read_photo

WORDS = ("pit", "stain", "tint", "uncut", "affected")


@dataclass(frozen=True)
class Map:
    """The fields of a class map that measuring looks at."""

    codes: np.ndarray
    confidence: np.ndarray
    grid: Grid
    stage: Any = "test_lap"
    probabilities: np.ndarray | None = None


def plate() -> Drawing:
    """A 267 x 232 mm plate; land 10 mm wide and about 620 mm long."""
    trace = Point(0, 0).buffer(94, quad_segs=256)
    wide = Point(0, 0).buffer(104, quad_segs=256)
    outline = box(-133, -115, 134, 117)
    return Drawing(
        name="bench plate",
        thickness_mm=12.0,
        outline=outline,
        openings=(),
        zones={
            "running_surface": trace,
            "seal_land": wide.difference(trace),
            "rim": outline.difference(wide),
        },
        trace=trace,
    )


def marked_map(drawing: Drawing, n_marks: int, rng: np.random.Generator) -> Map:
    """2360 x 2710 pixels with ragged pits all over, more of them on the land."""
    grid = drawing.grid(10.0)
    codes = np.where(drawing.mask(grid), 1, 0).astype(np.uint8)
    for k in range(n_marks):
        r = rng.uniform(94, 104) if k % 3 == 0 else rng.uniform(0, 110)
        a = rng.uniform(0, 2 * np.pi)
        centre = grid.mm_to_px([r * np.cos(a), r * np.sin(a)])
        size = 10 * 0.5 * np.exp(0.4 * rng.normal())
        t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        ring = centre + (size * (1 + 0.25 * rng.normal(size=24)))[:, None] * np.column_stack(
            [np.cos(t), np.sin(t)]
        )
        cv2.fillPoly(codes, [np.round(ring).astype(np.int32)], int(rng.choice([2, 2, 2, 3, 5])))
    return Map(codes=codes, confidence=np.full(grid.shape, 0.9, np.float32), grid=grid)


def least(call: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Least CPU time of some calls, and the last answer."""
    best, answer = np.inf, None
    for _ in range(repeats):
        start = time.process_time()
        answer = call()
        best = min(best, time.process_time() - start)
    return best, answer


def plain_measure(m: Map, land: np.ndarray, running: np.ndarray) -> float:
    """The same tables written straight: regionprops of every class, and a raster path across the land."""
    for code in (2, 3, 4, 5, 6):
        labels = label(m.codes == code, connectivity=2)
        if labels.max():
            regionprops_table(
                labels,
                m.confidence,
                properties=(
                    "area",
                    "centroid",
                    "perimeter",
                    "axis_major_length",
                    "axis_minor_length",
                    "mean_intensity",
                ),
            )
    return plain_width(m, land, running)


def plain_width(m: Map, land: np.ndarray, running: np.ndarray) -> float:
    """Sound width in mm by an 8-neighbour minimum-cost path."""
    rows, cols = np.nonzero(land)
    window = np.s_[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    metal, inside = land[window], running[window]
    cost = np.where(metal, np.where(np.isin(m.codes[window], (2, 5, 6)), 1e-6, 1.0), -1.0)
    near = metal & (distance_transform_edt(~inside) <= 1.5)
    far = metal & (distance_transform_edt(metal | inside) <= 1.5)
    costs, _ = MCP_Geometric(cost).find_costs(np.argwhere(near))
    return float(costs[far].min()) / m.grid.px_per_mm


def exact_cases(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Errors in mm of w - d on a land of 8 mm with one pit, ours and plain."""
    trace, wide = Point(0, 0).buffer(20, quad_segs=256), Point(0, 0).buffer(28, quad_segs=256)
    drawing = Drawing(
        name="ring",
        thickness_mm=1.0,
        outline=box(-32, -30, 36, 30),
        openings=(),
        zones={"running_surface": trace, "seal_land": wide.difference(trace)},
        trace=trace,
    )
    grid = drawing.grid(10.0)
    frame = make_frame(drawing, grid)
    xs, ys = grid.centres_mm()
    errors = []
    for _ in range(n):
        a, r, d = rng.uniform(0, 2 * np.pi), rng.uniform(23, 25), rng.uniform(0.8, 4)
        codes = np.where(drawing.mask(grid), 1, 0).astype(np.uint8)
        codes[np.hypot(xs[None] - r * np.cos(a), ys[:, None] - r * np.sin(a)) <= d / 2] = 2
        m = Map(codes=codes, confidence=np.ones(grid.shape, np.float32), grid=grid)
        ours = measure_land(codes, frame.land, grid, frame.edges, MeasureSettings()).narrowest_mm.value
        errors.append((ours - (8 - d), plain_width(m, frame.land, frame.zone_raster == 1) - (8 - d)))
    return np.array(errors).T


def lapped_photo(rng: np.random.Generator) -> bytes:
    """A noisy 12 megapixel JPEG."""
    grey = cv2.resize(
        rng.integers(60, 190, (300, 400), dtype=np.uint8), (4000, 3000), interpolation=cv2.INTER_CUBIC
    )
    noisy = np.clip(grey + rng.normal(0, 5, grey.shape), 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", np.repeat(noisy[..., None], 3, 2), [cv2.IMWRITE_JPEG_QUALITY, 90])[
        1
    ].tobytes()


def print_environment() -> None:
    print(f"python {platform.python_version()}, {platform.machine()}, numpy {np.__version__}, ", end="")
    print(f"opencv {cv2.__version__}, scikit-image {skimage.__version__}, one thread")


def tables(repeats: int, seed: int) -> None:
    """Print time and error of every step."""
    rng = np.random.default_rng(seed)
    data = lapped_photo(rng)
    decode, _ = least(lambda: cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR), repeats)
    read, photo = least(lambda: read_photo(data), repeats)
    print(
        f"\nread 12 MP JPEG          {read:6.3f} s   bare decode {decode:6.3f} s   {read / decode:4.2f}x the decode"
    )
    gate, _ = least(lambda: check_photo(photo), repeats)
    print(f"gate on the picture      {gate:6.3f} s   aim 0.3 s")
    drawing = plate()
    m = marked_map(drawing, 500, rng)
    face = cv2.cvtColor(
        np.choose(np.minimum(m.codes, 6), [60, 150, 40, 110, 120, 90, 70]).astype(np.uint8),
        cv2.COLOR_GRAY2RGB,
    )
    full = np.ones(m.grid.shape, bool)
    after, _ = least(
        lambda: check_photo(
            Photo(rgb=photo.rgb, name="", sha256="", format="JPEG"),
            drawing=drawing,
            rectified=(face, full, m.grid),
        ),
        repeats,
    )
    print(f"gate per zone, 6.4 MP    {after:6.3f} s")
    lamps = [
        face,
        np.clip(face * np.linspace(0.7, 1.2, face.shape[1])[None, :, None], 0, 255).astype(np.uint8),
    ]
    merge, _ = least(lambda: merge_lamps(lamps, [full, full], face=drawing.mask(m.grid)), 1)
    print(f"merge two lamps, 6.4 MP  {merge:6.3f} s")
    frame_time, frame = least(lambda: make_frame(drawing, m.grid), repeats)
    ours, result = least(lambda: measure(m, drawing, frame=frame), repeats)
    land, _ = least(
        lambda: measure_land(m.codes, frame.land, m.grid, frame.edges, MeasureSettings()), repeats
    )
    slow, _ = least(lambda: plain_measure(m, frame.land, frame.zone_raster == 1), 1)
    print(f"\nmap {m.grid.n_rows} x {m.grid.n_cols}, {len(result.marks)} marks")
    print(f"drawing onto the grid    {frame_time:6.3f} s   once per drawing and grid")
    print(
        f"measure, all tables      {ours:6.3f} s   aim 0.7 s   plain {slow:6.2f} s   {slow / ours:4.1f}x faster than plain"
    )
    print(
        f"  of it the land         {land:6.3f} s   aim 0.3 s for one front; here two (seen, and bright metal)"
    )
    err, plain = exact_cases(rng, 40)
    print("\nsound width w - d, 40 random pits, 10 px per mm: error in mm, mean / sd / worst")
    for name, e in (("pitmap", err), ("plain ", plain)):
        print(f"  {name}  {e.mean():+.3f}  {e.std():.3f}  {np.abs(e).max():.3f}")


def rendered_pairs(n: int, seed: int, size_wh: tuple[int, int]) -> Iterator[MapPair]:
    """Own renders classified at their true place, shifted by a known alignment error."""
    from pitmap.pipeline import Straightened, classify_face
    from pitmap.synthetic import render_cases

    rng = np.random.default_rng([seed, 1])
    for case in render_cases(n, seed, size_wh):
        if not case.is_usable:
            continue
        truth, grid = case.truth, case.truth.grid
        shift = rng.normal(0, 0.1, 2)
        xs, ys = grid.centres_mm()
        places = np.empty((*grid.shape, 2), np.float32)
        for top in range(0, grid.n_rows, 256):
            part = np.stack(np.meshgrid(xs, ys[top : top + 256]), -1) + shift
            places[top : top + 256] = truth.camera.mm_to_px(part)
        x, y = places[..., 0], places[..., 1]
        rgb = cv2.remap(case.rgb, x, y, cv2.INTER_LINEAR)
        inside = (x >= 0) & (y >= 0) & (x <= truth.size_wh[0] - 1) & (y <= truth.size_wh[1] - 1)
        coarse = truth.camera.px_per_mm(np.stack(np.meshgrid(xs[::20], ys[::20]), -1)).astype(np.float32)
        scale = cv2.resize(coarse, grid.shape[::-1])
        face = Straightened(rgb=rgb, in_frame=inside, grid=grid, photo_px_per_mm=scale)
        stage = Stage(str(case.survey.stage))
        found = classify_face(face, case.drawing, stage, keep_probabilities=True)
        true = Map(codes=truth.labels, confidence=np.ones(grid.shape, np.float32), grid=grid, stage=stage)
        print(f"  {case.name} {stage} {case.blur} {case.damage} by {found.method}", flush=True)
        yield MapPair(found=found, truth=true, drawing=case.drawing, alignment_error_mm=0.1)


def fit(out: Path, n: int, seed: int, size_wh: tuple[int, int]) -> None:
    """Fit the error model and write it."""
    pairs = list(rendered_pairs(n, seed, size_wh))
    what = f"{len(pairs)} rendered faces {size_wh[0]} x {size_wh[1]}, seed {seed}, {pairs[0].found.method} classifier"
    model = fit_error_model(pairs, fitted_on=what)
    out.write_text(json.dumps(model.to_dict(), indent=1) + "\n", encoding="utf-8")
    print(f"wrote {out}")


def cover(model: ErrorModel, n: int, seed: int, size_wh: tuple[int, int]) -> None:
    """Print how often the intervals cover the truth on other renders, and how wide they are."""
    settings = MeasureSettings(errors=model)
    hits: dict[str, list[bool]] = {w: [] for w in (*WORDS, "sound width")}
    widths: dict[str, list[float]] = {w: [] for w in hits}
    for pair in rendered_pairs(n, seed, size_wh):
        got = measure(pair.found, pair.drawing, alignment_error_mm=pair.alignment_error_mm, settings=settings)
        true = measure(replace(pair.truth, stage=pair.found.stage), pair.drawing)
        for (_, g), (_, t) in zip(got.zones.iterrows(), true.zones.iterrows()):
            if g["class_word"] in hits and np.isfinite([g["share"], t["share"]]).all():
                hits[g["class_word"]].append(bool(g["share_low"] <= t["share"] <= g["share_high"]))
                widths[g["class_word"]].append(g["share_high"] - g["share_low"])
        hits["sound width"].append(got.sound_width_mm.covers(true.sound_width_mm.value))
        widths["sound width"].append(got.sound_width_mm.high - got.sound_width_mm.low)
    print("\n               n   covered   median width of the interval (share, or mm)")
    for word, hit in hits.items():
        if hit:
            print(f"{word:12s} {len(hit):4d}   {np.mean(hit):6.1%}   {np.median(widths[word]):.4f}")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cases", type=int, default=30, help="renders to fit or to judge on")
    parser.add_argument("--width", type=int, default=1600, help="width of the renders, px")
    parser.add_argument("--fit", type=Path, metavar="OUT.json")
    parser.add_argument("--cover", type=Path, metavar="IN.json")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    print_environment()
    size = (args.width, args.width * 3 // 4)
    if args.fit:
        fit(args.fit, args.cases, args.seed, size)
    elif args.cover:
        model = ErrorModel.from_dict(json.loads(args.cover.read_text(encoding="utf-8")))
        cover(model, args.cases, args.seed, size)
    else:
        tables(args.repeats, args.seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
