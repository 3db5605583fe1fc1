"""How likely the metal of the seal land makes no contact, whatever class it was given."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..classes import BREAKS_CONTACT, SurfaceClass
from ..surface import PROBABILITY_CLASSES
from .settings import MeasureSettings

__all__ = ["break_chance", "chance_of", "decided_chance"]

_LEAST_SEEN = 0.05


def break_chance(
    probabilities: NDArray[np.floating],
    land: NDArray[np.bool_],
    classes: tuple[SurfaceClass, ...] = BREAKS_CONTACT,
) -> NDArray[np.uint8]:
    """Chance, in 255ths, that each pixel of the land is of a class that breaks contact, given that it is seen.

    Parameters
    ----------
    probabilities : (classes, rows, columns) array
        In the order of :data:`pitmap.surface.PROBABILITY_CLASSES`.
    land : (rows, columns) bool array
        Elsewhere the chance is 0: nobody asks.
    classes : tuple of SurfaceClass

    Notes
    -----
    Doubt between two classes that both seal, such as bright metal and heat film along the film's border, is none here.
    """
    of = {c: probabilities[k] for k, c in enumerate(PROBABILITY_CLASSES)}
    broken = sum(of[c][land].astype(np.float32) for c in classes if c in of)
    seen = np.maximum(1 - of[SurfaceClass.UNSEEN][land].astype(np.float32), _LEAST_SEEN)
    out = np.zeros(land.shape, np.uint8)
    out[land] = np.rint(255 * np.minimum(broken / seen, 1))
    return out


def chance_of(class_map: Any, land: NDArray[np.bool_], settings: MeasureSettings) -> NDArray[np.uint8] | None:
    """The chance that a class map was kept with, or that its probabilities say; None where it has neither."""
    kept = getattr(class_map, "break_chance", None)
    probabilities = getattr(class_map, "probabilities", None)
    if kept is not None or probabilities is None:
        return kept
    return break_chance(probabilities, land, settings.breaks_contact)


def decided_chance(
    chance: NDArray[np.uint8], changed: NDArray[np.bool_], codes: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """The chance after somebody decided the classes of some pixels: there is none left open there."""
    out = chance.copy()
    out[changed] = np.where(np.isin(codes[changed], [int(c) for c in BREAKS_CONTACT]), 255, 0)
    out.setflags(write=False)
    return out
