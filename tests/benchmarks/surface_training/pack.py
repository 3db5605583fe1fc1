"""Pack photos with truth into one file for training on a machine that has only torch, numpy and Pillow.

    python pack.py OUT.npz --photos FOLDER [FOLDER ...] --pits FOLDER [--photo-jpeg 92]

A photo folder is laid out like the development photos (plate.json, index.csv, <id>/photo.jpg, truth.json,
labels.png). Photos with much detail are packed again at the size of the others, so that the network sees every
scale.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from folds import face_of, pit_group

from pitmap.drawing.rings import load_rings, template_grid
from pitmap.synthetic import render_cases

EDGE_FULL_MM = 4.0
PIT_PICTURE_PX_PER_MM = 10.0
"""The pits are stated at 20 px/mm; the network reads 10."""
COMMON_WIDTH = 1600


def as_bytes(extension: str, picture: np.ndarray, *options: int) -> np.ndarray:
    """A picture as the bytes of a file."""
    return cv2.imencode(extension, picture, list(options))[1].ravel()


def pack_plate(out: dict, meta: dict, folder: Path) -> int:
    """Mask and nearness of drawn edges of one plate; its number."""
    drawing, grid = load_rings(folder / "plate.json"), template_grid(folder / "plate.json")
    mask = drawing.mask(grid).astype(np.uint8)
    near = np.clip(1 - cv2.distanceTransform(mask, cv2.DIST_L2, 5) / grid.px_per_mm / EDGE_FULL_MM, 0, 1)
    k = len(meta["plates"])
    out[f"plate{k}_mask"], out[f"plate{k}_near"] = (
        as_bytes(".png", np.round(255 * a).astype(np.uint8)) for a in (mask, near)
    )
    meta["plates"].append({"x0": grid.x0_mm, "y1": grid.y1_mm, "px_per_mm": grid.px_per_mm})
    return k


def pack_photos(out: dict, meta: dict, folder: Path, kind: str) -> None:
    """Every picture of a plate in a folder, with its true camera and labels."""
    plate = pack_plate(out, meta, folder)
    for row in pd.read_csv(folder / "index.csv", keep_default_na=False).to_dict("records"):
        here = folder / row["id"]
        truth = json.loads((here / "truth.json").read_text())
        if not truth["plate_present"]:
            out[f"bench{meta['n_benches']}"] = np.fromfile(here / "photo.jpg", np.uint8)
            meta["n_benches"] += 1
            continue
        photo = np.fromfile(here / "photo.jpg", np.uint8)
        label = f"label{len(meta['scenes'])}"
        out[label] = as_bytes(".png", cv2.imread(str(here / "labels.png"), cv2.IMREAD_UNCHANGED))
        variants = [(1.0, photo)]
        width = truth["size"][0]
        if width > 1.5 * COMMON_WIDTH:
            full = cv2.imdecode(photo, cv2.IMREAD_COLOR)
            for target, quality in ((COMMON_WIDTH, 90), (int(1.6 * COMMON_WIDTH), 85)):
                small = cv2.resize(
                    full, None, fx=target / width, fy=target / width, interpolation=cv2.INTER_AREA
                )
                variants.append(
                    (small.shape[1] / width, as_bytes(".jpg", small, cv2.IMWRITE_JPEG_QUALITY, quality))
                )
        for factor, data in variants:
            key = f"photo{len(meta['scenes'])}"
            out[key] = data
            # pixel centres: p_small = (p + 0.5) * factor - 0.5
            shrink = np.array([[factor, 0, factor / 2 - 0.5], [0, factor, factor / 2 - 0.5], [0, 0, 1]])
            lens = truth["distortion"]
            centre = np.array([*lens["centre"], 1.0]) @ shrink.T
            meta["scenes"].append(
                {
                    "id": row["id"],
                    "face": face_of(row["id"]),
                    "kind": kind,
                    "stage": truth["stage"],
                    "plate": plate,
                    "photo": key,
                    "label": label,
                    "homography": (shrink @ np.array(truth["homography_mm_to_undistorted_px"])).tolist(),
                    "lens": [lens["k1"], lens["k2"], centre[0], centre[1], lens["scale"] * factor],
                    "share": 1.0 / len(variants),
                }
            )


def pack_renders(
    out: dict, meta: dict, n: int, seed: int, width: int, quality: int, is_weathered: bool, scores: float
) -> None:
    """Photos of invented plates by our own renderer; the ones out of focus beyond use are left out."""
    masks: dict[int, np.ndarray] = {}
    size = (width, width * 3 // 4)
    for case in render_cases(n, seed=seed, size_wh=size, is_weathered=is_weathered, scores=scores):
        if case.blur == "useless":
            continue
        truth, lens, grid = case.truth, case.truth.camera.lens, case.truth.grid
        k = len(meta["scenes"])
        mask = case.survey.face.shape.metal.astype(np.uint8)
        # half of the renders are of the few shipped plates, whose rasters are kept once
        kept = next((n for n, other in masks.items() if np.array_equal(other, mask)), None)
        m = len(meta["plates"]) if kept is None else kept
        if kept is None:
            masks[m] = mask
            near = np.clip(
                1 - cv2.distanceTransform(mask, cv2.DIST_L2, 5) / grid.px_per_mm / EDGE_FULL_MM, 0, 1
            )
            out[f"plate{m}_mask"] = as_bytes(".png", 255 * mask)
            out[f"plate{m}_near"] = as_bytes(".png", np.round(64 * near).astype(np.uint8) * 3)
            meta["plates"].append({"x0": grid.x0_mm, "y1": grid.y1_mm, "px_per_mm": grid.px_per_mm})
        out[f"photo{k}"] = as_bytes(".jpg", case.rgb[..., ::-1], cv2.IMWRITE_JPEG_QUALITY, quality)
        out[f"label{k}"] = as_bytes(".png", truth.labels)
        meta["scenes"].append(
            {
                "id": case.name,
                "face": f"render_{seed}_{case.name}",
                "kind": "render",
                "stage": str(case.survey.stage),
                "plate": m,
                "photo": f"photo{k}",
                "label": f"label{k}",
                "homography": truth.camera.homography.tolist(),
                "lens": [lens.k1, lens.k2, *lens.centre_xy, lens.scale_px],
                "share": 1.0,
            }
        )
        print(case.name, flush=True)


def plain_pictures(folder: Path, stated_px_per_mm: float) -> Iterator[tuple[dict, np.ndarray, np.ndarray]]:
    """Plain pictures of metal with pits outlined: row of the index, picture (blue first) and pits at 10 px/mm."""
    k = PIT_PICTURE_PX_PER_MM / stated_px_per_mm
    for row in pd.read_csv(folder / "index.csv").to_dict("records"):
        picture = cv2.imread(str(folder / row["photo"]))
        mask = (cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE) > 127).astype(np.float32)
        small = cv2.resize(picture, None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
        pits = cv2.resize(mask, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA) > 0.5
        yield row, small, pits


def pack_pits(out: dict, meta: dict, folder: Path, stated_px_per_mm: float, quality: int) -> None:
    """Plain pictures of metal with pits outlined."""
    for n, (row, small, pits) in enumerate(plain_pictures(folder, stated_px_per_mm), len(meta["pits"])):
        out[f"pit{n}"] = as_bytes(".jpg", small, cv2.IMWRITE_JPEG_QUALITY, quality)
        out[f"pit{n}_mask"] = as_bytes(".png", pits.astype(np.uint8))
        meta["pits"].append(
            {"photo": row["photo"], "group": pit_group(row["group"]), "has_pits": bool(row["has_pits"])}
        )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--photos", type=Path, nargs="*", default=[], help="folders of pictures with truth")
    parser.add_argument("--renders", type=int, default=0, help="how many photos of our own renderer to add")
    parser.add_argument("--seed", type=int, default=7001, help="of the renders; benchmarks use others")
    parser.add_argument(
        "--render-width", type=int, default=COMMON_WIDTH, help="pixels; a phone's own is 4000"
    )
    parser.add_argument(
        "--weathered", action="store_true", help="pits grown together, rough finish, wider tones"
    )
    parser.add_argument("--scores", type=float, default=1.0, help="times the usual number of scores")
    parser.add_argument("--pits", type=Path, help="folder of plain pictures with pits outlined")
    parser.add_argument("--pits-px-per-mm", type=float, default=20.0)
    parser.add_argument("--jpeg", type=int, default=95)
    args = parser.parse_args()
    out: dict = {}
    meta: dict = {"plates": [], "scenes": [], "pits": [], "n_benches": 0}
    for folder in args.photos:
        pack_photos(out, meta, folder, "photo")
    pack_renders(out, meta, args.renders, args.seed, args.render_width, 90, args.weathered, args.scores)
    if args.pits:
        pack_pits(out, meta, args.pits, args.pits_px_per_mm, args.jpeg)
    out["meta"] = np.frombuffer(json.dumps(meta).encode(), np.uint8)
    args.out.parent.mkdir(parents=True, exist_ok=True)
    np.savez(args.out, **out)
    print(
        f"{args.out}: {len(meta['scenes'])} photos, {len(meta['pits'])} plain pictures,"
        f" {args.out.stat().st_size / 1e6:.1f} MB"
    )


if __name__ == "__main__":
    main()
