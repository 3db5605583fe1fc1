"""A photo of a surveyed face: rays from a pinhole onto face, chamfers, walls and bench, then the phone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing.model import Drawing, fill_mask
from ..registration.camera import apply_homography
from .bench import bench_tile
from .clutter import draw_clutter, draw_covers
from .lap import Survey
from .light import LightField, bench_shade, light_field
from .look import Look, dress
from .marks import add_marks
from .nodes import STEP_PX, Nodes, make_nodes
from .phone import develop
from .scene import Scene
from .shape import PlateShape, plate_shape
from .truth import PhotoTruth, photo_truth

__all__ = ["look_for", "photo_scale", "render_empty", "render_jpeg", "render_photo"]

_STRIP_AREA_PX = 250_000
"""Windows of about this size stay in the processor's cache."""
_BENCH, _CLUTTER, _MARKS, _METAL, _WALL, _COVERS = range(1, 7)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Job:
    """What every strip needs."""

    scene: Scene
    drawing: Drawing
    shape: PlateShape
    nodes: Nodes
    face_mm: NDArray[np.float64]
    bench_mm: NDArray[np.float64]
    pixel_mm: NDArray[np.float32]
    light: LightField
    crowd: NDArray[np.float32]
    mirror: NDArray[np.float32]
    aim_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edge:
    """Pixels of a strip that show broken edge or void: which, how much of each, and the unit direction into the metal."""

    at: tuple[NDArray[np.intp], ...]
    share: NDArray[np.float32]
    gx: NDArray[np.float32]
    gy: NDArray[np.float32]


def _sub(scene: Scene, part: int) -> np.random.Generator:
    return np.random.default_rng([scene.seed, part])


def photo_scale(scene: Scene, drawing: Drawing) -> float:
    """Finest scale of the photo on the plate, px per mm."""
    ring = np.asarray(drawing.outline.exterior.coords)[::10, :2]
    camera = scene.pose.camera()
    step = 0.5
    dx = camera.mm_to_px(ring + [step, 0]) - camera.mm_to_px(ring)
    dy = camera.mm_to_px(ring + [0, step]) - camera.mm_to_px(ring)
    return float(np.sqrt(np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])).max() / step)


def look_for(survey: Survey, scene: Scene) -> Look:
    """The look of a survey in a scene, harmless marks included; the same for the same ``scene.seed``."""
    scale = 1.15 * photo_scale(scene, survey.face.drawing)
    look = dress(survey, _sub(scene, _METAL), scale, scene.wide_tones)
    return add_marks(look, survey, _sub(scene, _MARKS), scene.marks)


def _sample(image: NDArray, x: NDArray, y: NDArray, border: int = cv2.BORDER_REPLICATE) -> NDArray:
    return cv2.remap(
        image, np.ascontiguousarray(x), np.ascontiguousarray(y), cv2.INTER_LINEAR, borderMode=border
    )


def _sparse(image: NDArray, x: NDArray, y: NDArray) -> NDArray:
    """Samples of one-channel `image` at a list of points."""
    n = len(x)
    if not n:
        return np.empty(0, np.float32)
    wide = 512
    pad = -n % wide
    u, v = (np.pad(a.astype(np.float32), (0, pad)).reshape(-1, wide) for a in (x, y))
    return cv2.remap(image, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).reshape(-1)[:n]


def _strips(
    rows: tuple[int, int], cols: tuple[int, int], size_wh: tuple[int, int]
) -> list[tuple[slice, slice]]:
    """Windows of whole node steps that cover a box of the photo."""
    w, h = size_wh
    c0 = max(0, cols[0]) // STEP_PX * STEP_PX
    r0 = max(0, rows[0]) // STEP_PX * STEP_PX
    r1, c1 = min(h, rows[1]), min(w, cols[1])
    if c1 <= c0:
        return []
    step = max(1, _STRIP_AREA_PX // (c1 - c0) // STEP_PX) * STEP_PX
    return [(slice(r, min(r + step, r1)), slice(c0, c1)) for r in range(r0, r1, step)]


def _bench_layer(job: _Job, out: NDArray[np.float32], has_plate: bool) -> None:
    scene, nodes = job.scene, job.nodes
    rng = _sub(scene, _BENCH)
    scale = float(np.clip(0.8 / float(np.median(job.pixel_mm)), 1.5, 6.0))
    texture = bench_tile(scene.bench, rng, scale, int(np.clip(max(scene.size_wh), 500, 1400)))
    n = texture.shape[0]
    turn = rng.uniform(0, 2 * np.pi)
    rot = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * scale
    offset = rng.uniform(0, n, 2)
    uv = job.bench_mm[..., :2] @ rot.T + offset
    shade, matrix = bench_shade(scene, job.shape, job.drawing.thickness_mm, job.aim_mm)
    if not has_plate:
        shade = np.ones_like(shade)
    sxy = job.bench_mm[..., :2] @ matrix[:, :2].T + matrix[:, 2]
    lamp = light_field(scene, job.bench_mm, job.aim_mm)
    flow = np.clip(lamp.flow[..., 2], 0, None)[..., None] * lamp.rgb
    # Light from all round fades into the far corners of a shop.
    ambient = np.full((*flow.shape[:2], 3), scene.ambient, np.float32)
    w, h = scene.size_wh
    for rows, cols in _strips((0, h), (0, w), scene.size_wh):
        at = nodes.stretch(uv, rows, cols) % np.float32(n)
        colour = _sample(texture, at[..., 0], at[..., 1], cv2.BORDER_WRAP)
        if scene.sheet is not None and not scene.sheet.on_face:
            _lay_sheet(job, nodes.stretch(job.bench_mm[..., :2], rows, cols), colour)
        s = nodes.stretch(sxy, rows, cols)
        dim = cv2.remap(
            shade, s[..., 0], s[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(1, 1)
        )
        lit = (
            nodes.stretch(flow, rows, cols) * dim[..., :1] + nodes.stretch(ambient, rows, cols) * dim[..., 1:]
        )
        out[rows, cols] = colour * lit


def _lay_sheet(job: _Job, at_mm: NDArray[np.float32], colour: NDArray[np.float32]) -> None:
    """Put the printed target's reflectance over what lies under it."""
    sheet = job.scene.sheet
    assert sheet is not None
    paper, cover = sheet.paint(at_mm, 1 / float(np.median(job.pixel_mm)))
    colour += (paper[..., None] - colour) * cover[..., None]


def _crowd(shape: PlateShape) -> NDArray[np.float32]:
    """Share of metal round each point of the coarse grid: one half at a wide mouth, near 1 in a bolt hole."""
    metal = cv2.resize(
        shape.metal.astype(np.uint8) * 255, shape.coarse.shape[::-1], interpolation=cv2.INTER_AREA
    )
    return np.asarray(cv2.GaussianBlur(metal.astype(np.float32) / 255, (0, 0), 9), np.float32)


def _mirror(nodes: Nodes, rng: np.random.Generator) -> NDArray[np.float32]:
    """What the face mirrors of the room, against its mean, by the direction of the mirrored ray."""
    out = np.zeros(nodes.rays.shape[:2])
    for _ in range(5):
        wave = rng.normal(0, 5, 2)
        out += rng.uniform(0.2, 0.5) * np.sin(nodes.rays[..., :2] @ wave + rng.uniform(0, 2 * np.pi))
    return (np.clip(out, -1, 1.5) * rng.uniform(0.2, 1.2)).astype(np.float32)


def _opening_kinds(job: _Job) -> NDArray[np.float32]:
    """0 outside the plate, 1 in a coolant opening, 2 in any other; on the coarse grid, grown by 1 mm."""
    out = np.zeros(job.shape.coarse.shape, np.float32)
    for opening in job.drawing.openings:
        out[fill_mask(opening.polygon.buffer(1.0), job.shape.coarse)] = 1 if opening.kind == "coolant" else 2
    return out


def _metal(job: _Job, x: NDArray, y: NDArray) -> NDArray:
    """Distance inside the drawn line at places of the face, mm; negative in the void."""
    g = job.shape.grid
    return _sparse(job.shape.metal_mm, (x - g.x0_mm) * g.px_per_mm - 0.5, (g.y1_mm - y) * g.px_per_mm - 0.5)


def _into_metal(job: _Job, x: NDArray, y: NDArray, step_mm: float) -> tuple[NDArray, NDArray]:
    """Unit direction away from the nearest drawn line, into the metal."""
    gx = _metal(job, x + step_mm, y) - _metal(job, x - step_mm, y)
    gy = _metal(job, x, y + step_mm) - _metal(job, x, y - step_mm)
    size = np.hypot(gx, gy) + 1e-6
    return gx / size, gy / size


def _walls(
    job: _Job, rows: slice, cols: slice, m0: NDArray, kinds: NDArray, tone: NDArray, out: NDArray
) -> None:
    """Walls of openings and the sides of the plate: the first metal that a ray meets below the face."""
    thick = job.drawing.thickness_mm
    p0 = job.nodes.stretch(job.face_mm[..., :2], rows, cols)
    p1 = job.nodes.stretch(job.bench_mm[..., :2], rows, cols)
    d = p1 - p0
    reach = np.hypot(d[..., 0], d[..., 1])
    pick = np.nonzero((m0 < job.scene.chamfer_mm) & (m0 > -(reach + 0.5)))
    if not len(pick[0]):
        return
    x, y = p0[pick].T
    dx, dy = d[pick].T
    r = np.maximum(reach[pick], 1e-3)
    # the wall begins under the broken edge
    s = np.full_like(x, job.scene.chamfer_mm / thick)
    gap = np.zeros_like(x)
    for _ in range(9):
        gap = -_metal(job, x + s * dx, y + s * dy)
        s = np.where(gap > 0.02, s + np.maximum(gap, 0.05) / r, s)
    hit = (s <= 1) & (gap < 0.35)
    if not hit.any():
        return
    x, y, s = (x + s * dx)[hit], (y + s * dy)[hit], s[hit]
    nx, ny = (-a for a in _into_metal(job, x, y, 0.25))
    where = pick[0][hit], pick[1][hit]
    flow = job.nodes.stretch(job.light.flow, rows, cols)[where]
    rgb = job.nodes.stretch(job.light.rgb, rows, cols)[where]
    depth = s * thick
    # A wall point is lit when the way to the light leaves the opening above other metal.
    up = np.maximum(flow[:, 2], 0.05)
    lit = _metal(job, x + 0.4 * nx + flow[:, 0] / up * depth, y + 0.4 * ny + flow[:, 1] / up * depth) < 0.2
    facing = np.clip(flow[:, 0] * nx + flow[:, 1] * ny, 0, None)
    coarse = job.shape.coarse
    kind = np.round(
        _sparse(kinds, (x + nx - coarse.x0_mm) * 2 - 0.5, (coarse.y1_mm - y - ny) * 2 - 0.5)
    ).astype(int)
    # Cast and drilled walls: blotches, and faint rings of the drill.
    blotch = np.sin(1.1 * x + 0.7 * depth) * np.sin(0.9 * y - 1.3 * depth) + np.sin(
        2.7 * x - 1.9 * y + 0.8 * depth
    )
    grain = 1 + 0.06 * blotch + 0.03 * np.sin(9.0 * depth)
    colour = tone[np.clip(kind, 0, 2)] * grain[:, None]
    # Daylight comes down into a hole through its mouth only: narrow holes are dark.
    shut = _sparse(job.crowd, (x - coarse.x0_mm) * 2 - 0.5, (coarse.y1_mm - y) * 2 - 0.5)
    ambient = job.scene.ambient * 0.8 * (1 - np.clip(1.9 * shut - 0.75, 0, 0.9) * np.clip(0.35 + s, 0, 1))
    received = (facing * np.where(lit, 1.0, 0.12) * (1 - 0.25 * s))[:, None] * rgb + ambient[:, None] + 0.04
    out[where] = colour * received


def _broken_edge(job: _Job, p0: NDArray, m0: NDArray, pixel: NDArray) -> _Edge:
    share = np.clip((np.float32(job.scene.chamfer_mm) - m0) / pixel + np.float32(0.5), 0, 1)
    at = np.nonzero(share)
    x, y = p0[at].T
    gx, gy = _into_metal(job, x, y, 0.2)
    return _Edge(at=at, share=share[at], gx=gx, gy=gy)


def _metal_seen(
    job: _Job, rows: slice, cols: slice, p0: NDArray, m0: NDArray, edge: _Edge
) -> NDArray[np.float32]:
    """Metal left between where a ray meets face or broken edge and the drawn line, mm; negative where it misses.

    The broken edge slopes down at 45 deg from its width inside the drawn line, so the drawn line lies as far
    below the face: a slanted view sees it beside its place, as it does on a real plate.
    """
    width, thick = np.float32(job.scene.chamfer_mm), np.float32(job.drawing.thickness_mm)
    out = m0.copy()
    metal = m0[edge.at]
    near = np.flatnonzero((metal < width) & (metal > -2 * width - 1))
    if not len(near):
        return out
    at = edge.at[0][near], edge.at[1][near]
    down = (job.nodes.stretch(job.bench_mm[..., :2], rows, cols)[at] - p0[at]) / thick
    towards_metal = down[:, 0] * edge.gx[near] + down[:, 1] * edge.gy[near]
    out[at] = width - (width - metal[near]) / np.maximum(1 + towards_metal, 0.2)
    return out


def _face_colour(
    job: _Job, look: Look, rows: slice, cols: slice, p0: NDArray, edge: _Edge
) -> NDArray[np.float32]:
    """Light that the face sends to the camera."""
    k, nodes, scene = look.grid.px_per_mm, job.nodes, job.scene
    u = (p0[..., 0] - np.float32(look.grid.x0_mm)) * np.float32(k) - np.float32(0.5)
    v = (np.float32(look.grid.y1_mm) - p0[..., 1]) * np.float32(k) - np.float32(0.5)
    paint = _sample(look.paint, u, v)
    form = _sample(look.form, u, v)
    nx, ny, width, open_ = -form[..., 0], -form[..., 1], form[..., 2], form[..., 3]
    nz = np.ones_like(nx)
    sparkle = paint[..., 3]
    colour = paint[..., :3]
    on_edge, e = edge.at, edge.share
    nx[on_edge] -= e * edge.gx
    ny[on_edge] -= e * edge.gy
    bare = np.float32(0.42)
    colour[on_edge] += (bare - colour[on_edge]) * (0.75 * e)[:, None]
    sparkle[on_edge] += (0.5 - sparkle[on_edge]) * e
    width[on_edge] += (0.3 - width[on_edge]) * e
    size = np.sqrt(nx * nx + ny * ny + nz)
    nx, ny, nz = nx / size, ny / size, nz / size
    flow = nodes.stretch(job.light.flow, rows, cols)
    diffuse = np.maximum(flow[..., 0] * nx + flow[..., 1] * ny + flow[..., 2] * nz, 0) * np.float32(0.62)
    out = nodes.stretch(job.light.rgb, rows, cols) * (diffuse * open_)[..., None]
    around = np.float32(0.8) + np.float32(0.2) * nz + sparkle * nodes.stretch(job.mirror, rows, cols)
    out += (np.float32(scene.ambient) * open_ * around)[..., None]
    w2 = width * width
    shine = sparkle * open_
    glow = np.zeros_like(shine)
    last = job.light.highlights[-1]
    for lobe, following in zip(job.light.highlights, [*job.light.highlights[1:], last]):
        half = nodes.stretch(lobe.half, rows, cols)
        a2 = w2 + np.float32(lobe.radius**2)
        hn = half[..., 0] * nx + half[..., 1] * ny + half[..., 2] * nz
        t = hn * hn * (a2 - 1) + 1
        # GGX lobe of unit energy against a white diffuser: a^2 / (4 t^2).
        glow += a2 / (4 * t * t) * nodes.stretch(lobe.strength, rows, cols)
        if lobe is last or following.rgb is not lobe.rgb:
            # All points of one lamp have one colour: three channels only once for each lamp.
            out += (glow * shine * np.float32(0.62))[..., None] * lobe.rgb
            glow[:] = 0
    return out * colour


def _job(scene: Scene, drawing: Drawing, shape: PlateShape) -> _Job:
    nodes = make_nodes(scene)
    w, h = scene.size_wh
    face_mm, bench_mm = nodes.on_plane(0.0), nodes.on_plane(-drawing.thickness_mm)
    across = np.gradient(face_mm[..., :2], STEP_PX, axis=(0, 1))
    area = np.abs(across[0][..., 0] * across[1][..., 1] - across[0][..., 1] * across[1][..., 0])
    aim = apply_homography(np.linalg.inv(scene.pose.homography()), (w / 2, h / 2))
    aim_mm = np.append(aim, 0.0)
    return _Job(
        scene=scene, drawing=drawing, shape=shape, nodes=nodes, face_mm=face_mm, bench_mm=bench_mm,
        pixel_mm=np.sqrt(area).astype(np.float32), light=light_field(scene, face_mm, aim_mm),
        crowd=_crowd(shape), mirror=_mirror(nodes, _sub(scene, _WALL + 10)), aim_mm=aim_mm,
    )  # fmt: skip


def _light_of(
    scene: Scene, survey: Survey, drawing: Drawing, look: Look
) -> tuple[NDArray[np.float32], NDArray | None]:
    """Linear light at every pixel, exposed, and what covers the plate."""
    shape = survey.face.shape
    job = _job(scene, drawing, shape)
    nodes, face_mm = job.nodes, job.face_mm
    w, h = scene.size_wh
    out = np.empty((h, w, 3), np.float32)
    _bench_layer(job, out, has_plate=True)
    draw_clutter(out, scene, drawing, _sub(scene, _CLUTTER))
    rng = _sub(scene, _WALL)
    rust = np.array([0.24, 0.105, 0.045]) * rng.uniform(0.5, 1.2)
    cast = np.array([0.17, 0.16, 0.15]) * rng.uniform(0.5, 1.4)
    cut = np.array([0.30, 0.295, 0.29]) * rng.uniform(0.5, 1.15)
    tone = np.stack([cast if rng.random() < 0.5 else cut, rust, cut])
    kinds = _opening_kinds(job)
    ring = np.asarray(drawing.outline.exterior.coords)[:, :2]
    ends = np.concatenate(
        [
            scene.pose.project(np.column_stack([ring, np.full(len(ring), z)]))
            for z in (0.0, -drawing.thickness_mm)
        ]
    )
    lo, hi = np.floor(ends.min(0)).astype(int) - 3, np.ceil(ends.max(0)).astype(int) + 4
    g = shape.grid
    level = []
    for rows, cols in _strips((lo[1], hi[1]), (lo[0], hi[0]), scene.size_wh):
        p0 = nodes.stretch(face_mm[..., :2], rows, cols)
        u = (p0[..., 0] - np.float32(g.x0_mm)) * np.float32(g.px_per_mm) - np.float32(0.5)
        v = (np.float32(g.y1_mm) - p0[..., 1]) * np.float32(g.px_per_mm) - np.float32(0.5)
        m0 = _sample(shape.metal_mm, u, v)
        # Beyond the raster the field is held at its border; let it fall on.
        m0 = m0 - np.maximum(0, np.maximum(-u, u - g.n_cols)) / g.px_per_mm
        m0 = m0 - np.maximum(0, np.maximum(-v, v - g.n_rows)) / g.px_per_mm
        pixel = nodes.stretch(job.pixel_mm, rows, cols)
        part = out[rows, cols]
        _walls(job, rows, cols, m0, kinds, tone, part)
        edge = _broken_edge(job, p0, m0, pixel)
        cover = np.clip(_metal_seen(job, rows, cols, p0, m0, edge) / pixel + np.float32(0.5), 0, 1)
        colour = _face_colour(job, look, rows, cols, p0, edge)
        if scene.sheet is not None and scene.sheet.on_face:
            flow = np.clip(nodes.stretch(job.light.flow, rows, cols)[..., 2:], 0, None)
            lit = flow * nodes.stretch(job.light.rgb, rows, cols) + np.float32(scene.ambient)
            paper, over = scene.sheet.paint(p0, 1 / float(np.median(job.pixel_mm)))
            colour += (paper[..., None] * lit - colour) * over[..., None]
            cover = np.maximum(cover, over)
        part += (colour - part) * cover[..., None]
        level.append(colour[::8, ::8][cover[::8, ::8] > 0.99].mean(-1))
    mask = draw_covers(out, scene, drawing, _sub(scene, _COVERS)) if scene.covers else None
    plate = np.concatenate(level) if level else np.ones(0)
    if len(plate):
        out *= np.float32(scene.phone.exposure / max(float(np.median(plate)), 1e-3))
    return out, mask


def _to_jpeg(light: NDArray[np.float32], scene: Scene, rng: np.random.Generator) -> bytes:
    rgb = develop(light, scene.phone, rng)
    ok, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, scene.phone.jpeg_quality])
    assert ok
    return data.tobytes()


def _from_jpeg(data: bytes) -> NDArray[np.uint8]:
    bgr: Any = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return bgr[..., ::-1].copy()


def render_jpeg(
    survey: Survey, drawing: Drawing, scene: Scene, rng: np.random.Generator, look: Look | None = None
) -> tuple[bytes, PhotoTruth]:
    """A photo as the bytes of a JPEG file, and its truth; parameters as for :func:`render_photo`."""
    if look is None:
        look = look_for(survey, scene)
    light, cover = _light_of(scene, survey, drawing, look)
    return _to_jpeg(light, scene, rng), photo_truth(survey, scene, cover)


def render_photo(
    survey: Survey, drawing: Drawing, scene: Scene, rng: np.random.Generator, look: Look | None = None
) -> tuple[NDArray[np.uint8], PhotoTruth]:
    """A photo of a surveyed face as a phone would save it, and its truth.

    Parameters
    ----------
    survey : Survey
    drawing : Drawing
        The drawing of the face.
    scene : Scene
        See :func:`pitmap.synthetic.scene.random_scene`.
    rng : numpy.random.Generator
        Noise of the sensor; everything else follows ``scene.seed``.
    look : Look, optional
        From :func:`look_for`; hand the same one in for several lamps over one face.

    Returns
    -------
    rgb : (rows, cols, 3) uint8
        After JPEG.
    truth : PhotoTruth
    """
    data, truth = render_jpeg(survey, drawing, scene, rng, look)
    return _from_jpeg(data), truth


def render_empty(drawing: Drawing, scene: Scene, rng: np.random.Generator) -> NDArray[np.uint8]:
    """The scene without the plate: bench and clutter; ``drawing`` says only where no clutter lies."""
    job = _job(scene, drawing, plate_shape(drawing, 2.0))
    w, h = scene.size_wh
    out = np.empty((h, w, 3), np.float32)
    _bench_layer(job, out, has_plate=False)
    draw_clutter(out, scene, drawing, _sub(scene, _CLUTTER))
    draw_covers(out, scene, drawing, _sub(scene, _COVERS))
    out *= np.float32(0.7 * scene.phone.exposure / max(float(np.median(out)), 1e-3))
    return _from_jpeg(_to_jpeg(out, scene, rng))
