"""Pieces of the drawing that must agree with each other: every opening, and the outline in sectors."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..tables import Column, Schema
from .edges import DrawnEdges

__all__ = ["N_SECTORS", "REGIONS", "region_of", "region_table"]

N_SECTORS = 12
"""Of the outline; they come before the openings."""

REGIONS = Schema(
    "alignment regions",
    (
        Column("region", "object", "opening, or sector of the outline counted counter-clockwise"),
        Column("x_mm", "float64", "middle of the region"),
        Column("y_mm", "float64", "middle of the region"),
        Column("in_frame_share", "float64", "share of its drawn edge that lies in the photo, 0..1"),
        Column(
            "met_share",
            "float64",
            "share of the edge in the photo that was found in its place, 0..1; NaN out of frame",
        ),
        Column(
            "residual_mm",
            "float64",
            "root mean square distance of the edge found from the edge drawn; NaN when none",
        ),
        Column("residual_mean_mm", "float64", "mean of it, positive outwards from the metal; NaN when none"),
    ),
)
"""How well each piece of the drawing agrees with the photo."""


def region_of(edges: DrawnEdges) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Region of every sample, and the names: ``outline 1`` .. ``outline 12``, then the openings."""
    outline = edges.part == 0
    middle = edges.points_mm[outline].mean(0) if outline.any() else np.zeros(2)
    angle = np.arctan2(*(edges.points_mm - middle).T[::-1])
    sector = np.minimum((angle + np.pi) / (2 * np.pi) * N_SECTORS, N_SECTORS - 1).astype(np.int64)
    names = tuple(f"outline {k + 1}" for k in range(N_SECTORS)) + edges.part_names[1:]
    return np.where(outline, sector, N_SECTORS - 1 + edges.part), names


def region_table(
    edges: DrawnEdges, inside: NDArray[np.bool_], met: NDArray[np.bool_], offset_mm: NDArray[np.float64]
) -> pd.DataFrame:
    """Agreement by region; columns of :data:`REGIONS`."""
    region, names = region_of(edges)
    used = edges.length_mm > 0
    rows = []
    for k, name in enumerate(names):
        here = region == k
        if not here.any():
            continue
        seen = here & used & inside
        good = seen & met
        rows.append(
            {
                "region": name,
                "x_mm": edges.points_mm[here, 0].mean(),
                "y_mm": edges.points_mm[here, 1].mean(),
                "in_frame_share": (here & inside).sum() / here.sum(),
                "met_share": good.sum() / seen.sum() if seen.any() else np.nan,
                "residual_mm": np.sqrt((offset_mm[good] ** 2).mean()) if good.any() else np.nan,
                "residual_mean_mm": offset_mm[good].mean() if good.any() else np.nan,
            }
        )
    return REGIONS.frame(rows)
