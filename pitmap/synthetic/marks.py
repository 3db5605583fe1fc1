"""What is on a face and is no damage: oil, finger marks, marker pen, lap marks, dust, lint, swarf."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..grid import Grid
from .lap import Survey
from .look import Look
from .noise import fractal, smoothstep

__all__ = ["MARKER_WORDS", "add_marks"]

MARKER_WORDS = (
    "A1",
    "A2",
    "B1",
    "B2",
    "relap",
    "OK",
    "side A",
    "side B",
    "NO",
    "check",
    "3 thou",
    "top",
    "R",
    "F",
    "12/4",
    "0.04",
    "lap 2",
)

_FONTS = (
    cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_DUPLEX,
    cv2.FONT_HERSHEY_SCRIPT_SIMPLEX,
    cv2.FONT_HERSHEY_COMPLEX_SMALL,
)


class _Canvas:
    """The maps of a look while marks are added; small windows are cut out of them by place and size in mm."""

    def __init__(self, look: Look, survey: Survey, rng: np.random.Generator) -> None:
        self.grid: Grid = look.grid
        self.scale = look.grid.px_per_mm
        self.paint = look.paint.copy()
        self.form = look.form.copy()
        self.rng = rng
        self._bounds = survey.face.drawing.outline.bounds

    def somewhere(self) -> tuple[int, int]:
        """A random (column, row) over the plate."""
        x0, y0, x1, y1 = self._bounds
        c, r = self.grid.mm_to_px((self.rng.uniform(x0, x1), self.rng.uniform(y0, y1)))
        return int(c), int(r)

    def window(self, at: tuple[int, int], half_mm: float) -> tuple[slice, slice]:
        """The window of that half size, cut at the border of the maps."""
        k = max(2, round(half_mm * self.scale))
        r0, c0 = max(0, at[1] - k), max(0, at[0] - k)
        return slice(r0, min(self.grid.n_rows, at[1] + k)), slice(c0, min(self.grid.n_cols, at[0] + k))

    def blend(
        self, window: tuple[slice, slice], mask: NDArray, rgb: tuple[float, float, float], shine: float = 0.0
    ) -> None:
        """Paint a colour over a window by a mask of 0..1."""
        part = self.paint[window]
        part += (np.array([*rgb, shine], np.float32) - part) * mask[..., None].astype(np.float32)

    def scale_paint(
        self, window: tuple[slice, slice], mask: NDArray, rgb: tuple[float, float, float]
    ) -> None:
        """Filter a window by a colour of factors."""
        factor = 1 + (np.array(rgb, np.float32) - 1) * mask[..., None].astype(np.float32)
        self.paint[window][..., :3] *= factor


def _radius(window: tuple[slice, slice], at: tuple[int, int], scale: float) -> tuple[NDArray, NDArray]:
    y = (np.arange(window[0].start, window[0].stop) - at[1]) / scale
    x = (np.arange(window[1].start, window[1].stop) - at[0]) / scale
    return np.meshgrid(x.astype(np.float32), y.astype(np.float32))


def _oil(c: _Canvas) -> None:
    at, size = c.somewhere(), c.rng.uniform(8, 38)
    w = c.window(at, 1.6 * size)
    x, y = _radius(w, at, c.scale)
    if x.size == 0:
        return
    rough = fractal(c.rng, x.shape, 18 * c.scale, 3)
    m = smoothstep(1.1, 0.75, np.hypot(x, y) / size + 0.22 * rough) * c.rng.uniform(0.4, 1.0)
    amber = c.rng.uniform(0, 0.25)
    dim = c.rng.uniform(0.72, 0.95)
    c.scale_paint(w, m, (dim, dim * (1 - 0.4 * amber), dim * (1 - amber)))
    c.paint[w][..., 3] += 0.25 * m
    c.form[w][..., 2] += (0.2 - c.form[w][..., 2]) * 0.75 * m


def _finger(c: _Canvas) -> None:
    at0, turn = c.somewhere(), c.rng.uniform(0, np.pi)
    for _ in range(int(c.rng.integers(1, 5))):
        at = (at0[0] + int(c.rng.normal(0, 14) * c.scale), at0[1] + int(c.rng.normal(0, 14) * c.scale))
        w = c.window(at, 11)
        x, y = _radius(w, at, c.scale)
        if x.size < 100:
            continue
        t = turn + c.rng.normal(0, 0.2)
        u, v = x * np.cos(t) + y * np.sin(t), y * np.cos(t) - x * np.sin(t)
        bend = fractal(c.rng, x.shape, 6 * c.scale, 2)
        ridge = np.sin(2 * np.pi * (np.hypot(u, 0.75 * v + 3) + 0.35 * bend) / 0.55)
        area = smoothstep(1.0, 0.7, np.hypot(u / 6.5, v / 9) + 0.12 * bend)
        m = (
            area
            * np.clip(0.5 + 0.5 * ridge, 0, 1)
            * smoothstep(-1.4, 0.6, fractal(c.rng, x.shape, 4 * c.scale, 1))
        )
        k = c.rng.uniform(0.70, 0.93)
        c.scale_paint(w, m, (k, k * 0.985, k * 0.96))
        c.paint[w][..., 3] *= 1 - 0.4 * m


def _writing(c: _Canvas) -> None:
    ink = [(0.015, 0.016, 0.02), (0.02, 0.04, 0.22), (0.28, 0.02, 0.02), (0.03, 0.03, 0.035)][
        c.rng.integers(4)
    ]
    word = str(c.rng.choice(MARKER_WORDS))
    at, tall = c.somewhere(), c.rng.uniform(5, 15)
    w = c.window(at, max(1.1 * tall * len(word) * 0.5, 1.4 * tall) + 3)
    shape = (w[0].stop - w[0].start, w[1].stop - w[1].start)
    if min(shape) < 8:
        return
    font = int(c.rng.choice(_FONTS))
    thick = max(1, round(c.rng.uniform(0.7, 1.6) * c.scale))
    (width, height), _ = cv2.getTextSize(word, font, 1.0, 1)
    size = tall * c.scale / height
    plain = np.zeros(shape, np.uint8)
    corner = (int(shape[1] / 2 - size * width / 2), int(shape[0] / 2 + size * height / 2))
    cv2.putText(plain, word, corner, font, size, 255, thick, cv2.LINE_AA)
    if c.rng.random() < 0.25:
        cv2.circle(plain, (shape[1] // 2, shape[0] // 2), int(0.9 * tall * c.scale), 255, thick, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D((shape[1] / 2, shape[0] / 2), c.rng.uniform(0, 360), 1)
    # A hand shakes: the letters are bent a little.
    bent = cv2.warpAffine(plain, turn, shape[::-1])
    yy, xx = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    shake = 0.35 * c.scale
    bent = cv2.remap(
        bent, xx + shake * fractal(c.rng, shape, 5 * c.scale, 3),
        yy + shake * fractal(c.rng, shape, 5 * c.scale, 3), cv2.INTER_LINEAR,
    )  # fmt: skip
    dry = smoothstep(-2.2, -0.4, fractal(c.rng, shape, 3 * c.scale, 1))
    c.blend(w, bent.astype(np.float32) / 255 * dry * c.rng.uniform(0.6, 0.95), ink, 0.12)


def _ring_round(c: _Canvas) -> None:
    """A ring drawn by hand round something."""
    at, size = c.somewhere(), c.rng.uniform(4, 16)
    w = c.window(at, 1.5 * size)
    x, y = _radius(w, at, c.scale)
    if x.size < 100:
        return
    angle = np.arctan2(y, x)
    r = np.hypot(x, y) * (1 + 0.08 * np.cos(2 * angle + c.rng.uniform(0, 6)) + 0.05 * np.cos(3 * angle))
    half = c.rng.uniform(0.3, 0.7)
    m = smoothstep(half + 0.15, half - 0.15, np.abs(r - size)) * c.rng.uniform(0.5, 0.95)
    c.blend(w, m, (0.02, 0.03, 0.12) if c.rng.random() < 0.5 else (0.015, 0.015, 0.017), 0.1)


def _hair(c: _Canvas, long_mm: tuple[float, float], wide_mm: float, curl: float, dark: float) -> None:
    """A thin curved thing: a fibre or a curl of swarf, with its small shadow."""
    at, length = c.somewhere(), c.rng.uniform(*long_mm)
    n = 40
    way = (
        c.rng.uniform(0, 6.28)
        + np.cumsum(c.rng.normal(0, curl / np.sqrt(n), n))
        + c.rng.normal(0, curl) * np.linspace(0, 1, n)
    )
    line = np.cumsum(np.stack([np.cos(way), np.sin(way)], -1), 0) * length / n * c.scale
    w = c.window(at, length * 1.1 + 1)
    shape = (w[0].stop - w[0].start, w[1].stop - w[1].start)
    if min(shape) < 6:
        return
    mid = np.array([shape[1], shape[0]]) / 2
    mask = np.zeros((2, *shape), np.uint8)
    thick = max(1, round(wide_mm * c.scale))
    for k, shift in enumerate((np.array([0.3, 0.25]) * c.scale, np.zeros(2))):
        cv2.polylines(
            mask[k], [np.round((line + mid + shift) * 16).astype(np.int32)], False, 255, thick, cv2.LINE_AA, 4
        )
    soft = min(1.0, wide_mm * c.scale)
    c.scale_paint(w, mask[0] / 255 * soft, (1 - dark,) * 3)
    tone = c.rng.uniform(0.15, 0.75)
    c.blend(
        w,
        mask[1] / 255 * soft * 0.85,
        (tone, tone * c.rng.uniform(0.92, 1.02), tone * c.rng.uniform(0.85, 1.02)),
        0.5,
    )


def _dust(c: _Canvas) -> None:
    n = int(c.rng.integers(40, 500))
    for _ in range(n):
        at = c.somewhere()
        w = c.window(at, c.rng.uniform(0.08, 0.2))
        k = c.rng.uniform(0.75, 1.25)
        c.paint[w][..., :3] *= np.float32(k)


def _lap_marks(c: _Canvas) -> None:
    """Faint figure-of-eight or turning lines all over, from the lap or an old cut."""
    g = c.grid
    at = c.somewhere()
    reach = c.rng.uniform(0, 900) * c.scale
    cx, cy = at[0] + reach * np.cos(reach), at[1] + reach * np.sin(reach)
    y, x = np.ogrid[: g.n_rows, : g.n_cols]
    r = np.sqrt((x - np.float32(cx)) ** 2 + (y - np.float32(cy)) ** 2).astype(np.float32) / np.float32(
        c.scale
    )
    white = c.rng.standard_normal(4096).astype(np.float32)
    table = cv2.GaussianBlur(white.reshape(1, -1), (0, 0), 1.0).ravel()
    lines = table[(r * np.float32(c.rng.uniform(2.5, 6))).astype(np.int32) % 4096]
    slope = np.float32(c.rng.uniform(0.01, 0.05)) * lines
    c.form[..., 0] += slope * ((x - cx) / (r * c.scale + 1)).astype(np.float32)
    c.form[..., 1] -= slope * ((y - cy) / (r * c.scale + 1)).astype(np.float32)
    c.paint[..., :3] *= (1 + np.float32(c.rng.uniform(0.005, 0.03)) * lines)[..., None]


def add_marks(look: Look, survey: Survey, rng: np.random.Generator, amount: float = 1.0) -> Look:
    """The look with things on it that are no damage and carry no label.

    Parameters
    ----------
    look : Look
    survey : Survey
    rng : numpy.random.Generator
    amount : float
        0 for a clean face, 1 for an ordinary one.
    """
    if amount <= 0:
        return look
    c = _Canvas(look, survey, rng)
    if rng.random() < 0.5 * amount:
        _lap_marks(c)
    makers = ((_oil, 1.0), (_finger, 0.7), (_writing, 0.8), (_ring_round, 0.35), (_dust, 0.6))
    for maker, usual in makers:
        for _ in range(int(rng.poisson(usual * amount))):
            maker(c)
    for _ in range(int(rng.poisson(3 * amount))):
        _hair(c, (3, 18), 0.10, 2.0, 0.15)
    for _ in range(int(rng.poisson(2.5 * amount))):
        _hair(c, (0.8, 4), 0.3, 3.5, 0.5)
    np.clip(c.paint, 0.003, 1, out=c.paint)
    np.clip(c.form[..., 2], 0.08, 0.8, out=c.form[..., 2])
    return Look(grid=look.grid, paint=c.paint, form=c.form)
