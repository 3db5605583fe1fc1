"""The stated grid of renders that benchmarks run over, and the stated rules by which a photo is usable."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing, load_shipped, random_plate, shipped_plates
from .bench import BENCHES
from .face import Damage, make_face, stock_for_uncut
from .lap import Survey, lap
from .render import render_empty, render_photo
from .scene import Scene, random_scene
from .truth import PhotoTruth

__all__ = [
    "BLURS",
    "CASE_LIGHTS",
    "DAMAGES",
    "TILTS_DEG",
    "USABLE",
    "Case",
    "render_cases",
    "render_negatives",
    "why_unusable",
]

TILTS_DEG = (0.0, 7.0, 14.0, 21.0, 28.0, 35.0, 42.0)
CASE_LIGHTS = (
    ("window",), ("lamp",), ("tube",), ("ring", "window"), ("glare",), ("window", "lamp"), ("lamp", "lamp"),
    ("glare", "tube"),
)  # fmt: skip
BLURS = {"sharp": 0.55, "soft": 1.1, "blurred": 2.0, "useless": 5.0}
"""Standard deviation of the blur in pixels of a photo 1600 wide."""
DAMAGES = {
    "light": Damage(n_pits=50, stain=0.5, tint=0.6, wear=0.5, warp=0.5, scores=0.0),
    "ordinary": Damage(),
    "heavy": Damage(n_pits=330, stain=1.7, tint=1.2, wear=1.5, warp=1.4),
}
USABLE = {"px_per_mm": 3.0, "blur_mm": 0.40, "tilt_deg": 38.0, "seen_share": 0.60, "burnt_share": 0.20}
"""A photo is usable when the plate is at least 3 px per mm in the middle of its range, blur has a standard
deviation of at most 0.40 mm, the camera is at most 38 degrees off the vertical, at least 60 % of the metal
is in the frame and not covered, and at most 20 % of what is seen is burnt out or drowned in black. House
choice: below 3 px per mm a 0.8 mm pit is two pixels wide, with 0.4 mm of blur it is gone, and past 38 degrees
walls hide half of an opening's edge."""

# Of ten cases seven are sharp, as most photos are; the worst one is there to be refused.
_BLUR_ORDER = ("sharp", "soft", "sharp", "sharp", "blurred", "sharp", "soft", "sharp", "sharp", "sharp")
_STAGES = ("test_lap", "intake", "lap_1")
_UNCUT = {"test_lap": 0.20, "lap_1": 0.04}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One render of the grid.

    Attributes
    ----------
    name : str
    drawing : Drawing
    survey : Survey
    scene : Scene
    rgb : (rows, cols, 3) uint8
    truth : PhotoTruth
    blur, damage : str
        Keys of :data:`BLURS` and :data:`DAMAGES`.
    unusable : str
        Why the photo is not usable by :data:`USABLE`; empty when it is.
    """

    name: str
    drawing: Drawing
    survey: Survey
    scene: Scene
    rgb: NDArray[np.uint8]
    truth: PhotoTruth
    blur: str
    damage: str
    unusable: str

    @property
    def is_usable(self) -> bool:
        """True when no rule of :data:`USABLE` is broken."""
        return not self.unusable


def why_unusable(rgb: NDArray[np.uint8], truth: PhotoTruth) -> str:
    """The rules of :data:`USABLE` that a photo breaks, as words; empty when it breaks none."""
    scene, grid = truth.scene, truth.grid
    metal = truth.survey.face.shape.metal
    step = max(1, round(grid.px_per_mm))
    rows, cols = np.nonzero(metal[::step, ::step] & ~truth.hidden[::step, ::step])
    share = 1 - float(truth.hidden.sum()) / float(metal.sum())
    broken = []
    if scene.facts["tilt_deg"] > USABLE["tilt_deg"]:
        broken.append(f"tilted {scene.facts['tilt_deg']:.0f} deg")
    if share < USABLE["seen_share"]:
        broken.append(f"only {share:.0%} of the metal seen")
    if not len(rows):
        return "; ".join(broken)
    points = grid.px_to_mm(np.column_stack([cols, rows]) * float(step))
    at = truth.camera.mm_to_px(points)
    dx = truth.camera.mm_to_px(points + [0.5, 0]) - at
    dy = truth.camera.mm_to_px(points + [0, 0.5]) - at
    scale = float(np.median(np.sqrt(np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])))) / 0.5
    if scale < USABLE["px_per_mm"]:
        broken.append(f"{scale:.1f} px per mm")
    # A straight smear of length L has a standard deviation of L / sqrt(12) along it.
    blur = math.hypot(scene.phone.defocus_px, scene.phone.motion_px / math.sqrt(12)) / scale
    if blur > USABLE["blur_mm"]:
        broken.append(f"blur of {blur:.2f} mm")
    x = np.clip(np.round(at[:, 0]).astype(int), 0, truth.size_wh[0] - 1)
    y = np.clip(np.round(at[:, 1]).astype(int), 0, truth.size_wh[1] - 1)
    seen = rgb[y, x]
    burnt = float(((seen.min(-1) >= 252) | (seen.max(-1) <= 10)).mean())
    if burnt > USABLE["burnt_share"]:
        broken.append(f"{burnt:.0%} burnt out or black")
    return "; ".join(broken)


def _case_drawing(k: int, rng: np.random.Generator) -> Drawing:
    names = shipped_plates()
    return load_shipped(names[(k // 2) % len(names)]) if k % 2 == 0 else random_plate(rng)


def _weathered(damage: Damage, rng: np.random.Generator) -> Damage:
    """Pits that have grown together, rougher old finish."""
    return replace(
        damage,
        n_pits=int(damage.n_pits * rng.uniform(0.3, 1.0)),
        n_fields=int(rng.integers(3, 8 + damage.n_pits // 8)),
        roughness=float(rng.uniform(0.5, 2.5)),
        speckle_mm=float(rng.choice([0.9, 2.0, 4.0])),
    )


def render_cases(
    n: int = 60,
    seed: int = 0,
    size_wh: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 10.0,
    is_weathered: bool = False,
    scores: float = 1.0,
) -> Iterator[Case]:
    """The grid, one case after the other; a case depends on its number and the seed alone.

    Tilt (period 7), light (8), bench (7, shifted by one each time), blur (10), damage (9) and stage (3) step
    through their lists, so that over 60 cases every value of one meets most values of the others. Half of the
    plates are the shipped ones, half are invented for the case. Every twelfth photo is cut by the frame,
    every fifteenth is partly covered, every twentieth is out of focus beyond use.

    With `is_weathered` the faces have pits that have grown together and rougher old finish, and tones are
    drawn from wider ranges. `scores` times as many scores are drawn as usual.
    """
    for k in range(n):
        rng = np.random.default_rng([seed, k])
        drawing = _case_drawing(k, rng)
        tilt = TILTS_DEG[(k * 3) % len(TILTS_DEG)]
        blur = "useless" if k % 20 == 13 else _BLUR_ORDER[k % len(_BLUR_ORDER)]
        damage = tuple(DAMAGES)[(k // 3) % len(DAMAGES)]
        stage = _STAGES[k % len(_STAGES)]
        extent = _weathered(DAMAGES[damage], rng) if is_weathered else DAMAGES[damage]
        extent = replace(extent, scores=extent.scores * scores)
        face = make_face(drawing, rng, extent, px_per_mm)
        removed = stock_for_uncut(face, _UNCUT[stage]) if stage in _UNCUT else 0.0
        survey = lap(face, removed, stage=stage)
        scene = random_scene(
            drawing, rng, size_wh=size_wh, tilt_deg=tilt, lights=CASE_LIGHTS[(k * 5) % len(CASE_LIGHTS)],
            bench=BENCHES[(k * 2 + k // 7) % len(BENCHES)], cut_by_frame=k % 12 == 5,
            covers=(("rag", "spanner", "glove", "pen")[(k // 15) % 4],) if k % 15 == 8 else (),
            defocus_px=BLURS[blur], motion_px=1.5 if k % 6 == 4 else 0.0,
        )  # fmt: skip
        scene = replace(scene, wide_tones=is_weathered)
        rgb, truth = render_photo(survey, drawing, scene, rng)
        yield Case(
            name=f"case{k:03d}", drawing=drawing, survey=survey, scene=scene, rgb=rgb, truth=truth, blur=blur,
            damage=damage, unusable=why_unusable(rgb, truth),
        )  # fmt: skip


def render_negatives(
    n: int = 12, seed: int = 0, size_wh: tuple[int, int] = (1600, 1200)
) -> Iterator[tuple[str, Drawing, NDArray[np.uint8]]]:
    """Photos on which the drawing beside them must be refused: an empty bench, and another plate.

    Yields
    ------
    kind : str
        ``empty bench``, ``other plate`` or ``mirrored plate`` (the other side of the one drawn).
    drawing : Drawing
        The drawing that does not fit.
    rgb : (rows, cols, 3) uint8
    """
    kinds = ("empty bench", "other plate", "mirrored plate")
    for k in range(n):
        rng = np.random.default_rng([seed, 1000 + k])
        kind = kinds[k % len(kinds)]
        drawing = _case_drawing(k // 3, rng)
        shown = drawing
        if kind == "other plate":
            shown = random_plate(rng)
        elif kind == "mirrored plate":
            shown = drawing.mirrored(f"{drawing.name}, mirrored")
        scene = random_scene(shown, rng, size_wh=size_wh, cut_by_frame=False, covers=())
        if kind == "empty bench":
            yield kind, drawing, render_empty(drawing, scene, rng)
            continue
        face = make_face(shown, rng)
        survey = lap(face, stock_for_uncut(face, 0.15))
        yield kind, drawing, render_photo(survey, shown, scene, rng)[0]
