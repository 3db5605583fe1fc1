"""A series of surveys as a depth gauge: bounds on the depth of every pit and the height of every pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.measure import find_contours

from ..classes import Stage, SurfaceClass
from ..errors import InputError
from ..flags import Flag
from ..grid import Grid
from ..tables import Column, Schema
from ..units import UnitSystem, format_depth
from .pit_words import PitWords
from .removed import RemovedStock
from .survey import FaceSurvey
from .zones import zones_of

__all__ = ["PITS", "LapBounds", "PixelBounds", "lap_bounds", "pixel_bounds"]

PITS = Schema(
    "pits",
    (
        Column("pit_id", "int64", "number from 1 over all surveys of the face, by the order of first sight"),
        Column("x_mm", "float64", "centroid in the survey that shows most of it"),
        Column("y_mm", "float64", "centroid in the survey that shows most of it"),
        Column("zone", "object", "zone in the survey that shows most of it"),
        Column("zones", "object", "every zone that it counted for in any survey, with spaces between"),
        Column("eq_diam_mm", "float64", "diameter of the disc of its area, where that was largest"),
        Column(
            "dist_trace_mm",
            "float64",
            "nearest point of any survey to the running-side edge of the land, NaN off the land",
        ),
        Column(
            "dist_coolant_mm",
            "float64",
            "nearest point of any survey to the coolant-side edge of the land, NaN off the land",
        ),
        Column("first_survey", "int64", "survey (from 0) that first saw it"),
        Column(
            "seen_from_um",
            "float64",
            "stock already off when first seen: shallower pits never came into sight",
        ),
        Column("last_survey", "int64", "last survey that saw it"),
        Column("deeper_than_um", "float64", "still there after this much stock, under the first face"),
        Column("deeper_survey", "int64", "the survey behind it, -1 for none"),
        Column(
            "shallower_than_um",
            "float64",
            "gone from the map after this much stock (a narrow hole may be left); infinite while it is there",
        ),
        Column("shallower_survey", "int64", "the survey behind it, -1 for none"),
        Column("flags", "int64", "bits of pitmap.flags"),
        Column("note", "object", "what contradicted what"),
    ),
)

_MOST_NAMED = 5
_COARSER = 1.25
"""Of two photos of one face the scales differ by up to so much by chance (house choice)."""

_MATCH_SD_MM = 0.15
"""Error of a centroid between two maps of one face: alignment residual and change of shape (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LapBounds:
    """Every pit of a face with its bounds.

    Parameters
    ----------
    pits : DataFrame
        :data:`PITS`.
    links : DataFrame
        ``pit_id survey mark_id``: which mark of which survey is which pit.
    removed_um, removed_sd_um : ndarray
        Stock removed before each survey at the middle of the marks, and its standard deviation.
    stages : tuple of str
        Stage of each survey, in order of work.
    problems : tuple of str
        Contradictions, in words.
    """

    pits: pd.DataFrame
    links: pd.DataFrame
    removed_um: NDArray[np.float64]
    removed_sd_um: NDArray[np.float64]
    stages: tuple[str, ...]
    problems: tuple[str, ...] = ()

    @property
    def middle_xy(self) -> NDArray[np.float64]:
        """Middle of the marks, mm: where a reading without a place is taken to lie; the origin where there is no mark."""
        places = self.pits[["x_mm", "y_mm"]].to_numpy(float)
        return places.mean(axis=0) if len(places) else np.zeros(2)


def lap_bounds(
    surveys: Sequence[FaceSurvey], *, match_sd_mm: float = _MATCH_SD_MM, system: UnitSystem = "mm"
) -> LapBounds:
    """Bounds on the depth of every pit under the first face.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        Two or more for an upper bound; one gives lower bounds only. Taken in the order of work.
    match_sd_mm : float
        Standard deviation of a centroid between two surveys, mm.
    system : {"mm", "inch"}
        Units of the sentences.

    Returns
    -------
    LapBounds

    Raises
    ------
    InputError
        No survey, or two of one stage.

    Notes
    -----
    A mark of a later survey within half the length of a known pit plus 3 `match_sd_mm` is that pit. It is still there
    in every survey that has such a mark, and where a mark covers its middle. It is gone when its place reads sound and
    has none, unless that photo is much coarser than the one that showed it and cannot show a hole so small. That a
    comparison calls fewer marks gone (:mod:`pitmap.depth.gone`) is meant: it speaks of each mark by itself, and the rare
    small one that was missed is nothing to the deepest. With the comparison's tests here the sample's second face,
    which truly needs 96 and 69 um, was advised over 170 for either zone; without them about 100. Scale can
    hide a pit at intake, so a pit first seen later counts from there, and its place, size and zones are those of the
    survey that shows most of it. A pit that vanished and came back keeps only the later sighting (a floor can be smeared
    over, a hole cannot be put back); one that vanished though no stock came off gets no upper bound. Both carry
    ``Flag.CONTRADICTION`` and a note.
    """
    if not surveys:
        raise InputError("lap_bounds: no survey given")
    surveys = sorted(surveys, key=lambda s: Stage(s.stage).order)
    stages = tuple(s.stage for s in surveys)
    if len(set(stages)) < len(stages):
        raise InputError(f"lap_bounds: a stage stands twice: {', '.join(stages)}")
    found = [_pit_marks(s) for s in surveys]
    rows, seen_marks = _sightings(found, match_sd_mm)
    xy = np.array([[r["x_mm"], r["y_mm"]] for r in rows], float).reshape(-1, 2)
    middle = xy.mean(axis=0) if len(xy) else np.zeros(2)
    removed = np.array([float(s.removed.at(middle)) for s in surveys])
    sd = np.array([float(s.removed.sd_at(middle)) for s in surveys])
    problems = _stock_problems(stages, removed, sd, system)
    links = pd.DataFrame(seen_marks, columns=["pit_id", "survey", "mark_id"]).astype("int64")
    present = _presence(surveys, found, xy, rows, links, match_sd_mm)
    stock = np.column_stack([s.removed.at(xy) for s in surveys])
    for i, row in enumerate(rows):
        _bound_one(row, present[i], stock[i], sd, stages, system)
    pits = PITS.frame(rows)
    problems += _told_once(pits, PitWords.of(surveys, pits, links, system))
    for array in (removed, sd):
        array.setflags(write=False)
    return LapBounds(
        pits=pits,
        links=links,
        removed_um=removed,
        removed_sd_um=sd,
        stages=stages,
        problems=tuple(problems),
    )


def _pit_marks(survey: FaceSurvey) -> pd.DataFrame:
    marks = survey.marks
    return marks.loc[marks["class_code"] == int(SurfaceClass.PIT)].reset_index(drop=True)


def _radius(marks: pd.DataFrame) -> NDArray[np.float64]:
    diameter = marks["eq_diam_mm"].to_numpy(float)
    if "length_mm" in marks.columns:
        diameter = np.fmax(diameter, marks["length_mm"].to_numpy(float))
    return diameter / 2


def _sightings(
    found: list[pd.DataFrame], sd: float
) -> tuple[list[dict[str, Any]], list[tuple[int, int, int]]]:
    """Rows of every pit, and the links of every mark to a pit."""
    rows: list[dict[str, Any]] = []
    links: list[tuple[int, int, int]] = []
    known_xy = np.empty((0, 2))
    known_r = np.empty(0)
    for k, marks in enumerate(found):
        xy, radius = marks[["x_mm", "y_mm"]].to_numpy(float), _radius(marks)
        ids, sights = marks["mark_id"].to_numpy(), _sights(marks)
        owner = _nearest_owner(xy, known_xy, known_r, sd)
        for j in np.flatnonzero(owner >= 0):
            pit = int(owner[j])
            links.append((pit + 1, k, int(ids[j])))
            is_longer = bool(radius[j] > known_r[pit])
            _add_sight(rows[pit], sights[j], is_longer=is_longer)
            if is_longer:
                known_xy[pit], known_r[pit] = xy[j], radius[j]
        fresh = np.flatnonzero(owner < 0)
        for j in fresh:
            links.append((len(rows) + 1, k, int(ids[j])))
            rows.append(
                {
                    "pit_id": len(rows) + 1, **sights[j], "first_survey": k, "seen_from_um": 0.0, "last_survey": k,
                    "deeper_than_um": 0.0, "deeper_survey": -1, "shallower_than_um": np.inf, "shallower_survey": -1,
                    "flags": 0, "note": "",
                }
            )  # fmt: skip
        known_xy = np.vstack([known_xy, xy[fresh]])
        known_r = np.concatenate([known_r, radius[fresh]])
    return rows, links


_OF_PLACE = ("x_mm", "y_mm", "zone")
_OF_EDGES = ("dist_trace_mm", "dist_coolant_mm")


def _sights(marks: pd.DataFrame) -> list[dict[str, Any]]:
    """What one survey says of the place and size of each of its pit marks."""
    edges = {c: np.nan for c in _OF_EDGES if c not in marks.columns}
    table = marks.assign(**edges)[[*_OF_PLACE, "eq_diam_mm", *_OF_EDGES]]
    rows: list[dict[str, Any]] = table.to_dict("records")  # type: ignore[assignment]
    return [{**row, "zones": " ".join(sorted(own))} for row, own in zip(rows, zones_of(marks))]


def _add_sight(row: dict[str, Any], sight: dict[str, Any], *, is_longer: bool) -> None:
    """A further sighting of a pit: scale can hide most of it at intake, and a lap takes away its rim."""
    if is_longer:
        row.update({c: sight[c] for c in _OF_PLACE})
    row["eq_diam_mm"] = max(row["eq_diam_mm"], sight["eq_diam_mm"])
    row.update({c: float(np.fmin(row[c], sight[c])) for c in _OF_EDGES})
    row["zones"] = " ".join(sorted({*row["zones"].split(), *sight["zones"].split()}))


def _nearest_owner(xy: NDArray, known_xy: NDArray, known_r: NDArray, sd: float) -> NDArray[np.int64]:
    """For each place the known pit it lies in (nearest by distance over reach), -1 for none."""
    owner = np.full(len(xy), -1, np.int64)
    if not len(known_xy) or not len(xy):
        return owner
    reach = known_r + 3 * sd
    # Pairs within the largest reach, then each held against its own.
    pairs = cKDTree(known_xy).sparse_distance_matrix(cKDTree(xy), float(reach.max()), output_type="ndarray")
    score = pairs["v"] / reach[pairs["i"]]
    near = score <= 1
    known, place, score = pairs["i"][near], pairs["j"][near], score[near]
    order = np.lexsort((known, -score, place))
    owner[place[order]] = known[order]
    return owner


def _presence(
    surveys: Sequence[FaceSurvey],
    found: list[pd.DataFrame],
    xy: NDArray,
    rows: list[dict[str, Any]],
    links: pd.DataFrame,
    sd: float,
) -> NDArray[np.int8]:
    """(pits, surveys): 1 there, 0 gone, -1 not known (not sound there, hidden before its first sight, too fine to show)."""
    out = np.full((len(rows), len(surveys)), -1, np.int8)
    first = np.array([r["first_survey"] for r in rows], int)
    diameter = np.array([r["eq_diam_mm"] for r in rows], float)
    shown = np.array([s.shown_mm for s in surveys])
    for k, (survey, marks) in enumerate(zip(surveys, found)):
        if not len(rows):
            break
        since = first <= k
        bare = np.ones(len(rows), bool)
        if survey.is_bare is not None:
            bare = np.asarray(survey.is_bare(xy, diameter / 2), bool)
        # a photo much coarser than the one that showed the pit says nothing of a hole that it cannot show
        bare &= (diameter >= shown[k]) | (shown[k] <= _COARSER * shown[first])
        out[since & bare, k] = 0
        # Two pits that the later map joins in one mark are both still there.
        there = marks[["x_mm", "y_mm"]].to_numpy(float)
        joined = _nearest_owner(xy, there, np.maximum(_radius(marks), 3 * sd), 0.0)
        out[since & (joined >= 0), k] = 1
    out[links["pit_id"].to_numpy() - 1, links["survey"].to_numpy()] = 1
    return out


def _bound_one(
    row: dict[str, Any],
    present: NDArray,
    stock: NDArray,
    sd: NDArray,
    stages: tuple[str, ...],
    system: UnitSystem,
) -> None:
    def at(k: int) -> str:
        return f"{Stage(stages[k]).moment} ({format_depth(stock[k], system)} off)"

    there = np.flatnonzero(present == 1)
    last = int(there[-1])
    row["seen_from_um"] = max(float(stock[row["first_survey"]]), 0.0)
    row["last_survey"] = last
    deepest = int(there[np.argmax(stock[there])])
    row["deeper_than_um"], row["deeper_survey"] = max(float(stock[deepest]), 0.0), deepest
    gone_before = np.flatnonzero(present[:last] == 0)
    if gone_before.size:
        j = int(gone_before[0])
        row["flags"] |= int(Flag.CONTRADICTION)
        row["note"] = f"not seen {at(j)}, seen again {at(last)}; the later sighting counts"
    gone = np.flatnonzero(present[last + 1 :] == 0) + last + 1
    if not gone.size:
        return
    j = int(gone[0])
    slack = 2 * float(np.hypot(sd[j], sd[deepest]))
    if stock[j] <= 0 or stock[j] <= stock[deepest] - slack:
        row["flags"] |= int(Flag.CONTRADICTION)
        row["note"] = (
            f"gone {at(j)} though no more stock had come off than {at(deepest)}; no upper bound taken"
        )
        return
    row["shallower_than_um"], row["shallower_survey"] = float(stock[j]), j
    if stock[j] <= stock[deepest]:
        # Within the error of the stock: the two bounds meet.
        row["deeper_than_um"] = (
            min(row["deeper_than_um"], float(stock[j]) - slack) if stock[j] > slack else 0.0
        )


def _told_once(pits: pd.DataFrame, words: PitWords) -> list[str]:
    """Each contradiction with the pits that it holds for: one wrong number of removed stock speaks of all of them."""
    told: dict[tuple[str, int], list[str]] = {}
    for row in pits.loc[pits["note"] != ""].itertuples():
        newest = words.newest(int(row.pit_id))  # type: ignore[arg-type]
        told.setdefault((str(row.note), newest), []).append(str(words.marks[int(row.pit_id), newest]))  # type: ignore[arg-type]
    out = []
    for (note, newest), numbers in told.items():
        more = f" and {len(numbers) - _MOST_NAMED} more" if len(numbers) > _MOST_NAMED else ""
        named = f"pit{'s' if len(numbers) > 1 else ''} {', '.join(numbers[:_MOST_NAMED])}{more}"
        out.append(f"{named} of the map{words.moment(newest)}: {note}")
    return out


def _stock_problems(stages: tuple[str, ...], removed: NDArray, sd: NDArray, system: UnitSystem) -> list[str]:
    out = []
    for k in range(1, len(stages)):
        drop = removed[k - 1] - removed[k]
        if drop > 2 * np.hypot(sd[k], sd[k - 1]) and drop > 1e-9:
            before, after = (
                f"{format_depth(removed[n], system)} {Stage(stages[n]).moment}" for n in (k - 1, k)
            )
            out.append(
                f"less stock is said to be off at a later survey: {before}, {after}; check the thickness readings"
            )
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PixelBounds:
    """Bounds on how far the first face lay under its highest plane, pixel by pixel.

    Parameters
    ----------
    grid : Grid
    lower_um, upper_um : ndarray (rows, cols) float32
        The metal lay deeper than `lower_um` and not deeper than `upper_um`; 0 and infinity where nothing is known.
    contradicts : ndarray of bool
        Cut early, uncut later.
    is_pit : ndarray of bool
        A pit in some survey: the bounds are of its floor, which says nothing of the form of the face.
    contours : tuple of (float, ndarray (N, 2))
        Cut/uncut edges: removed stock in um, places in mm.
    """

    grid: Grid
    lower_um: NDArray[np.float32]
    upper_um: NDArray[np.float32]
    contradicts: NDArray[np.bool_]
    is_pit: NDArray[np.bool_]
    contours: tuple[tuple[float, NDArray[np.float64]], ...]


def pixel_bounds(surveys: Sequence[tuple[str, RemovedStock, NDArray[np.uint8]]], grid: Grid) -> PixelBounds:
    """Bounds of every pixel from class rasters of lapped surveys.

    Parameters
    ----------
    surveys : sequence of (stage, removed, codes)
        `codes` on `grid`. Intake surveys say nothing about heights and are passed over.

    Raises
    ------
    InputError
        Codes of another size than the grid.

    Notes
    -----
    Sound metal after lapping was reached by the plane: depth <= s_k. Uncut metal and pits were not: depth > s_k.
    Where a later survey contradicts an earlier one the pixel is marked and both bounds are dropped.
    """
    x, y = grid.centres_mm()
    places = np.stack(np.broadcast_arrays(x[None, :], y[:, None]), -1)
    lower = np.zeros(grid.shape, np.float32)
    upper = np.full(grid.shape, np.inf, np.float32)
    is_pit = np.zeros(grid.shape, bool)
    contours: list[tuple[float, NDArray[np.float64]]] = []
    for stage, removed, codes in sorted(surveys, key=lambda s: Stage(s[0]).order):
        if codes.shape != grid.shape:
            raise InputError(f"pixel_bounds: codes of {stage} are {codes.shape}, the grid is {grid.shape}")
        if not Stage(stage).is_lapped:
            continue
        stock = removed.at(places).astype(np.float32)
        cut = codes == SurfaceClass.SOUND
        is_pit |= codes == SurfaceClass.PIT
        low = (codes == SurfaceClass.UNCUT) | (codes == SurfaceClass.PIT)
        upper = np.where(cut, np.minimum(upper, stock), upper)
        lower = np.where(low, np.maximum(lower, stock), lower)
        contours += _edges(codes, removed, grid)
    contradicts = lower > upper
    lower[contradicts], upper[contradicts] = 0, np.inf
    for array in (lower, upper, contradicts, is_pit):
        array.setflags(write=False)
    return PixelBounds(
        grid=grid,
        lower_um=lower,
        upper_um=upper,
        contradicts=contradicts,
        is_pit=is_pit,
        contours=tuple(contours),
    )


def _edges(
    codes: NDArray[np.uint8], removed: RemovedStock, grid: Grid
) -> list[tuple[float, NDArray[np.float64]]]:
    field = np.full(codes.shape, np.nan, np.float32)
    field[codes == SurfaceClass.SOUND] = 0.0
    field[codes == SurfaceClass.UNCUT] = 1.0
    out = []
    for line in find_contours(field, 0.5):
        line = line[np.isfinite(line).all(axis=1)]
        if len(line) < 3:
            continue
        xy = grid.px_to_mm(line[:, ::-1])
        out.append((float(removed.at(xy).mean()), xy))
    return out
