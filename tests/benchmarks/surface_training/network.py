"""The network: a small U-Net that reads a raster at 10 px/mm, works coarser and writes 10 px/mm again."""

from __future__ import annotations

from pathlib import Path

import torch
import torch.nn.functional as F
from torch import nn

N_CLASSES = 7
"""In the order of `pitmap.surface.PROBABILITY_CLASSES`; scores, the last, have a branch of their own."""
N_LINE, DILATIONS = 24, (1, 2, 4, 8)
NEVER_SAID = -9.0
"""Logit of scores before the branch has learned any."""
N_PICTURE = 5
N_KNOWN = 5
STEM = {2: 4, 3: 5, 4: 6}
"""Side of the first convolution, for every step."""


def block(n_in: int, n_out: int, n_convolutions: int = 2) -> nn.Sequential:
    """3x3 convolutions, each with batch normalisation and a ramp."""
    layers: list[nn.Module] = []
    for k in range(n_convolutions):
        layers += [
            nn.Conv2d(n_in if k == 0 else n_out, n_out, 3, padding=1, bias=False),
            nn.BatchNorm2d(n_out),
        ]
        layers += [nn.ReLU(inplace=True)]
    return nn.Sequential(*layers)


class LineBranch(nn.Module):
    """What tells a line from a mark: a few convolutions that reach far without making the grid coarser.

    It reads the first and the last level of the network and, since the network was not taught to keep fine lines
    there, the picture itself; the three are summed rather than joined: that saves a copy of each.
    """

    def __init__(self, n_in: int, step: int) -> None:
        super().__init__()
        self.from_last, self.from_first = nn.Conv2d(n_in, N_LINE, 1), nn.Conv2d(n_in, N_LINE, 1)
        self.from_picture = nn.Conv2d(N_PICTURE, N_LINE, STEM[step], stride=step, padding=1, bias=False)
        layers: list[nn.Module] = []
        for dilation in DILATIONS:
            layers += [
                nn.Conv2d(N_LINE, N_LINE, 3, padding=dilation, dilation=dilation),
                nn.ReLU(inplace=True),
            ]
        self.along = nn.Sequential(*layers)
        self.odds = nn.Conv2d(N_LINE, step * step, 1)
        nn.init.zeros_(self.odds.weight)
        nn.init.constant_(self.odds.bias, NEVER_SAID)

    def forward(self, last: torch.Tensor, first: torch.Tensor, picture: torch.Tensor) -> torch.Tensor:
        """Logits; the levels are (batch, n_in, rows, columns), the picture `step` times as fine."""
        read = self.from_last(last) + self.from_first(first) + self.from_picture(picture)
        return self.odds(self.along(F.relu(read)))


class SurfaceNet(nn.Module):
    """Logits (batch, classes * step^2, rows / step, columns / step) from a picture and what is known of it.

    Parameters
    ----------
    channels : sequence of int
        Width of every level; each level halves the grid.
    step : int
        Raster pixels per pixel of the finest level, 2, 3 or 4. Phone photos hold about 3 px/mm, so a grid of
        10 / 3 px/mm loses little, and the head writes the finer classes back, step x step for every pixel.
    """

    def __init__(self, channels: tuple[int, ...] = (24, 48, 64, 96, 128), step: int = 3) -> None:
        super().__init__()
        self.step, self.channels = step, tuple(channels)
        first = channels[0]
        self.stem = nn.Conv2d(N_PICTURE, first, STEM[step], stride=step, padding=1)
        self.known = nn.Conv2d(N_KNOWN, first, 1, bias=False)
        self.enter = block(first, first)
        self.down = nn.ModuleList(block(a, b) for a, b in zip(channels[:-1], channels[1:], strict=True))
        self.up = nn.ModuleList(
            block(channels[k + 1] + channels[k], channels[k]) for k in range(len(channels) - 1)
        )
        self.head = nn.Conv2d(first, (N_CLASSES - 1) * step * step, 1)
        self.lines = LineBranch(first, step)

    @property
    def multiple(self) -> int:
        """A tile's side must be a multiple of this, raster pixels."""
        return self.step * 2 ** (len(self.channels) - 1)

    def forward(self, picture: torch.Tensor, known: torch.Tensor) -> torch.Tensor:
        """Logits; `known` is (batch, 5, rows / step, columns / step), one number per plane.

        Scores learn from what the other classes need and change none of it.
        """
        last, first = self.features(picture, known)
        return torch.cat([self.head(last), self.lines(last.detach(), first.detach(), picture)], 1)

    def features(self, picture: torch.Tensor, known: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """What the classes are read from: the last level of the way up, and the first of the way down."""
        x = self.enter(F.relu(self.stem(picture) + self.known(known)))
        levels = [x]
        for down in self.down:
            x = down(F.max_pool2d(x, 2))
            levels.append(x)
        for k in range(len(self.up) - 1, -1, -1):
            x = self.up[k](torch.cat([F.interpolate(x, scale_factor=2.0, mode="nearest"), levels[k]], 1))
        return x, levels[0]


def fill(model: SurfaceNet, weights: dict[str, torch.Tensor]) -> None:
    """Load weights; what was saved before there were scores leaves their branch as it is."""
    own = {k: v for k, v in model.state_dict().items() if k.startswith("lines.")}
    model.load_state_dict(own | {k: v.float() if v.is_floating_point() else v for k, v in weights.items()})


def save(model: SurfaceNet, settings: dict, path: Path) -> None:
    """Write a network in half precision, for `fill` to read."""
    weights = {
        k: v.cpu().half() if v.dtype == torch.float32 else v.cpu() for k, v in model.state_dict().items()
    }
    torch.save({"settings": settings, "weights": weights}, path)


def export(model: SurfaceNet, path: str, side: int = 480) -> None:
    """Write the network as ONNX, for tiles of any size."""
    model = model.eval().cpu().float()
    side = -(-side // model.multiple) * model.multiple
    example = (
        torch.zeros(1, N_PICTURE, side, side),
        torch.zeros(1, N_KNOWN, side // model.step, side // model.step),
    )
    torch.onnx.export(
        model,
        example,
        path,
        opset_version=17,
        dynamo=False,
        input_names=["picture", "known"],
        output_names=["logits"],
        dynamic_axes={
            name: {2: f"{name}_rows", 3: f"{name}_columns"} for name in ("picture", "known", "logits")
        },
    )
