"""How sharp is a picture, and where is it not?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .losses import grain

__all__ = ["Tile", "edge_crests", "edge_spread_px", "laplacian_variance", "sharpness_tiles", "smear_px"]

_FINE, _COARSE = 0.8, 2.0
"""Blurs, px, between which the fall of an edge's slope tells its own width."""
SPREAD_PER_SIGMA = 2.563
"""10 to 90 % width of a step blurred by a Gaussian of sigma 1."""
_DIFFERENCE_VARIANCE = 1 / 3
"""A central difference over two pixels smears by a box of width 2, whose variance is 1/3."""
_MIN_EDGES = 25
_KNOWN_SHARE, _REACH_PX, _REDUCTIONS = 0.2, 5.0, (1, 2, 4, 8)
"""Blurs of a pixel or two tell nothing of much wider edges: with fewer tiles told, or wider edges, the
picture is judged again at a half, a quarter, an eighth of its size."""
_SHARP_PART = 1 / 3
_DIRECTIONS = 6
_SMEARED = 2.0
"""So many times as wide as in another direction, edges are smeared by a movement; house choice. The 20 development photos,
taken with steady cameras, have 2.5 px at most where they pass it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """Sharpness of one part of the picture.

    Parameters
    ----------
    x, y, width, height : int
        The part, px of the photo.
    spread_px : float
        10 to 90 % width of its sharpest edges, px; NaN without enough edges to tell.
    laplacian : float
        Variance of the Laplacian: falls with blur, but depends on what is pictured.
    grain : float
        Noise from pixel to pixel of the photo, over its middle tone.
    """

    x: int
    y: int
    width: int
    height: int
    spread_px: float
    laplacian: float
    grain: float

    @property
    def centre_xy(self) -> tuple[float, float]:
        """Middle of the part, px."""
        return self.x + (self.width - 1) / 2, self.y + (self.height - 1) / 2


def laplacian_variance(grey: NDArray[np.uint8]) -> float:
    """Variance of the Laplacian (kernel 0 1 0 / 1 -4 1 / 0 1 0, reflected border).

    References
    ----------
    Pech-Pacheco et al., Diatom autofocusing in brightfield microscopy, ICPR 2000.
    """
    # ksize=1 is the kernel above; ksize=3 is another one, blind to a one-pixel chequerboard.
    return float(cv2.Laplacian(grey, cv2.CV_64F, ksize=1).var())


def edge_spread_px(grey: NDArray[np.uint8]) -> float:
    """10 to 90 % width of the sharpest edges in a grey picture, px, 1 at least; NaN of too few edges.

    Notes
    -----
    A step blurred by s has a slope that falls by R = sqrt((s^2 + b^2) / (s^2 + a^2)) between added blurs a < b,
    so s^2 = (b^2 - R^2 a^2) / (R^2 - 1). Soft things (stain, shadow) look blurred in any photo, therefore
    the sharpest third of the strong edges speaks for the tile.

    References
    ----------
    S. Zhuo and T. Sim, Defocus map estimation from a single image, Pattern Recognition 44 (2011) 1852-1858.
    """
    sigma, _ = _crests(grey)
    if len(sigma) < _MIN_EDGES:
        return float("nan")
    return _spread_of(sigma)


def edge_crests(grey: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.floating]]:
    """Where the crests of strong edges lie, px (n, 2), and the unit vectors (n, 2) across them, to the brighter side."""
    fine, gx, gy = _slope(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), _FINE))
    y, x = np.nonzero(_is_crest(fine))
    return np.column_stack([x, y]), np.column_stack([gx[y, x], gy[y, x]]) / fine[y, x, None]


def smear_px(rgb: NDArray[np.uint8], parts: list[Tile]) -> float:
    """10 to 90 % width of the edges in the direction in which they are widest, px of the photo.

    A camera that moved smears edges across its way and leaves those along it sharp, and the sharpest third of all speaks for
    those. NaN where no direction has edges enough, or none has edges twice as wide as another.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    parts : list of Tile
        Where to look.
    """
    widest = float("nan")
    for factor in _REDUCTIONS:
        found = [_crests(_grey_at(rgb, tile, factor)) for tile in parts]
        sigma, angle = (np.concatenate([f[k] for f in found] or [np.zeros(0)]) for k in (0, 1))
        which = np.round(angle / np.pi * _DIRECTIONS).astype(int) % _DIRECTIONS
        wide = [
            factor * _spread_of(sigma[which == k])
            for k in range(_DIRECTIONS)
            if np.count_nonzero(which == k) >= _MIN_EDGES
        ]
        if len(wide) > 1 and max(wide) > _SMEARED * min(wide):
            widest = max(wide) if math.isnan(widest) else max(widest, *wide)
        if math.isnan(widest) or widest <= _REACH_PX * factor:
            break
    return widest


def _grey_at(rgb: NDArray[np.uint8], tile: Tile, factor: int) -> NDArray[np.uint8]:
    grey = cv2.cvtColor(rgb[tile.y : tile.y + tile.height, tile.x : tile.x + tile.width], cv2.COLOR_RGB2GRAY)
    if factor == 1:
        return grey
    return cv2.resize(grey, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)


def _spread_of(sigma: NDArray[np.floating]) -> float:
    """10 to 90 % width of the sharpest part of some edges, by their blur."""
    return max(1.0, SPREAD_PER_SIGMA * float(np.quantile(sigma, _SHARP_PART)))


def _crests(grey: NDArray[np.uint8]) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Blur of every crest of a strong edge, px, and the direction across it, 0 to pi."""
    slope = [_slope(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), s)) for s in (_FINE, _COARSE)]
    (fine, gx, gy), (coarse, _, _) = ([a[6:-6, 6:-6] for a in s] for s in slope)
    if fine.size == 0:
        return np.zeros(0), np.zeros(0)
    crest = _is_crest(fine)
    ratio2 = np.maximum((fine[crest] / np.maximum(coarse[crest], 1e-6)) ** 2, 1.0 + 1e-6)
    variance = (_COARSE**2 - ratio2 * _FINE**2) / (ratio2 - 1) - _DIFFERENCE_VARIANCE
    return np.sqrt(np.clip(variance, 0.0, 100.0)), np.mod(np.arctan2(gy[crest], gx[crest]), np.pi)


def _is_crest(slope: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Strong against the picture's own noise and texture, and a crest of the slope."""
    strong = slope > max(4.0, 5.0 * float(np.median(slope)))
    return strong & (slope >= cv2.dilate(slope, np.ones((3, 3), np.uint8)))


def _slope(picture: NDArray[np.float32]) -> tuple[NDArray[np.float32], ...]:
    """Length of the gradient, and its parts right and down."""
    gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    return cv2.magnitude(gx, gy), gx, gy


def sharpness_tiles(rgb: NDArray[np.uint8], *, n_across: int = 8, size_px: int = 192) -> list[Tile]:
    """Sharpness at full resolution in tiles spread over a picture.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    n_across : int
        Tiles along the longer side.
    size_px : int
        Side of a tile, at most; a large picture is sampled, not covered, so the time hardly grows with it.
    """
    best: list[Tile] = []
    n_best = -1
    for factor in _REDUCTIONS:
        smaller = rgb
        if factor > 1:
            smaller = cv2.resize(rgb, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
        tiles = _tiles(smaller, n_across, size_px, factor)
        known = [t.spread_px for t in tiles if not math.isnan(t.spread_px)]
        if len(known) >= _KNOWN_SHARE * len(tiles) and float(np.median(known)) <= _REACH_PX * factor:
            return tiles
        if len(known) > n_best:
            best, n_best = tiles, len(known)
    return best


def _tiles(rgb: NDArray[np.uint8], n_across: int, size_px: int, factor: int) -> list[Tile]:
    height, width = rgb.shape[:2]
    step = max(width, height) / n_across
    side = int(min(size_px, max(32, step)))
    tiles = []
    for y in _starts(height, step, side):
        for x in _starts(width, step, side):
            part = cv2.cvtColor(rgb[y : y + side, x : x + side], cv2.COLOR_RGB2GRAY)
            tiles.append(
                Tile(
                    x=x * factor,
                    y=y * factor,
                    width=part.shape[1] * factor,
                    height=part.shape[0] * factor,
                    spread_px=factor * edge_spread_px(part),
                    laplacian=laplacian_variance(part),
                    # averaging over a smaller copy's pixels took as much of it as they hold
                    grain=factor * grain(part) / max(float(np.median(part)), 1.0),
                )
            )
    return tiles


def _starts(length: int, step: float, side: int) -> list[int]:
    n = max(1, round(length / step))
    centres = (np.arange(n) + 0.5) * length / n
    return [int(np.clip(c - side / 2, 0, max(0, length - side))) for c in centres]
