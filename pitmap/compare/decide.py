"""The fate of each mark, by rules that would rather say "cannot tell" than be wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from ..classes import CLASS_WORDS, SurfaceClass
from ..depth.gone import (
    GONE_BELOW_MM,
    SOUND_QUANTILE,
    SOUND_SHARE,
    SURE_DIAM_MM,
    shown_mm,
    too_weak_to_go,
    width_words,
)
from ..errors import InputError
from ..flags import Flag
from ..grid import Grid
from ..photo import PhotoLimits
from ..units import UnitSystem
from .fates import FATES, Fate
from .layer import Layer
from .marks import Marks
from .matching import Groups
from .repeatability import Repeatability
from .step import Step

__all__ = ["Place", "Rules", "decide_fates", "judge_gone", "judge_stayed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Where the lines are drawn (house choices; each is tested on simulated series with truth).

    Parameters
    ----------
    min_diam_mm : float
        Specks below are no marks.
    sure_diam_mm : float
        Smaller marks that only one survey shows are "cannot tell".
    gone_below_mm : float
        "Gone" means that no hole as wide as this is left, or as the later photo can show, if that is wider.
    n_resolved_px : float
        Photo pixels that a hole must span to be shown, as the photo's gate counts them.
    sure_confidence : float
        Mean confidence from which a mark that only the later survey shows is believed.
    sound_quantile : float
        A place is surely sound when nowhere in it the confidence falls under this quantile of all metal
        that the survey calls sound (a map's own scale: classifiers differ in how sure they claim to be).
    sound_share : float
        Least share of the place that must read sound for "gone", as for the lap bounds.
    unseen_share : float
        Share of a place hidden in one survey from which nothing is said about it.
    pit_probability : float
        Where the class map kept its probabilities: a place with this much "pit" anywhere is not gone.
    dark_sd : float
        Where the survey kept its straightened photo: a place is not surely sound when any spot of it is darker
        than the sound metal about it by this many standard deviations of that metal.
    mark_level : float
        Level of the interval of one mark's change in area; high, because many marks are looked at.
    misread_diam_mm : float
        No photo misses or invents more of a mark than a disc of this diameter.
    level : float
        Level of every other interval.
    """

    min_diam_mm: float = 0.3
    sure_diam_mm: float = SURE_DIAM_MM
    gone_below_mm: float = GONE_BELOW_MM
    n_resolved_px: float = PhotoLimits().n_resolved_px
    sure_confidence: float = 0.7
    sound_quantile: float = SOUND_QUANTILE
    sound_share: float = SOUND_SHARE
    unseen_share: float = 0.1
    pit_probability: float = 0.3
    dark_sd: float = 2.0
    mark_level: float = 0.95
    misread_diam_mm: float = 1.5
    level: float = 0.90

    def __post_init__(self) -> None:
        for name in (
            "sure_confidence",
            "sound_share",
            "unseen_share",
            "pit_probability",
            "level",
        ):
            if not 0 < getattr(self, name) < 1:
                raise InputError(
                    f"Rules.{name}: expected a number between 0 and 1, got {getattr(self, name)!r}"
                )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """What one survey shows at the places of the other's marks; arrays (N,) over those marks.

    ``shown_mm`` is the width from which a hole shows in this survey, rounded up to 0.1 mm.
    """

    seen: NDArray[np.float64]
    sound: NDArray[np.float64]
    is_sure: NDArray[np.bool_]
    covered: NDArray[np.float64]
    pit_probability: NDArray[np.float64]
    is_dark: NDArray[np.bool_]
    shown_mm: float

    @classmethod
    def of(cls, marks: Marks, other: Layer, rules: Rules, grid: Grid | None = None) -> Place:
        """What `other` shows over the pixels of each mark of another survey; its photo too where `grid` is given."""
        n = len(marks)
        pixels, at = marks.pixels, marks.owner
        there = other.codes.ravel()[pixels]
        size = np.maximum(1, np.bincount(at, minlength=n))

        def share(test: NDArray[np.bool_]) -> NDArray[np.float64]:
            return np.bincount(at[test], minlength=n) / size

        is_sound = there == SurfaceClass.SOUND
        is_sure = np.ones(n, bool)
        if other.confidence is not None:
            is_sure[at[is_sound & (other.confidence.ravel()[pixels] < other.sound_floor)]] = False
        top = np.zeros(n)
        if other.pit is not None:
            np.maximum.at(top, at, other.pit.ravel()[pixels].astype(float))
        return cls(
            seen=share((there != SurfaceClass.UNSEEN) & (there != SurfaceClass.OUTSIDE)),
            sound=share(is_sound),
            is_sure=is_sure,
            covered=share(np.isin(there, [SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT])),
            pit_probability=top,
            is_dark=np.zeros(n, bool) if grid is None else _is_dark(marks, other, grid, rules.dark_sd),
            shown_mm=shown_mm(
                getattr(other.inspection, "photo_px_per_mm", math.inf),
                gone_below_mm=rules.gone_below_mm,
                n_resolved_px=rules.n_resolved_px,
            ),
        )


def _is_dark(marks: Marks, other: Layer, grid: Grid, sd: float) -> NDArray[np.bool_]:
    """Which places the photo of `other` shows darker, anywhere, than sound metal is."""
    out = np.zeros(len(marks), bool)
    if other.picture is None or other.picture_grid is None:
        return out
    target = other.picture_grid
    rows, cols = np.divmod(marks.pixels, grid.n_cols)
    place = np.round(target.mm_to_px(grid.px_to_mm(np.column_stack([cols, rows])))).astype(np.int64)
    inside = ((place >= 0) & (place < (target.n_cols, target.n_rows))).all(1)
    dark = other.picture[place[inside, 1], place[inside, 0]] < -sd
    out[marks.owner[inside][dark]] = True
    return out


def _words(code: int) -> str:
    return CLASS_WORDS[SurfaceClass(int(code))]


def judge_gone(
    code: int,
    diam: float,
    sure: float,
    i: int,
    place: Place,
    step: Step,
    rules: Rules,
    system: UnitSystem = "mm",
) -> tuple[Fate, str]:
    """A mark that only the earlier survey shows, at a place that the later one shows."""
    tell = Fate.CANNOT_TELL
    if step.is_same_visit or (step.is_cut is False and code in (SurfaceClass.PIT, SurfaceClass.UNCUT)):
        return (
            tell,
            f"no metal was cut in between, so a {_words(code)} cannot have gone; one of the two misread it",
        )
    if weak := too_weak_to_go(diam, sure, place.shown_mm, sure_diam_mm=rules.sure_diam_mm, system=system):
        return tell, weak
    if place.covered[i] > 1 - rules.sound_share:
        return tell, "the later survey shows stain, tint or uncut metal here, which may hide it"
    if place.sound[i] < rules.sound_share:
        return tell, "the place does not read clearly sound"
    if not place.is_sure[i]:
        return tell, "sound by a close call only"
    if place.pit_probability[i] > rules.pit_probability:
        return tell, "part of the place may still be a pit"
    if place.is_dark[i]:
        return tell, "the photo still shows a dark spot here"
    shown = width_words(place.shown_mm, system)
    return Fate.GONE, f"the place reads sound: no hole of {shown} or more is left"


def _came(
    code: int, diam: float, sure: float, i: int, place: Place, step: Step, rules: Rules, system: UnitSystem
) -> tuple[Fate, str]:
    """A mark that only the later survey shows, at a place that the earlier one shows."""
    if step.is_same_visit:
        return Fate.CANNOT_TELL, "shown by one of two photos of the same face"
    if diam < rules.sure_diam_mm:
        sure_width = width_words(rules.sure_diam_mm, system)
        return Fate.CANNOT_TELL, f"under {sure_width}: it may have been missed before"
    if sure < rules.sure_confidence:
        return Fate.CANNOT_TELL, "the later survey is not sure of this mark"
    if step.is_cut:
        under = "scale, stain or old finish" if place.covered[i] > 0.25 else "metal that read sound"
        return Fate.OPENED_UP, f"opened up by the cut from under {under}"
    if step.is_cut is None:
        return Fate.CANNOT_TELL, "the surveys do not say whether metal was cut in between"
    if place.covered[i] > 0.25:
        return (
            Fate.CANNOT_TELL,
            "the earlier survey shows stain, tint or uncut metal here, which may have hidden it",
        )
    if not place.is_sure[i]:
        return Fate.CANNOT_TELL, "the earlier survey was not sure that this place was sound"
    return Fate.NEW, "sound at the last survey, and no metal was cut since"


def judge_stayed(
    change: float, sd: float, z: float, seen: tuple[float, float], rules: Rules
) -> tuple[Fate, str]:
    """A mark that both surveys show."""
    bound = z * sd
    partly = seen[0] < 1 - rules.unseen_share, seen[1] < 1 - rules.unseen_share
    if any(partly):
        # A size cut off by unseen metal is a lower bound: it can prove growth, never shrinkage.
        if partly == (False, True) and change > bound:
            return Fate.LARGER, "larger, though part of it is not seen in the later survey"
        return Fate.CANNOT_TELL, "part of it is not seen in one of the two surveys"
    if abs(change) <= bound:
        return Fate.SAME, "no change beyond repeatability"
    return (Fate.LARGER, "area grew") if change > 0 else (Fate.SMALLER, "area fell")


_KIND = {(True, True): "one", (True, False): "split", (False, True): "merge", (False, False): "many"}


def decide_fates(
    before: Marks,
    after: Marks,
    groups: Groups,
    place_after: Place,
    place_before: Place,
    step: Step,
    repeatability: Repeatability,
    rules: Rules,
    zone_names: tuple[str, ...],
    system: UnitSystem = "mm",
) -> pd.DataFrame:
    """One row per mark of the earlier survey and per mark that only the later one shows.

    Parameters
    ----------
    before, after : Marks
    groups : Groups
    place_after, place_before : Place
        The later survey at the places of `before`, and the earlier one at the places of `after`.
    step : Step
    repeatability : Repeatability
    rules : Rules
    zone_names : tuple of str
        Names behind the values 1.. of the zone raster.
    system : {"mm", "inch"}
        Units of the reasons.

    Returns
    -------
    pandas.DataFrame
        Schema :data:`pitmap.compare.FATES`.
    """
    z = float(norm.ppf((1 + rules.mark_level) / 2))
    in_b: list[list[int]] = [[] for _ in range(groups.n_groups)]
    in_a: list[list[int]] = [[] for _ in range(groups.n_groups)]
    for k, g in enumerate(groups.before):
        in_b[g].append(k)
    for k, g in enumerate(groups.after):
        in_a[g].append(k)
    names = ("", *zone_names)
    rows: list[dict[str, Any]] = []
    for marks, is_before in ((before, True), (after, False)):
        for k in range(len(marks)):
            g = int((groups.before if is_before else groups.after)[k])
            mine, others = in_b[g], in_a[g]
            if not is_before and mine:
                continue
            code, diam = int(marks.class_code[k]), float(marks.eq_diam_mm[k])
            a, b = float(before.area_mm2[mine].sum()), float(after.area_mm2[others].sum())
            edges = [float(m.perimeter_mm[at].sum()) for m, at in ((before, mine), (after, others)) if at]
            edge = sum(edges) / len(edges)
            sd = repeatability.area_sd_mm2(edge)
            seen = (1.0, float(place_after.seen[k])) if is_before else (float(place_before.seen[k]), 1.0)
            if mine and others:
                back = float(np.average(place_before.seen[others], weights=after.area_mm2[others]))
                ahead = float(np.average(place_after.seen[mine], weights=before.area_mm2[mine]))
                seen = (back, ahead)
                kind = (
                    _KIND[len(mine) == 1, len(others) == 1] if (len(mine), len(others)) != (1, 1) else "one"
                )
                fate, why = judge_stayed(b - a, sd, z, seen, rules)
            elif min(seen) < 1 - rules.unseen_share:
                kind = "only_before" if is_before else "only_after"
                # what a survey does not show is no mark of 0 mm2
                a, b = (a, math.nan) if is_before else (math.nan, b)
                fate, why = (
                    Fate.CANNOT_TELL,
                    f"the {'later' if is_before else 'earlier'} survey does not show the place",
                )
            else:
                kind = "only_before" if is_before else "only_after"
                place, judge = (place_after, judge_gone) if is_before else (place_before, _came)
                fate, why = judge(code, diam, float(marks.confidence[k]), k, place, step, rules, system)
            flags = int(marks.flags[k])
            if fate is Fate.CANNOT_TELL and min(seen) < 1 - rules.unseen_share:
                flags |= int(Flag.TOUCHES_UNSEEN)
            if kind == "only_before" and step.is_cut is False and code == SurfaceClass.PIT:
                flags |= int(Flag.CONTRADICTION)
            ids = [int(after.mark_id[j]) for j in others]
            rows.append(
                {
                    "fate_id": len(rows) + 1,
                    "group_id": g,
                    "kind": kind,
                    "class_code": code,
                    "class_word": _words(code),
                    "zone": names[int(marks.zone[k])] if int(marks.zone[k]) < len(names) else "",
                    "x_mm": float(marks.xy_mm[k, 0]),
                    "y_mm": float(marks.xy_mm[k, 1]),
                    "mark_before": int(marks.mark_id[k]) if is_before else -1,
                    "marks_after": " ".join(str(i) for i in ids if i >= 0),
                    "area_before_mm2": a,
                    "area_after_mm2": b,
                    "change_mm2": b - a,
                    "change_low_mm2": b - a - z * sd,
                    "change_high_mm2": b - a + z * sd,
                    "eq_diam_mm": diam,
                    "perimeter_mm": edge,
                    "seen_before": seen[0],
                    "seen_after": seen[1],
                    "fate": str(fate),
                    "why": why,
                    "flags": flags,
                }
            )
    return FATES.frame(rows)
