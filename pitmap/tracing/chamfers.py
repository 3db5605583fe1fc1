"""Edges with a known chamfer, read with its light: face, chamfer and what lies beyond are three levels."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..registration.edges import DrawnEdges
from ..registration.profiles import fit_profiles
from .cameras import EdgeSet, off_metal, pose_view
from .photos import PhotoClicks

__all__ = ["read_chamfers"]

_LEAST_EXPLAINED = 0.6
_N_STEPS, _SETTLED_PX, _MOST_PX = 4, 0.2, 3.0
"""The fit is right to first order and is repeated from where it leads; what has not settled then is not told."""
_WALL_MM = 12.0
"""Height of the walls where nobody gave the thickness (house choice); their foot is one more step in a profile."""


def read_chamfers(
    sets: Sequence[EdgeSet],
    photos: Sequence[PhotoClicks],
    poses: NDArray[np.float64],
    edge_break_mm: float,
    blur_px: Sequence[float],
    thickness_mm: float,
) -> None:
    """Move the edges of every set to where the face ends, in place.

    A chamfer shines on the side that faces the lamp and is dark on the other; a level between face and void then
    lies on its outer border here and on its inner one there, and holes seem to stand beside their places. Where a
    profile does not tell the three levels apart, its edge stays as it was read.

    Parameters
    ----------
    sets : sequence of EdgeSet
        The outline first, then the openings; ``points_px`` are moved.
    photos : sequence of PhotoClicks
    poses : (photos, 11) array
        Cameras as known so far, as :func:`pitmap.tracing.cameras.pose_view` takes them.
    edge_break_mm : float
        Width of the chamfer seen from above, above 0; its slope is 45 degrees (common practice, no published source).
    blur_px : sequence of float
        Standard deviation of each photo's blur.
    thickness_mm : float
        Of the plate, NaN where nobody gave it.
    """
    wall_mm = thickness_mm if math.isfinite(thickness_mm) else _WALL_MM
    for i, photo in enumerate(photos):
        view = pose_view(poses[i], (photo.rgb.shape[1], photo.rgb.shape[0]))
        for k, s in enumerate(sets):
            normals, beyond_mm = off_metal(s.plane, is_hole=k > 0), np.zeros(len(s.plane))
            for _ in range(_N_STEPS):
                drawn = DrawnEdges(
                    points_mm=s.plane + (edge_break_mm + beyond_mm)[:, None] * normals,
                    normals=normals,
                    part=np.zeros(len(normals), int),
                    part_names=("edge",),
                    length_mm=np.ones(len(normals)),
                )
                fit = fit_profiles(
                    photo.rgb,
                    view,
                    drawn,
                    thickness_mm=wall_mm,
                    edge_break_mm=edge_break_mm,
                    blur_px=blur_px[i],
                )
                beyond_mm += np.clip(fit.offset_px, -_MOST_PX, _MOST_PX) / fit.px_per_mm
            told = fit.inside & (np.abs(fit.offset_px) < _SETTLED_PX) & (fit.explained > _LEAST_EXPLAINED)
            told &= np.abs(beyond_mm) * fit.px_per_mm < _MOST_PX
            moved = view.project(s.plane + normals * beyond_mm[:, None])
            s.points_px[i] = np.where(told[:, None], moved, s.points_px[i])
