"""The narrowest places of the seal land, picked out of its crossings as seen and as they may be."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from skimage.graph import route_through_array

from ..estimate import Estimate
from ..flags import Flag
from ..grid import Grid
from .crossings import COOLANT, CrossingGraph
from .land_edges import LandEdges
from .land_graphs import LandGraphs
from .settings import MeasureSettings

__all__ = ["NarrowPlaces"]

_NOTHING_MM = 1e-4
"""Sums of gaps of nothing; far under any pixel."""
_LEAK_PX = 1.0
"""Under this many pixels of sound metal a crossing counts as a leak path: the raster cannot show less."""
_ALONG = 2.0
"""Widths of the land from one end of a crossing to the other, from which it runs along the land (house choice)."""
_MUCH_DOUBT_MM = 0.5
"""Doubt that takes less is told by the interval alone (house choice)."""


class NarrowPlaces:
    """Picks distinct narrow places.

    Parameters
    ----------
    graphs : LandGraphs
    clean : CrossingGraph
        Of the land without damage.
    grid : Grid
        Of the full raster.
    edges : LandEdges
    settings : MeasureSettings
    alignment_error_mm : float
        Standard deviation of the drawing's place on the photo, mm.
    """

    def __init__(
        self,
        graphs: LandGraphs,
        clean: CrossingGraph,
        grid: Grid,
        edges: LandEdges,
        settings: MeasureSettings,
        alignment_error_mm: float,
    ) -> None:
        self.graphs, self.grid, self.settings = graphs, grid, settings
        self.alignment = alignment_error_mm
        self.z = float(ndtri(0.5 + settings.level / 2))
        self.running, self.coolant = edges.running_tree, edges.coolant_tree
        self.clean = clean
        self._leak_mm = _LEAK_PX * grid.mm_per_px
        self.rows: list[dict] = []
        self.paths: list[NDArray[np.float64]] = []

    def collect(self) -> tuple[list[dict], list[NDArray[np.float64]]]:
        """Rows and paths, narrowest first.

        Places that only the metal not seen makes narrow are among them, and the one where doubt leaves least.
        """
        n, graphs = self.settings.n_places, self.graphs
        self._pick(graphs.seen, n)
        if graphs.hidden is not graphs.seen:
            self._pick(graphs.hidden, n)
        if graphs.feared is not graphs.hidden:
            self._add_feared()
        self._cap()
        order = sorted(range(len(self.rows)), key=lambda k: (self.rows[k]["sound_width_mm"], k))
        rows = [{**self.rows[k], "place": i + 1} for i, k in enumerate(order)]
        return rows, [self.paths[k] for k in order]

    def leaking_spots(self) -> list[int]:
        """Spots that lie on a leak path, whether it is among the rows or too near to one of them."""
        leaks = np.flatnonzero(self.graphs.seen.width_through() < self._leak_mm)
        return [int(k) for k in leaks if k > COOLANT]

    def narrowest_mm(self) -> Estimate:
        """The narrowest of the rows, so that no end of it is without its place; after :meth:`collect`."""
        value, low, high = (
            min(r[f"sound_width{end}_mm"] for r in self.rows) for end in ("", "_low", "_high")
        )
        return Estimate(value=value, low=low, high=max(value, high), level=self.settings.level)

    def narrowest_of(self, graphs: LandGraphs) -> Estimate:
        """The narrowest crossing of the land by other graphs of it."""
        half = self.half_mm(graphs.seen, graphs.seen.nodes_through(COOLANT))
        return graphs.narrowest(half, float(self.clean.from_running[COOLANT]), self.settings.level)

    def half_mm(self, graph: CrossingGraph, nodes: list[int]) -> float:
        """Half of the interval of a crossing's width beyond what doubt of the classes leaves, mm."""
        touches = any(graph.touches_edge[k] for k in nodes[1:-1])
        return self.z * float(np.hypot(self.settings.errors.width_sd_mm, self.alignment if touches else 0.0))

    def _pick(self, graph: CrossingGraph, n: int) -> None:
        through = graph.width_through()
        candidates = np.argsort(through, kind="stable")
        taken: set[int] = set()
        found = 0
        for node in candidates:
            node = int(node)
            if node in taken:
                continue
            nodes = graph.nodes_through(node)
            middle = self._middle(graph, nodes)
            spots = set(nodes[1:-1])
            fresh = not (spots & taken)
            taken |= spots
            is_seen = graph is self.graphs.seen
            if not fresh or not (is_seen or self._is_more_than_seen(graph, nodes)):
                continue
            near = self._near(middle)
            if near is not None:
                if not is_seen:
                    self._lower(near, graph, nodes, float(through[node]))
                continue
            self._row(graph, nodes, float(through[node]), middle)
            found += 1
            if found == n:
                return

    def _add_feared(self) -> None:
        """The place where doubt of the classes leaves least, so that no low end is without its place."""
        graph = self.graphs.feared
        nodes, width = graph.nodes_through(COOLANT), float(graph.from_running[COOLANT])
        middle = self._middle(graph, nodes)
        near = self._near(middle)
        if near is not None:
            self._lower(near, graph, nodes, width)
        elif self._is_more_than_seen(graph, nodes):
            self._row(graph, nodes, width, middle)

    def _cap(self) -> None:
        """What is surely damaged beside a place bounds its high end, whatever spots its own path runs over."""
        graph = self.graphs.sure
        nodes = graph.nodes_through(COOLANT)
        row = self._near(self._middle(graph, nodes))
        if row is not None:
            high = float(graph.from_running[COOLANT]) + self.half_mm(graph, nodes)
            row["sound_width_high_mm"] = max(row["sound_width_mm"], min(row["sound_width_high_mm"], high))

    def _middle(self, graph: CrossingGraph, nodes: list[int]) -> NDArray[np.float64]:
        """Middle of a crossing; of its widest gap where it runs along the land, for then its own may lie beside the land."""
        gaps = graph.gaps(nodes)
        start, end = gaps[0][0], gaps[-1][1]
        if np.hypot(*(end - start)) > _ALONG * self._across(gaps[-1][0]):
            start, end = max(gaps, key=lambda gap: float(np.hypot(*(gap[1] - gap[0]))))
        return 0.5 * (start + end)

    def _across(self, point: NDArray[np.float64]) -> float:
        """Width of the land at a point of it, mm."""
        return float(self.running.query(point)[0] + self.coolant.query(point)[0])

    def _near(self, middle: NDArray[np.float64]) -> dict | None:
        """The nearest row, when it is too near to be another place."""
        if not self.rows:
            return None
        away, k = min(
            (np.hypot(r["x_mm"] - middle[0], r["y_mm"] - middle[1]), k) for k, r in enumerate(self.rows)
        )
        return self.rows[k] if away < self.settings.place_spacing_mm else None

    def _lower(self, row: dict, graph: CrossingGraph, nodes: list[int], width: float) -> None:
        """Let metal not seen, or in doubt, beside a place lower its low end."""
        low = max(0.0, width - self.half_mm(graph, nodes))
        if low < row["sound_width_low_mm"]:
            row["sound_width_low_mm"] = low
            row["flags"] |= int(self._reason(graph is self.graphs.hidden, row["sound_width_mm"] - width))

    def _reason(self, is_hidden: bool, less_mm: float) -> Flag:
        """What to say of metal not seen, or else in doubt, that leaves a place so much less."""
        if is_hidden:
            return Flag.TOUCHES_UNSEEN if less_mm > self.grid.mm_per_px else Flag.NONE
        return Flag.LOW_CONFIDENCE if less_mm > _MUCH_DOUBT_MM else Flag.NONE

    def _is_more_than_seen(self, graph: CrossingGraph, nodes: list[int]) -> bool:
        """True when a spot on this path holds metal that the map does not show as damaged."""
        for k in nodes[1:-1]:
            mask, row, col = graph.mask_of(k)
            seen = self.graphs.seen.labels[row : row + mask.shape[0], col : col + mask.shape[1]]
            if (mask & (seen == 0)).any():
                return True
        return False

    def _rows_cols(self, points: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        corner = self.graphs.seen.corner_cr
        cols, rows = (np.rint(self.grid.mm_to_px(points)).astype(np.int64) - corner).T
        return rows, cols

    def _row(self, graph: CrossingGraph, nodes: list[int], width: float, middle: NDArray[np.float64]) -> None:
        path = self._trace(graph, nodes)
        fine = _fine(path, self.grid)
        graphs = self.graphs
        nominal = self._nominal(graph, nodes, middle)
        value = min(width if graph is graphs.seen else self._width_at(graphs.seen, fine), nominal)
        value = 0.0 if value < _NOTHING_MM else value
        hidden = min(value, width if graph is graphs.hidden else self._width_at(graphs.hidden, fine))
        feared = min(hidden, width if graph is graphs.feared else self._width_at(graphs.feared, fine))
        most = min(nominal, self._width_at(graphs.sure, fine))
        half = self.half_mm(graph, nodes)
        is_leak = value < self._leak_mm
        flags = Flag.CROSSES_LAND if is_leak else Flag.NONE
        flags |= self._reason(True, value - hidden) | self._reason(False, hidden - feared)
        self.rows.append(
            {
                "place": 0,
                "x_mm": float(middle[0]),
                "y_mm": float(middle[1]),
                "sound_width_mm": value,
                "sound_width_low_mm": max(0.0, feared - half),
                "sound_width_high_mm": max(value, min(nominal, most + half)),
                "nominal_width_mm": nominal,
                "is_leak_path": is_leak,
                "flags": int(flags),
            }
        )
        self.paths.append(path)

    def _nominal(self, graph: CrossingGraph, nodes: list[int], middle: NDArray[np.float64]) -> float:
        """Width of the land by the drawing, mm: of the metal alone where the crossing runs through a hole of the land."""
        across = self._across(middle)
        # holes are the last nodes of every graph, and the only ones between the edges of the clean one
        holes = np.array(nodes[1:-1], int) - graph.n_nodes
        holes = holes[holes >= COOLANT + 1 - self.clean.n_nodes]
        return float(np.min(self.clean.width_through()[holes], initial=across))

    def _width_at(self, graph: CrossingGraph, fine: NDArray[np.float64]) -> float:
        """Least width through the spots of a graph that a path runs over; endless where it meets none."""
        through = graph.width_through()
        spots = set(graph.node_at(*self._rows_cols(fine)).tolist()) - {0}
        return min([float("inf"), *(float(through[k]) for k in spots)])

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
