"""Alignment error, refusals and time, photo by photo: development photos and renders of our own.

    python tests/benchmarks/registration_bench.py [--photos DIR] [--renders N] [--negatives N] [--seed S] [--out FILE]

The error is the root mean square, in mm on the plate, over places all over the plate, hidden and out of frame ones
too. `radius` is the typical error that the alignment itself states, with its 90 % interval. Time is process time of
`register` and of decoding and warping the photo; `x_decode_warp` is their ratio (smaller is better).
"""

from __future__ import annotations

import argparse
import json
import platform
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from pitmap.drawing import Drawing, load_rings
from pitmap.errors import AlignmentRefused
from pitmap.registration import Camera, Lens, rectify, register
from pitmap.synthetic.cases import render_cases, render_negatives

WRONG_MM = 1.0
DEFAULT_PHOTOS = Path(__file__).parents[3] / "shared" / "data" / "photos_dev"

Item = tuple[str, str, Drawing, bytes, Camera | None, "np.ndarray | None"]


def jpeg(rgb: np.ndarray) -> bytes:
    return cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 92])[
        1
    ].tobytes()


def development(folder: Path) -> Iterator[Item]:
    drawing = load_rings(folder / "plate.json")
    for row in pd.read_csv(folder / "index.csv", keep_default_na=False).to_dict("records"):
        truth = json.loads((folder / row["id"] / "truth.json").read_text(encoding="utf-8"))
        camera = points = None
        if truth["plate_present"]:
            d = truth["distortion"]
            lens = Lens(k1=d["k1"], k2=d["k2"], centre_xy=tuple(d["centre"]), scale_px=d["scale"])
            camera = Camera(homography=np.array(truth["homography_mm_to_undistorted_px"]), lens=lens)
            points = np.array(truth["points_mm"])
        yield (
            row["id"],
            "photo" if camera else "negative",
            drawing,
            (folder / row["id"] / "photo.jpg").read_bytes(),
            camera,
            points,
        )


def renders(n: int, n_negatives: int, seed: int) -> Iterator[Item]:
    for case in render_cases(n, seed):
        kind = "render" if case.is_usable else f"unusable ({case.unusable})"
        yield case.name, kind, case.drawing, jpeg(case.rgb), case.truth.camera, None
    for k, (kind, drawing, rgb) in enumerate(render_negatives(n_negatives, seed)):
        yield f"neg{k:03d} {kind}", "negative", drawing, jpeg(rgb), None, None


def measure(item: Item) -> dict[str, object]:
    name, kind, drawing, data, camera, points = item
    start = time.process_time()
    rgb = cv2.cvtColor(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    grid = drawing.grid(10.0)
    if camera is not None:
        rectify(rgb, camera, grid)
    decode_warp = time.process_time() - start
    start = time.process_time()
    row: dict[str, object] = {
        "name": name,
        "kind": kind,
        "size": f"{rgb.shape[1]}x{rgb.shape[0]}",
        "reason": "",
    }
    try:
        found = register(rgb, drawing)
    except AlignmentRefused as error:
        row |= {"result": "refused", "reason": str(error)}
    else:
        row |= {
            "result": "accepted",
            "radius": found.residual_mm.value,
            "radius_high": found.residual_mm.high,
        }
        if camera is not None:
            if points is None:
                x0, y0, x1, y1 = drawing.outline.bounds
                points = np.stack(np.meshgrid(np.linspace(x0, x1, 8), np.linspace(y0, y1, 8)), -1).reshape(
                    -1, 2
                )
            off = np.hypot(*(camera.px_to_mm(found.mm_to_px(points)) - points).T)
            row |= {"rms_mm": np.sqrt((off**2).mean()), "max_mm": off.max()}
            row["covered"] = float((off <= found.error_mm(points)).mean())
    seconds = time.process_time() - start
    return row | {
        "seconds": seconds,
        "x_decode_warp": seconds / decode_warp if camera is not None else np.nan,
    }


def summary(table: pd.DataFrame) -> str:
    lines = []
    for kind in ("photo", "render"):
        usable = table[table.kind == kind]
        if usable.empty:
            continue
        ok = usable[usable.result == "accepted"]
        rms = ok.get("rms_mm", pd.Series(dtype=float))
        lines.append(
            f"{kind}: {len(ok)} of {len(usable)} accepted; rms mm median {rms.median():.3f}, worst {rms.max():.3f}; "
            f"over {WRONG_MM} mm: {int((rms > WRONG_MM).sum())}; 90 % radius covers {ok.covered.mean():.0%} of places; "
            f"seconds median {usable.seconds.median():.1f}, {usable.x_decode_warp.median():.1f} x decode and warp"
        )
    other = table[~table.kind.isin(["photo", "render", "negative"])]
    if len(other):
        ok = other[other.result == "accepted"]
        lines.append(
            f"unusable: {len(ok)} of {len(other)} accepted, worst rms {ok.get('rms_mm', pd.Series([np.nan])).max():.3f} mm"
        )
    negatives = table[table.kind == "negative"]
    lines.append(
        f"negatives: {int((negatives.result == 'accepted').sum())} of {len(negatives)} accepted (should be 0)"
    )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--photos", type=Path, default=DEFAULT_PHOTOS, help="folder with plate.json, index.csv, truth"
    )
    parser.add_argument("--renders", type=int, default=60)
    parser.add_argument("--negatives", type=int, default=12)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, help="write the table as CSV")
    args = parser.parse_args()
    print(
        f"python {platform.python_version()}, opencv {cv2.__version__}, numpy {np.__version__}, seed {args.seed}"
    )
    rows = []
    if args.photos.is_dir():
        rows += [measure(item) for item in development(args.photos)]
    else:
        print(f"{args.photos} is not there: no development photos")
    rows += [measure(item) for item in renders(args.renders, args.negatives, args.seed)]
    table = pd.DataFrame(rows)
    with pd.option_context("display.width", 240, "display.max_colwidth", 70, "display.max_rows", None):
        print(table.to_string(index=False, float_format="%.3f", na_rep="-"))
    print(summary(table))
    if args.out:
        table.to_csv(args.out, index=False)


if __name__ == "__main__":
    main()
