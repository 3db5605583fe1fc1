"""A second look at pits of a lapped face, at full detail, where the network is in doubt.

The network works on a grid three times as coarse as the raster it writes, so it knows a pit better than its edge. What
lies close about each doubtful pixel, in the picture and in the network's own reading, is read once more by a small
network of three dense layers. At intake it is not asked: within half a millimetre the old finish is as dark and as ragged
as a pit, and it found fewer true ones there than the network by itself.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from .class_map import PROBABILITY_CLASSES
from .inputs import EDGE_FULL_MM, GAIN_MOST, LEAST_TONE
from .runtime import open_session

__all__ = [
    "FAINT_PIT_WEIGHT",
    "N_READ",
    "ODDS_PX",
    "PICTURE_PX",
    "Doubt",
    "SecondReader",
    "default_reader",
    "doubtful",
    "has_reader",
    "log_odds",
    "what_is_read",
    "with_pits",
]

_MODEL = Path(__file__).parent / "model" / "second_look.onnx"
_PIT, _SOUND = (PROBABILITY_CLASSES.index(c) for c in (SurfaceClass.PIT, SurfaceClass.SOUND))
PICTURE_PX, ODDS_PX = 5, 3
"""How far about a pixel the picture and the network's reading are looked at."""
_LEAST, _REACH_PX = 0.05, 3
"""A pixel is in doubt as near as this to one that is a pit with this probability, or more."""
_FLOOR = 1e-3
_SCALE = 4.0
"""Logarithms are divided by this, so that all that is read is about as large as 1."""
_AT_ONCE = 4_000
"""So much of what is read, 7 MB, stays near the processor."""
_SPECK = 1e-4
_MOST = 2.0
"""No more is added to the log odds or taken from them: of metal unlike all that it learned from it knows nothing, and
may not overrule a network that is sure (house choice)."""
FAINT_PIT_WEIGHT = 3.5
"""As :func:`pitmap.surface.decide.keep_faint_pits` asks for, of chances that were looked at twice; chosen by hand."""
N_READ = 3 * (2 * PICTURE_PX + 1) ** 2 + (2 * ODDS_PX + 1) ** 2 + len(PROBABILITY_CLASSES) + 6

Places = tuple[NDArray[np.intp], NDArray[np.intp]]
"""Rows and columns."""


def log_odds(probability: NDArray[np.floating]) -> NDArray[np.float32]:
    """Logarithm of the odds; 0 and 1 are taken for a thousandth from it."""
    p = probability.astype(np.float32)
    return np.log((p + _FLOOR) / (1 - p + _FLOOR))


def doubtful(pit: NDArray[np.floating], metal: NDArray[np.bool_]) -> Places:
    """Places of the metal that a second look is worth: what may be a pit, and a rim around it.

    Parameters
    ----------
    pit : (rows, columns) float
        Probability of a pit.
    metal : (rows, columns) bool
    """
    side = 2 * _REACH_PX + 1
    near = cv2.dilate((pit > pit.dtype.type(_LEAST)).view(np.uint8), np.ones((side, side), np.uint8))
    return np.nonzero(metal & near.view(bool))  # type: ignore[return-value]


def _about(raster: NDArray, reach: int, at: Places) -> NDArray:
    """Squares of a raster about places: (n, side, side), of one with colours (n, 3, side, side)."""
    rows, cols = at
    first, last = max(rows.min() - reach, 0), rows.max() + reach + 1
    band = raster[first:last]  # places come row by row: a part of them needs but a band
    rim = ((reach, reach), (reach, reach), (0, 0))[: raster.ndim]
    padded, side = np.pad(band, rim, mode="edge"), 2 * reach + 1
    return np.lib.stride_tricks.sliding_window_view(padded, (side, side), axis=(0, 1))[rows - first, cols]  # type: ignore[call-overload]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Doubt:
    """A picture of the metal with what the network made of it.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    reference : (3,) float32
        The metal's middle tone.
    known : (5,) float32
        What the network was told beside the picture.
    edge_mm : (rows, columns) float32
        Distance to the nearest drawn edge.
    probabilities : (classes, rows, columns) float
        In the order of :data:`~pitmap.surface.class_map.PROBABILITY_CLASSES`.
    """

    rgb: NDArray[np.uint8]
    reference: NDArray[np.float32]
    known: NDArray[np.float32]
    edge_mm: NDArray[np.float32]
    probabilities: NDArray[np.floating]


def what_is_read(doubt: Doubt, at: Places) -> NDArray[np.float32]:
    """What is read of each of n places, (n, N_READ): picture about it, odds of pits about it, every class at it, and
    what is known of the whole.
    """
    n = len(at[0])
    out = np.empty((n, N_READ), np.float32)
    squares = _about(doubt.rgb, PICTURE_PX, at)
    odds = log_odds(_about(doubt.probabilities[_PIT], ODDS_PX, at).reshape(n, -1))
    own = np.log(np.maximum(doubt.probabilities[(slice(None), *at)].astype(np.float32), _FLOOR)).T
    tones, filled = np.maximum(doubt.reference, LEAST_TONE) * np.float32(255), 0
    for k, tone in enumerate(tones):
        lut = np.minimum(np.arange(256, dtype=np.float32) / tone, GAIN_MOST) - 1
        picture = cv2.LUT(squares[:, k].reshape(n, -1), lut)
        out[:, filled : filled + picture.shape[1]] = picture
        filled += picture.shape[1]
    for part in (odds, own):
        out[:, filled : filled + part.shape[1]] = part / _SCALE
        filled += part.shape[1]
    out[:, filled] = np.clip(1 - doubt.edge_mm[at] / EDGE_FULL_MM, 0, 1)
    out[:, filled + 1 :] = doubt.known
    return out


class SecondReader:
    """The small network, ready to read; any number of threads may ask it."""

    def __init__(self, model: Path) -> None:
        self._session = open_session(model)

    def steps(self, doubt: Doubt, at: Places) -> NDArray[np.float32]:
        """What is to be added to the log odds of a pit at each of n places, (n,)."""
        out = np.empty(len(at[0]), np.float32)

        def read(first: int) -> None:
            some = slice(first, first + _AT_ONCE)
            places = at[0][some], at[1][some]
            out[some] = self._session.run(None, {"read": what_is_read(doubt, places)})[0][:, 0]

        with ThreadPoolExecutor(max_workers=cv2.getNumThreads()) as workers:
            for _ in workers.map(read, range(0, len(out), _AT_ONCE)):
                pass
        return np.clip(out, -_MOST, _MOST, out=out)


def with_pits(probabilities: NDArray[np.float32], steps: NDArray[np.float32]) -> NDArray[np.float32]:
    """Probabilities (classes, n) with the log odds of a pit changed by so much, the others scaled to fill the rest."""
    pit = 1 / (1 + np.exp(-(log_odds(probabilities[_PIT]) + steps)))
    rest = probabilities.copy()
    rest[_PIT] = 0
    rest[_SOUND] += _SPECK  # where a pit was certain, nothing else is left to scale
    rest *= (1 - pit) / rest.sum(0)
    rest[_PIT] = pit
    return rest


def has_reader() -> bool:
    """True when the small network is installed beside this file."""
    return _MODEL.is_file()


@lru_cache(maxsize=1)
def default_reader() -> SecondReader:
    """The reader that ships with the package; it knows the network that ships, and no other."""
    return SecondReader(_MODEL)
