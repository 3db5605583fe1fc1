"""Do the openings show twice? A gasket of the plate's own shape on it has all edges of the drawing, beside the plate's."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .displaced import Looked, pushes_mm
from .edges import DrawnEdges
from .evidence import shrink

__all__ = ["SecondFace", "second_face"]

_LONG_SIDE_PX = 1280
_REACH_MM, _LEAST_MM = 8.0, 2.0
_PUSH_MM, _TURN_DEG, _MOST_TURN_DEG = 0.5, 0.5, 1.5
_STEP_MM, _ACROSS_MM = 0.25, 1.0
"""Along the normals: between samples of brightness, and what one fall of it is taken over."""
_HALF_GREY = 8.0
"""A fall of so many grey levels counts half: several times the noise of a photo, a tenth of what an opening has."""
_STRIP_MM = 1.5
"""A narrower strip of metal does not part from the broken edge beside it, nor from a blurred edge."""
_NEAR_WALL_MM = 1.0
_FEWEST = 60
"""Samples: of fewer that look the right way one place fits by chance."""
_SURE = 2.0
"""Standard errors that a mean is held back by. Samples of one opening err together, by its wall and its shadow: openings
are counted, not samples."""
_TWICE = 0.11
"""Mean fall at the best place, so held back, over that of the middling place. Photos of the bare plate had at most 0.05,
renders of it 0.08, but for one of some 200 usable ones with 0.17; 40 sheets laid 2.6 to 7 mm beside the plate on development
photos, on which the drawing was laid before, 0.13 and more. Of 18 that were tried before, from 1.4 mm on, two lay under 2 mm
beside it and are not told, and from two the camera leant the way of the shift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondFace:
    """Where the openings show a second time.

    Parameters
    ----------
    excess : float
        By how much the brightness falls there more than at the middling place, 0..1.
    away_mm : float
        From where the drawing lies, in the middle of the plate.
    """

    excess: float
    away_mm: float

    @property
    def is_there(self) -> bool:
        """True when so much is no chance, and the place no foot of what lies nearer than was looked."""
        return self.excess > _TWICE and self.away_mm >= _LEAST_MM + _PUSH_MM


def second_face(at: Looked, edges: DrawnEdges) -> SecondFace:
    """Look beside the openings for the edge of metal under what the drawing lies on.

    Parameters
    ----------
    at : Looked
    edges : DrawnEdges
        Of a drawing with its origin in its middle.

    Returns
    -------
    SecondFace
        With an excess of 0 where too few openings are in sight to tell.

    Notes
    -----
    Metal under a sheet sticks out into every opening on the side that the sheet is shifted away from, and ends there in
    the void: going outwards the brightness falls there, everywhere at one and the same shift. A shadow lies to one side
    just so, but the brightness rises where it ends; and the foot of a wall lies where the view puts it, which is left out.
    Metal that is darker than what shows through its openings is not told from a shadow, nor metal from walls where a leaning
    camera sees them just there.
    """
    mine = edges.take((edges.part > 0) & (edges.length_mm > 0))
    mine = mine.take(np.arange(0, len(mine.part), 2))
    if len(mine.part) < _FEWEST:
        return SecondFace(excess=0.0, away_mm=0.0)
    away = np.arange(-_STRIP_MM, _REACH_MM + 2.0, _STEP_MM)
    fall, inside = _falls(at, mine, away)
    eye = at.view.eye_mm()
    foot = at.thickness_mm * ((eye[:2] - mine.points_mm) * mine.normals).sum(1) / max(eye[2], 1.0)
    pushes = pushes_mm(_LEAST_MM, _REACH_MM, _PUSH_MM)
    # what each sample says at each distance; a last column for what lies beyond them all
    counts = (
        inside & (away >= _STRIP_MM) & ~((foot[:, None] > 0) & (np.abs(away - foot[:, None]) < _NEAR_WALL_MM))
    )
    said = np.pad(np.stack([counts, fall * counts]).astype(np.float32), ((0, 0), (0, 0), (0, 1)))
    first = np.arange(len(mine.part), dtype=np.int32) * said.shape[2]
    openings = np.unique(mine.part, return_index=True)[1]
    # how a turn about the middle moves each sample along its normal
    lever = mine.points_mm[:, 0] * mine.normals[:, 1] - mine.points_mm[:, 1] * mine.normals[:, 0]
    along = ((pushes @ mine.normals.T - away[0]) / _STEP_MM).astype(np.float32)
    means, sures = [], []
    for turn in np.radians(np.arange(-_MOST_TURN_DEG, _MOST_TURN_DEG + 1e-9, _TURN_DEG)):
        at_bin = np.rint(along + (turn * lever / _STEP_MM).astype(np.float32)).astype(np.int32)
        # one that points the other way says nothing, as one beyond the last column does
        at_bin = np.minimum(at_bin.view(np.uint32), np.uint32(len(away))).astype(np.int32) + first
        n, total = (np.add.reduceat(layer.ravel().take(at_bin), openings, axis=1) for layer in said)
        n_all = np.maximum(n.sum(1), 1)
        mean = np.where(n_all >= _FEWEST, total.sum(1) / n_all, np.nan)
        error = np.sqrt(((total - mean[:, None] * n) ** 2).sum(1)) / n_all
        means.append(mean)
        sures.append(mean - _SURE * error)
    if np.isnan(means).all():
        return SecondFace(excess=0.0, away_mm=0.0)
    best = int(np.nanargmax(sures)) % len(pushes)
    return SecondFace(
        excess=float(np.nanmax(sures) - np.nanmedian(means)), away_mm=float(np.hypot(*pushes[best]))
    )


def _falls(
    at: Looked, edges: DrawnEdges, away_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """How clearly the brightness falls so far (D,) beyond each drawn edge, 0..1, (N, D), and where the photo shows it."""
    rgb, scale = shrink(at.rgb, _LONG_SIDE_PX)
    places = edges.points_mm[:, None] + away_mm[None, :, None] * edges.normals[:, None]
    px = at.view.scaled(scale).project(places.reshape(-1, 2)).reshape(*places.shape).astype(np.float32)
    h, w = rgb.shape[:2]
    inside: NDArray[np.bool_] = np.all((px >= 1) & (px <= [w - 2, h - 2]), axis=-1)
    soft = cv2.GaussianBlur(rgb, (0, 0), 0.7)
    grey = cv2.remap(soft, px[..., 0], px[..., 1], cv2.INTER_LINEAR).astype(np.float32).mean(-1)
    half = round(_ACROSS_MM / _STEP_MM / 2)
    drop = np.zeros_like(grey)
    drop[:, half:-half] = grey[:, : -2 * half] - grey[:, 2 * half :]
    drop[~inside] = 0
    drop = np.maximum(drop, 0)
    is_steepest = (drop >= np.roll(drop, 1, 1)) & (drop >= np.roll(drop, -1, 1))
    clear = np.where(is_steepest, drop / (drop + np.float32(_HALF_GREY)), 0)
    # a place counts with its neighbours: pushes are two steps apart
    clear = np.maximum.reduce([np.roll(clear, k, 1) for k in (-1, 0, 1)])
    return clear, inside
