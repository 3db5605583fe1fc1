"""Training tiles: cut from the photos through their true cameras, exactly as `rectify` would make them."""

from __future__ import annotations

import io
import json
import math
from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image

TILE = 480
PX_PER_MM = 10.0
IGNORE = 250
UNSEEN, SCORE = 5, 6
_CLASS_OF_CODE = np.full(256, IGNORE, np.uint8)
# what the drawing calls metal and the photo shows as a hole's wall, through a small misfit, is no damage
_CLASS_OF_CODE[[0, 1, 2, 3, 4, 5, 6]] = [0, 0, 1, 2, 3, 4, SCORE]
_CLASS_OF_CODE[255] = UNSEEN
PIT_ONLY = 100
"""Added to the class of a plain picture with only pits outlined: 100 not a pit, 101 pit."""


def picture_from_bytes(data: np.ndarray) -> np.ndarray:
    """A picture file's bytes as an array."""
    return np.array(Image.open(io.BytesIO(data.tobytes())))


@dataclass
class Scene:
    """A photo on the device with its camera and truth."""

    name: str
    group: str
    kind: str
    lapped: bool
    photo: torch.Tensor
    label: torch.Tensor
    plate: dict
    homography: torch.Tensor
    lens: list
    weight: float
    reference: torch.Tensor
    centres: dict


class Scenes:
    """Everything that was packed, in one file or several, on one device."""

    def __init__(self, paths: list[str], device: str) -> None:
        self.device = device
        self.scenes: list[Scene] = []
        self.pits: list[dict] = []
        self.benches: list[torch.Tensor] = []
        for path in paths:
            self._add(path)

    def _add(self, path: str) -> None:
        data, device = np.load(path), self.device
        meta = json.loads(bytes(data["meta"]).decode())

        def image(key: str) -> torch.Tensor:
            a = picture_from_bytes(data[key])
            return torch.from_numpy(np.ascontiguousarray(a)).to(device)

        plates = []
        for k, p in enumerate(meta["plates"]):
            plates.append(dict(p, mask=image(f"plate{k}_mask"), near=image(f"plate{k}_near")))
        labels: dict = {}
        for s in meta["scenes"]:
            if s["label"] not in labels:
                codes = picture_from_bytes(data[s["label"]])
                labels[s["label"]] = (torch.from_numpy(_CLASS_OF_CODE[codes]).to(device), _centres(codes))
            label, centres = labels[s["label"]]
            photo = image(s["photo"]).permute(2, 0, 1).contiguous()
            scene = Scene(
                name=s["id"],
                group=s["face"],
                kind=s["kind"],
                lapped=s["stage"] != "intake",
                photo=photo,
                label=label,
                plate=plates[s["plate"]],
                homography=torch.tensor(s["homography"], dtype=torch.float64, device=device),
                lens=s["lens"],
                weight=s["share"],
                reference=torch.full((3,), 0.5, device=device),
                centres=centres,
            )
            scene.reference = _metal_reference(scene)
            self.scenes.append(scene)
        for k, p in enumerate(meta["pits"]):
            photo, mask = image(f"pit{k}").permute(2, 0, 1).contiguous(), image(f"pit{k}_mask")
            self.pits.append(
                {
                    "group": p["group"],
                    "photo": photo,
                    "mask": mask,
                    "where": torch.nonzero(mask).cpu().numpy(),
                    "reference": photo.flatten(1)[:, ::7].float().median(1).values / 255,
                }
            )
        self.benches += [image(f"bench{k}").permute(2, 0, 1).contiguous() for k in range(meta["n_benches"])]


def _centres(codes: np.ndarray) -> dict:
    """Places (row, column) to centre a tile on, thinned, by what is there."""
    step = 8
    small = codes[::step, ::step]
    out = {c: np.argwhere(small == c) * step for c in (1, 3, 4, 5, 255)}
    for fine in (2, 6):
        rows, cols = np.nonzero(codes == fine)
        keep = np.arange(0, len(rows), 7)
        out[fine] = np.stack([rows[keep], cols[keep]], 1)
    return {c: a for c, a in out.items() if len(a)}


def camera(scene: Scene, xy: torch.Tensor) -> torch.Tensor:
    """mm (..., 2) to photo pixels, with the scene's homography and lens."""
    h = scene.homography
    q = xy.double() @ h[:, :2].T + h[:, 2]
    p = q[..., :2] / q[..., 2:]
    k1, k2, cx, cy, scale = scene.lens
    centre = torch.tensor([cx, cy], dtype=torch.float64, device=p.device)
    n = (p - centre) / scale
    r2 = (n**2).sum(-1, keepdim=True)
    return (centre + scale * n * (1 + k1 * r2 + k2 * r2**2)).float()


def _grid(n_rows: int, n_cols: int, device: str) -> tuple[torch.Tensor, torch.Tensor]:
    return torch.meshgrid(
        torch.arange(n_rows, device=device, dtype=torch.float32),
        torch.arange(n_cols, device=device, dtype=torch.float32),
        indexing="ij",
    )


def raster_xy(plate: dict, rows: torch.Tensor, cols: torch.Tensor) -> torch.Tensor:
    """Plate raster (row, column) to mm."""
    s = 1 / plate["px_per_mm"]
    return torch.stack([plate["x0"] + (cols + 0.5) * s, plate["y1"] - (rows + 0.5) * s], -1)


def sample(picture: torch.Tensor, px: torch.Tensor, mode: str) -> torch.Tensor:
    """A (channels, h, w) float picture at pixel places (..., 2), zero outside."""
    h, w = picture.shape[1:]
    size = torch.tensor([w, h], device=px.device, dtype=torch.float32)
    where = (2 * px + 1) / size - 1
    return F.grid_sample(picture[None], where[None], mode=mode, align_corners=False)[0]


def _metal_reference(scene: Scene) -> torch.Tensor:
    """Middle tone of the metal over the whole photo, as the classifier computes it."""
    mask = scene.plate["mask"]
    rows, cols = _grid(mask.shape[0] // 10, mask.shape[1] // 10, mask.device)
    px = camera(scene, raster_xy(scene.plate, rows * 10, cols * 10))
    h, w = scene.photo.shape[1:]
    inside = (px[..., 0] >= 0) & (px[..., 1] >= 0) & (px[..., 0] <= w - 1) & (px[..., 1] <= h - 1)
    inside &= mask[::10, ::10][: rows.shape[0], : rows.shape[1]] > 0
    p = px[inside].round().long()
    return scene.photo[:, p[:, 1], p[:, 0]].float().median(1).values / 255


def nearest(raster: torch.Tensor, rows: torch.Tensor, cols: torch.Tensor, outside: int) -> torch.Tensor:
    """An integer raster at fractional (row, column), `outside` beyond its border."""
    r, c = rows.round().long(), cols.round().long()
    ok = (r >= 0) & (c >= 0) & (r < raster.shape[0]) & (c < raster.shape[1])
    values = raster[r.clamp(0, raster.shape[0] - 1), c.clamp(0, raster.shape[1] - 1)]
    return torch.where(ok, values, torch.full_like(values, outside))


def photo_tile(
    scene: Scene, centre_rc: tuple[float, float], rng: np.random.Generator, vary: bool, tile: int = TILE
) -> dict:
    """One tile of a photo: picture (3, n, n) in 0..1, class, mask, nearness of an edge, photo scale."""
    angle, zoom, flip, shift = 0.0, 1.0, 1.0, np.zeros(2)
    if vary:
        angle, zoom = rng.uniform(0, 2 * math.pi), math.exp(rng.uniform(-0.18, 0.18))
        flip, shift = rng.choice([-1.0, 1.0]), rng.normal(0, 1.8, 2)
    rows, cols = _grid(tile, tile, scene.photo.device)
    v, u = (rows - (tile - 1) / 2) * zoom, (cols - (tile - 1) / 2) * zoom * flip
    r = centre_rc[0] + math.cos(angle) * v + math.sin(angle) * u
    c = centre_rc[1] - math.sin(angle) * v + math.cos(angle) * u
    px = camera(scene, raster_xy(scene.plate, r, c))
    low = px.flatten(0, 1).amin(0).floor().long() - 4
    high = px.flatten(0, 1).amax(0).ceil().long() + 5
    h, w = scene.photo.shape[1:]
    x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
    x1, y1 = min(int(high[0]), w), min(int(high[1]), h)
    step = (px[1:, 1:] - px[:-1, :-1]).norm(dim=-1).median() / math.sqrt(2)
    scale = float(step) * PX_PER_MM
    if x1 - x0 < 8 or y1 - y0 < 8:
        picture = torch.zeros(3, tile, tile, device=px.device)
        in_frame = torch.zeros(tile, tile, dtype=torch.bool, device=px.device)
    else:
        crop = scene.photo[:, y0:y1, x0:x1].float() / 255
        local = px - torch.tensor([x0, y0], device=px.device)
        if vary:
            crop, factor = _worse_photo(crop, scale / zoom, rng)
            local, scale = (local + 0.5) * factor - 0.5, scale * factor
        picture = sample(crop, local, "bicubic").clamp(0, 1)
        in_frame = (px[..., 0] >= 0) & (px[..., 1] >= 0) & (px[..., 0] <= w - 1) & (px[..., 1] <= h - 1)
    label = nearest(scene.label, r, c, IGNORE)
    # the drawing is laid on with a small error; truth stays with the picture, as it does in use
    mask = nearest(scene.plate["mask"], r + shift[0], c + shift[1], 0) > 0
    near = nearest(scene.plate["near"], r + shift[0], c + shift[1], 0).float() / 255
    label = torch.where(mask & in_frame, label, torch.full_like(label, IGNORE))
    return {
        "picture": picture,
        "label": label,
        "mask": mask & in_frame,
        "shown": in_frame,
        "near": near,
        "scale": scale / zoom if vary else scale,
        "reference": scene.reference,
        "lapped": scene.lapped,
    }


def _worse_photo(
    crop: torch.Tensor, px_per_mm: float, rng: np.random.Generator
) -> tuple[torch.Tensor, float]:
    """A part of a photo at a coarser scale, blurred or sharpened, with noise; and its change of scale."""
    factor = 1.0
    if rng.random() < 0.5 and px_per_mm > 2.6:
        factor = rng.uniform(max(2.2 / px_per_mm, 0.35), 1.0)
        h, w = (max(8, round(n * factor)) for n in crop.shape[1:])
        factor = w / crop.shape[2]
        crop = F.interpolate(crop[None], size=(h, w), mode="bilinear", antialias=True, align_corners=False)[0]
    if rng.random() < 0.3:
        soft = F.avg_pool2d(F.pad(crop[None], (1, 1, 1, 1), mode="replicate"), 3, 1)[0]
        crop = crop + rng.uniform(-0.6, 0.7) * (soft - crop)
    if rng.random() < 0.5:
        sigma = rng.uniform(0, 0.025)
        noise = torch.randn_like(crop) * sigma
        if rng.random() < 0.5:
            noise = noise.mean(0, keepdim=True) * 1.5
        crop = crop + noise
    return crop.clamp(0, 1), factor


def pit_tile(item: dict, rng: np.random.Generator, vary: bool, tile: int = TILE) -> dict:
    """One tile of a plain picture with only pits outlined."""
    photo, mask = item["photo"], item["mask"]
    h, w = mask.shape
    is_window = vary and rng.random() < 0.4
    if len(item["where"]) and rng.random() < 0.75:
        centre = item["where"][rng.integers(len(item["where"]))] + rng.normal(
            0, tile / (20 if is_window else 6), 2
        )
    else:
        centre = np.array([rng.uniform(0, h), rng.uniform(0, w)])
    angle, zoom, flip = 0.0, 1.0, 1.0
    if vary:
        angle, zoom, flip = rng.uniform(-0.5, 0.5), math.exp(rng.uniform(-0.5, 0.6)), rng.choice([-1.0, 1.0])
        if rng.random() < 0.3:
            angle = rng.uniform(0, 2 * math.pi)
    rows, cols = _grid(tile, tile, photo.device)
    v, u = (rows - (tile - 1) / 2) * zoom, (cols - (tile - 1) / 2) * zoom * flip
    if vary and rng.random() < 0.5:
        v = -v
    r = float(centre[0]) + math.cos(angle) * v + math.sin(angle) * u
    c = float(centre[1]) - math.sin(angle) * v + math.cos(angle) * u
    source, factor = photo.float() / 255, 1.0
    if vary:
        source, factor = _worse_photo(source, 10.0, rng) if rng.random() < 0.5 else (source, 1.0)
    px = torch.stack([(c + 0.5) * factor - 0.5, (r + 0.5) * factor - 0.5], -1)
    inside = (r >= 0) & (c >= 0) & (r <= h - 1) & (c <= w - 1)
    if is_window:
        # as if only a window of 12 mm around the pit had been cut out
        half = rng.uniform(55, 90)
        inside &= ((rows - tile / 2).abs() < half) & ((cols - tile / 2).abs() < half)
    picture = sample(source, px, "bicubic").clamp(0, 1) * inside
    label = torch.where(inside, PIT_ONLY + nearest(mask, r, c, 0), torch.full_like(mask[:1, :1], IGNORE))
    reference = item["reference"]
    if not vary or rng.random() < 0.5:
        seen = picture[:, inside]
        if seen.shape[1] > 500:
            reference = seen[:, :: max(1, seen.shape[1] // 20000)].median(1).values
    return {
        "picture": picture,
        "label": label,
        "mask": inside,
        "shown": inside,
        "near": torch.zeros_like(picture[0]),
        "scale": 10.0 * factor / zoom,
        "reference": reference,
        "lapped": bool(rng.random() < 0.7),
    }
