"""Are the places clicked in two photos the same holes, and where must the others be?"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import MeasurementError
from ..registration.camera import apply_homography

__all__ = ["carried_places", "check_same_holes"]

Places = Mapping[str, tuple[float, float]]
_FLAT = 0.02
"""Triangles flatter than this share of the square of the clicks' extent say nothing of their turn (house choice)."""
_OFF = 0.015
"""Clicks this share of their extent away from where a flat face lets them be are not the same holes: a click is good to
half a hundredth, and a lens bends by less than that (house choice)."""


def _both(first: Places, here: Places) -> tuple[list[str], NDArray[np.float64], NDArray[np.float64]]:
    names = [n for n in first if n in here]
    return (
        names,
        np.array([first[n] for n in names], float).reshape(-1, 2),
        np.array([here[n] for n in names], float).reshape(-1, 2),
    )


def _turn(p: NDArray[np.float64]) -> float:
    a, b = p[1] - p[0], p[2] - p[0]
    return float(a[0] * b[1] - a[1] * b[0])


def _misfit(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Largest distance of a place from where the homography of all puts it."""
    h, _ = cv2.findHomography(one, other)
    if h is None:
        return float("inf")
    return float(np.hypot(*(apply_homography(h, one) - other).T).max())


def check_same_holes(first: Places, here: Places) -> None:
    """Refuse clicks that cannot be the same holes of one flat face in two photos.

    Parameters
    ----------
    first, here : mapping of str to (x, y)
        Places by the name of the hole, pixels of either photo.

    Raises
    ------
    MeasurementError
        The holes run the other way round, or one of them lies where the others do not let it (which one is told where
        six or more are clicked).

    Notes
    -----
    A photo from above keeps the turn of every triangle of a plane; five or more holes must lie where one
    homography puts them.
    """
    names, one, other = _both(first, here)
    if len(names) < 3:
        return
    size = [float(np.ptp(p, axis=0).max()) for p in (one, other)]
    turns = []
    for corner in combinations(range(len(names)), 3):
        a, b = _turn(one[list(corner)]), _turn(other[list(corner)])
        if abs(a) > _FLAT * size[0] ** 2 and abs(b) > _FLAT * size[1] ** 2:
            turns.append(a * b > 0)
    if turns and not any(turns):
        raise MeasurementError(
            "the holes run the other way round than in the first photo; is it the same face, and are the numbers at the "
            "same holes?"
        )
    if all(turns) and (len(names) < 5 or _misfit(one, other) <= _OFF * size[1]):
        return
    if len(names) > 5:
        # With five, any one of them could be the wrong one; with more, the rest must agree without it.
        without = [_misfit(np.delete(one, k, 0), np.delete(other, k, 0)) for k in range(len(names))]
        if min(without) <= _OFF * size[1]:
            raise MeasurementError(
                f"{names[int(np.argmin(without))]} is another hole than in the first photo; take the clicks back to it "
                "and click again"
            )
    raise MeasurementError(
        f"one of the {len(names)} clicks is at another hole than in the first photo, or two are swapped; compare the "
        "numbers and click again"
    )


def carried_places(first: Places, here: Places) -> dict[str, tuple[float, float]]:
    """Where the holes of the first photo that are not clicked here must be, from four or more that are.

    Returns
    -------
    dict of str to (x, y)
        Pixels of this photo; empty with fewer than four holes in both.
    """
    names, one, other = _both(first, here)
    missing = [n for n in first if n not in here]
    if len(names) < 4 or not missing:
        return {}
    h, _ = cv2.findHomography(one, other)
    if h is None:
        return {}
    found = apply_homography(h, np.array([first[n] for n in missing], float))
    return {n: (float(x), float(y)) for n, (x, y) in zip(missing, found) if np.isfinite([x, y]).all()}
