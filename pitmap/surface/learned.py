"""The learned classifier: a small convolutional network, run tile by tile through OpenCV."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import Stage
from .class_map import PROBABILITY_CLASSES
from .decide import choose_codes, softmax_rows
from .illumination import metal_reference

__all__ = ["LEARNED_PX_PER_MM", "has_model", "learned_map", "model_inputs", "tile_spans"]

LEARNED_PX_PER_MM = 10.0
"""Scale of the rasters that the network reads and writes."""
_FOLDER = Path(__file__).parent / "model"
_MODEL, _SETTINGS = _FOLDER / "surface.onnx", _FOLDER / "surface.json"
_MARGIN_PX = 48
"""Rim of a tile that is read but not kept: 4.8 mm of context."""
_LARGEST_TILE_PX = 960
_EDGE_FULL_MM = 4.0
"""Beyond this distance a drawn edge no longer matters to the network."""
_GAIN_MOST = 3.0
_UNCUT = PROBABILITY_CLASSES.index(5)  # type: ignore[arg-type]


def has_model() -> bool:
    """True when the network and its settings are installed beside this file."""
    return _MODEL.is_file() and _SETTINGS.is_file()


@lru_cache(maxsize=1)
def _settings() -> dict:
    return json.loads(_SETTINGS.read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(str(_MODEL))


def tile_spans(length: int, multiple: int) -> list[tuple[int, int, int, int]]:
    """Equal tiles over `length` pixels: (read start, read stop, keep start, keep stop), read ends may lie outside."""
    n = max(1, -(-length // (_LARGEST_TILE_PX - 2 * _MARGIN_PX)))
    keep = -(-length // n)
    read = -(-(keep + 2 * _MARGIN_PX) // multiple) * multiple
    spans = []
    for k in range(n):
        start, stop = k * keep, min(length, (k + 1) * keep)
        spans.append((start - _MARGIN_PX, start - _MARGIN_PX + read, start, stop))
    return spans


def model_inputs(
    rgb: NDArray[np.uint8],
    metal: NDArray[np.bool_],
    edge_mm: NDArray[np.float32],
    reference: NDArray[np.float32],
) -> NDArray[np.float32]:
    """What the network reads, (5, rows, columns): balanced red, green, blue; metal; nearness of a drawn edge.

    Balanced means divided by the metal's middle tone, less 1, at most 2: neither exposure nor the colour of the
    light is left in it. Off the metal the picture is kept, because what goes on beyond an edge tells a shadow.
    """
    out = np.empty((5, *metal.shape), np.float32)
    levels = np.arange(256, dtype=np.float32) / 255
    for k in range(3):
        lut = np.minimum(levels / max(float(reference[k]), 0.05), _GAIN_MOST) - 1
        out[k] = cv2.LUT(rgb[..., k], lut.astype(np.float32))
    out[3] = metal
    out[4] = np.clip(1 - edge_mm / _EDGE_FULL_MM, 0, 1)
    return out


def _padded(raster: NDArray, rows: tuple[int, int], cols: tuple[int, int]) -> NDArray:
    """The window rows x cols of a raster, zeros beyond its border."""
    h, w = raster.shape[:2]
    out = np.zeros((rows[1] - rows[0], cols[1] - cols[0], *raster.shape[2:]), raster.dtype)
    r0, r1, c0, c1 = max(rows[0], 0), min(rows[1], h), max(cols[0], 0), min(cols[1], w)
    out[r0 - rows[0] : r1 - rows[0], c0 - cols[0] : c1 - cols[0]] = raster[r0:r1, c0:c1]
    return out


def learned_map(
    rgb: NDArray[np.uint8],
    metal: NDArray[np.bool_],
    edge_mm: NDArray[np.float32],
    stage: Stage,
    photo_px_per_mm: float,
    keep_probabilities: bool = False,
) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.float16] | None]:
    """Codes, confidence and (if wanted) probabilities of every pixel of a picture at :data:`LEARNED_PX_PER_MM`.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    metal : (rows, columns) bool
        Tiles without metal are not computed.
    edge_mm : (rows, columns) float32
    stage : Stage
    photo_px_per_mm : float
        Scale of the photo behind the raster.
    keep_probabilities : bool

    Returns
    -------
    codes : (rows, columns) uint8
    confidence : (rows, columns) float32
    probabilities : (classes, rows, columns) float16 or None
    """
    settings, net = _settings(), _network()
    step = int(settings["step"])
    weights = np.asarray(settings["weights_lapped" if stage.is_lapped else "weights_intake"], np.float32)
    scale = np.asarray(settings["logit_scale"], np.float32)[:, None, None]
    shift = np.asarray(settings["logit_shift"], np.float32)[:, None, None]
    reference = metal_reference(rgb, metal)
    shape, n_classes = metal.shape, len(PROBABILITY_CLASSES)
    codes, confidence = np.ones(shape, np.uint8), np.zeros(shape, np.float32)
    kept = np.zeros((n_classes, *shape), np.float16) if keep_probabilities else None
    known = np.array(
        [*reference, float(stage.is_lapped), np.log2(np.clip(photo_px_per_mm, 1.0, 12.0) / 4.0)], np.float32
    ).reshape(1, 5, 1, 1)
    for r0, r1, rk0, rk1 in tile_spans(shape[0], int(settings["multiple"])):
        for c0, c1, ck0, ck1 in tile_spans(shape[1], int(settings["multiple"])):
            if not metal[rk0:rk1, ck0:ck1].any():
                continue
            rows, cols = (r0, r1), (c0, c1)
            tile = model_inputs(
                _padded(rgb, rows, cols), _padded(metal, rows, cols), _padded(edge_mm, rows, cols), reference
            )
            net.setInput(tile[None], "picture")
            net.setInput(known, "known")
            logits = _unshuffled(net.forward()[0], n_classes, step)
            inside = np.ascontiguousarray(logits[:, rk0 - r0 : rk1 - r0, ck0 - c0 : ck1 - c0])
            inside *= scale
            inside += shift
            if not stage.is_lapped:
                inside[_UNCUT] = -50.0
            probabilities = softmax_rows(inside)
            window = (slice(rk0, rk1), slice(ck0, ck1))
            codes[window], confidence[window] = choose_codes(probabilities, weights)
            if kept is not None:
                kept[(slice(None), *window)] = probabilities
    return codes, confidence, kept


def _unshuffled(blocks: NDArray[np.float32], n_classes: int, step: int) -> NDArray[np.float32]:
    """(classes * step^2, rows, columns) to (classes, rows * step, columns * step): the network's fine grid."""
    _, h, w = blocks.shape
    return (
        blocks.reshape(n_classes, step, step, h, w)
        .transpose(0, 3, 1, 4, 2)
        .reshape(n_classes, h * step, w * step)
    )
