"""How faces and groups of pictures are split; pictures of one face or one place never stand on both sides."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

__all__ = ["FACE_FOLDS", "PIT_FOLDS", "by_left_out", "face_of", "pit_group"]

T = TypeVar("T")

FACE_FOLDS = [
    ["d01", "d02", "d05", "d08"],
    ["d03", "d06", "d11"],
    ["d04", "d09", "d10", "d12"],
    ["d07", "multi1", "lap1"],
]
PIT_FOLDS = [
    ["S_crop_0"],
    ["V_crop_0", "V_crop_3", "V_crop_4"],
    ["395000_270_crop_1", "430000_180_crop_1", "585000_090_crop_1"],
    ["397500_315_crop_1", "597500_315_crop_1", "597500_315_crop_2"],
]


def face_of(name: str) -> str:
    """Pictures of one face count as one: multi1_2 -> multi1, lap1_0 -> lap1."""
    return name.rsplit("_", 1)[0] if "_" in name else name


def pit_group(group: str) -> str:
    """A coarser group than the file's: neighbouring positions of one spindle look alike and go together."""
    parts = group.strip("-").split("-")
    return parts[0] + "_" + parts[-1].split("_", 1)[-1] if len(parts) > 2 else group


def by_left_out(models: Path, folds: Sequence[Sequence[str]], load: Callable[[Path], T]) -> dict[str, T]:
    """The network that has not seen it, for each face or group; folds without a <number>.onnx are passed over."""
    networks: dict[str, T] = {}
    for k, names in enumerate(folds):
        path = models / f"{k}.onnx"
        if path.is_file():
            networks |= dict.fromkeys(names, load(path))
    return networks
