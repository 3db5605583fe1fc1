"""Teach the branch for scores on its own, the rest of the network left as it is.

    python train_scores.py DATA.npz TRAINED.pt [TRAINED.pt ...] OUT.pt [--tiles 2400] [--epochs 10]

Of several trained files the mean is taken first, as export.py does; the logits of the other classes are then its own,
to the bit. The branch is small, so that half an hour on two cores is enough; no GPU is needed.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from export import load
from network import N_CLASSES, SurfaceNet, save
from scenes import SCORE, Scenes
from train import Sampler, network_inputs

SIDE = 336
"""Of a tile, raster pixels."""
BATCH = 8
OF_SCORES = 3.0
"""Weight of the pixels of scores."""
HELD_BACK = 0.1


class Tiles:
    """What the branch reads and should say, for every tile: the network before it is run once."""

    def __init__(self, model: SurfaceNet, sampler: Sampler, n: int, seed: int) -> None:
        side, step = SIDE // model.step, model.step
        self.last = torch.empty(n, model.channels[0], side, side, dtype=torch.float16)
        self.first = torch.empty_like(self.last)
        self.others = torch.empty(n, step**2, side, side, dtype=torch.float16)
        self.label = torch.empty(n, step**2, side, side, dtype=torch.uint8)
        rng, started = np.random.default_rng(seed), time.time()
        for k in range(n):
            self._add(model, sampler(rng), k)
            if k % 200 == 0:
                print(f"{k} tiles, {time.time() - started:.0f} s", flush=True)

    def _add(self, model: SurfaceNet, tile: dict, k: int) -> None:
        step, mask = model.step, tile["mask"].float()
        numbers = torch.tensor([[*tile["reference"].tolist(), float(tile["lapped"]), tile["scale"]]])
        picture, near = tile["picture"].clamp(0, 1), tile["near"] * mask
        with torch.no_grad():
            last, first = model.features(
                *network_inputs(picture[None], mask[None], near[None], numbers, step)
            )
            logits = model.head(last)[0].unflatten(0, (N_CLASSES - 1, step**2))
        self.last[k], self.first[k] = last[0].half(), first[0].half()
        self.others[k] = logits.logsumexp(0).half()
        self.label[k] = F.pixel_unshuffle(tile["label"][None, None].float(), step)[0].byte()


def loss_of(model: SurfaceNet, tiles: Tiles, which: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Loss of the branch on some tiles; and (found, there, said and right, said) in pixels."""
    odds = model.lines(tiles.last[which].float(), tiles.first[which].float()) - tiles.others[which].float()
    label = tiles.label[which]
    valid, is_it = (label < N_CLASSES).float(), (label == SCORE).float()
    entropy = F.binary_cross_entropy_with_logits(odds, is_it, reduction="none")
    weight = valid * (1 + (OF_SCORES - 1) * is_it)
    p = odds.sigmoid() * valid
    dice = 1 - (2 * (p * is_it).sum() + 50) / (p.sum() + is_it.sum() + 50)
    said = (odds > 0) & (valid > 0)
    right = (said & (is_it > 0)).sum()
    return (entropy * weight).sum() / weight.sum() + 0.02 * dice, torch.stack(
        [right, is_it.sum(), said.sum()]
    )


def teach(model: SurfaceNet, tiles: Tiles, epochs: int, rate: float) -> None:
    """Fit the branch, in place."""
    n = len(tiles.last)
    n_kept = n - round(HELD_BACK * n)
    for parameter in model.parameters():
        parameter.requires_grad_(False)
    for parameter in model.lines.parameters():
        parameter.requires_grad_(True)
    optimiser = torch.optim.AdamW(model.lines.parameters(), lr=rate, weight_decay=1e-3)
    n_steps = epochs * (n_kept // BATCH)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, rate, total_steps=n_steps)
    started = time.time()
    for epoch in range(epochs):
        order, total = torch.randperm(n_kept), 0.0
        for k in range(n_kept // BATCH):
            loss, _ = loss_of(model, tiles, order[k * BATCH : (k + 1) * BATCH])
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            plan.step()
            total += float(loss.detach())
        with torch.no_grad():
            held = torch.arange(n_kept, n).split(BATCH)
            right, there, said = (
                torch.stack([loss_of(model, tiles, part)[1] for part in held]).sum(0).tolist()
            )
        print(
            f"epoch {epoch}, {time.time() - started:.0f} s, loss {total / (n_kept // BATCH):.5f}; held back:"
            f" found {right / max(there, 1):.3f}, right {right / max(said, 1):.3f}",
            flush=True,
        )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("data", help="comma-separated files of pack.py")
    parser.add_argument("trained", nargs="+")
    parser.add_argument("out", type=Path)
    parser.add_argument("--tiles", type=int, default=2400)
    parser.add_argument("--epochs", type=int, default=10)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--render-share", type=float, default=0.75)
    parser.add_argument("--seed", type=int, default=20261203)
    args = parser.parse_args()
    torch.manual_seed(args.seed)
    model = load(args.trained)
    sampler = Sampler(Scenes(args.data.split(","), "cpu"), args.render_share, 0.0, SIDE, of_scores=0.5)
    tiles = Tiles(model, sampler, args.tiles, args.seed)
    teach(model, tiles, args.epochs, args.rate)
    settings = dict(torch.load(args.trained[-1], map_location="cpu", weights_only=True)["settings"])
    save(model, settings, args.out)


if __name__ == "__main__":
    main()
