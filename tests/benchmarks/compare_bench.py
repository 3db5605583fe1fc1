"""Time and error of comparing six surveys of one face.

Prints the environment first, then time beside the error against the truth of the simulated series.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from pathlib import Path

import cv2
import numpy as np
from shapely.affinity import scale as scaled

from pitmap.compare import compare
from pitmap.drawing import Drawing, Opening

sys.path.insert(0, str(Path(__file__).parents[1]))
import compare_sim as sim


def _enlarged(drawing: Drawing, factor: float) -> Drawing:
    def big(shape):  # type: ignore[no-untyped-def]
        return scaled(shape, factor, factor, origin=(0, 0))

    return Drawing(
        name=drawing.name,
        thickness_mm=drawing.thickness_mm,
        outline=big(drawing.outline),
        openings=tuple(Opening(name=o.name, kind=o.kind, polygon=big(o.polygon)) for o in drawing.openings),
        zones={k: big(v) for k, v in drawing.zones.items()},
        trace=big(drawing.trace),
        coolant_edge=big(drawing.coolant_edge),
    )


def main() -> None:
    """Parse, make, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--surveys", type=int, default=6, help="surveys in the series (2 to 6)")
    parser.add_argument("--px-per-mm", type=float, default=10.0, help="scale of the class maps")
    parser.add_argument("--size", type=float, default=1.8, help="plate size; 1.8 is about 250 by 160 mm")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--repeat", type=int, default=3, help="timed runs; the best and the median are printed"
    )
    args = parser.parse_args()
    print(
        f"{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"numpy {np.__version__}, OpenCV {cv2.__version__} with {cv2.getNumThreads()} threads"
    )
    drawing = _enlarged(sim.make_drawing(), args.size)
    grid = drawing.grid(args.px_per_mm)
    rng = np.random.default_rng(args.seed)
    plate, removed, surveys = sim.make_series(rng, drawing, grid, args.surveys)
    times = []
    for _ in range(args.repeat):
        start = time.perf_counter()
        result = compare(surveys, drawing)
        times.append(time.perf_counter() - start)
    right, n = 0, 0
    for k, pair in enumerate(result.pairs):
        steps = [(surveys[i].stage, removed[i]) for i in (k, k + 1)]
        rows = sim.judge(pair, sim.true_fates(plate, drawing, grid, *steps, surveys[k : k + 2]))
        right, n = right + int(rows["is_right"].sum()), n + len(rows)
    print(
        f"{args.surveys} surveys of {grid.n_cols} x {grid.n_rows} px: best {min(times):.2f} s, "
        f"median {np.median(times):.2f} s (less is better); "
        f"fate right for {right} of {n} pits (more is better)"
    )


if __name__ == "__main__":
    main()
