"""What shift is left between two surveys, once both lie on the drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import chi2

from ..errors import InputError
from ..estimate import DEFAULT_LEVEL, Estimate

__all__ = ["Shift", "shift_from_marks", "shift_from_pictures"]

_MIN_FOR_SHIFT = 6
_MIN_FOR_AFFINE = 25
"""A shift has 2 unknowns and an affine 6; with so many marks no single one rules the fit (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shift:
    """Where the later survey lies against the earlier one.

    Parameters
    ----------
    matrix : (2, 3) array
        Affine that takes plate mm of the later survey to plate mm of the earlier one.
    method : str
        ``none``, ``marks: shift``, ``marks: affine`` or ``picture``.
    n_used : int
        Marks (or picture tiles) that carry it.
    moved_mm : float
        Mean distance it moves the marks by.
    remaining_mm : Estimate
        Root mean square distance that is left after it, per mark.
    """

    matrix: NDArray[np.float64]
    method: str
    n_used: int
    moved_mm: float
    remaining_mm: Estimate

    def __post_init__(self) -> None:
        if self.matrix.shape != (2, 3) or not np.isfinite(self.matrix).all():
            raise InputError("Shift.matrix: expected a finite 2 x 3 array")
        self.matrix.setflags(write=False)

    @classmethod
    def none(cls, reason: str, *, level: float = DEFAULT_LEVEL) -> Shift:
        """No refinement: both surveys stay where the drawing put them."""
        return cls(
            matrix=np.eye(2, 3),
            method="none",
            n_used=0,
            moved_mm=0.0,
            remaining_mm=Estimate.unknown(reason, level=level),
        )

    def apply(self, points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (N, 2) of the later survey, mm, in the frame of the earlier one."""
        return points_xy @ self.matrix[:, :2].T + self.matrix[:, 2]


def _fit(design: NDArray[np.float64], target: NDArray[np.float64]) -> NDArray[np.float64]:
    """Huber-weighted least squares by reweighting; marks that really changed shape must not pull it."""
    weight = np.ones(len(target))
    beta = np.zeros((design.shape[1], 2))
    for _ in range(12):
        w = np.sqrt(weight)[:, None]
        beta = np.asarray(np.linalg.lstsq(design * w, target * w, rcond=None)[0], float)
        r = np.hypot(*(target - design @ beta).T)
        scale = max(1e-6, 1.4826 * float(np.median(r)) / 1.1774)
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(r, 1e-9))
    return beta


def shift_from_marks(
    before_xy: NDArray[np.float64],
    after_xy: NDArray[np.float64],
    before_mm2: NDArray[np.float64],
    after_mm2: NDArray[np.float64],
    *,
    search_mm: float,
    level: float = DEFAULT_LEVEL,
) -> Shift:
    """The shift between two surveys, from marks that both show.

    Parameters
    ----------
    before_xy, after_xy : (N, 2), (M, 2) arrays
        Centroids, plate mm.
    before_mm2, after_mm2 : (N,), (M,) arrays
        Areas. Only marks that are each other's nearest and agree in area within a factor of 1.6 are used.
    search_mm : float
        Farthest distance between the two places of one mark.
    level : float
        Of the interval of what remains.

    Returns
    -------
    Shift
        ``method`` is ``none`` when fewer than 6 marks pair up.

    Notes
    -----
    From 25 marks on an affine is fitted (two homographies of the same plate differ by nearly that), below
    a plain shift. The interval of the remaining shift is the chi-square one for the residuals' variance.
    """
    too_few = f"fewer than {_MIN_FOR_SHIFT} marks that both surveys show alike"
    if len(before_xy) < _MIN_FOR_SHIFT or len(after_xy) < _MIN_FOR_SHIFT:
        return Shift.none(too_few, level=level)
    tree_a, tree_b = cKDTree(before_xy), cKDTree(after_xy)
    dist, to_b = tree_b.query(before_xy, distance_upper_bound=search_mm)
    _, to_a = tree_a.query(after_xy)
    index = np.flatnonzero(np.isfinite(dist))
    index = index[to_a[to_b[index]] == index]
    ratio = np.log(after_mm2[to_b[index]] / before_mm2[index])
    index = index[np.abs(ratio) < math.log(1.6)]
    n = len(index)
    if n < _MIN_FOR_SHIFT:
        return Shift.none(too_few, level=level)
    source, target = after_xy[to_b[index]], before_xy[index]
    is_affine = n >= _MIN_FOR_AFFINE
    if is_affine:
        centre = source.mean(0)
        beta = _fit(np.column_stack([source - centre, np.ones(n)]), target)
        matrix = np.column_stack([beta[:2].T, beta[2] - centre @ beta[:2]])
    else:
        beta = _fit(np.ones((n, 1)), target - source)
        matrix = np.column_stack([np.eye(2), beta[0]])
    moved = source @ matrix[:, :2].T + matrix[:, 2]
    residual = np.hypot(*(target - moved).T)
    dof = 2 * n - (6 if is_affine else 2)
    # The largest tenth are marks that changed shape, not place: left out, and the loss made good (Rayleigh).
    kept = np.sort(residual)[: max(_MIN_FOR_SHIFT, int(0.9 * n))]
    trimmed = 0.744 if len(kept) < n else 1.0
    rms = math.sqrt(float((kept**2).mean()) / trimmed * 2 * n / dof)
    low, high = (rms * math.sqrt(dof / float(chi2.ppf(q, dof))) for q in ((1 + level) / 2, (1 - level) / 2))
    return Shift(
        matrix=matrix,
        method="marks: affine" if is_affine else "marks: shift",
        n_used=n,
        moved_mm=float(np.hypot(*(moved - source).T).mean()),
        remaining_mm=Estimate(value=rms, low=low, high=high, level=level),
    )


def shift_from_pictures(
    before_rgb: NDArray[np.uint8],
    after_rgb: NDArray[np.uint8],
    face: NDArray[np.bool_],
    *,
    px_per_mm: float,
    tile_mm: float = 40.0,
    level: float = DEFAULT_LEVEL,
) -> Shift:
    """The shift between two straightened photos, where the metal has texture that both show.

    Parameters
    ----------
    before_rgb, after_rgb : (R, C, 3) uint8 arrays
        Straightened photos on one grid.
    face : (R, C) bool array
        Metal seen in both; tiles less than nine tenths full are not used (drawn edges would rule them).
    px_per_mm : float
        Scale of the grid.
    tile_mm : float
        Side of the tiles that are correlated on their own.

    Returns
    -------
    Shift
        ``none`` when fewer than 4 tiles correlate (after a lap the scratches are new and nothing does).

    Raises
    ------
    InputError
        Pictures and mask of different sizes.

    References
    ----------
    Phase correlation as in OpenCV's `phaseCorrelate`; a tile counts from a response of 0.15 (house choice).
    """
    if before_rgb.shape != after_rgb.shape or before_rgb.shape[:2] != face.shape:
        raise InputError(
            f"shift_from_pictures: expected one grid, got {before_rgb.shape}, {after_rgb.shape}, {face.shape}"
        )
    side = max(16, round(tile_mm * px_per_mm))
    grey = []
    for rgb in (before_rgb, after_rgb):
        g = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
        grey.append(g - cv2.GaussianBlur(g, (0, 0), 2.0 * px_per_mm))
    window = cv2.createHanningWindow((side, side), cv2.CV_32F)
    found = []
    for row in range(0, face.shape[0] - side + 1, side):
        for col in range(0, face.shape[1] - side + 1, side):
            box = np.s_[row : row + side, col : col + side]
            if face[box].mean() < 0.9:
                continue
            (dx, dy), response = cv2.phaseCorrelate(grey[0][box], grey[1][box], window)
            if response > 0.15 and math.hypot(dx, dy) < side / 4:
                found.append((-dx / px_per_mm, dy / px_per_mm))
    if len(found) < 4:
        return Shift.none("the two pictures share too little texture", level=level)
    shifts = np.asarray(found)
    step = np.median(shifts, 0)
    residual2 = ((shifts - step) ** 2).sum(1)
    dof = 2 * len(found) - 2
    rms = max(1e-6, math.sqrt(float(residual2.sum()) * 2 / dof))
    low, high = (rms * math.sqrt(dof / float(chi2.ppf(q, dof))) for q in ((1 + level) / 2, (1 - level) / 2))
    return Shift(
        matrix=np.column_stack([np.eye(2), step]),
        method="picture",
        n_used=len(found),
        moved_mm=float(np.hypot(*step)),
        remaining_mm=Estimate(value=rms, low=low, high=high, level=level),
    )
