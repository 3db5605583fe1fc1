"""Train the small network that looks at doubtful pits a second time, and write it as ONNX.

    python train_second_look.py OUT.onnx --photos FOLDER --pits FOLDER [--minutes 1] [--workers 14] [--share 1]

A photo folder is laid out like the development photos, --pits as pack.py takes it; the renders are those of the table
below. doubts.py reads them all with the network that ships, and what is learned is what to add to that network's log
odds of a pit: it serves that network and no other. Needs torch and onnx; made for a GPU, a dozen cores and 128 GB of
memory. The training ends by the clock, so no two runs give the same file.

Printed is the overlap (IoU) of pits before and after, each with the threshold of probability that is best for it.
Only what is held back says what a new face will bring: the photos and the plain pictures were learned from.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from itertools import pairwise
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np
import onnx
import torch
import torch.nn.functional as F
from doubts import Places, Renders, jobs_of, places
from numpy.typing import NDArray
from onnx import helper, numpy_helper
from torch import nn

from pitmap.surface.second_look import N_READ, ODDS_PX, PICTURE_PX

RENDERS = (
    Renders("render", 14, 2, 4000, False, 23000),
    Renders("render", 5, 2, 3000, True, 23100),
    Renders("render", 7, 3, 2400, False, 23200),
    Renders("render", 17, 4, 1600, False, 23300),
    Renders("render", 9, 4, 1600, True, 23400),
    Renders("held back", 4, 2, 4000, False, 24000),
    Renders("held back", 5, 4, 1600, False, 24100),
    Renders("held back", 3, 4, 1600, True, 24200),
)
SHARES = {"render": 0.47, "photo": 0.43, "plain": 0.10}
"""Of a batch."""
BATCH, RATE, DECAY, WARM_UP = 16_384, 2e-3, 1e-2, 200
HIDDEN, DROPPED = (128, 64), 0.1
GAIN_SPREAD, NOISE = 0.06, 0.01
PICTURE_SIDE, ODDS_SIDE = 2 * PICTURE_PX + 1, 2 * ODDS_PX + 1
N_PICTURE = 3 * PICTURE_SIDE**2
THRESHOLDS = np.arange(0.2, 0.56, 0.05)
AT_ONCE = 100_000


def on(device: str, face: Places) -> Places:
    """The same with tensors in place of arrays."""
    tensors = (torch.from_numpy(a).to(device) for a in (face.read, face.odds, face.is_pit))
    return face._replace(**dict(zip(("read", "odds", "is_pit"), tensors, strict=True)))


def dense() -> nn.Sequential:
    """The network; at first it adds nothing."""
    sizes, layers = (N_READ, *HIDDEN), []
    for before, after in pairwise(sizes):
        layers += [nn.Linear(before, after), nn.ReLU(), nn.Dropout(DROPPED)]
    last = nn.Linear(sizes[-1], 1)
    nn.init.zeros_(last.weight)
    nn.init.zeros_(last.bias)
    return nn.Sequential(*layers, last)


def mirrored(k: int) -> NDArray[np.intp]:
    """Which number stands where in what is read once picture and odds are mirrored, in one of eight ways."""
    order = np.arange(N_READ)
    for first, channels, side in ((0, 3, PICTURE_SIDE), (N_PICTURE, 1, ODDS_SIDE)):
        part = order[first : first + channels * side**2].reshape(channels, side, side).copy()
        part = part[:, :: -1 if k & 1 else 1, :: -1 if k & 2 else 1]
        order[first : first + part.size] = (part.transpose(0, 2, 1) if k & 4 else part).ravel()
    return order


def train(net: nn.Sequential, faces: list[Places], seconds: float, device: str) -> int:
    """Learn for so long; how many steps that were."""
    parts = []
    for source, share in SHARES.items():
        own = [p for p in faces if p.source == source]
        joined = (torch.cat([getattr(p, name) for p in own]) for name in ("read", "odds", "is_pit"))
        parts.append((*joined, int(BATCH * share)))
    orders = [torch.from_numpy(mirrored(k)).to(device) for k in range(8)]
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    started, steps = time.time(), 0
    while (done := (time.time() - started) / seconds) < 1:
        for group in optimiser.param_groups:
            group["lr"] = RATE * min(1, steps / WARM_UP) * (0.5 + 0.5 * math.cos(math.pi * done))
        drawn = []
        for read, odds, is_pit, n in parts:
            some = torch.randint(len(read), (n,), device=device)
            drawn.append((read[some][:, orders[steps % 8]], odds[some], is_pit[some]))
        read, odds, is_pit = (torch.cat(columns) for columns in zip(*drawn, strict=True))
        read = read.float()
        tone, gain = read[:, :N_PICTURE] + 1, 1 + GAIN_SPREAD * torch.randn(len(read), 1, device=device)
        read[:, :N_PICTURE] = tone * gain - 1 + NOISE * torch.randn_like(tone)
        loss = F.binary_cross_entropy_with_logits(odds + net(read)[:, 0], is_pit)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        steps += 1
    return steps


@torch.no_grad()
def best_overlap(faces: list[Places], step: Callable[[torch.Tensor], torch.Tensor]) -> str:
    """IoU of the pits of all these faces with the best threshold, for log odds changed by `step`."""
    both, said = np.zeros((2, len(THRESHOLDS)))
    for face in faces:
        pairs = zip(face.read.split(AT_ONCE), face.odds.split(AT_ONCE), strict=True)
        p = torch.cat([(odds + step(read.float())).sigmoid() for read, odds in pairs])
        for k, threshold in enumerate(THRESHOLDS):
            said[k] += float((p > threshold).sum())
            both[k] += float(((p > threshold) & (face.is_pit > 0)).sum())
    overlap = both / np.maximum(said + sum(face.n_pit for face in faces) - both, 1)
    return f"{overlap.max():.4f} (at {THRESHOLDS[overlap.argmax()]:.2f})"


def tell(net: nn.Sequential, faces: list[Places]) -> None:
    """Print the overlap before and after, per kind and stage; of faces read in part there is none."""
    for kind in sorted({face.kind for face in faces if face.source != "render"}):
        for stage, is_lapped in (("intake", False), ("lapped", True)):
            own = [face for face in faces if face.kind == kind and face.is_lapped == is_lapped]
            if own:
                before = best_overlap(own, lambda read: torch.zeros_like(read[:, 0]))
                after = best_overlap(own, lambda read: net(read)[:, 0])
                print(f"{kind}, {stage}, {len(own)} faces: {before} before, {after} after", flush=True)


def export(net: nn.Sequential, path: Path) -> None:
    """Write the network as ONNX."""
    linear = [layer for layer in net.cpu() if isinstance(layer, nn.Linear)]
    nodes, values, last = [], [], "read"
    for k, layer in enumerate(linear):
        for name, value in ((f"weight{k}", layer.weight), (f"bias{k}", layer.bias)):
            values.append(numpy_helper.from_array(value.detach().numpy(), name))
        is_end = k == len(linear) - 1
        out = "step" if is_end else f"sum{k}"
        nodes.append(helper.make_node("Gemm", [last, f"weight{k}", f"bias{k}"], [out], transB=1))
        if not is_end:
            last = f"ramp{k}"
            nodes.append(helper.make_node("Relu", [out], [last]))
    ends = [
        [helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, ["n", n])]
        for name, n in (("read", N_READ), ("step", 1))
    ]
    graph = helper.make_graph(nodes, "second_look", *ends, values)
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--photos", type=Path, required=True, help="folder of pictures with truth")
    parser.add_argument(
        "--pits", type=Path, required=True, help="folder of plain pictures with pits outlined"
    )
    parser.add_argument("--pits-px-per-mm", type=float, default=20.0)
    parser.add_argument("--minutes", type=float, default=1.0, help="of training, without what is read first")
    parser.add_argument("--workers", type=int, default=14)
    parser.add_argument("--share", type=int, default=1, help="for a trial: one face or picture of so many")
    parser.add_argument("--seed", type=int, default=1, help="of the training; the table has the renders' own")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    jobs = jobs_of(RENDERS, args.photos, args.pits, args.pits_px_per_mm, args.share)
    # the workers fork before the device is touched
    with Pool(args.workers) as pool:
        read = [face for some in pool.imap(places, jobs) for face in some]
    device = "cuda" if torch.cuda.is_available() else "cpu"
    faces = [on(device, face) for face in read]
    print(f"{len(faces)} faces, {sum(len(p.read) for p in faces)} places", flush=True)
    torch.manual_seed(args.seed)
    net = dense().to(device)
    print(f"{train(net, faces, 60 * args.minutes, device)} steps", flush=True)
    tell(net.eval(), faces)
    export(net, args.out)


if __name__ == "__main__":
    main()
