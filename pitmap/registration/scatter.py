"""How far the openings lie beside the places that the camera gives them: what no camera of a flat plate can follow."""

from __future__ import annotations

import math

import numpy as np

from .displaced import Looked, met
from .edges import DrawnEdges
from .polish import MODEL_SD_MM, MODEL_SD_PX

__all__ = ["unmodelled_mm2"]

_STEPS = 4
"""Part of a small shift is taken for a broken edge of another width, so one step goes a third to a half of the way."""
_NEAR_PX = 2.0
_LEAST_MET = 0.6
_ROUND = 0.2
"""Least share of an opening's edge that looks along any direction (one half for a circle): else a shift is not known."""
_FEWEST = 10
_FEWEST_OPENINGS = 5


def unmodelled_mm2(at: Looked, edges: DrawnEdges) -> float:
    """Mean square of how far openings lie beside their places, less what the edges of a plate scatter anyway, mm2.

    Parameters
    ----------
    at : Looked
    edges : DrawnEdges

    Returns
    -------
    float
        0 for a flat plate as a camera sees it, and where too few openings are in sight to tell.

    Notes
    -----
    A sheet that is bowed or wavy, a picture taken while the phone moved or stitched from several, and a drawing whose
    openings are all a little off leave the openings beside their places. From the middle one of the squares, as for a round
    normal scatter (its median over its mean is ln 2), so that one opening drawn elsewhere does not count for the plate.
    """
    mine = edges.take((edges.part > 0) & (edges.length_mm > 0))
    names = np.unique(mine.part)
    push = np.zeros((len(edges.part_names), 2))
    scale = np.ones(len(edges.part_names))
    placed: list[int] = []
    for _ in range(_STEPS if len(names) >= _FEWEST_OPENINGS else 0):
        fit = at.fit(mine, push[mine.part])
        near = met(fit, mine, _NEAR_PX)
        placed = []
        for k in names:
            good = near & (mine.part == k)
            if good.sum() < max(_FEWEST, _LEAST_MET * (mine.part == k).sum()):
                continue
            normals = mine.normals[good]
            form = normals.T @ normals / len(normals)
            if np.linalg.eigvalsh(form)[0] < _ROUND:
                continue
            off_mm = (fit.offset_px / fit.px_per_mm)[good]
            push[k] += np.linalg.solve(form, normals.T @ off_mm / len(normals))
            scale[k] = np.median(fit.px_per_mm[good])
            placed.append(int(k))
    if len(placed) < _FEWEST_OPENINGS:
        return 0.0
    square = float(np.median((push[placed] ** 2).sum(1))) / math.log(2)
    usual = MODEL_SD_MM**2 + (MODEL_SD_PX / float(np.median(scale[placed]))) ** 2
    return max(square - usual, 0.0)
