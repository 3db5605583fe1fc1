"""Real pits on real steel, no drawing: pooled pixel F1 on whole photos and on windows around the pits.

    python tests/benchmarks/real_pits.py FOLDER [--models DIR] [--px-per-mm 20] [--csv FILE]

FOLDER holds index.csv (photo, mask, group, has_pits), the photos and the masks. With --models DIR (0.onnx,
1.onnx ... and a JSON beside each) every photo is read by the network trained without its group; without it by
the shipped one, which has seen the development photos. F1 is over pixels, all photos pooled; higher is better.
"""

from __future__ import annotations

import argparse
import platform
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from pitmap.classes import SurfaceClass
from pitmap.surface import classify
from pitmap.surface.learned import load_network

sys.path.insert(0, str(Path(__file__).parent / "surface_training"))
from folds import PIT_FOLDS, by_left_out, pit_group

WINDOW_PX = 256
STOCK = ("black top-hat + Otsu", "local threshold")


def windows(mask: np.ndarray) -> list[tuple[slice, slice]]:
    """A window around every pit, moved inward where it would leave the picture."""
    n, _, stats, centres = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    out = []
    for k in range(1, n):
        if stats[k, cv2.CC_STAT_AREA] < 20:
            continue
        starts = [
            int(np.clip(c - WINDOW_PX / 2, 0, max(0, size - WINDOW_PX)))
            for c, size in zip(centres[k][::-1], mask.shape, strict=True)
        ]
        out.append(tuple(slice(a, a + WINDOW_PX) for a in starts))
    return out


def stock(rgb: np.ndarray, name: str) -> np.ndarray:
    """What a page of scikit-image or OpenCV calls gives."""
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    if name == STOCK[0]:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (101, 101))
        hat = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, disc)
        return cv2.threshold(hat, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1] > 0
    return cv2.adaptiveThreshold(grey, 1, cv2.ADAPTIVE_THRESH_GAUSSIAN_C, cv2.THRESH_BINARY_INV, 151, 20) > 0


class Counts:
    """Pixels right, wrong and missed, pooled."""

    def __init__(self) -> None:
        self.both = self.said = self.true = 0

    def add(self, said: np.ndarray, truth: np.ndarray) -> None:
        """One picture more."""
        self.both += int((said & truth).sum())
        self.said += int(said.sum())
        self.true += int(truth.sum())

    def row(self) -> dict[str, float]:
        """Precision, recall, F1."""
        return {
            "precision": self.both / max(self.said, 1),
            "recall": self.both / max(self.true, 1),
            "f1": 2 * self.both / max(self.said + self.true, 1),
        }


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--models", type=Path, help="networks of the folds, 0.onnx, 1.onnx ...")
    parser.add_argument("--px-per-mm", type=float, default=20.0)
    parser.add_argument("--every", type=int, default=1, help="only every so many photos")
    parser.add_argument("--ways", default="", help="comma-separated; the stock ones take longest")
    parser.add_argument("--csv", type=Path)
    args = parser.parse_args()
    print(f"python {platform.python_version()}, opencv {cv2.__version__}, {cv2.getNumThreads()} threads")
    networks = by_left_out(args.models, PIT_FOLDS, load_network) if args.models else {}
    ways = tuple(args.ways.split(",")) if args.ways else ("learned", "classic", *STOCK)
    counts = {(way, where): Counts() for way in ways for where in ("photo", "window")}
    seconds = 0.0
    items = pd.read_csv(args.folder / "index.csv").to_dict("records")[:: args.every]
    if args.models:
        items = [i for i in items if pit_group(i["group"]) in networks]
        print(f"{len(items)} photos of groups that a network there has not seen")
    for item in items:
        rgb = cv2.cvtColor(cv2.imread(str(args.folder / item["photo"])), cv2.COLOR_BGR2RGB)
        truth = cv2.imread(str(args.folder / item["mask"]), cv2.IMREAD_GRAYSCALE) > 127
        network = networks.get(pit_group(item["group"]))

        def read(picture: np.ndarray, way: str, network=network) -> np.ndarray:
            if way in STOCK:
                return stock(picture, way)
            given = network if way == "learned" else None
            found = classify(picture, px_per_mm=args.px_per_mm, stage="final", method=way, network=given)
            return found.is_class(SurfaceClass.PIT)

        for way in ways:
            started = time.perf_counter()
            counts[way, "photo"].add(read(rgb, way), truth)
            seconds += (time.perf_counter() - started) * (way == "learned")
            for window in windows(truth):
                counts[way, "window"].add(read(np.ascontiguousarray(rgb[window]), way), truth[window])
    table = pd.DataFrame([{"way": way, "on": where, **c.row()} for (way, where), c in counts.items()])
    print(
        table.sort_values(["on", "f1"], ascending=[True, False]).to_string(index=False, float_format="%.3f")
    )
    print(f"learned, whole photos: {seconds:.1f} s")
    if args.csv:
        table.to_csv(args.csv, index=False)


if __name__ == "__main__":
    main()
