"""Teach the branch for scores on its own, the rest of the network left as it is.

    python train_scores.py DATA.npz[,DATA.npz...] START.pt OUT.pt [--minutes 12] [--held-back render_7115]

START.pt is of restore.py or train.py; the logits of the other classes stay its own, to the bit. Seven minutes on a
GPU were enough.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from export import load
from network import N_CLASSES, SurfaceNet, save
from pool import Pool
from scenes import SCORE, Scenes
from train import Sampler, batch_from

SIDE = 336
"""Of a tile, raster pixels."""
OF_SCORES = 3.0
"""Weight of the pixels of scores."""
ABOUT_SCORES = 0.5
"""Share of the tiles of renders that lie about a score."""
POOL, REFRESH_EVERY, REFRESH = 12000, 8, 160


def loss_of(odds: torch.Tensor, label: torch.Tensor) -> torch.Tensor:
    """Cross entropy and overlap of scores against all else; both (batch, step^2, rows, columns)."""
    valid, is_it = (label < N_CLASSES).float(), (label == SCORE).float()
    entropy = F.binary_cross_entropy_with_logits(odds, is_it, reduction="none")
    weight = valid * (1 + (OF_SCORES - 1) * is_it)
    p = odds.sigmoid() * valid
    dice = 1 - (2 * (p * is_it).sum() + 50) / (p.sum() + is_it.sum() + 50)
    return (entropy * weight).sum() / weight.sum() + 0.02 * dice


class Teacher:
    """The network with all but its branch held fast, and the running mean of the branch."""

    def __init__(self, model: SurfaceNet, pool: Pool, device: str, rate: float) -> None:
        self.model, self.pool, self.device, self.rate = model.to(device).eval(), pool, device, rate
        for parameter in model.parameters():
            parameter.requires_grad_(False)
        for parameter in model.lines.parameters():
            parameter.requires_grad_(True)
        self.mean = copy.deepcopy(model.lines)
        self.optimiser = torch.optim.AdamW(model.lines.parameters(), lr=rate, weight_decay=1e-3)
        self.steps = 0

    def read(self, slots: np.ndarray, rng: np.random.Generator) -> tuple[torch.Tensor, ...]:
        """Last and first level, the picture, the odds of all else, and the truth."""
        x, known, label = batch_from(self.pool, slots, self.model.step, rng)
        with torch.no_grad(), torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            last, first = self.model.features(x, known)
            logits = self.model.head(last).float().unflatten(1, (N_CLASSES - 1, self.model.step**2))
        fine = F.pixel_unshuffle(label[:, None].float(), self.model.step).byte()
        return last.float(), first.float(), x, logits.logsumexp(1), fine

    def learn(self, slots: np.ndarray, rng: np.random.Generator, done: float) -> float:
        """One step; `done` is the share of the time that is over."""
        last, first, x, others, label = self.read(slots, rng)
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * min(1, (self.steps + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * done))
        loss = loss_of(self.model.lines(last, first, x) - others, label)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.model.lines.parameters(), 1.0)
        self.optimiser.step()
        keep = min(0.999, (self.steps + 1) / (self.steps + 20))
        with torch.no_grad():
            for ours, theirs in zip(self.mean.parameters(), self.model.lines.parameters(), strict=True):
                ours.lerp_(theirs, 1 - keep)
        self.steps += 1
        return float(loss.detach())

    @torch.no_grad()
    def check(self, slots: np.ndarray) -> tuple[float, float]:
        """Shares of the scored metal that is found, and of what is said that is right."""
        rng, sums = np.random.default_rng(5), np.zeros(3)
        for k in range(0, len(slots), 32):
            last, first, x, others, label = self.read(slots[k : k + 32], rng)
            said = (self.mean(last, first, x) - others > 0) & (label < N_CLASSES)
            there = label == SCORE
            sums += [float((said & there).sum()), float(there.sum()), float(said.sum())]
        return sums[0] / max(sums[1], 1), sums[0] / max(sums[2], 1)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("data", help="comma-separated files of pack.py")
    parser.add_argument("start")
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=12.0)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--render-share", type=float, default=0.75)
    parser.add_argument("--held-back", default="", help="groups whose names begin so are only looked at")
    parser.add_argument("--workers", type=int, default=14)
    parser.add_argument("--seed", type=int, default=20261129)
    args = parser.parse_args()
    torch.manual_seed(args.seed)
    # the workers fork before the device is touched, and compute on one thread each
    torch.set_num_threads(1)
    data = Scenes(args.data.split(","), "cpu")
    sampler = Sampler(data, args.render_share, 0.0, SIDE, of_scores=ABOUT_SCORES)
    held = [n for name, n in sampler.number.items() if args.held_back and name.startswith(args.held_back)]
    pool = Pool(POOL, SIDE, sampler, args.workers, args.seed)
    try:
        device = "cuda" if torch.cuda.is_available() else "cpu"
        pool.to_device(device)
        teacher = Teacher(load([args.start]), pool, device, args.rate)
        while pool.refresh(POOL) < 60 * args.workers:
            time.sleep(0.5)
        rng, started, said, loss = np.random.default_rng(args.seed), time.time(), 0.0, 0.0
        while (done := (time.time() - started) / (60 * args.minutes)) < 1:
            if teacher.steps % REFRESH_EVERY == 0:
                pool.refresh(REFRESH)
                filled, is_held = pool.seen > 0, np.isin(pool.held_group, held)
                learned_from, looked_at = np.flatnonzero(filled & ~is_held), np.flatnonzero(filled & is_held)
            loss += 0.01 * (teacher.learn(rng.choice(learned_from, args.batch), rng, done) - loss)
            if time.time() - started > said + 60:
                said = time.time() - started
                found, right = teacher.check(looked_at[:640])
                print(
                    f"{said:.0f} s, step {teacher.steps}, {pool.version.sum()} tiles made, loss {loss:.5f};"
                    f" held back: found {found:.3f}, right {right:.3f}",
                    flush=True,
                )
        model = teacher.model
        model.lines.load_state_dict(teacher.mean.state_dict())
        settings = dict(torch.load(args.start, map_location="cpu", weights_only=True)["settings"])
        save(model, settings, args.out)
    finally:
        pool.close()


if __name__ == "__main__":
    main()
