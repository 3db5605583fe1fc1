"""A pool of training tiles that worker processes keep filling; several models learn from one pool."""

from __future__ import annotations

import mmap
import os
import signal
import traceback
from collections.abc import Callable

import numpy as np
import torch

N_NUMBERS = 5


def shared(shape: tuple[int, ...], dtype: type) -> np.ndarray:
    """Zeros that forked processes write and this one reads."""
    n = int(np.prod(shape)) * np.dtype(dtype).itemsize
    return np.frombuffer(mmap.mmap(-1, n), dtype=dtype).reshape(shape)


class Pool:
    """Tiles as 8-bit rasters: picture, class, and one raster that holds the mask and the nearness of an edge.

    Parameters
    ----------
    n : int
        Tiles held; the oldest is overwritten first.
    tile : int
        Side, pixels.
    draw : callable
        Makes one tile from a random generator.
    n_workers, seed : int
    device : str
        Where the copy to learn from is kept.
    """

    def __init__(self, n: int, tile: int, draw: Callable, n_workers: int, seed: int) -> None:
        self.n, self.tile = n, tile
        self.picture = shared((n, 3, tile, tile), np.uint8)
        self.label, self.aux = shared((n, tile, tile), np.uint8), shared((n, tile, tile), np.uint8)
        self.numbers, self.group = shared((n, N_NUMBERS), np.float32), shared((n,), np.int32)
        self.version, self.seen = shared((n,), np.int32), np.zeros(n, np.int32)
        # of the tiles on the device, which the workers may have overwritten since
        self.held_numbers, self.held_group = np.zeros((n, N_NUMBERS), np.float32), np.full(n, -1, np.int32)
        self.children = []
        for k in range(n_workers):
            child = os.fork()
            if child == 0:
                try:
                    self._fill(draw, range(k, n, n_workers), np.random.default_rng([seed, k]))
                except BaseException:
                    traceback.print_exc()
                finally:
                    os._exit(0)
            self.children.append(child)

    def _fill(self, draw: Callable, slots: range, rng: np.random.Generator) -> None:
        parent = os.getppid()
        while os.getppid() == parent:
            for k in slots:
                t = draw(rng)
                self.picture[k] = (t["picture"] * 255).round().byte().numpy()
                self.label[k] = t["label"].byte().numpy()
                self.aux[k] = (t["mask"] * (1 + (t["near"] * 200).round())).byte().numpy()
                self.numbers[k] = [*t["reference"].tolist(), float(t["lapped"]), t["scale"]]
                self.group[k] = t["group"]
                self.version[k] += 1

    def to_device(self, device: str) -> None:
        """Make room for the copy to learn from."""
        self.device = device
        size = (self.n, self.tile, self.tile)
        self.d_picture = torch.zeros((self.n, 3, self.tile, self.tile), dtype=torch.uint8, device=device)
        self.d_label = torch.zeros(size, dtype=torch.uint8, device=device)
        self.d_aux = torch.zeros(size, dtype=torch.uint8, device=device)

    def refresh(self, at_most: int) -> int:
        """Copy tiles that are new; how many are held now."""
        new = np.flatnonzero(self.version != self.seen)[:at_most]
        if len(new):
            self.seen[new] = self.version[new]
            where = torch.from_numpy(new).to(self.device)
            for there, here in (
                (self.d_picture, self.picture),
                (self.d_label, self.label),
                (self.d_aux, self.aux),
            ):
                there[where] = torch.from_numpy(here[new]).to(self.device)
            self.held_numbers[new], self.held_group[new] = self.numbers[new], self.group[new]
        return int((self.seen > 0).sum())

    def close(self) -> None:
        """End the workers."""
        for child in self.children:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
