"""The learned classifier: a small convolutional network, run tile by tile through ONNX Runtime."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from .agreement import Agreement
from .class_map import PROBABILITY_CLASSES
from .decide import correct_pits, halves, softmax_rows
from .inputs import model_inputs, network_knows
from .looks import Look, put_together
from .reading import Reading
from .runtime import arena_given_back, open_session, ort
from .second_look import FAINT_PIT_WEIGHT, Doubt, SecondReader, doubtful, has_reader, with_pits

__all__ = [
    "LEARNED_PX_PER_MM",
    "Network",
    "default_network",
    "has_model",
    "learned_map",
    "load_network",
    "tile_counts",
    "tile_logits",
    "tile_spans",
]

LEARNED_PX_PER_MM = 10.0
"""Scale of the rasters that the network reads and writes."""
_MODEL = Path(__file__).parent / "model" / "surface.onnx"
_MARGIN_PX = 30
"""Rim of a tile that is read but not kept: 3 mm of context."""
_LARGEST_TILE_PX2 = 600_000
"""Bounds the memory of one pass to about 90 MB."""
_MOST_AT_ONCE = 3
"""Bounds the memory of all passes."""
_STRIP_PX = 128
"""Rows that are worked up at a time: the probabilities of so many stay in the processor's cache."""
_NEVER = -50.0
_UNCUT = PROBABILITY_CLASSES.index(SurfaceClass.UNCUT)
_UNSEEN = PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)
_PIT = PROBABILITY_CLASSES.index(SurfaceClass.PIT)
_SCORE = PROBABILITY_CLASSES.index(SurfaceClass.SCORE)

Window = tuple[slice, slice]
_Span = tuple[int, int, int, int]
"""Read from, read to, keep from, keep to."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Network:
    """A network with what belongs to it.

    Parameters
    ----------
    session : onnxruntime.InferenceSession
        Serves any number of callers at a time.
    step : int
        Raster pixels per pixel of its finest grid; it writes ``classes * step^2`` planes.
    multiple : int
        The side of a tile must be a multiple of this.
    logit_scale, logit_shift : (classes,) float32
        Calibration, fitted on faces that the network had not seen.
    pit_said, pit_came_true : (knots,) float32
        Rising table from the probability of a pit after scale and shift to how often it came true.
    weights_lapped, weights_intake : (classes,) float32
        See :func:`pitmap.surface.decide.choose_codes`.
    faint_pit_weight : float
        Of pits that are certain over less than half of their area: :func:`pitmap.surface.decide.keep_faint_pits`.
    """

    session: ort.InferenceSession
    step: int
    multiple: int
    logit_scale: NDArray[np.float32]
    logit_shift: NDArray[np.float32]
    pit_said: NDArray[np.float32]
    pit_came_true: NDArray[np.float32]
    weights_lapped: NDArray[np.float32]
    weights_intake: NDArray[np.float32]
    faint_pit_weight: float

    def blocks(
        self,
        picture: NDArray[np.float32],
        known: NDArray[np.float32],
        options: ort.RunOptions | None = None,
    ) -> NDArray[np.float32]:
        """What the network writes, (classes * step^2, h, w), for a picture (5, h * step, w * step)."""
        planes = np.empty(
            (len(known), picture.shape[1] // self.step, picture.shape[2] // self.step), np.float32
        )
        planes[:] = known[:, None, None]
        return self.session.run(None, {"picture": picture[None], "known": planes[None]}, options)[0][0]

    def give_memory_back(self) -> None:
        """Let go of what large tiles were worked out in, some 200 MB, by working out the smallest one."""
        side = self.multiple
        nothing = np.zeros((5, side, side), np.float32), np.zeros(5, np.float32)
        self.blocks(*nothing, arena_given_back())


def load_network(model: str | Path) -> Network:
    """A network from its ONNX file and the JSON of the same name beside it."""
    settings = json.loads(Path(model).with_suffix(".json").read_text(encoding="utf-8"))
    rows = ("logit_scale", "logit_shift", "pit_said", "pit_came_true", "weights_lapped", "weights_intake")
    return Network(
        session=open_session(model),
        step=int(settings["step"]),
        multiple=int(settings["multiple"]),
        faint_pit_weight=float(settings["faint_pit_weight"]),
        **{name: np.asarray(settings[name], np.float32) for name in rows},  # type: ignore[arg-type]
    )


def has_model() -> bool:
    """True when the networks and their settings are installed beside this file."""
    return _MODEL.is_file() and _MODEL.with_suffix(".json").is_file() and has_reader()


@lru_cache(maxsize=1)
def default_network() -> Network:
    """The network that ships with the package."""
    return load_network(_MODEL)


def _read_px(length: int, n: int, multiple: int) -> int:
    """Side of each of `n` equal tiles over a length, with its rim, rounded up to what the network takes."""
    return -(-(-(-length // n) + 2 * _MARGIN_PX) // multiple) * multiple


def tile_counts(height: int, width: int, multiple: int) -> tuple[int, int]:
    """Rows and columns of tiles that cover a raster with the fewest pixels read, rims and rounding included."""
    sides = [
        [(n, _read_px(length, n, multiple)) for n in range(1, -(-length // multiple) + 1)]
        for length in (height, width)
    ]
    plans = [
        (n_rows * high * n_cols * wide, n_rows * n_cols, (n_rows, n_cols))
        for n_rows, high in sides[0]
        for n_cols, wide in sides[1]
        if high * wide <= _LARGEST_TILE_PX2
    ]
    return min(plans)[2]


def tile_spans(first: int, last: int, n: int, multiple: int) -> list[_Span]:
    """Equal tiles over pixels ``first`` to ``last`` (not included): read from, read to, keep from, keep to.

    What is read may lie outside the raster; the parts that are kept join without overlap.
    """
    keep = -(-(last - first) // n)
    read = _read_px(last - first, n, multiple)
    starts = range(first, last, keep)
    return [(a - _MARGIN_PX, a - _MARGIN_PX + read, a, min(last, a + keep)) for a in starts]


def _padded(raster: NDArray, rows: tuple[int, int], cols: tuple[int, int]) -> NDArray:
    """The window rows x cols of a raster, zeros beyond its border."""
    h, w = raster.shape[:2]
    out = np.zeros((rows[1] - rows[0], cols[1] - cols[0], *raster.shape[2:]), raster.dtype)
    r0, r1, c0, c1 = max(rows[0], 0), min(rows[1], h), max(cols[0], 0), min(cols[1], w)
    out[r0 - rows[0] : r1 - rows[0], c0 - cols[0] : c1 - cols[0]] = raster[r0:r1, c0:c1]
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pass:
    """What the network wrote for one tile.

    Parameters
    ----------
    blocks : (classes * step^2, h, w) float32
    step : int
    keep : Window
        Where the part that is kept lies in the raster.
    inset : (int, int)
        Rows and columns of the tile before that part.
    """

    blocks: NDArray[np.float32]
    step: int
    keep: Window
    inset: tuple[int, int]

    def strips(self, n_rows: int) -> Iterator[tuple[Window, NDArray[np.float32]]]:
        """Windows of so many rows and their logits (classes, rows, columns)."""
        (rows, cols), (r0, c0), step = self.keep, self.inset, self.step
        n_cols = cols.stop - cols.start
        for first in range(rows.start, rows.stop, n_rows):
            last = min(first + n_rows, rows.stop)
            a, b = first - rows.start + r0, last - rows.start + r0
            fine = _fine(self.blocks[:, a // step : -(-b // step)], step)
            a, b = a % step, a % step + last - first
            yield (slice(first, last), cols), np.ascontiguousarray(fine[:, a:b, c0 : c0 + n_cols])


def tile_logits(
    network: Network,
    rgb: NDArray[np.uint8],
    metal: NDArray[np.bool_],
    edge_mm: NDArray[np.float32],
    stage: Stage,
    photo_px_per_mm: float,
) -> Iterator[tuple[Window, NDArray[np.float32]]]:
    """Raw logits (classes, rows, columns) of every window that holds metal."""
    face = _Face(network, rgb, metal, edge_mm, stage, photo_px_per_mm)
    for tile in _tiles(metal, network.multiple):
        yield from face.passed(tile).strips(metal.shape[0])


def _tiles(wanted: NDArray[np.bool_], multiple: int) -> list[tuple[_Span, _Span]]:
    """Rows and columns of every tile that holds what is wanted."""
    rows_with, cols_with = np.flatnonzero(wanted.any(1)), np.flatnonzero(wanted.any(0))
    if not len(rows_with):
        return []
    top, bottom = int(rows_with[0]), int(rows_with[-1]) + 1
    left, right = int(cols_with[0]), int(cols_with[-1]) + 1
    n_rows, n_cols = tile_counts(bottom - top, right - left, multiple)
    return [
        (rows, cols)
        for rows in tile_spans(top, bottom, n_rows, multiple)
        for cols in tile_spans(left, right, n_cols, multiple)
        if wanted[rows[2] : rows[3], cols[2] : cols[3]].any()
    ]


class _Face:
    """A face that the network reads tile by tile; any number of threads may read it at a time."""

    def __init__(
        self,
        network: Network,
        rgb: NDArray[np.uint8],
        metal: NDArray[np.bool_],
        edge_mm: NDArray[np.float32],
        stage: Stage,
        photo_px_per_mm: float,
    ) -> None:
        self.network, self.rasters = network, (rgb, metal, edge_mm)
        self.reference, self.known = network_knows(rgb, metal, stage, photo_px_per_mm)

    def passed(self, tile: tuple[_Span, _Span]) -> _Pass:
        """The network's answer for one tile."""
        (r0, r1, rk0, rk1), (c0, c1, ck0, ck1) = tile
        rasters = (_padded(a, (r0, r1), (c0, c1)) for a in self.rasters)
        picture = model_inputs(*rasters, self.reference)  # type: ignore[call-arg]
        return _Pass(
            blocks=self.network.blocks(picture, self.known),
            step=self.network.step,
            keep=np.s_[rk0:rk1, ck0:ck1],
            inset=(rk0 - r0, ck0 - c0),
        )


def _calibrated(
    network: Network, faces: Sequence[_Face], tile: tuple[_Span, _Span]
) -> Iterator[tuple[tuple[Window, NDArray[np.float32]], ...]]:
    """Every strip of a tile: its window and calibrated logits, of each face."""
    for strips in zip(*(face.passed(tile).strips(_STRIP_PX) for face in faces), strict=True):
        for _, logits in strips:
            logits *= network.logit_scale[:, None, None]
            logits += network.logit_shift[:, None, None]
        yield strips


def _fine(blocks: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """(classes * step^2, h, w) to (classes, h * step, w * step): the network's fine grid."""
    n, (_, h, w) = len(PROBABILITY_CLASSES), blocks.shape
    split = blocks.reshape(n, step, step, h, w)
    out = np.empty((n, h, step, w, step), np.float32)
    for k in range(n):
        for i in range(step):
            # merge() deals out columns many times as quickly as a transposed copy
            out[k, :, i] = cv2.merge(list(split[k, i])).reshape(h, w, step)
    return out.reshape(n, h * step, w * step)


def learned_map(
    network: Network,
    looks: Sequence[Look],
    shown: Sequence[NDArray[np.bool_]],
    metal: NDArray[np.bool_],
    edge_mm: NDArray[np.float32],
    stage: Stage,
    *,
    reader: SecondReader | None = None,
    may_be_covered: bool = True,
    keep_probabilities: bool = False,
    is_resampled: bool = False,
) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.bool_], NDArray[np.float16] | None]:
    """Codes, confidence, what is covered and, if wanted, probabilities, all at :data:`LEARNED_PX_PER_MM`.

    Parameters
    ----------
    network : Network
    looks : sequence of Look
        Pictures of the metal, each with one scale; each is read by itself.
    shown : sequence of (rows, columns) bool
        Where each of them shows it.
    metal : (rows, columns) bool
        What any of them has in its frame. Tiles without metal are not computed.
    edge_mm : (rows, columns) float32
    stage : Stage
    reader : SecondReader, optional
        Looks a second time at doubtful pits; it knows one network and no other.
    may_be_covered : bool
        False for a plain picture of metal: nobody taught the network what covers metal there, nor scores.
    keep_probabilities : bool
    is_resampled : bool
        The answer will be laid on other pixels, and those at the rim of the metal draw on some beside it.

    Returns
    -------
    codes : (rows, columns) uint8
    confidence : (rows, columns) float32
    is_covered : (rows, columns) bool
    probabilities : (classes, rows, columns) float16 or None

    Raises
    ------
    MeasurementError
        Looks of a lapped face that are sure of different things, see :class:`~pitmap.surface.agreement.Agreement`.
    """
    weights = network.weights_lapped if stage.is_lapped else network.weights_intake
    faint = network.faint_pit_weight if reader is None else FAINT_PIT_WEIGHT
    reading = Reading(metal.shape, weights, faint)
    kept = None
    if keep_probabilities or reader is not None:
        kept = np.zeros((len(PROBABILITY_CLASSES), *metal.shape), np.float16)

    faces = [
        _Face(
            network,
            look.rgb,
            metal & look.in_frame,
            edge_mm,
            stage,
            float(look.photo_px_per_mm),
        )
        for look in looks
    ]

    # at intake the same old finish is read now as uncut, now as cut, as the lamp stands: that would say nothing
    is_compared = stage.is_lapped and len(looks) > 1
    agreement = Agreement([look.name for look in looks])

    def take(tile: tuple[_Span, _Span]) -> None:
        for strips in _calibrated(network, faces, tile):
            window = strips[0][0]
            if is_compared:
                agreement.add([s[1] for s in strips], [(s & metal)[window] for s in shown])
            take_strip(window, put_together([s[1] for s in strips], [s[window] for s in shown]))

    def take_strip(window: Window, logits: NDArray[np.float32]) -> None:
        if not stage.is_lapped:
            logits[_UNCUT] = _NEVER
        if not may_be_covered:
            logits[[_UNSEEN, _SCORE]] = _NEVER
        probabilities = correct_pits(softmax_rows(logits), network.pit_said, network.pit_came_true)
        reading.put(window, probabilities)
        if kept is not None:
            kept[(slice(None), *window)] = halves(probabilities)

    wanted = cv2.dilate(metal.view(np.uint8), np.ones((3, 3), np.uint8)).view(bool) if is_resampled else metal
    # a tile per core and all that belongs to it: the network on two cores leaves one idle a quarter of the time
    with ThreadPoolExecutor(max_workers=min(cv2.getNumThreads(), _MOST_AT_ONCE)) as workers:
        for _ in workers.map(take, _tiles(wanted, network.multiple)):
            pass
    network.give_memory_back()
    agreement.check()
    if reader is not None and kept is not None:
        _look_again(reader, faces, shown, metal, kept, reading)
    reading.settle(metal, edge_mm, LEARNED_PX_PER_MM)
    return reading.codes, reading.confidence, reading.covered, kept if keep_probabilities else None


def _look_again(
    reader: SecondReader,
    faces: Sequence[_Face],
    shown: Sequence[NDArray[np.bool_]],
    metal: NDArray[np.bool_],
    kept: NDArray[np.float16],
    reading: Reading,
) -> None:
    """Read doubtful pits once more at full detail; what is kept and read of them changes in place.

    Of several pictures each that shows a place says by itself what it adds, and the mean of that counts.
    """
    at = doubtful(kept[_PIT], metal)
    if not len(at[0]):
        return
    steps, n = np.zeros(len(at[0]), np.float32), np.zeros(len(at[0]), np.float32)
    for face, is_shown in zip(faces, shown, strict=True):
        rgb, _, edge_mm = face.rasters
        doubt = Doubt(
            rgb=rgb, reference=face.reference, known=face.known, edge_mm=edge_mm, probabilities=kept
        )
        says = is_shown[at]
        steps += says * reader.steps(doubt, at)
        n += says
    own, was_pit = kept[(slice(None), *at)].astype(np.float32), reading.codes[at] == SurfaceClass.PIT
    anew = with_pits(own, (steps / np.maximum(n, 1)).astype(np.float32))
    reading.put(at, anew)
    # a single pixel in the midst of a pit is no sound metal
    whole = cv2.morphologyEx(
        (reading.codes == SurfaceClass.PIT).view(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)
    )
    is_hole = was_pit & (whole[at] > 0) & (reading.codes[at] != SurfaceClass.PIT)
    anew[:, is_hole] = own[:, is_hole]
    reading.put((at[0][is_hole], at[1][is_hole]), own[:, is_hole])
    kept[(slice(None), *at)] = halves(anew)
