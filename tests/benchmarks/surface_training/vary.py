"""Changes that must not change the classes: light, colour, ink; and things that lie on the plate."""

from __future__ import annotations

import math

import numpy as np
import torch
import torch.nn.functional as F
from scenes import IGNORE, PIT_ONLY, UNSEEN, sample

PX_PER_MM = 10.0


def smooth_field(n: int, cells: int, rng: np.random.Generator, device: str) -> torch.Tensor:
    """A random smooth field (n, n), about -1 to 1."""
    coarse = torch.from_numpy(rng.normal(0, 0.5, (1, 1, cells + 3, cells + 3)).astype(np.float32)).to(device)
    return F.interpolate(coarse, size=(n, n), mode="bicubic", align_corners=False)[0, 0]


def _segments(points: np.ndarray, rows: torch.Tensor, cols: torch.Tensor) -> torch.Tensor:
    """Distance in pixels to a line of straight pieces."""
    best = torch.full_like(rows, 1e6)
    for (r0, c0), (r1, c1) in zip(points[:-1], points[1:], strict=True):
        dr, dc = r1 - r0, c1 - c0
        t = (((rows - r0) * dr + (cols - c0) * dc) / max(dr * dr + dc * dc, 1e-6)).clamp(0, 1)
        best = torch.minimum(best, torch.hypot(rows - r0 - t * dr, cols - c0 - t * dc))
    return best


def draw_ink(picture: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """A marker's strokes and dots over the metal, 0.4 to 2 mm wide: seen through, so the classes stay."""
    n = picture.shape[1]
    rows, cols = _mesh(n, picture.device)
    colour = torch.tensor(
        [[0.05, 0.05, 0.07], [0.1, 0.12, 0.4], [0.45, 0.08, 0.08], [0.75, 0.75, 0.72]][
            rng.choice(4, p=[0.6, 0.2, 0.1, 0.1])
        ],
        device=picture.device,
    )
    tip = rng.uniform(2.0, 9.0)
    for _ in range(rng.integers(1, 5)):
        k = rng.integers(2, 7)
        start = rng.uniform(0, n, 2)
        reach = 1.0 if rng.random() < 0.25 else rng.uniform(15, 60)
        points = start + np.cumsum(rng.normal(0, reach, (k, 2)), 0)
        width = tip * rng.uniform(0.8, 1.15)
        alpha = rng.uniform(0.5, 0.9) * torch.sigmoid((width - _segments(points, rows, cols)) / 1.2)
        picture = picture * (1 - alpha) + colour[:, None, None] * alpha
    return picture


def draw_scratches(picture: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Fine bright or dark lines."""
    n = picture.shape[1]
    rows, cols = _mesh(n, picture.device)
    for _ in range(rng.integers(1, 4)):
        a = rng.uniform(0, n, 2)
        points = np.stack([a, a + rng.normal(0, 160, 2)])
        strength = rng.uniform(-0.35, 0.35)
        line = torch.sigmoid((rng.uniform(0.5, 1.6) - _segments(points, rows, cols)) / 0.8)
        picture = picture * (1 + strength * line)
    return picture


def lay_things(tile: dict, benches: list, rng: np.random.Generator) -> None:
    """Something lies on the plate: the metal under it is not seen."""
    picture, n = tile["picture"], tile["picture"].shape[1]
    rows, cols = _mesh(n, picture.device)
    kind = rng.choice(["bar", "patch", "finger", "blob"])
    if kind in ("bar", "finger"):
        angle, a = rng.uniform(0, 2 * math.pi), rng.uniform(0, n, 2)
        reach = n * rng.uniform(0.3, 1.5)
        d = np.array([math.sin(angle), math.cos(angle)]) * reach
        width = rng.uniform(30, 80) if kind == "bar" else rng.uniform(60, 110)
        away = _segments(np.stack([a, a + d]), rows, cols) - width
        round_off = ((width + away) / width).clamp(0, 1)
    elif kind == "patch":
        angle, off = rng.uniform(0, 2 * math.pi), rng.uniform(-0.25, 0.45) * n
        line = (rows - n / 2) * math.sin(angle) + (cols - n / 2) * math.cos(angle)
        away = off - line + 25 * smooth_field(n, 4, rng, picture.device)
        round_off = torch.zeros_like(away)
    else:
        centre = rng.uniform(0, n, 2)
        size = rng.uniform(60, 200)
        away = torch.hypot(rows - centre[0], cols - centre[1]) - size * (
            1 + 0.4 * smooth_field(n, 5, rng, picture.device)
        )
        round_off = ((away + size) / size).clamp(0, 1)
    cover = away < 0
    shade = rng.uniform(0.25, 0.85)
    if kind == "finger":
        colour = np.array([0.85, 0.62, 0.5]) * rng.uniform(0.4, 1.1)
    elif rng.random() < 0.45:
        colour = np.full(3, shade) * rng.uniform(0.92, 1.08, 3)
    else:
        colour = rng.uniform(0.05, 0.95, 3)
    texture = torch.tensor(colour, dtype=torch.float32, device=picture.device)[:, None, None].expand(3, n, n)
    if benches and rng.random() < 0.4:
        bench = benches[rng.integers(len(benches))]
        h, w = bench.shape[1:]
        angle, zoom = rng.uniform(0, 2 * math.pi), rng.uniform(0.25, 0.8)
        v, u = (rows - n / 2) * zoom, (cols - n / 2) * zoom
        y = rng.uniform(0.2, 0.8) * h + math.cos(angle) * v + math.sin(angle) * u
        x = rng.uniform(0.2, 0.8) * w - math.sin(angle) * v + math.cos(angle) * u
        texture = sample(bench.float() / 255, torch.stack([x, y], -1), "bilinear")
    else:
        weave = 1 + rng.uniform(0, 0.3) * smooth_field(n, int(rng.integers(2, 40)), rng, picture.device)
        stripes = rng.uniform(0, 0.12) * torch.sin(rows * rng.normal(0, 0.3) + cols * rng.normal(0, 0.3))
        texture = texture * (weave + stripes)
    gloss = (
        1
        - 0.5 * round_off**2
        + rng.uniform(0, 0.4) * torch.exp(-(((round_off - rng.uniform(0, 0.6)) / 0.15) ** 2))
    )
    texture = (texture * gloss).clamp(0, 1)
    dr, dc = rng.normal(0, 20, 2)
    shadow = torch.roll(cover.float(), (int(dr), int(dc)), (0, 1))
    width = 2 * int(rng.integers(3, 20)) + 1
    shadow = F.avg_pool2d(shadow[None, None], width, 1, width // 2, count_include_pad=False)[0, 0]
    picture = picture * (1 - rng.uniform(0, 0.6) * shadow)
    soft = torch.sigmoid(-away / rng.uniform(0.8, 2.5))
    tile["picture"] = picture * (1 - soft) + texture * soft
    label = tile["label"]
    hides = cover & (label != IGNORE)
    tile["label"] = torch.where(hides & (label < PIT_ONLY), torch.full_like(label, UNSEEN), label)
    tile["label"] = torch.where(hides & (label >= PIT_ONLY), torch.full_like(label, IGNORE), tile["label"])


def _mesh(n: int, device: str) -> tuple[torch.Tensor, torch.Tensor]:
    a = torch.arange(n, device=device, dtype=torch.float32)
    return a[:, None].expand(n, n), a[None].expand(n, n)


def change_light(tile: dict, rng: np.random.Generator) -> None:
    """Exposure, contrast, colour of the light, uneven light, glare; the metal's middle tone follows."""
    picture, reference = tile["picture"], tile["reference"]
    n, device = picture.shape[1], picture.device
    gamma = math.exp(rng.normal(0, 0.12))
    gain = torch.tensor(
        math.exp(rng.normal(0, 0.15)) * np.exp(rng.normal(0, 0.06, 3)), dtype=torch.float32, device=device
    )
    picture = (picture.clamp(1e-4, 1) ** gamma) * gain[:, None, None]
    reference = (reference.clamp(1e-4, 1) ** gamma) * gain
    if rng.random() < 0.5:
        saturation = rng.uniform(0.6, 1.35)
        # about the metal's own colour, so that the metal stays what it was
        grey = (picture / reference[:, None, None]).mean(0, keepdim=True) * reference[:, None, None]
        picture = grey + saturation * (picture - grey)
    if rng.random() < 0.6:
        field = smooth_field(n, int(rng.integers(1, 4)), rng, device)
        tint = torch.from_numpy(rng.normal(0, 0.03, (3, 1, 1)).astype(np.float32)).to(device)
        picture = picture * torch.exp(field * (rng.uniform(0, 0.3) + tint))
    if rng.random() < 0.15:
        rows, cols = _mesh(n, device)
        centre, size = rng.uniform(0, n, 2), rng.uniform(60, 260)
        spot = torch.exp(-(((rows - centre[0]) ** 2 + (cols - centre[1]) ** 2) / (2 * size**2)))
        picture = picture + rng.uniform(0.1, 0.6) * spot
    if rng.random() < 0.12:
        # a hard shadow's edge
        angle, off = rng.uniform(0, 2 * math.pi), rng.uniform(-0.4, 0.4) * n
        rows, cols = _mesh(n, device)
        side = (rows - n / 2) * math.sin(angle) + (cols - n / 2) * math.cos(angle) - off
        picture = picture * (1 - rng.uniform(0.1, 0.5) * torch.sigmoid(side / rng.uniform(3, 30)))
    tile["picture"] = picture.clamp(0, 1)
    jitter = torch.tensor(
        np.exp(rng.normal(0, 0.05)) * np.exp(rng.normal(0, 0.012, 3)), dtype=torch.float32, device=device
    )
    tile["reference"] = (reference * jitter).clamp(0.05, 1)


def vary(tile: dict, benches: list, rng: np.random.Generator, is_plate: bool) -> None:
    """All changes, each now and then."""
    if rng.random() < 0.15:
        tile["picture"] = draw_ink(tile["picture"], rng)
    if rng.random() < 0.1:
        tile["picture"] = draw_scratches(tile["picture"], rng)
    if is_plate and rng.random() < 0.2:
        lay_things(tile, benches, rng)
    change_light(tile, rng)
    tile["picture"] = tile["picture"] * tile["shown"]
