"""Drawings: files, random plates, bore-trace fit, and tracing from photos; error beside time.

Run ``python tests/benchmarks/drawing_bench.py``; add ``--photos FOLDER`` (laid out like photos_dev) for tracing.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import shapely
from shapely.affinity import affine_transform

from pitmap.drawing import (
    Drawing,
    Opening,
    Trochoid,
    check_drawing,
    fit_trochoid,
    load_drawing,
    load_rings,
    make_zones,
    random_plate,
    save_dxf,
    save_svg,
    suggested_clicks,
)
from pitmap.errors import AlignmentRefused, DrawingError
from pitmap.registration import register
from pitmap.tracing import trace_plate

sys.path.insert(0, str(Path(__file__).parents[1]))
import trace_scoring as scoring


def files(n: int) -> None:
    print("\n== files: save, load, largest distance between the two (lower is better) ==")
    print(f"{'kind':6s} {'n':>3s} {'save ms':>8s} {'load ms':>8s} {'worst um':>9s} {'KB':>6s}")
    plates = [random_plate(np.random.default_rng(seed)) for seed in range(n)]
    with tempfile.TemporaryDirectory() as folder:
        for ending, save in ((".svg", save_svg), (".dxf", save_dxf)):
            saving, loading, worst, size = [], [], 0.0, 0
            for plate in plates:
                path = Path(folder) / f"p{ending}"
                start = time.perf_counter()
                save(plate, path)
                middle = time.perf_counter()
                back = load_drawing(path)
                saving.append(middle - start)
                loading.append(time.perf_counter() - middle)
                mine = {o.name: o.polygon for o in back.openings}
                pairs = [(back.outline, plate.outline), (back.trace, plate.trace)]
                pairs += [(mine[o.name], o.polygon) for o in plate.openings]
                pairs += [(back.zones[k].boundary, z.boundary) for k, z in plate.zones.items()]
                worst = max(worst, *(shapely.hausdorff_distance(a, b) for a, b in pairs))
                size = path.stat().st_size // 1000
            print(
                f"{ending:6s} {n:3d} {1e3 * np.median(saving):8.0f} {1e3 * np.median(loading):8.0f} "
                f"{1e3 * worst:9.4f} {size:6d}"
            )


def plates(n: int) -> None:
    print("\n== random plates: built, found ambiguous by the check (edges in common 80 % and more) ==")
    for symmetry in ("none", "rotated", "mirrored"):
        built, flagged, took = 0, 0, []
        for seed in range(n):
            start = time.perf_counter()
            try:
                plate = random_plate(np.random.default_rng(seed), symmetry=symmetry)
            except DrawingError:
                continue
            built += 1
            took.append(time.perf_counter() - start)
            flagged += any("fits" in f.text for f in check_drawing(plate) if f.element == "outline")
        print(
            f"{symmetry:9s} built {built}/{n}, flagged {flagged}/{built}, {1e3 * np.median(took):.0f} ms each"
        )


def trochoid(n: int) -> None:
    print(f"\n== bore trace from clicks with 0.5 mm noise in x and in y, {n} trials each ==")
    print("e within 0.3 and R within 0.5 mm (higher is better); 90 % intervals should cover 85 to 95 %")
    designs: dict[str, Callable[[np.random.Generator], np.ndarray]] = {
        "12 at ends and waist": lambda rng: suggested_clicks(12) + rng.normal(0, np.radians(5), 12),
        "12 spread evenly": lambda rng: (
            np.arange(12) * np.pi / 6 + rng.uniform(0, 6) + rng.uniform(-0.1, 0.1, 12)
        ),
        "20 spread evenly": lambda rng: np.arange(20) * np.pi / 10 + rng.uniform(0, 6),
    }
    for name, design in designs.items():
        good, covers, start = [], [], time.perf_counter()
        for seed in range(n):
            rng = np.random.default_rng(seed)
            t = Trochoid(
                eccentricity_mm=rng.uniform(8, 18),
                radius_mm=rng.uniform(65, 110),
                offset_mm=2.0,
                centre_xy_mm=tuple(rng.uniform(-20, 20, 2)),
                rotation_deg=rng.uniform(-80, 80),
            )
            clicks = t.points(design(rng))
            fit = fit_trochoid(clicks + rng.normal(0, 0.5, clicks.shape), offset_mm=2.0)
            e_off = abs(fit.eccentricity_mm.value - t.eccentricity_mm)
            r_off = abs(fit.radius_mm.value - t.radius_mm)
            good.append((e_off < 0.3, r_off < 0.5, e_off < 0.3 and r_off < 0.5))
            covers.append((fit.eccentricity_mm.covers(t.eccentricity_mm), fit.radius_mm.covers(t.radius_mm)))
        e, r, both = np.mean(good, axis=0)
        took = 1e3 * (time.perf_counter() - start) / n
        print(
            f"{name:22s} e {e:.3f}  R {r:.3f}  both {both:.3f}  coverage e {np.mean(covers, 0)[0]:.3f} "
            f"R {np.mean(covers, 0)[1]:.3f}  {took:.1f} ms"
        )


def moved(drawing: Drawing, six: list[float], thickness_mm: float) -> Drawing:
    """The traced drawing in the true drawing's frame, so that both are aligned to the same check points."""
    outline = affine_transform(drawing.outline, six)
    openings = tuple(
        Opening(name=o.name, kind=o.kind, polygon=affine_transform(o.polygon, six)) for o in drawing.openings
    )
    zones = make_zones(outline, openings, None, None)
    return Drawing(name="traced", thickness_mm=thickness_mm, outline=outline, openings=openings, zones=zones)


def tracing(folder: Path, sets: list[list[str]], aligned: list[str]) -> None:
    print("\n== traced from three pictures and one distance (lower is better; edge break 0.3 mm given) ==")
    truth = load_rings(folder / "plate.json")
    trace, score = None, None
    for names in sets:
        photos, distance = scoring.dev_photos(folder, names, np.random.default_rng(0))
        start = time.perf_counter()
        new = trace_plate(
            photos, (*scoring.CLICKED[:2], distance), thickness_mm=truth.thickness_mm, edge_break_mm=0.3
        )
        took = time.perf_counter() - start
        s = scoring.score_trace(new, truth)
        print(
            f"{' '.join(names):22s} outline {s.outline_rms_mm:.3f} mm RMS; {len(s.centre_mm)} round holes: centres "
            f"{np.sqrt(np.mean(s.centre_mm**2)):.3f} RMS {s.centre_mm.max():.3f} worst, diameters "
            f"{np.sqrt(np.mean(s.diameter_mm**2)):.3f} RMS {np.abs(s.diameter_mm).max():.3f} worst, "
            f"{int((np.abs(s.diameter_mm) < 0.2).sum())} within 0.2, interval covers {s.covered.mean():.2f}; "
            f"{len(s.opening_rms_mm)} of {len(truth.openings)} openings, {s.n_extra} extra; {took:.1f} s"
        )
        if trace is None:
            trace, score = new, s
    if trace is None or not aligned:
        return
    print("\n== other pictures aligned to the true and to the traced drawing: RMS mm at the check points ==")
    mine = moved(trace.drawing, score.six, truth.thickness_mm)
    for name in aligned:
        t = json.loads((folder / name / "truth.json").read_text())
        rgb = cv2.cvtColor(cv2.imread(str(folder / name / "photo.jpg")), cv2.COLOR_BGR2RGB)
        at, px = np.array(t["points_mm"]), np.array(t["points_px"])
        row = []
        for drawing in (truth, mine):
            try:
                here = register(rgb, drawing).px_to_mm(px)
                row.append(f"{np.sqrt(np.mean(((here - at) ** 2).sum(1))):.3f}")
            except AlignmentRefused:
                row.append("refused")
        print(f"{name:10s} true {row[0]:>8s}  traced {row[1]:>8s}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the trials")
    parser.add_argument("--photos", type=Path, help="folder laid out like photos_dev, for tracing")
    parser.add_argument(
        "--sets", default="d03,d08,lap1_3", help="pictures to trace from, three and three: a,b,c;d,e,f"
    )
    parser.add_argument("--align", default="d01,d02,d07", help="pictures to align to the traced drawing")
    parser.add_argument("--only", choices=("files", "plates", "trochoid", "tracing"))
    args = parser.parse_args()
    print(
        f"python {platform.python_version()}, numpy {np.__version__}, shapely {shapely.__version__}, "
        f"opencv {cv2.__version__}, ezdxf {ezdxf.__version__}, {platform.machine()}"
    )
    k = 10 if args.quick else 1
    if args.only in (None, "files"):
        files(max(2, 10 // k))
    if args.only in (None, "plates"):
        plates(max(3, 40 // k))
    if args.only in (None, "trochoid"):
        trochoid(max(20, 500 // k))
    if args.photos and args.only in (None, "tracing"):
        names = [s.split(",") for s in args.sets.split(";") if s]
        tracing(args.photos, names, [a for a in args.align.split(",") if a])


if __name__ == "__main__":
    main()
