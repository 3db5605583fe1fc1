"""How sharp is a picture, and where is it not?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Tile", "edge_spread_px", "laplacian_variance", "sharpness_tiles"]

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
    """

    x: int
    y: int
    width: int
    height: int
    spread_px: float
    laplacian: float

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
    """10 to 90 % width of the sharpest edges in a grey picture, px, 1 at least; NaN when it has too few
    edges.

    Notes
    -----
    A step blurred by s has a slope that falls by R = sqrt((s^2 + b^2) / (s^2 + a^2)) between added blurs a <
    b,
    so s^2 = (b^2 - R^2 a^2) / (R^2 - 1). Soft things (stain, shadow) look blurred in any photo, therefore
    the sharpest third of the strong edges speaks for the tile.

    References
    ----------
    S. Zhuo and T. Sim, Defocus map estimation from a single image, Pattern Recognition 44 (2011) 1852-1858.
    """
    slope = [_slope(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), s)) for s in (_FINE, _COARSE)]
    fine, coarse = (s[6:-6, 6:-6] for s in slope)
    if fine.size == 0:
        return float("nan")
    # Strong against the tile's own noise and texture, and a crest of the slope.
    strong = fine > max(4.0, 5.0 * float(np.median(fine)))
    crest = strong & (fine >= cv2.dilate(fine, np.ones((3, 3), np.uint8)))
    if int(crest.sum()) < _MIN_EDGES:
        return float("nan")
    ratio2 = np.maximum((fine[crest] / np.maximum(coarse[crest], 1e-6)) ** 2, 1.0 + 1e-6)
    variance = (_COARSE**2 - ratio2 * _FINE**2) / (ratio2 - 1) - _DIFFERENCE_VARIANCE
    sigma = np.sqrt(np.clip(variance, 0.0, 100.0))
    return max(1.0, SPREAD_PER_SIGMA * float(np.quantile(sigma, _SHARP_PART)))


def _slope(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    return cv2.magnitude(gx, gy)


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
                )
            )
    return tiles


def _starts(length: int, step: float, side: int) -> list[int]:
    n = max(1, round(length / step))
    centres = (np.arange(n) + 0.5) * length / n
    return [int(np.clip(c - side / 2, 0, max(0, length - side))) for c in centres]
