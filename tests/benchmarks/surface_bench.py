"""The surface stage alone, on photos straightened by their TRUE camera: overlap, pits, areas, time.

    python tests/benchmarks/surface_bench.py FOLDER [--models DIR] [--method learned|classic] [--only d01,d02]

FOLDER is laid out like the development photos, with its score.py. With --models DIR (0.onnx ... and a JSON
beside each) every photo is read by the network trained without its face; that is the honest score. Without it
by the shipped one, which has seen the development photos.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import platform
import resource
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from pitmap.surface import classify
from pitmap.surface.learned import load_network

sys.path.insert(0, str(Path(__file__).parent / "surface_training"))
from folds import FACE_FOLDS, by_left_out, face_of
from surface_photos import true_cases

LARGEST_PP, LARGEST_SHARE = 0.5, 15.0


def share_within(areas, largest_pp: float = LARGEST_PP, largest_percent: float = LARGEST_SHARE):  # type: ignore[no-untyped-def]
    """Share of zones, per class, whose area share is within the larger of the two bounds of the truth."""
    bound = np.maximum(largest_pp, areas.true_pct * largest_percent / 100)
    return (areas.diff_pp.abs() <= bound).groupby(areas.cls).mean()


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--models", type=Path, help="networks of the folds, 0.onnx, 1.onnx ...")
    parser.add_argument("--method", default="learned", choices=("learned", "classic"))
    parser.add_argument("--only", default="", help="ids, comma-separated")
    parser.add_argument("--keep", type=Path, help="folder for the class rasters")
    args = parser.parse_args()
    print(f"python {platform.python_version()}, opencv {cv2.__version__}, {cv2.getNumThreads()} threads")
    spec = importlib.util.spec_from_file_location("score", args.folder / "score.py")
    score = importlib.util.module_from_spec(spec)  # type: ignore[arg-type]
    spec.loader.exec_module(score)  # type: ignore[union-attr]
    networks = by_left_out(args.models, FACE_FOLDS, load_network) if args.models else {}
    with tempfile.TemporaryDirectory() as there:
        results = args.keep or Path(there)
        warp, read = 0.0, 0.0
        for case in true_cases(args.folder, args.only):
            network = networks.get(face_of(case.name))
            if args.models and network is None:
                print(f"{case.name}: left out, no network is there that has not seen its face")
                continue
            started = time.perf_counter()
            found = classify(
                case.rgb,
                px_per_mm=case.grid.px_per_mm,
                stage=case.stage,
                mask=case.metal,
                in_frame=case.in_frame,
                photo_px_per_mm=case.photo_px_per_mm,
                method=args.method,
                network=network,
            )
            read, warp = read + time.perf_counter() - started, warp + case.seconds
            here = results / case.name
            here.mkdir(parents=True, exist_ok=True)
            cv2.imwrite(str(here / "classes.png"), found.codes)
            alignment = {
                "homography_mm_to_px": case.truth["homography_mm_to_undistorted_px"],
                "radial": case.truth["distortion"],
                "px_per_mm": case.grid.px_per_mm,
            }
            (here / "alignment.json").write_text(json.dumps(alignment))
        _, classes, areas, summary = score.score(results, data=args.folder)
    columns = ["id", "read_pct", "hidden_read_pct", *[c for c in classes if c.startswith("iou_")]]
    columns += [c for c in classes if c.endswith("_0.8")]
    print(classes[columns].to_string(index=False, float_format="%.3f"))
    for name, value in summary.items():
        if "mm," not in name and "accepted" not in name:
            print(f"  {name:58s} {value:.4g}")
    print("zones with the area share within 0.5 pp or 15 % (higher is better, 0.90 wanted):")
    print(share_within(areas).round(3).to_string())
    print(f"decode and warp {warp:.1f} s, classify {read:.1f} s: {read / warp:.1f} x (lower is better)")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
