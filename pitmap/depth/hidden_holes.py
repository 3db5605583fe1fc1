"""What may be left of a pit that a map no longer shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["is_told_by_laps", "most_left_um", "moves_with_stock"]

_MOST_HIDDEN = 0.9
"""Most of its depth that a pit may have left when it is called gone: the narrowest, too, keep a bound (house choice)."""

_MOST_UNTOLD = 1 / 3
"""Most of its depth that a hole may hide of a pit whose lap steps are held to tell its depth (house choice)."""


def is_told_by_laps(diameter_mm: ArrayLike, hidden_mm: float) -> NDArray[np.bool_]:
    """Pits of which a lap step tells how deep pits of their width are: it is there and deeper, or gone and shallower.

    Whether a map still shows a narrower one hangs on how that narrows as much as on its depth. Taken at its word that it
    is gone, it calls the small pits too shallow; with room for a hole it says nothing while those that stay are deep for
    certain, and calls all pits alike. Left out of what is learned, neither those that went nor those that stayed, they bend
    nothing: which are left out is a matter of their width alone.

    Parameters
    ----------
    diameter_mm : (N,) array
        Equivalent diameters.
    hidden_mm : float
        Width of a hole that a map may hide.

    Returns
    -------
    (N,) bool array
    """
    return _share_left(diameter_mm, hidden_mm) <= _MOST_UNTOLD


def most_left_um(
    gone_um: ArrayLike, entry_um: ArrayLike, diameter_mm: ArrayLike, hidden_mm: float
) -> NDArray[np.float64]:
    """Most that pits can be deep which are gone with `gone_um` off, where a hole of `hidden_mm` may be left of each.

    A pit that narrows to its floor leaves the map before the floor is reached. Of a cone, the most that a pit is taken to
    narrow (house choice), a share w/d of the depth at first sight is left when its width has gone from d to w.

    Parameters
    ----------
    gone_um : (N,) array
        Stock off when each was no longer seen, um under the first face; infinite while it is there.
    entry_um : (N,) array
        Stock off when each was first seen, um.
    diameter_mm : (N,) array
        Equivalent diameters.
    hidden_mm : float

    Returns
    -------
    (N,) array
        um under the first face; never less than `gone_um`.
    """
    gone, entry = np.asarray(gone_um, float), np.asarray(entry_um, float)
    share = _share_left(diameter_mm, hidden_mm)
    return np.maximum(gone, (gone - share * entry) / (1 - share))


def moves_with_stock(
    gone_um: ArrayLike, entry_um: ArrayLike, diameter_mm: ArrayLike, hidden_mm: float
) -> NDArray[np.float64]:
    """By how much :func:`most_left_um` rises with each um that `gone_um` is off; with `entry_um` it falls by 1 less.

    Parameters are those of :func:`most_left_um`.

    Returns
    -------
    (N,) array
        1 or more.
    """
    # where it is `gone_um` itself that bounds, no hole stretches its error
    is_stretched = np.asarray(gone_um, float) > np.asarray(entry_um, float)
    return np.where(is_stretched, 1 / (1 - _share_left(diameter_mm, hidden_mm)), 1.0)


def _share_left(diameter_mm: ArrayLike, hidden_mm: float) -> NDArray[np.float64]:
    """Share of its depth at first sight that a cone has left when it is as narrow as `hidden_mm`."""
    return np.minimum(hidden_mm / np.asarray(diameter_mm, float), _MOST_HIDDEN)
