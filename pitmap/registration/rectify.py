"""The photo as if taken from straight above, on a grid of the plate; and how sharp it can be there."""

from __future__ import annotations

from typing import Protocol

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from ..grid import Grid
from ..photo.read import MAX_SIDE_PX

__all__ = ["photo_scale", "rectify"]

_KNOT_PX = 8
"""The map is smooth (a homography and a lens): it is exact at every 8th pixel and bilinear between; the error of
that is under a hundredth of a pixel for any camera that shows a plate whole."""


class _Aligned(Protocol):
    def mm_to_px(self, points_xy: ArrayLike) -> NDArray[np.float64]: ...

    def px_per_mm(self, points_xy: ArrayLike) -> NDArray[np.float64]: ...


def _knots(grid: Grid) -> NDArray:
    """mm of a coarse lattice, (rows, cols, 2); one knot beyond each end."""
    rows = np.arange(0, grid.n_rows + _KNOT_PX, _KNOT_PX, dtype=float)
    cols = np.arange(0, grid.n_cols + _KNOT_PX, _KNOT_PX, dtype=float)
    return grid.px_to_mm(np.stack(np.meshgrid(cols, rows), -1))


def _spread(coarse: NDArray, grid: Grid) -> NDArray[np.float32]:
    """Lattice values (R, C[, k]) to every pixel of the grid, bilinear."""
    h, w = grid.shape
    matrix = np.array([[1 / _KNOT_PX, 0, 0], [0, 1 / _KNOT_PX, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(
        coarse.astype(np.float32), matrix, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )


def rectify(
    rgb: NDArray[np.uint8], aligned: _Aligned, grid: Grid
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Lay the photo on a grid in the plate frame.

    Parameters
    ----------
    rgb : (H, W, 3) or (H, W) uint8 array
    aligned : Alignment or Camera
    grid : Grid

    Returns
    -------
    rgb_plate : uint8 array of the grid's shape [and 3 channels]
        Black where the photo does not reach.
    in_frame : bool array of the grid's shape
        True where the whole grid pixel lies in the photo; what covers the plate there is not known.

    Raises
    ------
    InputError
        Not an 8-bit picture; a picture or a grid of more than 32,766 px along a side.

    Notes
    -----
    Where the grid is coarser than the photo, the photo is first reduced by area averaging to about the
    grid's scale, so that nothing is skipped; elsewhere cubic interpolation.
    """
    if rgb.dtype != np.uint8 or rgb.ndim not in (2, 3):
        raise InputError(
            f"rectify: expected an 8-bit picture of 2 or 3 dimensions, got {rgb.dtype} {rgb.shape}"
        )
    for what, shape in (("picture", rgb.shape[:2]), ("grid", grid.shape)):
        if max(shape) > MAX_SIDE_PX:
            raise InputError(
                f"rectify: the {what} is {shape[1]} x {shape[0]} px, over {MAX_SIDE_PX} along a side; take a coarser scale"
            )
    h, w = rgb.shape[:2]
    lattice = _knots(grid)
    knots_px = np.asarray(aligned.mm_to_px(lattice))
    visible = (knots_px >= 0).all(-1) & (knots_px <= [w - 1, h - 1]).all(-1)
    finest = float(np.median(aligned.px_per_mm(lattice[visible]))) if visible.any() else grid.px_per_mm
    reduce = min(1.0, 1.2 * grid.px_per_mm / finest)
    source = rgb
    if reduce < 0.8:
        size = max(1, round(w * reduce)), max(1, round(h * reduce))
        source = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    ratio = np.array([source.shape[1] / w, source.shape[0] / h])
    coarse = (knots_px + 0.5) * ratio - 0.5
    places = _spread(np.clip(coarse, -1e4, 1e5), grid)
    plate = cv2.remap(source, places, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    last = np.array([source.shape[1] - 1, source.shape[0] - 1])
    if ((coarse >= 0) & (coarse <= last)).all():
        # between knots that lie in the frame every pixel does
        return plate, np.ones(grid.shape, bool)
    x, y = cv2.split(places)
    in_frame = (x >= 0) & (y >= 0) & (x <= last[0]) & (y <= last[1])
    plate[~in_frame] = 0
    return plate, in_frame


def photo_scale(aligned: _Aligned, grid: Grid) -> NDArray[np.float32]:
    """Photo pixels per mm at every pixel of the grid: how fine a detail the photo can show there."""
    return _spread(np.nan_to_num(np.asarray(aligned.px_per_mm(_knots(grid)))), grid)
