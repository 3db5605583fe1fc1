"""The drawn edges as samples: where each one is, which way it faces, and which opening it belongs to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.polygon import orient

from ..drawing import Drawing
from ..errors import InputError

__all__ = ["OUTLINE", "DrawnEdges", "drawn_edges"]

OUTLINE = "outline"
"""Name of part 0."""

_CORNER_COS = 0.9
"""A ring that turns by more than about 25 deg within one spacing has no normal worth searching along."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnEdges:
    """Samples of outline and openings, evenly spaced along every ring.

    Parameters
    ----------
    points_mm : (N, 2) array
    normals : (N, 2) array
        Unit vectors from the metal of the face into the void.
    part : (N,) int array
        0 for the outline, 1.. in the order of the drawing's openings.
    part_names : tuple of str
        ``"outline"`` and the names of the openings, none of them that one.
    length_mm : (N,) array
        Arc length that each sample stands for; 0 at sharp corners, which are not searched.
    """

    points_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    part: NDArray[np.int64]
    part_names: tuple[str, ...]
    length_mm: NDArray[np.float64]

    def take(self, rows: NDArray) -> DrawnEdges:
        """The samples picked out by an index or mask."""
        return DrawnEdges(
            points_mm=self.points_mm[rows],
            normals=self.normals[rows],
            part=self.part[rows],
            part_names=self.part_names,
            length_mm=self.length_mm[rows],
        )


def _ring(polygon: Polygon, spacing_mm: float, into_void: float) -> tuple[NDArray, NDArray, NDArray]:
    xy = np.asarray(orient(polygon).exterior.coords, float)
    step = np.hypot(*np.diff(xy, axis=0).T)
    along = np.r_[0.0, np.cumsum(step)]
    n = max(12, round(along[-1] / spacing_mm))
    ds = along[-1] / n

    def at(s: NDArray) -> NDArray:
        s = np.mod(s, along[-1])
        return np.stack([np.interp(s, along, xy[:, 0]), np.interp(s, along, xy[:, 1])], -1)

    s = (np.arange(n) + 0.5) * ds
    here = at(s)
    chord = at(s + 0.3 * ds) - at(s - 0.3 * ds)
    tangent = chord / np.maximum(np.hypot(*chord.T), 1e-12)[:, None]
    # orient() runs counter-clockwise: the outside of the ring is to the right of the tangent
    normal = into_void * np.stack([tangent[:, 1], -tangent[:, 0]], -1)
    before, after = here - at(s - ds), at(s + ds) - here
    cos = (before * after).sum(1) / np.maximum(np.hypot(*before.T) * np.hypot(*after.T), 1e-12)
    return here, normal, np.where(cos < _CORNER_COS, 0.0, ds)


def drawn_edges(drawing: Drawing, spacing_mm: float) -> DrawnEdges:
    """Sample the outline and every opening of a drawing.

    Parameters
    ----------
    drawing : Drawing
    spacing_mm : float
        Wanted distance between samples, mm, above 0. Small openings get at least 12, which say where they are; a round one
        with fewer than 14 is all corners, and none of its samples is searched.

    Raises
    ------
    InputError
        Spacing not above 0.
    """
    if not spacing_mm > 0:
        raise InputError(f"spacing_mm: expected a number above 0, got {spacing_mm!r}")
    rings = [(drawing.outline, 1.0)] + [(o.polygon, -1.0) for o in drawing.openings]
    parts = [_ring(polygon, spacing_mm, side) for polygon, side in rings]
    names = [o.name for o in drawing.openings]
    return DrawnEdges(
        points_mm=np.concatenate([p[0] for p in parts]),
        normals=np.concatenate([p[1] for p in parts]),
        part=np.repeat(np.arange(len(parts)), [len(p[0]) for p in parts]),
        # one that somebody has named like the outline would be taken for it
        part_names=(OUTLINE, *(f"opening {n}" if n == OUTLINE else n for n in names)),
        length_mm=np.concatenate([p[2] for p in parts]),
    )
