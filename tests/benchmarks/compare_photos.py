"""From photos to fates: three surveys of rendered faces, mapped as a user's photos, beside what was truly left.

    python tests/benchmarks/compare_photos.py [--faces 7] [--seed 991]

For each step of the lap: pits, how many are called gone, and at how many of those the truth keeps a hole of 0.3 mm
and more, or one as wide as the photo can show.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from pitmap.classes import Stage
from pitmap.compare import compare
from pitmap.drawing import load_shipped
from pitmap.errors import AlignmentRefused
from pitmap.estimate import Estimate
from pitmap.pipeline import map_face
from pitmap.synthetic import lap, make_face, random_scene, render_photo
from pitmap.synthetic.cases import DAMAGES

sys.path.insert(0, str(Path(__file__).parents[1]))
from holes_left import holes_where_gone, pit_fates, shown_mm

PLATES = ("heron40_end", "heron40_intermediate_a", "heron40_intermediate_b")
STEPS = (("intake", 0.0), ("test_lap", 20.0), ("lap_1", 45.0))


def surveys(k: int, seed: int, folder: Path):  # type: ignore[no-untyped-def]
    """Drawing, and the inspection and truth of every survey of face `k` whose photo was accepted."""
    rng = np.random.default_rng([seed, k])
    drawing = load_shipped(PLATES[k % len(PLATES)])
    face = make_face(drawing, rng, list(DAMAGES.values())[k % len(DAMAGES)], 10.0)
    found = []
    for stage, removed_um in STEPS:
        survey = lap(face, removed_um, stage=stage)
        scene = random_scene(drawing, rng, size_wh=(2000, 1500), tilt_deg=6)
        rgb, truth = render_photo(survey, drawing, scene, rng)
        path = folder / f"{k}_{stage}.jpg"
        cv2.imwrite(str(path), rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
        try:
            inspection = map_face([path], drawing, stage=Stage(stage))
        except AlignmentRefused as refusal:
            print(f"{k} {stage}: refused, {refusal}"[:110])
            continue
        found.append((replace(inspection, removed_um=Estimate.from_sd(removed_um, 2.0)), truth))
    return drawing, found


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--faces", type=int, default=7)
    parser.add_argument("--seed", type=int, default=991)
    args = parser.parse_args()
    print(f"python {platform.python_version()}, opencv {cv2.__version__}, seed {args.seed}")
    total = np.zeros(4, int)
    with tempfile.TemporaryDirectory() as there:
        for k in range(args.faces):
            drawing, found = surveys(k, args.seed, Path(there))
            for (before, _), (after, truth) in zip(found, found[1:], strict=False):
                fates = compare([before, after], drawing).pairs[0].fates
                left, shown = (
                    holes_where_gone(fates, truth.labels, truth.grid),
                    shown_mm(after.photo_px_per_mm),
                )
                row = [len(pit_fates(fates)), len(left), (left >= 0.3).sum(), (left >= shown).sum()]
                total += row
                print(
                    f"{k} {drawing.name}, {before.stage} to {after.stage}: {row[0]} pits, {row[1]} gone; a hole"
                    f" of 0.3 mm left at {row[2]}, one of {shown:g} mm at {row[3]}",
                    flush=True,
                )
    print(
        f"all: {total[0]} pits, {total[1]} gone; a hole of 0.3 mm left at {total[2]}"
        f" ({100 * total[2] / max(1, total[0]):.2f} % of the pits, lower is better), one that shows at {total[3]}"
    )


if __name__ == "__main__":
    main()
