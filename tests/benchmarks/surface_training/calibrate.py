"""Fit the calibration and the class weights on faces that each network had not seen; print honest scores.

    python calibrate.py MODELS PHOTOS SETTINGS.json [--renders 14] [--large-renders 7]
        [--faint-pit-weight 5] [--covered-weight 1.5]

MODELS holds 0.onnx, 1.onnx ... of the folds, or some of them; faces that no network there has left out are not
read. The renders, of a seed that training did not draw, some as large as a phone's own photos, are read by all.onnx,
the network that saw every face, where it is there, and else by the first of the folds.

The calibration is one factor and one shift per class on the logits, fitted by maximum likelihood on a sample
of pixels. The weights of the decision are chosen so that the pooled overlap (IoU) of each class is best; that of
pits too faint to win under it is set by hand, because a pit overlooked costs a rebuilder more than one too many; and
that of what covers the metal is at least the one given, because what is not seen must not be called sound. Scores
are left as they are: what decides on them is the shape of the whole line (pitmap.surface.scores), not a pixel.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[1]))
from folds import FACE_FOLDS, by_left_out, face_of
from surface_photos import TrueCase, rendered_cases, true_cases

from pitmap.classes import Stage, SurfaceClass
from pitmap.surface import PROBABILITY_CLASSES
from pitmap.surface.decide import correct_pits
from pitmap.surface.learned import Network, tile_logits
from pitmap.surface.runtime import open_session

N = len(PROBABILITY_CLASSES)
UNSEEN, SCORE = PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN), PROBABILITY_CLASSES.index(SurfaceClass.SCORE)
IGNORE = 250
STEP, MULTIPLE = 3, 48
LARGE_WIDTH = 4000
SHARE = 40
"""One pixel in so many is kept of the common class; of pits one in four."""


def bare_network(path: Path) -> Network:
    """A network with no calibration yet."""
    one, zero = np.ones(N, np.float32), np.zeros(N, np.float32)
    return Network(
        session=open_session(path),
        step=STEP,
        multiple=MULTIPLE,
        logit_scale=one,
        logit_shift=zero,
        pit_said=np.array([0, 1], np.float32),
        pit_came_true=np.array([0, 1], np.float32),
        weights_lapped=one,
        weights_intake=one,
        faint_pit_weight=1.0,
    )


def unseen_cases(
    models: Path, photos: Path, n_renders: int, n_large: int, seed: int
) -> Iterator[tuple[TrueCase, Network]]:
    """Every photo that a network there has not seen, and that network."""
    of_face = by_left_out(models, FACE_FOLDS, bare_network)
    for case in true_cases(photos):
        if face_of(case.name) in of_face:
            yield case, of_face[face_of(case.name)]
    whole = models / "all.onnx"
    of_renders = bare_network(whole) if whole.is_file() else next(iter(of_face.values()))
    for case in rendered_cases(n_renders, seed):
        yield case, of_renders
    for case in rendered_cases(n_large, seed + 1, LARGE_WIDTH):
        yield case, of_renders


def sample(
    cases: Iterable[tuple[TrueCase, Network]],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Logits, class, stage and weight of pixels of every photo."""
    place = np.full(256, IGNORE, np.uint8)
    place[[int(c) for c in PROBABILITY_CLASSES]] = np.arange(N)
    rng, rows = np.random.default_rng(3), []
    for case, network in cases:
        seen, stage = case.metal & case.in_frame, Stage(case.stage)
        edge = cv2.distanceTransform(case.metal.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(
            case.grid.px_per_mm
        )
        truth = place[case.labels]
        tiles = tile_logits(network, case.rgb, seen, edge, stage, case.photo_px_per_mm)
        for window, logits in tiles:
            t, ok = truth[window], seen[window] & (truth[window] != IGNORE)
            rate = np.where((t == 1) | (t == 2) | (t == SCORE), 4.0, SHARE)
            keep = ok & (rng.random(t.shape) < 1 / rate)
            rows.append((logits[:, keep].T, t[keep], np.full(keep.sum(), stage.is_lapped), rate[keep]))
        print(case.name, flush=True)
    return tuple(np.concatenate(c) for c in zip(*rows, strict=True))  # type: ignore[return-value]


def probabilities(logits: np.ndarray, lapped: np.ndarray, scale: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Calibrated probabilities (pixels, classes)."""
    z = logits * scale + shift
    z[~lapped, 4] = -50
    z = z - z.max(1, keepdims=True)
    p = np.exp(z)
    return p / p.sum(1, keepdims=True)


def fit(
    logits: np.ndarray, truth: np.ndarray, lapped: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Factor and shift of each class."""
    hot = np.eye(N)[truth]

    def loss(v: np.ndarray) -> tuple[float, np.ndarray]:
        p = probabilities(logits, lapped, v[:N], v[N:])
        own = np.clip((p * hot).sum(1), 1e-9, 1)
        d = (p - hot) * weight[:, None]
        d[~lapped, 4] = 0
        total = weight.sum()
        grad = np.concatenate([(d * logits).sum(0), d.sum(0)]) / total
        ridge = np.concatenate([v[:N] - 1, 0.1 * v[N:]])
        return float(
            -(weight * np.log(own)).sum() / total + 1e-3 * (ridge**2).sum()
        ), grad + 2e-3 * np.concatenate([v[:N] - 1, 0.01 * v[N:]])

    best = minimize(
        loss,
        np.concatenate([np.ones(N), np.zeros(N)]),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.2, 3)] * SCORE + [(1, 1)] + [(-5, 5)] * SCORE + [(0, 0)],
    )
    return best.x[:N], best.x[N:]


def overlaps(p: np.ndarray, truth: np.ndarray, weight: np.ndarray, w: np.ndarray) -> np.ndarray:
    """IoU of each class under decision weights."""
    best = (p * w).argmax(1)
    out = np.zeros(N)
    both_seen = (best != UNSEEN) & (truth != UNSEEN)
    for k in range(N):
        a, b = best == k, truth == k
        if k != UNSEEN:
            a, b = a & both_seen, b & both_seen
        out[k] = weight[a & b].sum() / max(weight[a | b].sum(), 1)
    return out


def choose_weights(p: np.ndarray, truth: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weights that make the mean IoU of the classes best, one class after the other, twice round."""
    w = np.ones(N)
    for _ in range(2):
        for k in range(1, SCORE):
            tried = []
            for x in (0.5, 0.65, 0.8, 1.0, 1.25, 1.5, 1.8, 2.2, 2.7):
                w[k] = x
                tried.append((overlaps(p, truth, weight, w).sum(), x))
            w[k] = max(tried)[1]
    return w


def reliability(p: np.ndarray, truth: np.ndarray, weight: np.ndarray) -> list[tuple[float, float, float]]:
    """(said, came true, share of pixels) of the pit probability in bins."""
    rows, edges = [], np.array([0, 0.02, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0001])
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        q = (p[:, 1] >= low) & (p[:, 1] < high)
        if weight[q].sum() > 0:
            total = weight[q].sum()
            rows.append(
                (
                    (p[q, 1] * weight[q]).sum() / total,
                    weight[q & (truth == 1)].sum() / total,
                    total / weight.sum(),
                )
            )
    return rows


def pit_table(p: np.ndarray, truth: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How often a pit came true for what was said, rising, at a dozen knots (isotonic, area by area)."""
    edges = np.array([0, 0.02, 0.06, 0.12, 0.2, 0.3, 0.42, 0.55, 0.68, 0.8, 0.9, 0.96, 0.99, 1.0001])
    where = np.clip(np.digitize(p[:, 1], edges) - 1, 0, len(edges) - 2)
    total = np.bincount(where, weight, minlength=len(edges) - 1)
    said = np.bincount(where, weight * p[:, 1], minlength=len(total)) / np.maximum(total, 1)
    came = np.bincount(where, weight * (truth == 1), minlength=len(total)) / np.maximum(total, 1)
    came = np.maximum.accumulate(came)
    # the first bin holds nearly all metal; it starts at nothing said, nothing there
    return np.concatenate([[0], said[1:], [1]]), np.concatenate([[0], came[1:], [came[-1]]])


def apply_table(p: np.ndarray, said: np.ndarray, came: np.ndarray) -> np.ndarray:
    """Probabilities (pixels, classes) with the pit's through the table."""
    return correct_pits(p.T.astype(np.float32)[:, None], said, came)[:, 0].T


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("models", type=Path)
    parser.add_argument("photos", type=Path)
    parser.add_argument("settings", type=Path)
    parser.add_argument("--renders", type=int, default=0)
    parser.add_argument("--large-renders", type=int, default=0, help=f"renders {LARGE_WIDTH} pixels wide")
    parser.add_argument(
        "--seed", type=int, default=7101, help="of the renders; the next one is the large ones'"
    )
    parser.add_argument("--faint-pit-weight", type=float, default=5.0)
    parser.add_argument("--covered-weight", type=float, default=1.5)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    cases = unseen_cases(args.models, args.photos, args.renders, args.large_renders, args.seed)
    logits, truth, lapped, weight = sample(cases)
    scale, shift = fit(logits, truth, lapped, weight)
    p = probabilities(logits, lapped, scale, shift)
    said, came = pit_table(p, truth, weight)
    p = apply_table(p, said, came)
    w = choose_weights(p, truth, weight)
    w[UNSEEN] = max(w[UNSEEN], args.covered_weight)
    print("scale", scale.round(3), "shift", shift.round(3), "weights", w)
    print("IoU without weights", overlaps(p, truth, weight, np.ones(N)).round(3))
    print("IoU with weights   ", overlaps(p, truth, weight, w).round(3))
    for row in reliability(p, truth, weight):
        print(f"  pit said {row[0]:.3f}, came true {row[1]:.3f}, {100 * row[2]:.2f} % of the metal")
    names = ("logit_scale", "logit_shift", "pit_said", "pit_came_true", "weights_lapped", "weights_intake")
    values = dict(zip(names, (scale, shift, said, came, w, w), strict=True))
    out = dict(
        step=STEP,
        multiple=MULTIPLE,
        faint_pit_weight=max(args.faint_pit_weight, float(w[1])),
        **{k: [round(float(x), 4) for x in v] for k, v in values.items()},
    )
    args.settings.write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
