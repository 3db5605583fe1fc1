"""Doubtful places of faces whose truth is known: what a second look learns from.

Renders, photos laid out like the development photos and plain pictures of metal with pits outlined are read by the
network that ships, as `pitmap.surface.learned` reads them; of each doubtful place what `pitmap.surface.second_look`
reads of it is kept.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pack import PIT_PICTURE_PX_PER_MM, plain_pictures

sys.path.insert(0, str(Path(__file__).parents[1]))
from surface_photos import TrueCase, rendered_cases, true_cases

from pitmap.classes import Stage, SurfaceClass
from pitmap.surface import PROBABILITY_CLASSES
from pitmap.surface.inputs import network_knows
from pitmap.surface.learned import default_network, learned_map
from pitmap.surface.looks import Look
from pitmap.surface.second_look import Doubt, doubtful, log_odds, what_is_read

PIT = PROBABILITY_CLASSES.index(SurfaceClass.PIT)
PLAIN_JOBS = 6
MOST_OF_A_RENDER = 16_000
"""Places learned from; what is held back is kept whole, so that its overlap is that of the face."""
FEWEST = 30
"""A face with fewer doubtful places is left out, of the overlap too."""


class Renders(NamedTuple):
    """So many seeds from the first on, so many faces of each, so many pixels wide."""

    source: str
    n_seeds: int
    n_faces: int
    width: int
    is_weathered: bool
    first_seed: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """A straightened picture of metal with its truth."""

    rgb: NDArray[np.uint8]
    metal: NDArray[np.bool_]
    edge_mm: NDArray[np.float32]
    stage: Stage
    px_per_mm: float
    labels: NDArray[np.uint8]
    is_plain: bool


class Job(NamedTuple):
    """Faces that one process reads."""

    kind: str
    source: str
    draw: Callable[[], Iterator[Face]]


class Places(NamedTuple):
    """Doubtful places of one face: what is read of them, their log odds and truth, and the pits of the whole face."""

    kind: str
    source: str
    is_lapped: bool
    read: NDArray[np.float16]
    odds: NDArray[np.float32]
    is_pit: NDArray[np.float32]
    n_pit: int


def plate_faces(cases: Callable[..., Iterator[TrueCase]], *args: object) -> Iterator[Face]:
    """Photos or renders of a plate."""
    for case in cases(*args):
        edge = cv2.distanceTransform(case.metal.astype(np.uint8), cv2.DIST_L2, 5)
        yield Face(
            rgb=case.rgb,
            metal=case.metal & case.in_frame,
            edge_mm=edge / np.float32(case.grid.px_per_mm),
            stage=Stage(case.stage),
            px_per_mm=case.photo_px_per_mm,
            labels=case.labels,
            is_plain=False,
        )


def plain_faces(folder: Path, stated_px_per_mm: float, first: int, step: int) -> Iterator[Face]:
    """Every so many-th plain picture: all metal, finished, no edge near."""
    for _, picture, pits in islice(plain_pictures(folder, stated_px_per_mm), first, None, step):
        yield Face(
            rgb=cv2.cvtColor(picture, cv2.COLOR_BGR2RGB),
            metal=np.ones(pits.shape, bool),
            edge_mm=np.full(pits.shape, np.inf, np.float32),
            stage=Stage("final"),
            px_per_mm=PIT_PICTURE_PX_PER_MM,
            labels=np.where(pits, SurfaceClass.PIT, SurfaceClass.SOUND).astype(np.uint8),
            is_plain=True,
        )


def jobs_of(
    renders: Sequence[Renders], photos: Path, pits: Path, pits_px_per_mm: float, share: int
) -> Iterator[Job]:
    """All faces, or one of so many of each kind."""
    for r in renders:
        kind = f"{r.source} {r.width} px" + " weathered" * r.is_weathered
        for seed in range(r.first_seed, r.first_seed + -(-r.n_seeds // share)):
            args = (-(-r.n_faces // share), seed, r.width, r.is_weathered)
            yield Job(kind, r.source, partial(plate_faces, rendered_cases, *args))
    for name in pd.read_csv(photos / "index.csv")["id"][::share]:
        yield Job("photo", "photo", partial(plate_faces, true_cases, photos, name))
    for k in range(PLAIN_JOBS):
        args = (pits, pits_px_per_mm, k * share, PLAIN_JOBS * share)
        yield Job("plain", "plain", partial(plain_faces, *args))


def probabilities(face: Face) -> NDArray[np.floating]:
    """What the network that ships makes of a face by itself, kept as the second look finds it."""
    look = Look(rgb=face.rgb, in_frame=face.metal, photo_px_per_mm=face.px_per_mm)
    *_, kept = learned_map(
        default_network(), [look], [face.metal], face.metal, face.edge_mm, face.stage,
        may_be_covered=not face.is_plain, keep_probabilities=True,
    )  # fmt: skip
    assert kept is not None
    return kept


def places(job: Job) -> list[Places]:
    """Doubtful places of the faces of a job whose truth is known."""
    out = []
    for k, face in enumerate(job.draw()):
        kept = probabilities(face)
        is_pit = face.labels == SurfaceClass.PIT
        is_known = (face.labels != SurfaceClass.UNSEEN) & (face.labels != SurfaceClass.OUTSIDE)
        at = doubtful(kept[PIT], face.metal & is_known)
        n = len(at[0])
        if n < FEWEST:
            continue
        if job.source == "render" and n > MOST_OF_A_RENDER:
            some = np.random.default_rng([7, k, n]).choice(n, MOST_OF_A_RENDER, replace=False)
            at = (at[0][some], at[1][some])
        reference, known = network_knows(face.rgb, face.metal, face.stage, face.px_per_mm)
        doubt = Doubt(
            rgb=face.rgb, reference=reference, known=known, edge_mm=face.edge_mm, probabilities=kept
        )
        read, odds = what_is_read(doubt, at).astype(np.float16), log_odds(kept[PIT][at])
        truth = is_pit[at].astype(np.float32)
        out.append(Places(*job[:2], face.stage.is_lapped, read, odds, truth, int(is_pit.sum())))
    return out
