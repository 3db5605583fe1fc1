"""Map every picture of a folder that somebody else made, and write what that folder's own scorer reads.

    python tests/benchmarks/outside_photos.py FOLDER --out RESULTS [--only REGEX]

FOLDER holds plate.json (rings in mm and the raster to write on), index.csv (id, stage, ...) and <id>/photo.jpg.
Nothing else of it is opened: no truth is read. Per picture this writes RESULTS/<id>/alignment.json (the
alignment or the reason of the refusal) and RESULTS/<id>/classes.png.
"""

from __future__ import annotations

import argparse
import csv
import json
import platform
import re
import time
from pathlib import Path

import cv2
import numpy as np

from pitmap import __version__
from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import Drawing, load_rings, template_grid
from pitmap.errors import AlignmentRefused, PitmapError
from pitmap.grid import Grid
from pitmap.photo import read_photo
from pitmap.pipeline import align, classify_face, straighten


def map_one(
    photo_path: Path, drawing: Drawing, grid: Grid, stage: Stage
) -> tuple[dict, np.ndarray | None, str]:
    """The scorer's alignment entry, the class raster or None, and a word for the log."""
    photo = read_photo(photo_path)
    try:
        alignment = align(photo, drawing)
    except AlignmentRefused as error:
        return {"refused": str(error)}, None, f"refused: {error}"
    straight = straighten(photo.rgb, alignment, grid)
    codes = np.array(classify_face(straight, drawing, stage).codes)
    # A score has no class there; the metal it runs through is sound.
    codes[codes == SurfaceClass.SCORE] = SurfaceClass.SOUND
    lens = alignment.lens
    entry = {
        "homography_mm_to_px": np.asarray(alignment.homography).tolist(),
        "radial": {"k1": lens.k1, "k2": lens.k2, "centre": list(lens.centre_xy), "scale": lens.scale_px},
        "px_per_mm": grid.px_per_mm,
    }
    return entry, codes, f"residual {alignment.residual_mm.value:.3f} mm"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", default="", help="regular expression on the picture id")
    arguments = parser.parse_args()
    python, threads = platform.python_version(), cv2.getNumThreads()
    print(f"pitmap {__version__}, Python {python}, OpenCV {cv2.__version__}, {threads} threads")
    drawing, grid = (
        load_rings(arguments.folder / "plate.json"),
        template_grid(arguments.folder / "plate.json"),
    )
    with open(arguments.folder / "index.csv", newline="", encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if re.search(arguments.only, r["id"])]
    for row in rows:
        start = time.perf_counter()
        out = arguments.out / row["id"]
        out.mkdir(parents=True, exist_ok=True)
        try:
            # A picture with no stage is not of a plate that anybody lapped; the stage only matters once aligned.
            stage = Stage(row.get("stage") or "test_lap")
            entry, codes, word = map_one(arguments.folder / row["id"] / "photo.jpg", drawing, grid, stage)
        except PitmapError as error:
            entry, codes, word = {"refused": str(error)}, None, f"refused: {error}"
        (out / "alignment.json").write_text(json.dumps(entry), encoding="utf-8")
        if codes is not None:
            cv2.imwrite(str(out / "classes.png"), codes)
        print(f"{row['id']:12s} {time.perf_counter() - start:6.2f} s  {word}", flush=True)


if __name__ == "__main__":
    main()
