"""Cheapest crossings of the land: shortest paths over the gaps between damaged spots.

A crossing pays for sound metal only. Between two damaged spots (or a spot and an edge of the land) the
cheapest way is the straight line, so the cheapest crossing is a shortest path in the graph whose nodes are
the two edges and the spots, and whose lengths are the Euclidean gaps between them. Nothing is propagated pixel by
pixel, so there is no metrication error; what is left is the fraction of a pixel that the raster does not know
of each spot's edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from scipy.special import ndtri

from ..grid import Grid
from .land_edges import LandEdges, nearest

__all__ = ["CrossingGraph", "build_graph"]

RUNNING, COOLANT = 0, 1
_FREE_MM = 1e-7
"""Length given to a gap of nothing: sparse graphs take an exact zero for no connection."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossingGraph:
    """Spots of the land and the gaps between them.

    Parameters
    ----------
    labels : (rows, columns) int32 array
        Label of each damaged pixel, on the window of the land; 0 elsewhere.
    node_of : (labels,) int array
        Node (from 2) of each label; 0 for none.
    boxes : (n_nodes, 4) int array
        Left, top, width, height of each spot in the window; zeros for edges and holes.
    corner_cr : (int, int)
        Column and row of the window in the full raster.
    n_nodes : int
        The two edges, then the spots, then the holes of the land.
    ends : dict of (int, int) to ((2,), (2,)) arrays
        The two ends of a gap, mm, keyed by nodes in rising order.
    from_running, from_coolant : (n_nodes,) float array
        Least sound metal between each node and the two edges, mm.
    before_running, before_coolant : (n_nodes,) int array
        The next node on the way back.
    touches_edge : (n_nodes,) bool array
        Spots that reach an edge of the land.
    touching : pair of ((m,), (m, 2), (m, 2)) arrays
        Where spots and holes lie at the running and at the coolant edge without a gap: their nodes, their own points and
        those of the edge, mm.
    """

    labels: NDArray[np.int32]
    node_of: NDArray[np.int64]
    boxes: NDArray[np.int64]
    corner_cr: tuple[int, int]
    n_nodes: int
    ends: dict[tuple[int, int], tuple[NDArray[np.float64], NDArray[np.float64]]]
    from_running: NDArray[np.float64]
    from_coolant: NDArray[np.float64]
    before_running: NDArray[np.int32]
    before_coolant: NDArray[np.int32]
    touches_edge: NDArray[np.bool_]
    touching: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]]

    def node_at(self, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> NDArray[np.int64]:
        """Node of each pixel of the window, 0 for none and off the window."""
        height, width = self.labels.shape
        good = (rows >= 0) & (cols >= 0) & (rows < height) & (cols < width)
        return np.where(good, self.node_of[self.labels[np.where(good, rows, 0), np.where(good, cols, 0)]], 0)

    def mask_of(self, node: int) -> tuple[NDArray[np.bool_], int, int]:
        """Pixels of a spot inside its box, and the box's top row and left column in the window."""
        left, top, width, height = self.boxes[node]
        box = self.labels[top : top + height, left : left + width]
        return self.node_of[box] == node, int(top), int(left)

    def width_through(self) -> NDArray[np.float64]:
        """Least sound metal of any crossing through each node, mm."""
        return self.from_running + self.from_coolant

    def nodes_through(self, node: int) -> list[int]:
        """Nodes of that crossing, running side first."""
        back, k = [], node
        while k >= 0 and k != RUNNING:
            back.append(k)
            k = int(self.before_running[k])
        path, k = [RUNNING, *reversed(back)], int(self.before_coolant[node])
        while k >= 0:
            path.append(k)
            k = int(self.before_coolant[k])
        return path

    def gaps(self, path: list[int]) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Both ends, mm, of each gap along a path of nodes, in its direction.

        A spot that lies at an edge of the land over some length is entered there beside where the path leaves it: any other
        place is as cheap, but a path along the land has its middle where the land is not.
        """
        out = []
        for a, b in zip(path[:-1], path[1:]):
            p, q = self.ends[min(a, b), max(a, b)]
            out.append((p, q) if a < b else (q, p))
        if len(path) > 2:
            (in_xy, running_xy), (out_xy, coolant_xy) = (
                tuple(xy[owner == node] for xy in ends)
                for (owner, *ends), node in zip(self.touching, (path[1], path[-2]))
            )
            leaves = out_xy if len(path) == 3 and len(out_xy) else out[1][0][None]
            if len(in_xy):
                away, k = cKDTree(in_xy).query(leaves)
                out[0] = running_xy[k[np.argmin(away)]], in_xy[k[np.argmin(away)]]
            if len(out_xy):
                k = np.argmin(np.hypot(*(out_xy - out[-2][1]).T))
                out[-1] = out_xy[k], coolant_xy[k]
        return out


def build_graph(
    damaged: NDArray[np.bool_],
    window_corner_cr: tuple[int, int],
    grid: Grid,
    edges: LandEdges,
    min_px: float,
) -> CrossingGraph:
    """The graph of a land's damaged pixels.

    Parameters
    ----------
    damaged : (rows, columns) bool array
        Damaged metal of the land, on a window of the raster.
    window_corner_cr : (int, int)
        Column and row of that window.
    grid : Grid
        Of the full raster.
    edges : LandEdges
    min_px : float
        Spots of fewer pixels are left out.
    """
    damaged8 = np.ascontiguousarray(damaged).view(np.uint8)
    n_labels, labels = cv2.connectedComponents(damaged8, connectivity=8, ltype=cv2.CV_32S)
    areas = np.bincount(labels[damaged], minlength=n_labels)
    kept = np.flatnonzero(areas >= max(1.0, min_px))
    node_of = np.zeros(n_labels, np.int64)
    node_of[kept] = 2 + np.arange(kept.size)
    cols, rows, owner = _edge_pixels(damaged8, labels, node_of)
    points = grid.px_to_mm(np.column_stack([cols + window_corner_cr[0], rows + window_corner_cr[1]])).reshape(
        -1, 2
    )
    half_px = _beyond(damaged8, rows, cols) * grid.mm_per_px
    n_nodes = 2 + kept.size
    boxes = np.zeros((n_nodes + len(edges.holes_xy), 4), np.int64)
    boxes[2:n_nodes] = _boxes(cols, rows, owner - 2, kept.size)
    for ring in edges.holes_xy:
        points = np.concatenate([points, ring])
        owner = np.concatenate([owner, np.full(len(ring), n_nodes)])
        half_px = np.concatenate([half_px, np.zeros(len(ring))])
        n_nodes += 1
    arcs = _Arcs()
    running, coolant = edges.running_tree, edges.coolant_tree
    to_coolant = np.full(n_nodes, np.inf)
    to_running = np.full(n_nodes, np.inf)
    touching = [(np.zeros(0, np.int64), np.zeros((0, 2)), np.zeros((0, 2)))] * 2
    if len(points):
        for node, tree, gap in ((RUNNING, running, to_running), (COOLANT, coolant, to_coolant)):
            far, where = nearest(tree, points)
            # A spot cut off by the land's edge has its own edge blurred there: half a pixel is no metal.
            far = np.where(far - half_px < 0.5 * grid.mm_per_px, 0.0, far - half_px)
            best, picked = _least_per(owner, far)
            gap[best] = far[picked]
            touching[node] = owner[far == 0], points[far == 0], tree.data[where[far == 0]]
            arcs.add(np.full(best.size, node), best, far[picked], tree.data[where[picked]], points[picked])
        _gaps_between(points, owner, half_px, to_running, to_coolant, arcs)
    on_running, on_coolant, width = edges.narrowest
    arcs.add(np.array([RUNNING]), np.array([COOLANT]), np.array([width]), on_running[None], on_coolant[None])
    (outward, inward), ends = arcs.finish(n_nodes)
    from_running, before_running = dijkstra(outward, indices=RUNNING, return_predecessors=True)
    from_coolant, before_coolant = dijkstra(inward, indices=COOLANT, return_predecessors=True)
    touches = (to_running <= grid.mm_per_px) | (to_coolant <= grid.mm_per_px)
    return CrossingGraph(
        labels=labels,
        node_of=node_of,
        boxes=boxes,
        corner_cr=window_corner_cr,
        n_nodes=n_nodes,
        ends=ends,
        from_running=from_running,
        from_coolant=from_coolant,
        before_running=before_running,
        before_coolant=before_coolant,
        touches_edge=touches,
        touching=touching,
    )


def _edge_pixels(damaged8, labels, node_of):  # type: ignore[no-untyped-def]
    """Columns and rows of the outermost pixels of every spot, and their nodes."""
    kernel = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    inner = cv2.erode(damaged8, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    found = cv2.findNonZero(damaged8 - inner)
    cols, rows = np.zeros((2, 0), np.int64) if found is None else found.reshape(-1, 2).T.astype(np.int64)
    owner = node_of[labels[rows, cols]]
    return cols[owner > 0], rows[owner > 0], owner[owner > 0]


def _boxes(cols, rows, spot, n):  # type: ignore[no-untyped-def]
    """Left, top, width and height of every spot (n, 4): OpenCV's own statistics cost several times its labels."""
    first, last = np.full((n, 2), np.iinfo(np.int64).max), np.full((n, 2), -1)
    for k, values in enumerate((cols, rows)):
        np.minimum.at(first[:, k], spot, values)
        np.maximum.at(last[:, k], spot, values)
    return np.hstack([first, last - first + 1])


def _beyond(damaged8, rows, cols):  # type: ignore[no-untyped-def]
    """How far a spot reaches beyond the centres of its edge pixels, px.

    A straight edge at a distance d from a pixel centre leaves, after a Gaussian blur of sigma 1, the value Phi(d)
    there, so d is its quantile: that is finer than the half pixel that a raster would say for every edge.
    Spots too thin for this keep the half pixel.
    """
    smooth = cv2.GaussianBlur(255 * damaged8, (0, 0), 1.0)[rows, cols] / 255
    return np.where(smooth > 0.5, np.clip(ndtri(np.clip(smooth, 0.5, 0.99)), 0.0, 0.71), 0.5)


def _least_per(owner, value):  # type: ignore[no-untyped-def]
    """Owners, and for each the place of its least value."""
    order = np.lexsort((value, owner))
    best, first = np.unique(owner[order], return_index=True)
    return best, order[first]


def _gaps_between(points, owner, half_px, to_running, to_coolant, arcs):  # type: ignore[no-untyped-def]
    """Gaps between spots that some cheapest crossing can use.

    Going from A to B pays only while the gap is shorter than B's own way to the edge that one came from
    and A's own way to the edge that one goes to; that bounds how far to look around A.
    """
    order = np.argsort(points[:, 0], kind="stable")
    points, owner, half_px = points[order], owner[order], half_px[order]
    by_owner = np.argsort(owner, kind="stable")
    nodes, first = np.unique(owner[by_owner], return_index=True)
    for node, mine in zip(nodes, np.split(by_owner, first[1:])):
        own = points[mine]
        # gaps are between edges of spots, places are centres of their edge pixels
        reach = max(to_running[node], to_coolant[node]) + half_px[mine].max() + half_px.max()
        (x0, y0), (x1, y1) = own.min(0) - reach, own.max(0) + reach
        left, right = np.searchsorted(points[:, 0], [x0, x1])
        near = slice(left, right)
        # Each pair is looked at once, from its lower node.
        other = left + np.flatnonzero(
            (owner[near] > node) & (points[near, 1] >= y0) & (points[near, 1] <= y1)
        )
        if other.size == 0:
            continue
        far, where = cKDTree(own).query(points[other])
        far = np.maximum(far - half_px[other] - half_px[mine][where], 0.0)
        best, picked = _least_per(owner[other], far)
        gap = far[picked]
        useful = gap < np.maximum(
            np.minimum(to_running[best], to_coolant[node]), np.minimum(to_coolant[best], to_running[node])
        )
        best, picked, gap = best[useful], picked[useful], gap[useful]
        arcs.add(np.full(best.size, node), best, gap, own[where[picked]], points[other[picked]])


class _Arcs:
    """Gaps collected node by node."""

    def __init__(self) -> None:
        self._parts: list[tuple[NDArray, ...]] = []

    def add(self, a, b, length, end_a, end_b) -> None:  # type: ignore[no-untyped-def]
        self._parts.append((a, b, np.maximum(length, _FREE_MM), end_a, end_b))

    def finish(self, n_nodes: int):  # type: ignore[no-untyped-def]
        a, b, length, end_a, end_b = (np.concatenate(column) for column in zip(*self._parts))
        ends = {(int(i), int(j)): (p, q) for i, j, p, q in zip(a, b, end_a, end_b)}
        source, target, length = (
            np.concatenate([a, b]),
            np.concatenate([b, a]),
            np.concatenate([length, length]),
        )
        matrices = []
        for start, goal in ((RUNNING, COOLANT), (COOLANT, RUNNING)):
            # A way may not run along the far edge, nor come back to the near one: both are ends, not metal.
            kept = (source != goal) & (target != start)
            matrices.append(
                csr_matrix((length[kept], (source[kept], target[kept])), shape=(n_nodes, n_nodes))
            )
        return matrices, ends
