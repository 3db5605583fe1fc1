"""The sample job: one invented plate, two faces, three stages each; written to a folder with its truth.

``python -m pitmap.synthetic.samples FOLDER`` makes it again, byte for byte on one machine.
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing, load_shipped
from . import readings as shop
from .face import Damage, make_face
from .lap import Survey, lap
from .render import look_for, render_jpeg
from .scene import make_lamp, random_scene
from .truth import PhotoTruth, truth_record

__all__ = ["SEED", "make_samples"]

SEED = 45

_WORKSHOP = "Marrowfield Plate Shop"
_JOB = "J-0713"


@dataclass(frozen=True, slots=True)
class _Step:
    stage: str
    removed_um: float
    minutes: float
    on: str
    tilt_deg: float
    lights: tuple[str, ...]
    bench: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _FacePlan:
    name: str
    drawing: str
    damage: Damage
    seed: int
    steps: tuple[_Step, ...]


_FACES = (
    _FacePlan(
        name="A",
        drawing="heron40_intermediate_a",
        seed=7,
        damage=Damage(n_pits=190, stain=1.5, tint=1.0, wear=1.0, warp=0.9, scores=0.5),
        steps=(
            _Step("intake", 0.0, 0.0, "2025-03-03", 9, ("window", "tube"), "wood"),
            _Step("test_lap", 22.0, 6.0, "2025-03-05", 14, ("lamp",), "cardboard"),
            _Step("lap_1", 48.0, 8.5, "2025-03-06", 5, ("window", "lamp"), "granite"),
        ),
    ),
    _FacePlan(
        name="B",
        drawing="heron40_intermediate_b",
        seed=16,
        damage=Damage(n_pits=110, stain=1.1, tint=0.9, wear=0.8, warp=0.8, scores=1.0),
        steps=(
            _Step("intake", 0.0, 0.0, "2025-03-03", 17, ("tube", "lamp"), "cloth"),
            _Step("test_lap", 20.0, 5.5, "2025-03-05", 22, ("window",), "paper"),
            _Step("lap_1", 45.0, 8.0, "2025-03-06", 8, ("ring", "window"), "steel"),
        ),
    ),
)
_LAMP_SERIES = ("A", "test_lap")
_LAMP_TURNS_DEG = (35.0, 155.0, 275.0)
_CHAMFER_MM = 0.2
"""Of every edge in every photo: a plate is chamfered once, and a lap takes a quarter of it at most."""

_README = """# Sample photos with truth: one invented workshop job

Everything here is invented: the workshop, the engine, the plate. The photos are rendered, not taken.

Job {job} of the {shop}: the intermediate plate of a Heron 40, both faces, each at intake, after the light
test lap, and after one further lap. Face A after the test lap is there under three lamp positions, the
camera fixed.

`job.toml`
: faces, drawings, stages, dates, stock removed, minutes of lapping, photos.

`readings.csv`
: needle depths, thickness before and after each cut, dial heights, wear steps, straightedge; units mixed, as
  in a shop. `uncertainty` is one standard deviation in the same unit; a straightedge `value` is the thinnest
  feeler that does not pass.

`<face>_<stage>/photo.jpg`
: the photo (`lamp_2.jpg`, `lamp_3.jpg`: the same under another lamp).

`<face>_<stage>/labels.png`
: true class of every 0.1 mm: 0 outside, 1 sound, 2 pit, 3 stain, 4 tint, 5 uncut, 6 score, 255 hidden.

`<face>_<stage>/truth.json`
: camera, grid of `labels.png`, areas per zone (mm2; `rust` is stain, `heat` is tint), every pit as drawn with
  the depth and area that are left of it.

`hashes.txt`
: SHA-256 of every file above.

Positions are in the plate frame of the face (mm, x right, y up, seen looking at that face). `removed_um` is
the stock from the highest point of the face as received down to the lap plane, all cuts so far. A thickness
spot that stood lower than the highest point loses less than that in its first cut.

Made again, byte for byte on one machine, by

    .venv/bin/python -m pitmap.synthetic.samples sample_images_synthetic
"""


def _write_png(path: Path, image: NDArray) -> None:
    ok, data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    assert ok
    path.write_bytes(data.tobytes())


def _write_json(path: Path, value: object) -> None:
    path.write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")


def _toml_list(names: list[str]) -> str:
    return "[" + ", ".join(f'"{n}"' for n in names) + "]"


def _photos(
    plan: _FacePlan,
    step: _Step,
    survey: Survey,
    drawing: Drawing,
    rng: np.random.Generator,
    size_wh: tuple[int, int],
) -> tuple[dict[str, bytes], PhotoTruth]:
    """The photos of one survey by file name, and the truth that they share."""
    scene = random_scene(
        drawing, rng, size_wh=size_wh, tilt_deg=step.tilt_deg, lights=step.lights, bench=step.bench,
        fill=0.93,
        cut_by_frame=False, covers=(), marks=0.7, lamp_reach=1.0, defocus_px=0.5, motion_px=0.0, noise=0.006,
    )  # fmt: skip
    phone = dataclasses.replace(
        scene.phone, jpeg_quality=88, denoise=0.7, exposure=0.42, contrast=0.3, sharpen=0.35, vignette=0.12
    )
    scene = dataclasses.replace(scene, phone=phone, chamfer_mm=_CHAMFER_MM)
    if (plan.name, step.stage) != _LAMP_SERIES:
        data, truth = render_jpeg(survey, drawing, scene, rng)
        return {"photo.jpg": data}, truth
    look = look_for(survey, scene)
    middle = np.array(drawing.outline.centroid.coords[0])
    photos = {}
    for k, turn in enumerate(_LAMP_TURNS_DEG, 1):
        lamp = make_lamp("glare" if k == 2 else "lamp", rng, scene.pose, middle, turn_deg=turn)
        lit = dataclasses.replace(scene, lamps=(lamp,), ambient=0.22)
        photos["photo.jpg" if k == 1 else f"lamp_{k}.jpg"], truth = render_jpeg(
            survey, drawing, lit, rng, look
        )
    return photos, truth


def _face_readings(
    plan: _FacePlan, surveys: list[Survey], rng: np.random.Generator
) -> list[dict[str, object]]:
    """Readings in the order in which they were taken; thickness counts cuts of this face only."""
    rows: list[dict[str, object]] = []
    # the photos are rendered with the walls of the drawing: a micrometer reads no other plate
    thickness_um = 1000 * surveys[0].face.drawing.thickness_mm
    for k, survey in enumerate(surveys):
        if k:
            rows += shop.thickness_spots(
                surveys[k - 1], plan.name, rng, thickness_um, f"before {survey.stage}"
            )
            rows += shop.thickness_spots(survey, plan.name, rng, thickness_um, f"after {survey.stage}")
        rows += shop.dial_grid(survey, plan.name, rng, pitch_mm=30.0 if k == 0 else 45.0)
        rows += shop.pit_depths(survey, plan.name, rng, n=6 if k == 0 else 12)
        if k == 0:
            rows += shop.wear_steps(survey, plan.name, rng)
        rows += shop.straightedge(survey, plan.name, rng)
    return rows


def make_samples(
    folder: str | Path, seed: int = SEED, size_wh: tuple[int, int] = (2400, 1800), px_per_mm: float = 10.0
) -> list[Path]:
    """Write the sample job into a folder; files of the same names are written over.

    Parameters
    ----------
    folder : str or Path
        Made when it is not there.
    seed : int
    size_wh : (int, int)
        Size of the photos.
    px_per_mm : float
        Scale of the truth.

    Returns
    -------
    list of Path
        The files written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    job = [
        "# An invented job of an invented workshop; see README.md.",
        "[job]", f'number = "{_JOB}"', f'workshop = "{_WORKSHOP}"', 'customer = "Customer 12"',
        'engine = "Heron 40"', 'plate = "intermediate plate, no. 2 of 2"', 'received_on = "2025-03-03"',
        'history = "not known; parked for years, lost coolant"', "",
    ]  # fmt: skip
    rows: list[dict[str, object]] = []
    for plan in _FACES:
        drawing = load_shipped(plan.drawing)
        face = make_face(drawing, np.random.default_rng([seed, plan.seed]), plan.damage, px_per_mm)
        job += ["[[faces]]", f'name = "{plan.name}"', f'drawing = "{plan.drawing}"', ""]
        surveys = []
        for k, step in enumerate(plan.steps):
            survey = lap(face, step.removed_um, stage=step.stage)
            surveys.append(survey)
            rng = np.random.default_rng([seed, plan.seed, k])
            name = f"{plan.name.lower()}_{step.stage}"
            (folder / name).mkdir(exist_ok=True)
            photos, truth = _photos(plan, step, survey, drawing, rng, size_wh)
            for file, data in photos.items():
                (folder / name / file).write_bytes(data)
                written.append(folder / name / file)
            _write_png(folder / name / "labels.png", truth.labels)
            record = {
                "face": plan.name,
                "drawing": plan.drawing,
                "photos": list(photos),
                **truth_record(truth),
            }
            _write_json(folder / name / "truth.json", record)
            written += [folder / name / "labels.png", folder / name / "truth.json"]
            job += [
                "[[surveys]]",
                f'face = "{plan.name}"',
                f'stage = "{step.stage}"',
                f'surveyed_on = "{step.on}"',
                f"removed_um = {step.removed_um:.1f}",
                f"removed_uncertainty_um = {3.0 if step.removed_um else 0.0}",
                f"lap_minutes = {step.minutes}",
                f'folder = "{name}"',
                f"photos = {_toml_list(list(photos))}",
                "",
            ]
        rows += _face_readings(plan, surveys, np.random.default_rng([seed, plan.seed, 100]))
    (folder / "job.toml").write_text("\n".join(job), encoding="utf-8")
    shop.readings_table(rows).to_csv(folder / "readings.csv", index=False, lineterminator="\n")
    (folder / "README.md").write_text(_README.format(job=_JOB, shop=_WORKSHOP), encoding="utf-8")
    written += [folder / "job.toml", folder / "readings.csv", folder / "README.md"]
    lines = [
        f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(folder).as_posix()}"
        for p in sorted(written)
    ]
    (folder / "hashes.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [*written, folder / "hashes.txt"]


def _main() -> None:
    parser = argparse.ArgumentParser(
        description="Make the sample job again: photos, truth, readings, hashes."
    )
    parser.add_argument("folder", help="where to write it")
    parser.add_argument(
        "--seed", type=int, default=SEED, help="other seeds give other damage (default %(default)s)"
    )
    args = parser.parse_args()
    files = make_samples(args.folder, args.seed)
    size = sum(p.stat().st_size for p in files) / 1e6
    print(f"{len(files)} files, {size:.1f} MB, in {args.folder}")


if __name__ == "__main__":
    _main()
