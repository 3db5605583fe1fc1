"""Surveys of an invented strip of metal with hand-drawn marks, for the tests of comparisons."""

from datetime import date
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
from shapely import box

from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import Drawing
from pitmap.estimate import Estimate

PIT, STAIN, UNCUT, UNSEEN = (int(SurfaceClass[w]) for w in ("PIT", "STAIN", "UNCUT", "UNSEEN"))


def strip():
    """A running surface of 40 by 40 mm beside a land of 20 by 40 mm."""
    outline = box(0, 0, 60, 40)
    return Drawing(
        name="Strip",
        thickness_mm=20.0,
        outline=outline,
        openings=(),
        zones={"running_surface": box(0, 0, 40, 40), "seal_land": box(40, 0, 60, 40)},
    )


def survey(
    drawing, spots, stage="test_lap", removed=0.0, on=date(2025, 5, 1), confidence=0.95, shift=(0.0, 0.0)
):
    """Spots are (code, x, y, diameter) in mm, drawn in order."""
    grid = drawing.grid(8.0)
    codes = np.where(drawing.mask(grid), 1, 0).astype(np.uint8)
    sure = np.full(grid.shape, confidence, np.float32)
    for code, x, y, diam in spots:
        c, r = grid.mm_to_px(np.array([x + shift[0], y + shift[1]]))
        reach = int(diam * 4 + 2)
        r0, c0 = max(0, int(r) - reach), max(0, int(c) - reach)
        part = codes[r0 : int(r) + reach, c0 : int(c) + reach]
        yy, xx = np.ogrid[r0 : r0 + part.shape[0], c0 : c0 + part.shape[1]]
        part[((xx - c) ** 2 + (yy - r) ** 2 <= (diam / 2 * 8) ** 2) & (part > 0)] = code
    rows = []
    for name, x0, x1 in (("running_surface", 0, 40), ("seal_land", 40, 60)):
        xs = grid.centres_mm()[0]
        part = codes[:, (xs > x0) & (xs < x1)]
        part = part[(part != 0) & (part != UNSEEN)]
        for word, index in (("pit", [2]), ("uncut", [5]), ("affected", [2, 3, 4, 5])):
            share = float(np.isin(part, index).mean())
            rows.append(
                {"zone": name, "class_word": word, "share": share, "share_low": share, "share_high": share}
            )
    n, _, stats, centre = cv2.connectedComponentsWithStats((codes == PIT).astype(np.uint8), connectivity=8)
    xy = grid.px_to_mm(centre[1:]) if n > 1 else np.zeros((0, 2))
    marks = pd.DataFrame(
        {
            "mark_id": np.arange(101, 100 + n, dtype=np.int64),
            "class_code": np.full(n - 1, 2, np.int64),
            "x_mm": xy[:, 0],
            "y_mm": xy[:, 1],
            "flags": np.zeros(n - 1, np.int64),
        }
    )
    return SimpleNamespace(
        face="front",
        stage=Stage(stage),
        surveyed_on=on,
        removed_um=Estimate(value=removed, low=removed - 1, high=removed + 1),
        drawing_name="Strip",
        photos=(),
        alignment=SimpleNamespace(residual_mm=Estimate(value=0.1, low=0.05, high=0.15)),
        class_map=SimpleNamespace(codes=codes, confidence=sure, grid=grid, probabilities=None),
        measurement=SimpleNamespace(
            marks=marks,
            zones=pd.DataFrame(rows),
            sound_width_mm=Estimate(value=4.0, low=3.5, high=4.5),
        ),
    )


def pits(comparison):
    f = comparison.overall.fates
    return f[f["class_word"] == "pit"].reset_index(drop=True)


def make_series(drawing):
    deep, shallow = (PIT, 50, 10, 2.0), (PIT, 50, 30, 2.0)
    return [
        survey(drawing, [deep, shallow, (UNCUT, 20, 20, 10.0)], "test_lap", 10, date(2025, 5, 2)),
        survey(drawing, [deep, (UNCUT, 20, 20, 4.0)], "lap_1", 25, date(2025, 5, 3)),
        survey(drawing, [], "lap_2", 40, date(2025, 5, 4)),
    ]
