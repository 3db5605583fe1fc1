"""Train the surface network: out-of-fold models for honest scores, and one on everything to ship.

    python train.py DATA.npz OUT --models all,0 --minutes 8    # the one that ships, and one without fold 0
    python train.py DATA.npz OUT --models 1,2,3 --minutes 8

Needs torch, numpy and Pillow; a GPU and a dozen cores for more than a smoke test. Writes OUT/<name>.pt for
export.py.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from folds import FACE_FOLDS, PIT_FOLDS
from network import N_CLASSES, SurfaceNet, fill, save
from pool import Pool
from scenes import PIT_ONLY, SCORE, TILE, UNSEEN, Scene, Scenes, photo_tile, pit_tile
from transplant import transplant
from vary import vary

DRAWN = {1: 0.32, 2: 0.27, 3: 0.12, 4: 0.07, 5: 0.10, 6: 0.07, 255: 0.05}
"""How often a tile is centred on each class, by its code."""
WORDS = ("sound", "pit", "stain", "tint", "uncut", "unseen", "score")
CLASS_WEIGHT = [1.0, 2.0, 1.3, 1.0, 1.0, 1.0, 1.3]
GAIN_MOST = 3.0
DONOR_RENDERS = 0.3
"""Of the damage laid on other tiles, the share that comes from renders."""
REFRESH_EVERY, REFRESH = 8, 80
"""New tiles are fetched every so many steps, at most so many: one large copy stalls less than many small."""


def network_inputs(
    picture: torch.Tensor, mask: torch.Tensor, near: torch.Tensor, numbers: torch.Tensor, step: int
) -> tuple[torch.Tensor, torch.Tensor]:
    """What the network reads, picture and known; the numbers are those of `pitmap.surface.inputs.model_inputs`.

    Parameters
    ----------
    picture : (batch, 3, n, n), 0 to 1
    mask, near : (batch, n, n)
    numbers : (batch, 5)
        Middle tone of the metal, 1 when lapped, px per mm of the photo.
    step : int
    """
    reference = numbers[:, :3].clamp_min(0.05)
    balanced = (picture / reference[:, :, None, None]).clamp(max=GAIN_MOST) - 1
    x = torch.cat([balanced, mask[:, None], near[:, None]], 1)
    scale = torch.log2(numbers[:, 4].clamp(1.0, 12.0) / 4.0)
    known = torch.cat([reference, numbers[:, 3:4], scale[:, None]], 1)
    n = x.shape[-1] // step
    return x, known[:, :, None, None].expand(-1, -1, n, n)


def batch_from(
    pool: Pool, slots: np.ndarray, step: int, rng: np.random.Generator
) -> tuple[torch.Tensor, ...]:
    """Batch for the network.

    The whole batch is turned or mirrored, and each tile's light and noise change a little, so that a tile that
    is used again is not the same again.
    """
    device = pool.device
    where = torch.from_numpy(slots).to(device)
    picture, label = pool.d_picture[where].float() / 255, pool.d_label[where]
    aux = pool.d_aux[where].float()
    numbers = torch.from_numpy(pool.held_numbers[slots]).to(device)
    gain = torch.exp(torch.randn(len(slots), 1, 1, 1, device=device) * 0.06)
    noise = torch.rand(len(slots), 1, 1, 1, device=device) * 0.012
    picture = (picture * gain + noise * torch.randn_like(picture)).clamp(0, 1)
    mask, near = (aux > 0).float(), ((aux - 1) / 200).clamp_min(0)
    x, known = network_inputs(picture, mask, near, numbers, step)
    turns, flip = int(rng.integers(4)), bool(rng.integers(2))
    x, label = torch.rot90(x, turns, (-2, -1)), torch.rot90(label, turns, (-2, -1))
    if flip:
        x, label = x.flip(-1), label.flip(-1)
    return x, known, label


def fine(logits: torch.Tensor, step: int) -> torch.Tensor:
    """(batch, classes * step^2, h, w) to (batch, classes, h * step, w * step)."""
    return F.pixel_shuffle(logits, step)


def loss_of(logits: torch.Tensor, label: torch.Tensor, lapped: torch.Tensor) -> torch.Tensor:
    """Cross entropy and soft Dice on photos; pit or not on plain pictures."""
    logits = logits.float()
    # at intake there is no uncut metal
    logits[:, 4] = torch.where(lapped[:, None, None], logits[:, 4], torch.full_like(logits[:, 4], -30.0))
    is_class = label < N_CLASSES
    weight = torch.tensor(CLASS_WEIGHT, device=logits.device)
    log_p = F.log_softmax(logits, 1)
    target = torch.where(is_class, label, 0).long()
    own = log_p.gather(1, target[:, None])[:, 0]
    w = weight[target] * is_class
    entropy = -(own * w).sum() / w.sum().clamp_min(1)
    p = log_p.exp()
    dice = logits.new_zeros(())
    for k, share in ((1, 1.0), (2, 0.5), (3, 0.3), (4, 0.3), (UNSEEN, 0.3), (SCORE, 0.3)):
        truth = ((label == k) & is_class).float()
        pk = p[:, k] * is_class
        dice = dice + share * (1 - (2 * (pk * truth).sum() + 500) / (pk.sum() + truth.sum() + 500))
    plain = (label == PIT_ONLY) | (label == PIT_ONLY + 1)
    pit = (label == PIT_ONLY + 1).float()
    p_pit = p[:, 1].clamp(1e-5, 1 - 1e-5)
    binary = -(2.0 * pit * p_pit.log() + (1 - pit) * (1 - p_pit).log())
    binary = (binary * plain).sum() / plain.sum().clamp_min(1)
    overlap = 1 - (2 * (p[:, 1] * pit * plain).sum() + 500) / ((p[:, 1] * plain).sum() + pit.sum() + 500)
    return entropy + 0.4 * dice + 1.0 * binary + 0.3 * overlap


class Sampler:
    """Draws tiles from everything that was packed; each carries the number of the group it comes from."""

    def __init__(
        self,
        data: Scenes,
        render_share: float,
        pit_share: float,
        tile: int,
        of_scores: float = DRAWN[6],
        laid_on: float = 0.0,
        folds: Sequence[int] = (),
    ) -> None:
        """`laid_on` is the share of tiles with damage from another one, never from a face that `folds` leave out."""
        self.photos = [s for s in data.scenes if s.kind == "photo"]
        self.renders = [s for s in data.scenes if s.kind == "render"]
        self.pits, self.benches, self.tile = data.pits, data.benches, tile
        self.drawn = DRAWN | {6: of_scores}
        n_of = {f: sum(s.weight for s in self.photos if s.group == f) for f in {s.group for s in self.photos}}
        # a face with four photos is drawn twice as often as one with one, not four times
        w = np.array([s.weight * n_of[s.group] ** -0.5 for s in self.photos])
        self.weight = w / w.sum()
        self.render_share = render_share if self.renders else 0.0
        self.pit_share = pit_share if self.pits else 0.0
        names = sorted({s.group for s in data.scenes} | {p["group"] for p in self.pits})
        self.number = {name: k for k, name in enumerate(names)}
        barred = {name for fold in folds for name in FACE_FOLDS[fold]}
        self.laid_on = laid_on
        self.donors = [[s for s in some if s.group not in barred] for some in (self.photos, self.renders)]

    def left_out(self, fold: int | None) -> np.ndarray:
        """Numbers of the groups that a fold must not see."""
        names = [] if fold is None else FACE_FOLDS[fold] + PIT_FOLDS[fold]
        return np.array([self.number[n] for n in names if n in self.number], int)

    def __call__(self, rng: np.random.Generator) -> dict:
        """One tile, changed at random."""
        u = rng.random()
        if u < self.pit_share:
            item = self.pits[rng.integers(len(self.pits))]
            tile = pit_tile(item, rng, True, self.tile)
            vary(tile, self.benches, rng, False)
            return dict(tile, group=self.number[item["group"]])
        if u < self.pit_share + self.render_share:
            scene = self.renders[rng.integers(len(self.renders))]
        else:
            scene = self.photos[rng.choice(len(self.photos), p=self.weight)]
        tile = self._cut(scene, rng)
        if rng.random() < self.laid_on:
            donors = self.donors[int(rng.random() < DONOR_RENDERS and bool(self.donors[1]))]
            transplant(tile, self._cut(donors[rng.integers(len(donors))], rng), rng)
        vary(tile, self.benches, rng, True)
        return dict(tile, group=self.number[scene.group])

    def _cut(self, scene: Scene, rng: np.random.Generator) -> dict:
        """A tile about some class of a scene."""
        codes = [c for c in self.drawn if c in scene.centres]
        share = np.array([self.drawn[c] for c in codes])
        places = scene.centres[codes[rng.choice(len(codes), p=share / share.sum())]]
        centre = places[rng.integers(len(places))] + rng.normal(0, self.tile / 5, 2)
        return photo_tile(scene, (float(centre[0]), float(centre[1])), rng, True, self.tile)


def settle_norms(model: SurfaceNet, x: torch.Tensor, known: torch.Tensor) -> None:
    """Give every normalisation the statistics of real tiles, without changing what the network computes."""

    def settle(norm: torch.nn.BatchNorm2d, inputs: tuple[torch.Tensor, ...]) -> None:
        variance, mean = torch.var_mean(inputs[0].float(), (0, 2, 3), correction=0)
        gain = norm.weight / (norm.running_var + norm.eps).sqrt()
        norm.bias += gain * (mean - norm.running_mean)
        norm.weight.copy_(gain * (variance + norm.eps).sqrt())
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)

    hooks = [
        m.register_forward_pre_hook(settle) for m in model.modules() if isinstance(m, torch.nn.BatchNorm2d)
    ]
    was_training = model.training
    with torch.no_grad():
        model.eval()(x, known)
    model.train(was_training)
    for hook in hooks:
        hook.remove()


class Learner:
    """One network, its running mean, and the tiles that it may see."""

    def __init__(self, name: str, sampler: Sampler, args: argparse.Namespace, device: str) -> None:
        self.name, self.device, self.steps, self.loss = name, device, 0, 0.0
        self.before = 0
        self.out = sampler.left_out(None if name == "all" else int(name))
        torch.manual_seed(args.seed)
        self.model = SurfaceNet(tuple(map(int, args.channels.split(","))), args.step).to(device)
        begun = args.start / f"{name}.pt" if args.start else None
        if begun is not None and begun.is_file():
            kept = torch.load(begun, map_location="cpu", weights_only=True)
            fill(self.model, kept["weights"])
            self.before = int(kept["settings"]["tiles"])
        if device == "cuda":
            self.model = self.model.to(memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.model).eval()
        self.loss_of_batch = torch.compile(self._loss) if args.compile else self._loss
        self.optimiser = torch.optim.AdamW(
            self.model.parameters(), lr=args.rate, weight_decay=1e-3, fused=device == "cuda"
        )

    def _loss(self, x: torch.Tensor, known: torch.Tensor, label: torch.Tensor) -> torch.Tensor:
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            logits = fine(self.model(x, known), self.model.step)
        return loss_of(logits, label, known[:, 3, 0, 0] > 0.5)

    def settle(self, pool: Pool, rng: np.random.Generator, batch: int) -> None:
        """Let the normalisations fit the tiles before the first step; the file that ships holds none."""
        x, known, _ = self._batch(pool, rng, batch)
        settle_norms(self.model, x, known)
        self.mean.load_state_dict(self.model.state_dict())

    def _batch(self, pool: Pool, rng: np.random.Generator, batch: int) -> tuple[torch.Tensor, ...]:
        filled = pool.seen > 0
        slots = rng.choice(np.flatnonzero(filled & ~np.isin(pool.held_group, self.out)), batch)
        x, known, label = batch_from(pool, slots, self.model.step, rng)
        if self.device == "cuda":
            x = x.contiguous(memory_format=torch.channels_last)
        return x, known, label

    def learn(self, pool: Pool, rng: np.random.Generator, batch: int, rate: float) -> None:
        """One step."""
        x, known, label = self._batch(pool, rng, batch)
        for group in self.optimiser.param_groups:
            group["lr"] = rate * min(1.0, (self.steps + 1) / 200)
        loss = self.loss_of_batch(x, known, label)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.model.parameters(), 2.0)
        self.optimiser.step()
        keep = min(0.999, (self.steps + 1) / (self.steps + 20))
        ours, theirs = list(self.mean.state_dict().values()), list(self.model.state_dict().values())
        real = [k for k, a in enumerate(ours) if a.dtype.is_floating_point]
        torch._foreach_lerp_([ours[k] for k in real], [theirs[k] for k in real], 1 - keep)
        if self.steps % 50 == 0:
            self.loss = (
                float(loss.detach()) if self.steps == 0 else 0.6 * self.loss + 0.4 * float(loss.detach())
            )
        self.steps += 1

    @torch.no_grad()
    def check(self, pool: Pool, n: int = 160) -> dict:
        """Overlap of each class on tiles of the groups left out, changed at random as in training."""
        rng, both, either = np.random.default_rng(5), np.zeros(N_CLASSES), np.zeros(N_CLASSES)
        slots = np.flatnonzero((pool.seen > 0) & np.isin(pool.held_group, self.out))[:n]
        for k in range(0, len(slots), 16):
            x, known, label = batch_from(pool, slots[k : k + 16], self.model.step, rng)
            with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
                best = fine(self.mean(x, known), self.model.step).argmax(1)
            ok = label < N_CLASSES
            for c in range(N_CLASSES):
                a, b = (best == c) & ok, (label == c) & ok
                both[c] += float((a & b).sum())
                either[c] += float((a | b).sum())
        return {w: round(b / max(e, 1), 3) for w, b, e in zip(WORDS, both, either, strict=True)}

    def save(self, folder: Path, seed: int, batch: int) -> None:
        """Write the running mean in half precision."""
        model = self.mean
        settings = {
            "channels": model.channels,
            "step": model.step,
            "seed": seed,
            "steps": self.steps,
            "tiles": self.before + self.steps * batch,
        }
        save(model, settings, folder / f"{self.name}.pt")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("data", help="comma-separated files of pack.py")
    parser.add_argument("out", type=Path)
    parser.add_argument(
        "--models", default="all", help="comma-separated: all, or the number of the fold left out"
    )
    parser.add_argument("--channels", default="32,48,64,96,128")
    parser.add_argument("--step", type=int, default=3)
    parser.add_argument("--minutes", type=float, default=6.0)
    parser.add_argument("--steps", type=int, default=0, help="stop after so many, for a smoke test")
    parser.add_argument("--batch", type=int, default=24)
    parser.add_argument("--tile", type=int, default=TILE)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--render-share", type=float, default=0.15)
    parser.add_argument("--laid-on", type=float, default=0.0, help="share of tiles with another one's damage")
    parser.add_argument("--pit-share", type=float, default=0.22)
    parser.add_argument("--pool", type=int, default=9000)
    parser.add_argument("--workers", type=int, default=14)
    parser.add_argument("--compile", action="store_true", help="let torch fuse the network and its loss")
    parser.add_argument("--start", type=Path, help="folder of <name>.pt files to go on from")
    parser.add_argument("--seed", type=int, default=20261125)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    started = time.time()
    # the workers fork before the device is touched, and compute on one thread each
    torch.set_num_threads(1)
    data = Scenes(args.data.split(","), "cpu")
    folds = [int(m) for m in args.models.split(",") if m != "all"]
    sampler = Sampler(data, args.render_share, args.pit_share, args.tile, laid_on=args.laid_on, folds=folds)
    pool = Pool(args.pool, args.tile, sampler, args.workers, args.seed)
    try:
        device = "cuda" if torch.cuda.is_available() else "cpu"
        pool.to_device(device)
        learners = [Learner(name, sampler, args, device) for name in args.models.split(",")]
        while pool.refresh(args.pool) < min(args.pool, 40 * args.workers):
            time.sleep(0.5)
        print(
            args.models,
            device,
            f"first tiles after {time.time() - started:.0f} s, {len(sampler.photos)} photos,",
            f"{len(sampler.renders)} renders",
            flush=True,
        )
        rng, started, said = np.random.default_rng(args.seed), time.time(), 0.0
        for learner in learners:
            learner.settle(pool, rng, args.batch)
        while True:
            done = (
                learners[0].steps / args.steps
                if args.steps
                else (time.time() - started) / (60 * args.minutes)
            )
            if done >= 1:
                break
            if learners[0].steps % REFRESH_EVERY == 0:
                held = pool.refresh(REFRESH)
            rate = args.rate * (0.5 * (1 + math.cos(math.pi * done)) + 0.004)
            for learner in learners:
                learner.learn(pool, rng, args.batch, rate)
            if time.time() - started > said + 60:
                said = time.time() - started
                print(
                    f"{said:.0f} s, step {learners[0].steps}, held {held}, made {pool.version.sum()}, loss",
                    " ".join(f"{m.name}:{m.loss:.3f}" for m in learners),
                    flush=True,
                )
                for learner in learners:
                    learner.save(args.out, args.seed, args.batch)
        for learner in learners:
            print(
                f"{learner.name} END step {learner.steps} loss {learner.loss:.3f}",
                json.dumps(learner.check(pool)),
                flush=True,
            )
            learner.save(args.out, args.seed, args.batch)
    finally:
        pool.close()


if __name__ == "__main__":
    main()
