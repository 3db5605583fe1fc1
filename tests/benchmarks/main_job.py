"""The main job end to end on seeded renders of many plates, against their exact truth.

    python tests/benchmarks/main_job.py [--n 60] [--seed 977] [--width 1600] [--photos 1] [--minutes 30] [--out RESULTS.json]

Every render goes through the public stages (align, straighten, classify, measure) as a user's photo would. Printed: the
environment, one line per render, then the table: alignment accepted, refused and wrong, pits found, overlap per
class, affected share per zone with its interval, sound width, time per step and peak memory. With `--photos 3` each
face is mapped from the render and two more of it under other lamps and from other places.
"""

from __future__ import annotations

import argparse
import json
import platform
import resource
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from pitmap import __version__
from pitmap.classes import AFFECTED, SurfaceClass
from pitmap.drawing import Drawing
from pitmap.errors import AlignmentRefused
from pitmap.measure import make_frame, measure
from pitmap.pipeline import classify_face, merge_faces, straighten
from pitmap.registration import Alignment, register
from pitmap.synthetic import Case, random_scene, render_cases, render_negatives, render_photo

CLASSES = (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT)
OVERLAP = 0.30
WRONG_MM = 1.0
PIT_MM = 0.8
SCORE_NEAR_PX = 2
"""0.2 mm on the raster of the truth: as wide as most scores are."""


def alignment_error_mm(alignment: Alignment, case: Case, drawing: Drawing) -> float:
    """Root mean square over points on the plate of where the true camera puts the predicted pixel, mm."""
    x0, y0, x1, y1 = drawing.outline.bounds
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 8)), -1).reshape(-1, 2)
    back = case.truth.camera.px_to_mm(alignment.mm_to_px(grid))
    return float(np.sqrt(((back - grid) ** 2).sum(1).mean()))


def pits_covered(a: np.ndarray, b: np.ndarray, mm_per_px: float) -> tuple[int, int]:
    """(blobs of `a` of PIT_MM and more that `b` covers by OVERLAP, all such blobs)."""
    n, blobs, stats, _ = cv2.connectedComponentsWithStats(a.astype(np.uint8), connectivity=8)
    hit, area = np.bincount(blobs[b], minlength=n)[1:], stats[1:, 4]
    big = 2 * np.sqrt(area * mm_per_px**2 / np.pi) >= PIT_MM
    return int((big & (hit >= OVERLAP * area)).sum()), int(big.sum())


def more_photos(case: Case, n: int, seed: int) -> list[np.ndarray]:
    """So many more photos of the case's face, whole and uncovered, each under other lamps and from another place."""
    rng = np.random.default_rng([seed, *case.name.encode()])
    scenes = [
        random_scene(case.drawing, rng, size_wh=case.truth.size_wh, cut_by_frame=False, covers=())
        for _ in range(n)
    ]
    return [render_photo(case.survey, case.drawing, scene, rng)[0] for scene in scenes]


def judge(case: Case, others: list[np.ndarray]) -> dict[str, Any]:
    """Everything measured on one render, mapped together with the other photos that are accepted."""
    drawing, truth = case.drawing, case.truth
    row: dict[str, Any] = {"name": case.name, "usable": case.is_usable, "why_unusable": case.unusable}
    start = time.perf_counter()
    try:
        alignment = register(case.rgb, drawing)
    except AlignmentRefused as error:
        return row | {"result": "refused", "reason": str(error), "align_s": time.perf_counter() - start}
    row["align_s"] = time.perf_counter() - start
    row |= {"result": "accepted", "rms_mm": alignment_error_mm(alignment, case, drawing)}
    stage, grid = truth.survey.stage, truth.grid
    start = time.perf_counter()
    faces, sds = [straighten(case.rgb, alignment, grid)], [alignment.error_sd_mm]
    for rgb in others:
        try:
            other = register(rgb, drawing)
        except AlignmentRefused:
            continue
        faces.append(straighten(rgb, other, grid))
        sds.append(other.error_sd_mm)
    row["photos"] = len(faces)
    face, _ = merge_faces(faces, drawing, sds)
    class_map = classify_face(face, drawing, stage, keep_probabilities=True)
    row["classify_s"] = time.perf_counter() - start
    start = time.perf_counter()
    frame = make_frame(drawing, grid)
    scale = float(face.photo_px_per_mm[drawing.mask(grid)].min())
    found = measure(class_map, drawing, camera_scale=scale, alignment_error_mm=max(sds), frame=frame)
    row["measure_s"] = time.perf_counter() - start
    # the others show the whole face: what the first alone leaves out is read too
    true_labels = truth.labels if len(faces) == 1 else truth.survey.labels
    labels, codes = without_scores(true_labels), without_scores(class_map.codes)
    metal = (labels != SurfaceClass.OUTSIDE) & (labels != SurfaceClass.UNSEEN)
    read = metal & (codes != SurfaceClass.UNSEEN) & (codes != SurfaceClass.OUTSIDE)
    for code in CLASSES:
        a, b = (labels == code) & read, (codes == code) & read
        row[f"both_{code.name.lower()}"], row[f"either_{code.name.lower()}"] = (
            int((a & b).sum()),
            int((a | b).sum()),
        )
    true_pit, said_pit = labels == SurfaceClass.PIT, (codes == SurfaceClass.PIT) & metal
    row["found"], row["true"] = pits_covered(true_pit, said_pit, grid.mm_per_px)
    row["right"], row["said"] = pits_covered(said_pit, true_pit, grid.mm_per_px)
    row["unseen_read"] = int(((labels == SurfaceClass.UNSEEN) & (codes != 255) & (codes != 0)).sum())
    row["zones"] = zone_rows(drawing, grid, labels, metal, found)
    row |= scores_found(true_labels == SurfaceClass.SCORE, class_map.codes == SurfaceClass.SCORE, read)
    ideal = measure(replace(class_map, codes=true_labels, probabilities=None), drawing, frame=frame)
    row["width_error_mm"] = found.sound_width_mm.value - ideal.sound_width_mm.value
    row["width_covers"] = bool(
        found.sound_width_mm.low <= ideal.sound_width_mm.value <= found.sound_width_mm.high
    )
    plain = [
        measure(replace(class_map, codes=c, probabilities=None), drawing, frame=frame)
        for c in (codes, labels)
    ]
    row["width_error_but_scores_mm"] = plain[0].sound_width_mm.value - plain[1].sound_width_mm.value
    return row


def without_scores(codes: np.ndarray) -> np.ndarray:
    """A class raster with the metal that scores run through as sound."""
    return np.where(codes == SurfaceClass.SCORE, SurfaceClass.SOUND, codes).astype(np.uint8)


def scores_found(true: np.ndarray, said: np.ndarray, read: np.ndarray) -> dict[str, int]:
    """Pixels of scores: true ones, found within SCORE_NEAR_PX; said ones, right within as much."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * SCORE_NEAR_PX + 1,) * 2)
    near_true, near_said = (cv2.dilate(a.astype(np.uint8), disc).astype(bool) for a in (true, said))
    return {
        "score_true": int((true & read).sum()),
        "score_found": int((true & read & near_said).sum()),
        "score_said": int((said & read).sum()),
        "score_right": int((said & read & near_true).sum()),
    }


def zone_rows(
    drawing: Drawing, grid: Any, labels: np.ndarray, metal: np.ndarray, found: Any
) -> list[dict[str, Any]]:
    """Affected share of each zone: truth, figure, whether near enough, whether the interval holds it."""
    raster, rows = drawing.zone_raster(grid), []
    for k, zone in enumerate(drawing.zone_names, 1):
        inside = metal & (raster == k)
        if inside.sum() * grid.pixel_area_mm2 < 100:
            continue
        share = float(np.isin(labels[inside], [int(c) for c in AFFECTED]).mean())
        at = found.zones[(found.zones.zone == zone) & (found.zones.class_word == "affected")].iloc[0]
        if np.isnan(at.share):
            continue
        near = abs(at.share - share) <= max(0.005, 0.15 * share)
        rows.append({"zone": zone, "true": share, "said": at.share, "near": bool(near),
                     "covers": bool(at.share_low <= share <= at.share_high)})  # fmt: skip
    return rows


def table(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The figures that the project is judged by."""
    usable = [r for r in rows if r["usable"]]
    ok = [r for r in rows if r["result"] == "accepted"]
    rms = np.array([r["rms_mm"] for r in ok])
    return {
        "renders": len(rows),
        "usable": len(usable),
        "usable accepted": sum(r["result"] == "accepted" for r in usable),
        "unusable accepted": sum(r["result"] == "accepted" and not r["usable"] for r in rows),
        f"accepted and wrong (> {WRONG_MM:g} mm)": int((rms > WRONG_MM).sum()),
        "rms mm, median": float(np.median(rms)),
        "rms mm, worst": float(rms.max()),
        **{
            f"{s} s, median": float(np.median([r[f"{s}_s"] for r in ok]))
            for s in ("align", "classify", "measure")
        },
        "peak memory of this process, MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def accuracy(ok: list[dict[str, Any]]) -> dict[str, float]:
    """What the maps of accepted photos are worth."""
    zones = [z for r in ok for z in r["zones"]]
    width, but_scores = (
        np.abs([r[key] for r in ok]) for key in ("width_error_mm", "width_error_but_scores_mm")
    )

    def ratio(a: str, b: str) -> float:
        return sum(r[a] for r in ok) / max(1, sum(r[b] for r in ok))

    return {
        "faces": len(ok),
        "photos": sum(r["photos"] for r in ok),
        f"pits >= {PIT_MM} mm: recall": ratio("found", "true"),
        f"pits >= {PIT_MM} mm: precision": ratio("right", "said"),
        **{
            f"IoU {c.name.lower()}": ratio(f"both_{c.name.lower()}", f"either_{c.name.lower()}")
            for c in CLASSES
        },
        "scores: length found": ratio("score_found", "score_true"),
        "scores: length said that is there": ratio("score_right", "score_said"),
        "zones: affected share near enough": float(np.mean([z["near"] for z in zones])),
        "zones: interval covers": float(np.mean([z["covers"] for z in zones])),
        "lands: sound width within 0.5 mm": float(np.mean(width <= 0.5)),
        "lands: the same, scores as sound in both": float(np.mean(but_scores <= 0.5)),
        "lands: interval covers": float(np.mean([r["width_covers"] for r in ok])),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--n", type=int, default=60)
    parser.add_argument("--seed", type=int, default=977)
    parser.add_argument(
        "--width", type=int, default=1600, help="of the photos, pixels; a phone's own is 4000"
    )
    parser.add_argument("--photos", type=int, default=1, help="photos that each face is mapped from")
    parser.add_argument(
        "--weathered", action="store_true", help="pits grown together, rough finish, wider tones"
    )
    parser.add_argument("--negatives", type=int, default=6)
    parser.add_argument("--minutes", type=float, default=30.0, help="stop starting renders after this long")
    parser.add_argument("--out", type=Path)
    arguments = parser.parse_args()
    print(
        f"pitmap {__version__}, Python {platform.python_version()}, OpenCV {cv2.__version__}, seed {arguments.seed},"
        f" photos {arguments.width} wide{', weathered' if arguments.weathered else ''}"
        f"{f', {arguments.photos} of each face' if arguments.photos > 1 else ''}"
    )
    begun, rows = time.monotonic(), []
    size_wh = (arguments.width, arguments.width * 3 // 4)
    for case in render_cases(
        arguments.n, seed=arguments.seed, size_wh=size_wh, is_weathered=arguments.weathered
    ):
        if time.monotonic() - begun > 60 * arguments.minutes:
            print(f"stopped after {len(rows)} renders: the time was up")
            break
        row = judge(case, more_photos(case, arguments.photos - 1, arguments.seed))
        rows.append(row)
        words = row.get("reason") or f"{row['rms_mm']:.3f} mm, pits {row['found']}/{row['true']}"
        print(
            f"{row['name']:12s} {'usable' if row['usable'] else 'unusable':9s} {row['result']:9s} {words}",
            flush=True,
        )
        if arguments.out:
            arguments.out.write_text(json.dumps(rows, default=float), encoding="utf-8")
    wrong = 0
    for kind, drawing, rgb in render_negatives(arguments.negatives, seed=arguments.seed, size_wh=size_wh):
        try:
            register(rgb, drawing)
            wrong += 1
            print(f"{kind}: ACCEPTED")
        except AlignmentRefused:
            pass
    print()
    for name, value in table(rows).items():
        print(f"  {name:45s} {value:.4g}" if isinstance(value, float) else f"  {name:45s} {value}")
    print(f"  {'negatives accepted':45s} {wrong} of {arguments.negatives}")
    ok = [r for r in rows if r["result"] == "accepted"]
    of_usable, of_all = accuracy([r for r in ok if r["usable"]]), accuracy(ok)
    print(f"\n  {'':45s} {'usable':>8s} {'all accepted':>14s}")
    for name, value in of_usable.items():
        print(f"  {name:45s} {value:8.4g} {of_all[name]:14.4g}")


if __name__ == "__main__":
    main()
