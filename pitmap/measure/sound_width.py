"""Sound width of the seal land: the narrowest places, their intervals and their paths."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri
from skimage.graph import route_through_array

from ..classes import CLASS_WORDS, SurfaceClass
from ..estimate import Estimate
from ..flags import Flag
from ..grid import Grid
from .crossings import COOLANT, RUNNING, CrossingGraph, build_graph
from .land_edges import LandEdges
from .schemas import LANDS
from .settings import MeasureSettings

__all__ = ["LandWidths", "measure_land"]

_NOTHING_MM = 1e-4
"""Sums of gaps of nothing; far under any pixel."""
_LEAK_PX = 1.0
"""Under this many pixels of sound metal a crossing counts as a leak path: the raster cannot show less."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandWidths:
    """Narrowest places of the land.

    Parameters
    ----------
    table : DataFrame
        By the schema ``lands``, narrowest first.
    paths : tuple of (n, 2) float array
        The crossing of each row, from the running side to the coolant side, mm.
    narrowest_mm, bright_narrowest_mm : Estimate
        The least of them; and the least when stain and heat film count as damage too.
    leaking : (rows, columns) bool array or None
        Pixels of the spots on leak paths, full raster; None without a land.
    """

    table: pd.DataFrame
    paths: tuple[NDArray[np.float64], ...]
    narrowest_mm: Estimate
    bright_narrowest_mm: Estimate
    leaking: NDArray[np.bool_] | None


def measure_land(
    codes: NDArray[np.uint8],
    land: NDArray[np.bool_],
    grid: Grid,
    edges: LandEdges | None,
    settings: MeasureSettings,
    alignment_error_mm: float = 0.0,
) -> LandWidths:
    """Narrowest places of the seal land.

    Sound width is the least length of sound metal that any path from the running side to the coolant side
    must
    cross: the minimum over paths of the integral of 1[sound] ds. A land of width w with one round pit of
    diameter d
    in it has w - d; a chain of spots from edge to edge has 0, a leak path.

    Parameters
    ----------
    codes : (rows, columns) uint8 array
        Class raster.
    land : (rows, columns) bool array
        Pixels of the seal land.
    grid : Grid
    edges : LandEdges or None
        None gives an empty table and estimates that say why.
    settings : MeasureSettings
    alignment_error_mm : float
        Standard deviation of the drawing's place on the photo, mm.

    Notes
    -----
    Metal not seen is neither sound nor damaged: the value and the high end take it as sound, the low end
    takes it as damaged; where the two differ the row is flagged. Both ends also carry the error of each
    spot's edges (common and separate), and of the alignment where a spot reaches an edge of the land.

    Discretisation: a crossing through one spot is off by 0.2 pixels as a rule and by under a pixel at worst
    (tested on single pits); through n spots by sqrt(n) times that.
    """
    if edges is None or not land.any():
        reason = "the drawing has no seal land"
        unknown = Estimate.unknown(reason, level=settings.level)
        return LandWidths(
            table=LANDS.empty(), paths=(), narrowest_mm=unknown, bright_narrowest_mm=unknown, leaking=None
        )
    left, top, width, height = cv2.boundingRect(land.view(np.uint8))
    window, corner = np.s_[top : top + height, left : left + width], (left, top)
    code, metal = codes[window], land[window]
    inner = cv2.erode(metal.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    # Along the drawn edges one pixel of "outside" is only the raster's rounding; elsewhere it is metal not
    # seen.
    unseen = (metal & (code == SurfaceClass.UNSEEN)) | (inner & (code == SurfaceClass.OUTSIDE))
    broken = _one_of(code, settings.breaks_contact) & metal
    colour = _one_of(code, (SurfaceClass.STAIN, SurfaceClass.TINT)) & metal & ~broken
    min_px = settings.min_mark_mm2 * grid.px_per_mm**2

    def graphs(damaged: NDArray[np.bool_]) -> tuple[CrossingGraph, CrossingGraph]:
        """As seen, and with the metal not seen taken as damaged."""
        graph = build_graph(damaged, corner, grid, edges, min_px)
        if not unseen.any():
            return graph, graph
        return graph, build_graph(damaged | unseen, corner, grid, edges, min_px)

    seen, worst = graphs(broken)
    places = _Places(seen, worst, code, grid, edges, settings, alignment_error_mm)
    rows, paths, leaks = places.collect()
    leaking = np.zeros(grid.shape, bool)
    for node in leaks:
        mask, row, col = seen.mask_of(node)
        leaking[window][row : row + mask.shape[0], col : col + mask.shape[1]] |= mask
    narrowest = _overall(rows, settings)
    bright = _bright(*graphs(broken | colour), settings, places) if colour.any() else narrowest
    return LandWidths(
        table=LANDS.frame(rows),
        paths=tuple(paths),
        narrowest_mm=narrowest,
        bright_narrowest_mm=bright,
        leaking=leaking,
    )


def _one_of(code: NDArray[np.uint8], classes: tuple[SurfaceClass, ...]) -> NDArray[np.bool_]:
    wanted = np.zeros(256, np.uint8)
    wanted[[int(c) for c in classes]] = 1
    return cv2.LUT(np.ascontiguousarray(code), wanted).view(bool)


def _overall(rows: list[dict], settings: MeasureSettings) -> Estimate:
    value = min(r["sound_width_mm"] for r in rows)
    return Estimate(
        value=value,
        low=min(r["sound_width_low_mm"] for r in rows),
        high=max(value, min(r["sound_width_high_mm"] for r in rows)),
        level=settings.level,
    )


def _bright(
    graph: CrossingGraph, worst: CrossingGraph, settings: MeasureSettings, places: _Places
) -> Estimate:
    path = graph.nodes_through(COOLANT)
    value, least = float(graph.from_running[COOLANT]), float(worst.from_running[COOLANT])
    sd = places.sd_of(graph, path)
    z = places.z
    return Estimate(
        value=value, low=max(0.0, min(value, least) - z * sd), high=value + z * sd, level=settings.level
    )


class _Places:
    """Picks distinct narrow places out of the two graphs."""

    def __init__(self, seen, worst, code, grid, edges, settings, alignment_error_mm):  # type: ignore[no-untyped-def]
        self.seen: CrossingGraph = seen
        self.worst: CrossingGraph = worst
        self.code, self.grid, self.edges, self.settings = code, grid, edges, settings
        self.alignment = alignment_error_mm
        self.z = float(ndtri(0.5 + settings.level / 2))
        self.running, self.coolant = edges.running_tree, edges.coolant_tree
        self.rows: list[dict] = []
        self.paths: list[NDArray[np.float64]] = []
        self.leaks: list[int] = []

    def collect(self) -> tuple[list[dict], list[NDArray[np.float64]], list[int]]:
        """Rows and paths, narrowest first; places that only the unseen metal makes narrow come after."""
        n = self.settings.n_places
        self._pick(self.seen, n)
        if self.worst is not self.seen:
            self._pick(self.worst, n)
        order = sorted(range(len(self.rows)), key=lambda k: (self.rows[k]["sound_width_mm"], k))
        rows = [{**self.rows[k], "place": i + 1} for i, k in enumerate(order)]
        return rows, [self.paths[k] for k in order], self.leaks

    def _pick(self, graph: CrossingGraph, n: int) -> None:
        through = graph.width_through()
        candidates = np.argsort(through, kind="stable")
        taken: set[int] = set()
        found = 0
        for node in candidates:
            node = int(node)
            if node == RUNNING or node in taken or not np.isfinite(through[node]):
                continue
            nodes = graph.nodes_through(node)
            middle = self._middle(graph, nodes)
            spots = set(nodes[1:-1])
            fresh = not (spots & taken)
            taken |= spots | ({node} if node != COOLANT else set())
            only_unseen = graph is not self.seen
            if not fresh or (only_unseen and not self._needs_unseen(nodes)):
                continue
            near = self._near(middle)
            if near is not None:
                if only_unseen:
                    self._lower(near, float(through[node]), self.sd_of(graph, nodes))
                continue
            self._row(graph, nodes, float(through[node]), middle)
            found += 1
            if found == n:
                return

    def _middle(self, graph: CrossingGraph, nodes: list[int]) -> NDArray[np.float64]:
        gaps = graph.gaps(nodes)
        return 0.5 * (gaps[0][0] + gaps[-1][1])

    def _near(self, middle: NDArray[np.float64]) -> dict | None:
        """The nearest row, when it is too near to be another place."""
        if not self.rows:
            return None
        away, k = min(
            (np.hypot(r["x_mm"] - middle[0], r["y_mm"] - middle[1]), k) for k, r in enumerate(self.rows)
        )
        return self.rows[k] if away < self.settings.place_spacing_mm else None

    def _lower(self, row: dict, worst: float, sd: float) -> None:
        """Let metal not seen beside a place lower its low end."""
        row["sound_width_low_mm"] = min(row["sound_width_low_mm"], max(0.0, worst - self.z * sd))
        if row["sound_width_mm"] - worst > self.grid.mm_per_px:
            row["flags"] |= int(Flag.TOUCHES_UNSEEN)

    def _needs_unseen(self, nodes: list[int]) -> bool:
        """True when a spot of the worst graph on this path holds metal not seen."""
        for k in nodes[1:-1]:
            mask, row, col = self.worst.mask_of(k)
            seen = self.seen.labels[row : row + mask.shape[0], col : col + mask.shape[1]]
            if (mask & (seen == 0)).any():
                return True
        return False

    def sd_of(self, graph: CrossingGraph, nodes: list[int]) -> float:
        """Standard deviation of the width along a path, mm."""
        errors = self.settings.errors
        common, separate = 0.0, errors.width_sd_mm**2
        for k in nodes[1:-1]:
            word = self._word(graph, k)
            if not word:
                continue
            common += 2 * errors.classes[word].edge_sd_mm
            separate += 2 * errors.classes[word].edge_mark_sd_mm ** 2
        if any(graph.touches_edge[k] for k in nodes[1:-1]):
            separate += self.alignment**2
        return float(np.hypot(common, np.sqrt(separate)))

    def _word(self, graph: CrossingGraph, node: int) -> str:
        row, col = self._pixel(graph, node)
        code = int(self.code[row, col]) if row >= 0 else 0
        return CLASS_WORDS[SurfaceClass(code)] if 2 <= code <= 6 else ""

    def _pixel(self, graph: CrossingGraph, node: int) -> tuple[int, int]:
        """A pixel of a spot: an end of one of its gaps; (-1, -1) for a hole of the drawing."""
        for other in (int(graph.before_running[node]), int(graph.before_coolant[node])):
            key = min(node, other), max(node, other)
            if key in graph.ends:
                rows, cols = self._rows_cols(graph.ends[key][0 if node < other else 1][None])
                if graph.node_at(rows, cols)[0] == node:
                    return int(rows[0]), int(cols[0])
        return -1, -1

    def _rows_cols(self, points: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        cols, rows = (np.rint(self.grid.mm_to_px(points)).astype(np.int64) - self.seen.corner_cr).T
        return rows, cols

    def _row(self, graph: CrossingGraph, nodes: list[int], width: float, middle: NDArray[np.float64]) -> None:
        path = self._trace(graph, nodes)
        sound_here = width if graph is self.seen else self._seen_width(path, nodes)
        worst = width if graph is self.worst else self._worst_width(path, width)
        nominal = float(self.running.query(middle)[0] + self.coolant.query(middle)[0])
        value = min(sound_here, nominal)
        value = 0.0 if value < _NOTHING_MM else value
        sd = self.sd_of(graph, nodes)
        is_leak = value < _LEAK_PX * self.grid.mm_per_px
        doubtful = value - worst > self.grid.mm_per_px
        if is_leak:
            self.leaks.extend(k for k in nodes[1:-1] if graph is self.seen)
        self.rows.append(
            {
                "place": 0,
                "x_mm": float(middle[0]),
                "y_mm": float(middle[1]),
                "sound_width_mm": value,
                "sound_width_low_mm": max(0.0, min(value, worst) - self.z * sd),
                "sound_width_high_mm": max(value, min(nominal, value + self.z * sd)),
                "nominal_width_mm": nominal,
                "is_leak_path": is_leak,
                "flags": int(
                    (Flag.CROSSES_LAND if is_leak else 0) | (Flag.TOUCHES_UNSEEN if doubtful else 0)
                ),
            }
        )
        self.paths.append(path)

    def _at(self, graph: CrossingGraph, path: NDArray[np.float64]) -> set[int]:
        """Spots of a graph that a path runs over."""
        return set(graph.node_at(*self._rows_cols(path)).tolist()) - {0}

    def _worst_width(self, path: NDArray[np.float64], width: float) -> float:
        if self.worst is self.seen:
            return width
        through = self.worst.width_through()
        return min([width, *(float(through[k]) for k in self._at(self.worst, _fine(path, self.grid)))])

    def _seen_width(self, path: NDArray[np.float64], nodes: list[int]) -> float:
        """Sound width at a place that only unseen metal makes narrow: through what is seen to be damaged
        there."""
        through = self.seen.width_through()
        at = self._at(self.seen, _fine(path, self.grid))
        return min([float("inf"), *(float(through[k]) for k in at)])

    def _trace(self, graph: CrossingGraph, nodes: list[int]) -> NDArray[np.float64]:
        gaps = graph.gaps(nodes)
        points = [gaps[0][0], gaps[0][1]]
        for node, (start, end) in zip(nodes[1:-1], gaps[1:]):
            points.extend(self._inside(graph, node, points[-1], start))
            points.append(end)
        return np.array(points)

    def _inside(self, graph, node, start, end):  # type: ignore[no-untyped-def]
        """Way through a spot from one gap to the next, kept on its pixels."""
        rows, cols = self._rows_cols(np.array([start, end]))
        n = 2 + 2 * int(max(abs(rows[1] - rows[0]), abs(cols[1] - cols[0])))
        straight = np.rint(np.linspace([rows[0], cols[0]], [rows[1], cols[1]], n)).astype(np.int64)
        on_it = graph.node_at(straight[:, 0], straight[:, 1]) == node
        if not (on_it[0] and on_it[-1]) or on_it.all():
            return [end]
        mask, top, left = graph.mask_of(node)
        cost = np.where(mask, 1.0, 1e4)
        route, _ = route_through_array(cost, (rows[0] - top, cols[0] - left), (rows[1] - top, cols[1] - left))
        cells = np.array(route)[:: max(1, len(route) // 40)]
        way = self.grid.px_to_mm(cells[:, ::-1] + [left, top] + np.array(graph.corner_cr))
        return [*way, end]


def _fine(path: NDArray[np.float64], grid: Grid) -> NDArray[np.float64]:
    steps = [
        np.linspace(p, q, 2 + int(2 * np.hypot(*(q - p)) * grid.px_per_mm))
        for p, q in zip(path[:-1], path[1:])
    ]
    return np.concatenate(steps)
