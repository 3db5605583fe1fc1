"""Turn an ONNX file of real numbers back into a network that can be trained on, wider where asked.

    python restore.py surface_real.onnx OUT.pt [--channels 32,64,96,128,160]

An ONNX file holds no normalisation: it went into the convolutions. Here it comes back as a plain shift;
`settle_norms` of train.py gives it the statistics of real tiles before the first step. A wider network
computes the same at first: what the new channels see is drawn at random, what they add starts at zero.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
import torch
from network import DILATIONS, N_CLASSES, N_KNOWN, N_LINE, N_PICTURE, SurfaceNet
from onnx import numpy_helper
from torch import nn


def convolutions(path: Path) -> list[tuple[np.ndarray, np.ndarray | None]]:
    """Weights and shift of every convolution, in the order of the computation."""
    graph = onnx.load(str(path)).graph
    value = {i.name: numpy_helper.to_array(i) for i in graph.initializer}
    return [
        (value[n.input[1]], value[n.input[2]] if len(n.input) > 2 else None)
        for n in graph.node
        if n.op_type == "Conv"
    ]


def channels_of(kept: list[tuple[np.ndarray, np.ndarray | None]], step: int) -> tuple[int, ...]:
    """Width of every level: stem, known, two per level, two per level on the way up, then the head."""
    n_out = (N_CLASSES - 1) * step**2
    head = next(k for k, (weight, _) in enumerate(kept) if weight.shape[0] == n_out and weight.shape[2] == 1)
    return tuple(kept[2 + 2 * k][0].shape[0] for k in range(head // 4))


def in_order(model: SurfaceNet) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """The convolutions in the order of the computation, each with its normalisation."""
    out: list[tuple[nn.Conv2d, nn.BatchNorm2d | None]] = [(model.stem, None), (model.known, None)]
    for part in (model.enter, *model.down, *reversed(model.up)):
        out += [(part[k], part[k + 1]) for k in range(0, len(part), 3)]  # type: ignore[misc]
    branch = model.lines
    lines = [branch.from_last, branch.from_first, branch.from_picture, *branch.along[::2], branch.odds]
    return [*out, (model.head, None), *((part, None) for part in lines)]  # type: ignore[misc]


def inputs_kept(model: SurfaceNet, old: tuple[int, ...]) -> list[list[int]]:
    """For every convolution, which of its inputs the narrower network had."""
    new = model.channels
    own = [list(range(n)) for n in old]
    out = [list(range(N_PICTURE)), list(range(N_KNOWN)), own[0], own[0]]
    for k in range(len(old) - 1):
        out += [own[k], own[k + 1]]
    for k in range(len(old) - 2, -1, -1):
        out += [own[k + 1] + [new[k + 1] + i for i in own[k]], own[k]]
    inner = [list(range(N_LINE))] * (len(DILATIONS) + 1)
    return [*out, own[0], own[0], own[0], list(range(N_PICTURE)), *inner]


def restore(path: Path, channels: tuple[int, ...] | None, step: int) -> SurfaceNet:
    """A network that computes what the file computes; a branch for scores of another form is left unlearned."""
    kept = convolutions(path)
    old = channels_of(kept, step)
    torch.manual_seed(1)
    model = SurfaceNet(channels or old, step)
    if len(kept) != len(in_order(model)):
        kept = kept[: 4 * len(old) + 1]
    with torch.no_grad():
        for (layer, norm), (weight, shift), inputs in zip(
            in_order(model)[: len(kept)], kept, inputs_kept(model, old)[: len(kept)], strict=True
        ):
            n = weight.shape[0]
            layer.weight[:n] = 0
            layer.weight[:n, inputs] = torch.from_numpy(weight.copy())
            if norm is not None:
                norm.running_var.fill_(1 - norm.eps)
            at = norm if norm is not None else layer
            if shift is not None and at.bias is not None:
                at.bias[:n] = torch.from_numpy(shift.copy())
    return model.eval()


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("onnx", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--channels", help="comma-separated; those of the file when left out")
    parser.add_argument("--step", type=int, default=3)
    parser.add_argument("--tiles", type=int, default=0, help="that the file's network has seen")
    args = parser.parse_args()
    wanted = tuple(map(int, args.channels.split(","))) if args.channels else None
    model = restore(args.onnx, wanted, args.step)
    narrow = restore(args.onnx, None, args.step)
    x = torch.randn(1, N_PICTURE, 4 * model.multiple, 4 * model.multiple)
    known = torch.ones(1, N_KNOWN, x.shape[2] // args.step, x.shape[3] // args.step)
    with torch.no_grad():
        apart = float((model(x, known) - narrow(x, known)).abs().max())
    print(f"{N_CLASSES} classes, channels {model.channels}, differs by {apart:.2g} from the file's width")
    settings = {"channels": model.channels, "step": args.step, "seed": 0, "steps": 0, "tiles": args.tiles}
    args.out.parent.mkdir(parents=True, exist_ok=True)
    torch.save({"settings": settings, "weights": model.state_dict()}, args.out)


if __name__ == "__main__":
    main()
