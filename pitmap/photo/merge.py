"""Several straightened pictures of one face under different lamps, merged into one with less glare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, MeasurementError
from .check import clipped
from .colour import linear_of_levels
from .same_face import CLEAR, FineStructure, fine_structure, lie_of

__all__ = ["LampMerge", "merge_lamps"]

_SHADE_PX = 61
"""Size of the blur that stands for the lamp's own fall of light, at a sixteenth of the picture's area."""
_MOST_SHIFT_MM = 1.2
"""Photos that were laid further beside each other are not moved onto each other; house choice."""
_DARK = 0.004
"""Linear light (about level 13 of 255) under which a pixel shows shadow and noise more than metal."""
_TOO_BRIGHT = 0.25
"""Log units above the darker lamps at which half of a lamp's say is taken for gloss."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LampMerge:
    """Merged picture and what was gained.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    unseen : (rows, columns) bool array
        Pixels that no lamp shows: out of every frame, or burnt out or black in all.
    shown : (n, rows, columns) bool array
        Pixels that each lamp shows.
    pictures, in_frame : tuples of n (rows, columns, 3) uint8 and n (rows, columns) bool arrays
        Each picture and its frame, laid on the others.
    shifts_px : (n, 2) float array
        (column, row) by which each picture lay beside the reference.
    unseen_share : (n,) float array
        Share of the judged pixels that each lamp alone does not show.
    merged_unseen_share : float
        The same after merging.
    reference : int
        Picture that the others were compared with: the one that loses least, then the surest laid, then the brightest.
    """

    rgb: NDArray[np.uint8]
    unseen: NDArray[np.bool_]
    shown: NDArray[np.bool_]
    pictures: tuple[NDArray[np.uint8], ...]
    in_frame: tuple[NDArray[np.bool_], ...]
    shifts_px: NDArray[np.float64]
    unseen_share: NDArray[np.float64]
    merged_unseen_share: float
    reference: int

    @property
    def gain_text(self) -> str:
        """The gain in one sentence."""
        best = 100 * float(self.unseen_share.min())
        return (
            f"{len(self.unseen_share)} photos together: not seen {100 * self.merged_unseen_share:.2f} % of the face, "
            f"against {best:.2f} % in the best single one"
        )


def merge_lamps(
    rasters: Sequence[NDArray[np.uint8]],
    in_frame: Sequence[NDArray[np.bool_]],
    *,
    face: NDArray[np.bool_] | None = None,
    place_sd: Sequence[float] | None = None,
    names: Sequence[str] = (),
    px_per_mm: float = 10.0,
) -> LampMerge:
    """One picture out of several of the same face under different lamps.

    Parameters
    ----------
    rasters : sequence of (rows, columns, 3) uint8 arrays
        Straightened pictures, all on one grid.
    in_frame : sequence of (rows, columns) bool arrays
        Where each one was in its photo's frame.
    face : (rows, columns) bool array, optional
        Pixels that shares are counted over; all by default.
    place_sd : sequence of float, optional
        Standard deviation of where each picture was laid, in any unit; all alike by default.
    names : sequence of str, optional
        What sentences call the pictures; their numbers by default.
    px_per_mm : float
        Scale of the grid; by default that of a map.

    Returns
    -------
    LampMerge

    Raises
    ------
    InputError
        Fewer than two pictures, sizes that differ.
    MeasurementError
        Two pictures that do not show the same metal, or share too little of it to tell (no clear common shift under 1.2 mm).

    Notes
    -----
    In linear light each picture is divided by its own smooth shading, so that lamps can be compared pixel by
    pixel. Gloss brightens a pixel under one lamp and not under the others; a pit is dark under all of them.
    So each lamp's say falls with how much brighter than the darker half of the lamps it shows the pixel, and
    with how near it is to black or white; the weighted mean is then shaded again by the mean shading. A
    darkest-lamp pick would keep every shadow; a brightest one would fill the pits.

    The small shift left between straightenings is where the fine structure of the metal correlates best
    (:func:`pitmap.photo.same_face.lie_of`). Each picture was laid on the drawing
    by itself, so all are moved to the mean of their places, weighted by ``1 / place_sd ** 2``: it errs less than
    any of them.
    """
    pictures, frames = _checked(rasters, in_frame)
    judged = np.ones(pictures[0].shape[:2], bool) if face is None else face
    if judged.shape != pictures[0].shape[:2] or not judged.any():
        raise InputError("merge_lamps: the face mask has another size or is empty")
    lost = [~f | clipped(p) for p, f in zip(pictures, frames)]
    sds = np.ones(len(pictures)) if place_sd is None else np.asarray(place_sd, float)
    # most photos lose nothing at all: the first of them would make the figures hang on the order they were named in
    ranks = [(float(u[judged].mean()), float(sd), -float(p.mean())) for u, sd, p in zip(lost, sds, pictures)]
    reference = ranks.index(min(ranks))
    shifts = np.zeros((len(pictures), 2))
    called = tuple(names) or tuple(f"lamp picture {k + 1}" for k in range(len(pictures)))
    structures = [fine_structure(p, f & judged) for p, f in zip(pictures, frames)]
    for k in range(len(pictures)):
        if k != reference:
            pair = structures[k], structures[reference]
            shifts[k] = _shift_to(*pair, _MOST_SHIFT_MM * px_per_mm, called[k], called[reference])
    middle = np.average(shifts, axis=0, weights=1 / np.square(sds))
    for k, shift in enumerate(shifts):
        pictures[k], frames[k] = _moved(pictures[k], frames[k], shift - middle)
    merged, unseen, alone = _blend(pictures, frames, reference)
    return LampMerge(
        rgb=merged,
        unseen=unseen,
        shown=~np.stack(alone),
        pictures=tuple(pictures),
        in_frame=tuple(frames),
        shifts_px=shifts,
        unseen_share=np.array([float(u[judged].mean()) for u in alone]),
        merged_unseen_share=float(unseen[judged].mean()),
        reference=reference,
    )


def _checked(rasters, in_frame):  # type: ignore[no-untyped-def]
    if len(rasters) < 2 or len(rasters) != len(in_frame):
        raise InputError(
            f"merge_lamps: expected two or more pictures, each with its mask, got {len(rasters)} and {len(in_frame)}"
        )
    shape = rasters[0].shape
    for k, (r, f) in enumerate(zip(rasters, in_frame), 1):
        if r.shape != shape or r.dtype != np.uint8 or len(shape) != 3 or f.shape != shape[:2]:
            raise InputError(
                f"merge_lamps: picture {k} is not a uint8 picture of {shape[:2]} with a mask of that size"
            )
    return list(rasters), [np.asarray(f, bool) for f in in_frame]


def _shift_to(
    moving: tuple[FineStructure, int], fixed: tuple[FineStructure, int], most_px: float, name: str, other: str
) -> NDArray[np.float64]:
    step = fixed[1]
    shift, clear = lie_of(moving[0], fixed[0], most_px / step)
    shift = shift * step
    if clear < CLEAR or np.abs(shift).max() > most_px:
        raise MeasurementError(
            f"{name} and {other} cannot be told to show the same face: it is another one, or too much of it is covered, "
            "cut off, blurred or too clean in one of them. Leave one out, or take it again with the face bare"
        )
    return shift


def _moved(rgb, frame, shift):  # type: ignore[no-untyped-def]
    if np.abs(shift).max() < 0.05:
        return rgb, frame
    matrix = np.array([[1.0, 0, shift[0]], [0, 1.0, shift[1]]])
    size = rgb.shape[1::-1]
    flags = cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(rgb, matrix, size, flags=flags | cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(frame.astype(np.uint8), matrix, size, flags=flags | cv2.INTER_NEAREST)
    return moved, inside.astype(bool)


def _to_srgb(linear: NDArray[np.float32]) -> NDArray[np.uint8]:
    # A table of 4096 steps of the square root: fine enough for 8 bits, and much quicker than powers.
    root = np.linspace(0, 1, 4096) ** 2
    table = np.where(root <= 0.0031308, 12.92 * root, 1.055 * root ** (1 / 2.4) - 0.055)
    levels = np.round(255 * table).astype(np.uint8)
    return levels[np.round(np.sqrt(np.clip(linear, 0, 1)) * 4095).astype(np.int32)]


def _shading(light: NDArray[np.float32], good: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Smooth light over the face, from its good pixels only."""
    small = light.shape[1] // 4 + 1, light.shape[0] // 4 + 1
    weight = cv2.resize(good.astype(np.float32), small, interpolation=cv2.INTER_AREA)
    value = cv2.resize(light * good, small, interpolation=cv2.INTER_AREA)
    smooth = _wide_blur(value) / np.maximum(_wide_blur(weight), 1e-3)
    floor = 0.05 * float(np.median(smooth[weight > 0.5])) if (weight > 0.5).any() else 1e-3
    return cv2.resize(np.maximum(smooth, max(floor, 1e-4)), light.shape[::-1], interpolation=cv2.INTER_LINEAR)


def _wide_blur(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return cv2.GaussianBlur(cv2.blur(values, (_SHADE_PX, _SHADE_PX)), (0, 0), _SHADE_PX / 4)


def _blend(pictures, frames, reference):  # type: ignore[no-untyped-def]
    to_linear = linear_of_levels()
    kernel = np.ones((3, 3), np.uint8)
    logs, shades, alone = [], [], []
    for picture, frame in zip(pictures, frames):
        light = to_linear[cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)]
        burnt = cv2.dilate(clipped(picture).view(np.uint8), kernel).astype(bool)
        alone.append(~frame | burnt)
        shade = _shading(light, frame & ~burnt & (light > _DARK))
        shades.append(shade)
        logs.append(np.log(np.maximum(light, 1e-4) / shade))
    relative = np.stack(logs)
    relative[np.stack(alone)] = np.inf
    darker = np.sort(relative, axis=0)[(len(pictures) - 1) // 2]
    total = np.zeros(darker.shape, np.float32)
    mixed = np.zeros((*darker.shape, 3), np.float32)
    for picture, log, shade, lost in zip(pictures, relative, shades, alone):
        excess = np.maximum(np.where(lost, 0, log - np.where(np.isfinite(darker), darker, 0)), 0)
        weight = 1 / (1 + (excess / _TOO_BRIGHT) ** 4)
        # Near white the sensor's curve flattens and near black noise rules: both ends lose their say.
        top = picture.max(axis=2).astype(np.float32)
        weight *= np.clip((253 - top) / 20, 0.02, 1) * np.clip(top / 20, 0.05, 1)
        weight = cv2.GaussianBlur(np.where(lost, 0, weight).astype(np.float32), (0, 0), 1.5)
        weight[lost] = 0
        mixed += to_linear[picture] * (weight / shade)[..., None]
        total += weight
    unseen = np.logical_and.reduce(alone)
    seen_total = np.maximum(total, 1e-6)
    # One smooth shade for all, or the seams between lamps would come back with it.
    common = np.exp(np.mean([np.log(s) for s in shades], axis=0))
    merged = _to_srgb(mixed / seen_total[..., None] * common[..., None])
    merged[unseen] = pictures[reference][unseen]
    return merged, unseen, alone
