"""The order of the steps from inspections to a comparison, and nothing else."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ..drawing import Drawing
from ..errors import InputError
from ..inspection import in_order_of_work, must_be_one_face, order_problems
from ..units import UnitSystem
from .decide import Rules
from .layer import layer_of
from .pair import PairChange, compare_pair
from .repeatability import Repeatability
from .series import long_pauses, series_table, stock_over_jobs, survey_table
from .step import Step
from .tracks import follow
from .zones import Zones

__all__ = ["Comparison", "compare"]

_MAX_PX_PER_MM = 8.0
"""A mark of 0.4 mm is three pixels across; finer rasters cost time and decide nothing (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """What changed over two or more surveys of one face.

    Parameters
    ----------
    face, drawing_name : str
    surveys : pandas.DataFrame
        Schema :data:`SURVEYS`, in order of time.
    pairs : tuple of PairChange
        Each survey with the next one.
    overall : PairChange
        The first survey with the last one.
    series : pandas.DataFrame
        Schema :data:`SERIES`.
    tracks : pandas.DataFrame
        Schema :data:`TRACKS`.
    problems : tuple of str
        What makes the comparison as a whole doubtful: dates that contradict the stages, half a year within one job.
    repeatability : Repeatability
    rules : Rules
    """

    face: str
    drawing_name: str
    surveys: pd.DataFrame
    pairs: tuple[PairChange, ...]
    overall: PairChange
    series: pd.DataFrame
    tracks: pd.DataFrame
    problems: tuple[str, ...]
    repeatability: Repeatability
    rules: Rules


def compare(
    inspections: Sequence[Any],
    drawing: Drawing,
    *,
    alignment_error_mm: float | None = None,
    repeatability: Repeatability | None = None,
    rules: Rules | None = None,
    system: UnitSystem = "mm",
) -> Comparison:
    """Compare two or more surveys of one face.

    Parameters
    ----------
    inspections : sequence of pitmap.inspection.Inspection
        At least two, of one face; put in order by :func:`pitmap.inspection.in_order_of_work`.
    drawing : Drawing
        The drawing that all of them were laid on.
    alignment_error_mm : float or None
        Error of one survey's place on the drawing, mm; None takes it from the alignments.
    repeatability : Repeatability or None
        How much two photos of the same metal differ; None for the stated house values.
    rules : Rules or None
    system : {"mm", "inch"}
        Units of the reasons.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Fewer than two inspections, or of different faces or drawings.
    """
    if len(inspections) < 2:
        raise InputError(f"compare: expected two or more inspections of one face, got {len(inspections)}")
    must_be_one_face(inspections, "compare")
    if alignment_error_mm is not None and not alignment_error_mm > 0:
        raise InputError(f"alignment_error_mm: expected a number above 0, got {alignment_error_mm!r}")
    repeatability, rules = repeatability or Repeatability(), rules or Rules()
    surveys = in_order_of_work(inspections)
    grids = [i.class_map.grid for i in surveys]
    grid = min(grids, key=lambda g: g.px_per_mm)
    if grid.px_per_mm > _MAX_PX_PER_MM:
        grid = grid.at_scale(_MAX_PX_PER_MM)
    zones = Zones.of(drawing, grid)
    options: dict[str, Any] = {
        "alignment_error_mm": alignment_error_mm,
        "repeatability": repeatability,
        "rules": rules,
        "system": system,
    }
    layers = [layer_of(k, i, grid, zones.codes, rules) for k, i in enumerate(surveys, 1)]
    pairs, groups = [], []
    for k in range(1, len(layers)):
        step = Step.between(surveys[k - 1], surveys[k])
        pair, layers[k], group = compare_pair(layers[k - 1], layers[k], zones, step=step, **options)
        pairs.append(pair)
        groups.append(group)
    tracks, fates = follow(
        layers,
        pairs,
        groups,
        stock_over_jobs(surveys),
        zones.names,
        repeatability=repeatability,
        rules=rules,
    )
    pairs = [dataclasses.replace(p, fates=f) for p, f in zip(pairs, fates, strict=True)]
    overall = pairs[0]
    if len(layers) > 2:
        overall, _, _ = compare_pair(layers[0], layers[-1], zones, step=Step.over(surveys), **options)
    return Comparison(
        face=str(surveys[0].face),
        drawing_name=str(surveys[0].drawing_name),
        surveys=survey_table(surveys),
        pairs=tuple(pairs),
        overall=overall,
        series=series_table(layers, tracks, zones.names),
        tracks=tracks,
        problems=(*order_problems(surveys), *long_pauses(surveys)),
        repeatability=repeatability,
        rules=rules,
    )
