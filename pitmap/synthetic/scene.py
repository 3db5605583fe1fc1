"""What a photo is taken with and under: camera pose, lens, lamps, bench, phone; drawn at random or set."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..drawing.model import Drawing
from ..registration.camera import Camera, Lens, apply_homography
from .bench import BENCHES
from .sheet import SheetPlace

__all__ = ["COVERS", "LIGHTS", "Lamp", "Phone", "Pose", "Scene", "make_lamp", "random_scene"]

LIGHTS = ("window", "lamp", "tube", "ring", "glare")
COVERS = ("rag", "spanner", "pen", "glove")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lamp:
    """A light as a few points.

    Attributes
    ----------
    kind : str
        One of :data:`LIGHTS`.
    points_mm : (n, 3) float
        Where its points are, plate frame, z up from the face.
    rgb : (3,) float
        Colour, mean 1.
    power : float
        Share of the light that it gives at the middle of the plate, against the other lamps.
    radius : float
        Angular radius of a point as seen from the plate; widens highlights and softens shadows.
    """

    kind: str
    points_mm: NDArray[np.float64]
    rgb: NDArray[np.float64]
    power: float
    radius: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """A pinhole camera: ``p = K (R X + t)`` for X in mm with z up from the face; then the lens.

    Attributes
    ----------
    rotation : (3, 3) float
    position_mm : (3,) float
        Where the camera is.
    focal_px : float
    centre_xy : (float, float)
        Principal point, pixels.
    lens : Lens
    """

    rotation: NDArray[np.float64]
    position_mm: NDArray[np.float64]
    focal_px: float
    centre_xy: tuple[float, float]
    lens: Lens

    def homography(self, z_mm: float = 0.0) -> NDArray[np.float64]:
        """mm on the plane at height z to undistorted pixels, scaled so that the last entry is 1."""
        k = np.array(
            [[self.focal_px, 0, self.centre_xy[0]], [0, self.focal_px, self.centre_xy[1]], [0, 0, 1.0]]
        )
        t = self.rotation @ (np.array([0, 0, z_mm]) - self.position_mm)
        h = k @ np.column_stack([self.rotation[:, 0], self.rotation[:, 1], t])
        return h / h[2, 2]

    def camera(self, z_mm: float = 0.0) -> Camera:
        """The camera for the plane at height z; 0 is the face."""
        return Camera(homography=self.homography(z_mm), lens=self.lens)

    def project(self, points_xyz: NDArray) -> NDArray[np.float64]:
        """Points (..., 3) in mm to photo pixels."""
        q = (np.asarray(points_xyz, float) - self.position_mm) @ self.rotation.T
        p = self.focal_px * q[..., :2] / q[..., 2:] + np.asarray(self.centre_xy)
        return self.lens.distort(p)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """What the phone does to the light that reaches it.

    Parameters
    ----------
    exposure : float
        Linear level of the middling bright metal, 1 is white; 0.2 is dark, 0.45 usual.
    white_balance : (float, float, float)
        Gain of red, green, blue.
    defocus_px, motion_px, motion_deg : float
        Blur: standard deviation of the defocus, length and direction of the shake.
    noise : float
        Noise at mid grey, share of full scale, before the phone smooths it.
    denoise, sharpen : float
        0 to 1 each, as phones do.
    contrast : float
        Strength of the S-shaped tone curve, 0 to 1.
    vignette : float
        Loss of light in the corners, 0 to 0.5.
    jpeg_quality : int
    """

    exposure: float = 0.42
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    defocus_px: float = 0.6
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.012
    denoise: float = 0.4
    sharpen: float = 0.4
    contrast: float = 0.3
    vignette: float = 0.15
    jpeg_quality: int = 90


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Everything about one photo except the plate.

    Attributes
    ----------
    size_wh : (int, int)
    pose : Pose
    lamps : tuple of Lamp
    ambient : float
        Light from all round, share of the whole.
    bench : str
        One of :data:`pitmap.synthetic.bench.BENCHES`.
    phone : Phone
    marks : float
        How much lies or is written on the face that is no damage: 0 none, 1 ordinary.
    clutter : int
        Nuts, washers and pins on the bench.
    covers : tuple of str
        Things that cover part of the plate, from :data:`COVERS`.
    chamfer_mm : float
    sheet : SheetPlace, optional
        A printed target, on the bench or on the face.
    wide_tones : bool
        Metal, rust and pits of tones drawn from wider ranges.
    seed : int
        For bench, clutter, marks: the same seed gives the same things, whatever the lamps.
    facts : dict
        Numbers for sorting results: tilt_deg, hfov_deg, distance_mm, fill.
    """

    size_wh: tuple[int, int]
    pose: Pose
    lamps: tuple[Lamp, ...]
    ambient: float = 0.25
    bench: str = "wood"
    phone: Phone = field(default_factory=Phone)
    marks: float = 1.0
    clutter: int = 3
    covers: tuple[str, ...] = ()
    chamfer_mm: float = 0.3
    sheet: SheetPlace | None = None
    wide_tones: bool = False
    seed: int = 0
    facts: dict[str, float] = field(default_factory=dict)


def _pose(
    drawing: Drawing,
    size_wh: tuple[int, int],
    tilt_deg: float,
    azimuth_deg: float,
    roll_deg: float,
    hfov_deg: float,
    fill: float,
    shift: tuple[float, float],
    lens_k: tuple[float, float],
    centre_off: tuple[float, float],
) -> tuple[Pose, float]:
    """A camera that looks at the plate, `tilt_deg` off the vertical; the plate fills `fill` of the frame."""
    w, h = size_wh
    focal = 0.5 * w / math.tan(math.radians(hfov_deg) / 2)
    centre = (0.5 * (w - 1) + centre_off[0] * w, 0.5 * (h - 1) + centre_off[1] * h)
    lens = Lens(k1=lens_k[0], k2=lens_k[1], centre_xy=centre, scale_px=focal)
    a, az, roll = (math.radians(v) for v in (tilt_deg, azimuth_deg, roll_deg))
    away = np.array([math.sin(a) * math.cos(az), math.sin(a) * math.sin(az), math.cos(a)])
    forward = -away
    right = np.cross(forward, [math.sin(roll), math.cos(roll), 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    ring = np.asarray(drawing.outline.exterior.coords)[:, :2]
    ring3 = np.column_stack([ring, np.zeros(len(ring))])
    target = np.append(0.5 * (ring.min(0) + ring.max(0)), 0.0)
    span = float(np.ptp(ring, 0).max())
    distance = span * focal / (fill * min(w, h))
    for _ in range(25):
        pose = Pose(
            rotation=rotation,
            position_mm=target + distance * away,
            focal_px=focal,
            centre_xy=centre,
            lens=lens,
        )
        p = pose.project(ring3)
        lo, hi = p.min(0), p.max(0)
        used = float(max((hi[0] - lo[0]) / w, (hi[1] - lo[1]) / h))
        # Bring the middle of the picture of the plate to the middle of the frame, plus the shift asked for.
        want = np.array([(0.5 + shift[0]) * w, (0.5 + shift[1]) * h])
        move = (0.5 * (lo + hi) - want) * distance / focal
        target = target + move[0] * right + move[1] * np.cross(forward, right) * np.array([1, 1, 1])
        target = target - forward * (target[2] / forward[2])
        distance *= 1 + 0.8 * (used / fill - 1)
    return pose, distance


def make_lamp(
    kind: str,
    rng: np.random.Generator,
    pose: Pose,
    aim_mm: NDArray,
    power: float = 1.0,
    turn_deg: float | None = None,
) -> Lamp:
    """A lamp of a kind somewhere it could stand in a shop, shining on `aim_mm`.

    ``glare`` is a lamp that stands where the camera sees it mirrored in the face.
    """
    turn = rng.uniform(0, 2 * math.pi) if turn_deg is None else math.radians(turn_deg)
    aim = np.append(np.asarray(aim_mm, float)[:2], 0.0)
    warm = rng.uniform(-0.2, 0.25)

    def at(distance: float, elevation_deg: float) -> NDArray:
        e = math.radians(elevation_deg)
        return aim + distance * np.array(
            [math.cos(e) * math.cos(turn), math.cos(e) * math.sin(turn), math.sin(e)]
        )

    if kind == "window":
        middle = at(rng.uniform(1100, 2600), rng.uniform(22, 60))
        side = np.array([-math.sin(turn), math.cos(turn), 0])
        size = rng.uniform(300, 700)
        points = [
            middle + i * size * side + k * size * 0.6 * np.array([0, 0, 1]) for i in (-1, 1) for k in (-1, 1)
        ]
        warm, radius = rng.uniform(-0.25, 0.05), rng.uniform(0.16, 0.3)
    elif kind == "tube":
        middle = at(rng.uniform(800, 1700), rng.uniform(40, 80))
        way = rng.uniform(0, math.pi)
        along = np.array([math.cos(way), math.sin(way), 0]) * rng.uniform(250, 600)
        points = [middle + k * along for k in (-1, -0.33, 0.33, 1)]
        warm, radius = rng.uniform(-0.15, 0.12), rng.uniform(0.1, 0.2)
    elif kind == "ring":
        size = rng.uniform(60, 200)
        middle = pose.position_mm + rng.normal(0, 15, 3)
        points = [
            middle + size * (math.cos(t) * pose.rotation[0] + math.sin(t) * pose.rotation[1])
            for t in np.arange(5) * 2 * math.pi / 5
        ]
        radius = rng.uniform(0.08, 0.16)
    elif kind == "glare":
        spot = aim + np.append(rng.normal(0, 60, 2), 0.0)
        to_camera = pose.position_mm - spot
        mirrored = np.array([-to_camera[0], -to_camera[1], to_camera[2]])
        points = [spot + mirrored / np.linalg.norm(mirrored) * rng.uniform(450, 1200) + rng.normal(0, 20, 3)]
        radius = rng.uniform(0.04, 0.16)
    else:
        points = [at(rng.uniform(350, 1100), rng.uniform(22, 75))]
        radius = rng.uniform(0.04, 0.13)
    rgb = np.array([1 + warm, 1.0, 1 - 1.25 * warm])
    return Lamp(kind=kind, points_mm=np.array(points), rgb=rgb / rgb.mean(), power=power, radius=radius)


def random_scene(
    drawing: Drawing,
    rng: np.random.Generator,
    *,
    size_wh: tuple[int, int] = (1600, 1200),
    tilt_deg: float | None = None,
    lights: tuple[str, ...] | None = None,
    bench: str | None = None,
    fill: float | None = None,
    cut_by_frame: bool | None = None,
    covers: tuple[str, ...] | None = None,
    defocus_px: float | None = None,
    motion_px: float | None = None,
    noise: float | None = None,
    marks: float | None = None,
    lamp_reach: float | None = None,
) -> Scene:
    """A scene as a rebuilder might shoot it; whatever is given is fixed, the rest is drawn at random.

    Parameters
    ----------
    drawing : Drawing
    rng : numpy.random.Generator
    size_wh : (int, int)
        Size of the photo.
    tilt_deg : float
        Camera off the vertical; at random 0 to 38, mostly under 25.
    lights : tuple of str
        From :data:`LIGHTS`.
    bench : str
    fill : float
        Share of the frame that the plate takes up in its longer direction.
    cut_by_frame : bool
        The plate runs out of the picture.
    covers : tuple of str
        From :data:`COVERS`.
    defocus_px, motion_px : float
        Blur, for a photo 1600 pixels wide; scaled with the width.
    noise, marks : float
        See :class:`Phone` and :class:`Scene`.
    lamp_reach : float
        Factor on the distance of every lamp: near lamps light one side of the plate more than the other.
    """
    w, h = size_wh
    scale = w / 1600
    tilt = float(abs(rng.normal(0, 16)) % 38) if tilt_deg is None else float(tilt_deg)
    cut = bool(rng.random() < 0.12) if cut_by_frame is None else cut_by_frame
    if fill is None:
        fill = float(rng.uniform(0.72, 0.96))
    if cut:
        fill = float(rng.uniform(0.95, 1.25))
        angle = rng.uniform(0, 2 * math.pi)
        shift = (0.22 * math.cos(angle), 0.26 * math.sin(angle))
    else:
        room = 0.45 * (0.98 - fill)
        shift = (float(rng.uniform(-room, room)), float(rng.uniform(-room, room)))
    hfov = float(rng.uniform(40, 72))
    pose, distance = _pose(
        drawing, size_wh, tilt, float(rng.uniform(0, 360)), float(rng.uniform(0, 360)), hfov, fill, shift,
        (float(rng.uniform(-0.05, 0.05)), float(rng.uniform(-0.006, 0.006))),
        (float(rng.normal(0, 0.003)), float(rng.normal(0, 0.004))),
    )  # fmt: skip
    aim = apply_homography(np.linalg.inv(pose.homography()), (w / 2, h / 2))
    if lights is None:
        n = int(rng.choice([1, 2, 3], p=[0.4, 0.45, 0.15]))
        lights = tuple(str(rng.choice(LIGHTS, p=[0.3, 0.28, 0.2, 0.1, 0.12])) for _ in range(n))
    lamps = tuple(make_lamp(k, rng, pose, aim, power=float(rng.uniform(0.5, 1.5))) for k in lights)
    if lamp_reach is None:
        lamp_reach = float(rng.uniform(0.4, 1.05))
    middle = np.append(aim, 0.0)
    lamps = tuple(
        replace(lamp, points_mm=middle + lamp_reach * (lamp.points_mm - middle))
        if lamp.kind != "ring"
        else lamp
        for lamp in lamps
    )
    if covers is None:
        covers = tuple(
            str(c) for c in rng.choice(COVERS, int(rng.choice([0, 1, 2], p=[0.85, 0.11, 0.04])), False)
        )
    warm = rng.normal(0, 0.06)
    phone = Phone(
        exposure=float(np.clip(rng.normal(0.40, 0.11), 0.16, 0.75)),
        white_balance=(float(1 + warm), float(1 + rng.normal(0, 0.012)), float(1 - warm)),
        defocus_px=scale * (float(rng.uniform(0.4, 1.0)) if defocus_px is None else defocus_px),
        motion_px=scale
        * (
            float(rng.choice([0, 1], p=[0.7, 0.3]) * rng.uniform(0.5, 2.2))
            if motion_px is None
            else motion_px
        ),
        motion_deg=float(rng.uniform(0, 180)),
        noise=float(min(rng.lognormal(math.log(0.013), 0.6), 0.035)) if noise is None else noise,
        denoise=float(rng.uniform(0, 1)),
        sharpen=float(rng.uniform(0, 1)),
        contrast=float(rng.uniform(0, 0.7)),
        vignette=float(rng.uniform(0, 0.5)),
        jpeg_quality=int(rng.integers(78, 96)),
    )
    return Scene(
        size_wh=size_wh,
        pose=pose,
        lamps=lamps,
        ambient=float(rng.uniform(0.12, 0.5)),
        bench=bench or str(rng.choice(BENCHES)),
        phone=phone,
        marks=float(rng.choice([0.0, 1.0], p=[0.2, 0.8]) * rng.uniform(0.4, 1.8)) if marks is None else marks,
        clutter=int(rng.integers(0, 7)),
        covers=covers,
        chamfer_mm=float(rng.uniform(0.2, 0.5)),
        seed=int(rng.integers(2**31)),
        facts={"tilt_deg": tilt, "hfov_deg": hfov, "distance_mm": float(distance), "fill": float(fill)},
    )
