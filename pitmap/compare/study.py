"""Gage repeatability and reproducibility: how far two people's photos of the same face agree."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2, norm
from scipy.stats import f as f_distribution

from ..depth.survey import UNSEEN_MOST
from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from ..measure import Measurement
from ..tables import Column, Schema
from ..units import MM_PER_INCH, UnitSystem, in_digits

__all__ = [
    "STUDY_VALUES",
    "StudyResult",
    "StudyRun",
    "gage_anova",
    "gage_average_range",
    "must_be_crossed",
    "study",
    "study_deviations",
    "study_gaps",
    "study_heading",
    "study_sentence",
    "study_values",
]

STUDY_VALUES = Schema(
    "study_values",
    (
        Column("quantity", "object", "affected_share, n_pits or sound_width_mm"),
        Column("part", "object", "the face"),
        Column("operator", "object", "who photographed"),
        Column("trial", "int64", "which time, from 1"),
        Column("value", "float64", "what came out"),
    ),
)

_K1 = {2: 0.8862, 3: 0.5908}
_K2 = {2: 0.7071, 3: 0.5231}
_K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}
"""Constants of the average-and-range method by trials, appraisers and parts (AIAG MSA, 4th edition, 2010; those of 3 trials,
3 appraisers and 10 parts read in reprints, the others from memory, all held by a test against ranges of normal values)."""

_NDC = 1.41
"""Factor of the number of distinct categories, as the AIAG manual rounds the square root of 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRun:
    """One photo of a repeatability study, mapped: which face, who, which time, and what came out.

    The measurement alone: a whole inspection, with its rasters, takes tens of MB, and a study has dozens of photos.
    """

    part: str
    operator: str
    trial: int
    measurement: Measurement


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyResult:
    """A gage R&R table for one quantity.

    Parameters
    ----------
    method : str
        ``anova`` or ``average_range``.
    is_pooled : bool
        The interaction was not significant and was pooled into the repeatability.
    anova : pandas.DataFrame
        Index parts, operators, interaction, repeatability, total; columns ss, df, ms, f, p. Empty for the
        average-and-range method.
    components : pandas.DataFrame
        Index grr, repeatability, reproducibility, part, total; columns variance, sd, share_variance,
        share_study.
    ndc : int
        Number of distinct categories, at least 1.
    least_change : Estimate
        The smallest difference of two single measurements that proves a change at `level`; unknown where the
        method gives no degrees of freedom.
    level : float
    n_parts, n_operators, n_trials : int
    """

    method: str
    is_pooled: bool
    anova: pd.DataFrame
    components: pd.DataFrame
    ndc: int
    least_change: Estimate
    level: float
    n_parts: int
    n_operators: int
    n_trials: int


def _cube(table: pd.DataFrame) -> NDArray[np.float64]:
    """Values as (parts, operators, trials), once the study has been found to be complete."""
    need = ["part", "operator", "trial", "value"]
    missing = [c for c in need if c not in table.columns]
    if missing:
        raise InputError(f"repeatability study: columns missing: {', '.join(missing)}")
    values = table["value"].to_numpy(float)
    if not np.isfinite(values).all():
        bad = table.loc[~np.isfinite(values), ["part", "operator", "trial"]].iloc[0].tolist()
        raise InputError(
            f"repeatability study: no number for part {bad[0]}, operator {bad[1]}, trial {bad[2]}"
        )
    p, o, r = must_be_crossed(table)
    ordered = table.sort_values(["part", "operator", "trial"], kind="stable")
    return ordered["value"].to_numpy(float).reshape(p, o, r)


def must_be_crossed(table: pd.DataFrame) -> tuple[int, int, int]:
    """Refuse a study in which somebody photographed a face more often than another, before anything is mapped for it.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns ``part``, ``operator``, ``trial``.

    Returns
    -------
    (int, int, int)
        Parts, operators, trials.

    Raises
    ------
    InputError
        Not every operator has every part equally often, each time under its own number; the first such is named.
    NotEnoughData
        Fewer than 2 parts or 2 trials.
    """
    cells = table.groupby(["operator", "part"])["trial"].agg(["size", "nunique"])
    every = pd.MultiIndex.from_product([table["operator"].unique(), table["part"].unique()])
    cells = cells.reindex(every, fill_value=0)
    r = int(cells["size"].max()) if len(cells) else 0
    odd = cells.index[(cells["size"] != r) | (cells["nunique"] != r)]
    if len(odd):
        operator, part = odd[0]
        n = int(cells.loc[odd[0], "nunique"])
        raise InputError(
            "repeatability study: every operator must photograph every face the same number of times, each time under its "
            f"own trial number; operator {operator} has {n} of {r} for face {part}"
        )
    p, o = table["part"].nunique(), table["operator"].nunique()
    if p < 2 or r < 2:
        raise NotEnoughData(f"repeatability study: {p} faces, {r} times; give at least 2 faces, 2 times each")
    return p, o, r


def _components(repeat: float, reproduce: float, part: float) -> pd.DataFrame:
    names = ["grr", "repeatability", "reproducibility", "part", "total"]
    variance = np.array([repeat + reproduce, repeat, reproduce, part, repeat + reproduce + part])
    total = variance[-1] if variance[-1] > 0 else math.nan
    sd = np.sqrt(variance)
    return pd.DataFrame(
        {
            "variance": variance,
            "sd": sd,
            "share_variance": variance / total,
            "share_study": sd / math.sqrt(total),
        },
        index=pd.Index(names, name="source"),
    )


def _ndc(components: pd.DataFrame) -> int:
    grr, part = float(components["sd"]["grr"]), float(components["sd"]["part"])
    return max(1, math.floor(_NDC * part / grr)) if grr > 0 else 1


def _least_change(variance: float, terms: list[tuple[float, float, float]], level: float) -> Estimate:
    """From the gage variance, and (factor, mean square, degrees of freedom) of mean squares that add up to it.

    The interval is the modified large-sample one of Graybill and Wang, exact for a single mean square: an effective
    number of degrees of freedom for the sum (Satterthwaite) leaves the truth over its high end far too often where few
    people took part, because their mean square has two or three degrees of freedom.
    """
    if variance <= 0:
        return Estimate.unknown(
            "all repeats gave the same number; the figure is coarser than its spread", level=level
        )
    centre = sum(factor * ms for factor, ms, _ in terms)
    q_high, q_low = (1 + level) / 2, (1 - level) / 2
    below = sum((factor * ms * (1 - df / float(chi2.ppf(q_high, df)))) ** 2 for factor, ms, df in terms)
    above = sum((factor * ms * (df / float(chi2.ppf(q_low, df)) - 1)) ** 2 for factor, ms, df in terms)
    # The value counts negative components as 0 and may be pooled, the interval does neither.
    low = min(variance, centre - math.sqrt(below))
    high = max(variance, centre + math.sqrt(above))
    scale = float(norm.ppf(q_high)) * math.sqrt(2)
    value, low, high = (scale * math.sqrt(max(v, 0.0)) for v in (variance, low, high))
    return Estimate(value=value, low=low, high=high, level=level)


def gage_anova(table: pd.DataFrame, *, alpha: float = 0.05, level: float = DEFAULT_LEVEL) -> StudyResult:
    """Gage R&R by analysis of variance of a crossed study.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns ``part``, ``operator``, ``trial``, ``value``; every operator measured every part
        equally often.
    alpha : float
        The interaction is pooled into the repeatability when its p is larger.
    level : float
        Of the least provable change.

    Returns
    -------
    StudyResult
        With one operator the reproducibility is not part of the study and stands as 0.

    Raises
    ------
    InputError
        Columns or values missing, or the study is not balanced.
    NotEnoughData
        Fewer than 2 parts or 2 trials.

    Notes
    -----
    Variance components from expected mean squares; negative ones count as 0. Without pooling the
    reproducibility is that of the operators plus the interaction. The interval of the least provable change is made of
    the mean squares as they are, pooled or not: the gage variance is expected to be
    (MS_operators + (p - 1) MS_interaction + p (r - 1) MS_repeatability) / (p r), with p parts and r trials.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III section B.
    F. A. Graybill and C.-M. Wang, "Confidence intervals on nonnegative linear combinations of variances", Journal of
    the American Statistical Association 75 (1980) 869-873.
    R. K. Burdick, C. M. Borror and D. C. Montgomery, Design and Analysis of Gauge R&R Studies, SIAM 2005.
    """
    y = _cube(table)
    p, o, r = y.shape
    # Repeats that are equal leave exactly nothing once each is taken from the first of its face, and of its cell.
    z = y - y[:, :1, :1]
    within = y - y[:, :, :1]
    grand, by_part, by_operator, by_cell = z.mean(), z.mean((1, 2)), z.mean((0, 2)), z.mean(2)
    ss = {
        "parts": o * r * float(((y.mean((1, 2)) - y.mean()) ** 2).sum()),
        "operators": p * r * float(((by_operator - grand) ** 2).sum()),
        "interaction": r * float(((by_cell - by_part[:, None] - by_operator[None, :] + grand) ** 2).sum()),
        "repeatability": float(((within - within.mean(2, keepdims=True)) ** 2).sum()),
    }
    df = {
        "parts": p - 1,
        "operators": o - 1,
        "interaction": (p - 1) * (o - 1),
        "repeatability": p * o * (r - 1),
    }
    ms = {k: ss[k] / df[k] if df[k] else math.nan for k in ss}

    def f_test(top: str, bottom: str) -> tuple[float, float]:
        if not df[top] or not df[bottom] or ms[top] == ms[bottom] == 0:
            return math.nan, math.nan
        if ms[bottom] == 0:
            return math.inf, 0.0
        ratio = ms[top] / ms[bottom]
        return ratio, float(f_distribution.sf(ratio, df[top], df[bottom]))

    f = {"interaction": f_test("interaction", "repeatability")}
    below = "interaction" if df["interaction"] else "repeatability"
    f["parts"], f["operators"] = f_test("parts", below), f_test("operators", below)
    f["repeatability"] = (math.nan, math.nan)
    p_interaction = f["interaction"][1]
    is_pooled = bool(df["interaction"]) and (math.isnan(p_interaction) or p_interaction > alpha)
    if is_pooled or not df["interaction"]:
        df_error = df["interaction"] + df["repeatability"]
        error = (ss["interaction"] + ss["repeatability"]) / df_error
        interaction, base = 0.0, error
    else:
        error, base = ms["repeatability"], ms["interaction"]
        interaction = max(0.0, (ms["interaction"] - error) / r)
    operator = max(0.0, (ms["operators"] - base) / (p * r)) if df["operators"] else 0.0
    part = max(0.0, (ms["parts"] - base) / (o * r))
    terms = [(1.0, ms["repeatability"], float(df["repeatability"]))]
    if df["operators"]:
        factors = {"operators": 1 / (p * r), "interaction": (p - 1) / (p * r), "repeatability": (r - 1) / r}
        terms = [(factor, ms[k], float(df[k])) for k, factor in factors.items()]
    rows = ["parts", "operators", "interaction", "repeatability"]
    anova = pd.DataFrame(
        {
            "ss": [*(ss[k] for k in rows), sum(ss.values())],
            "df": [*(df[k] for k in rows), p * o * r - 1],
            "ms": [*(ms[k] for k in rows), math.nan],
            "f": [*(f[k][0] for k in rows), math.nan],
            "p": [*(f[k][1] for k in rows), math.nan],
        },
        index=pd.Index([*rows, "total"], name="source"),
    )
    components = _components(error, operator + interaction, part)
    return StudyResult(
        method="anova",
        is_pooled=is_pooled,
        anova=anova,
        components=components,
        ndc=_ndc(components),
        least_change=_least_change(float(components.loc["grr", "variance"]), terms, level),
        level=level,
        n_parts=p,
        n_operators=o,
        n_trials=r,
    )


def gage_average_range(table: pd.DataFrame, *, level: float = DEFAULT_LEVEL) -> StudyResult:
    """Gage R&R by averages and ranges, as it is done by hand.

    Parameters
    ----------
    table : pandas.DataFrame
        As for :func:`gage_anova`; 2 or 3 trials, 2 or 3 operators, 2 to 10 parts (the published constants).
    level : float

    Raises
    ------
    InputError
        A study outside the published constants, or not balanced.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III section B.
    """
    y = _cube(table)
    p, o, r = y.shape
    if r not in _K1 or o not in _K2 or p not in _K3:
        raise InputError(
            f"average-and-range: {p} faces, {o} people, {r} times; the published constants cover "
            "2 to 10 faces, 2 or 3 people, 2 or 3 times; use the ANOVA method"
        )
    mean_range = float((y.max(2) - y.min(2)).mean())
    by_operator, by_part = y.mean((0, 2)), y.mean((1, 2))
    repeat = mean_range * _K1[r]
    spread = (float(by_operator.max() - by_operator.min()) * _K2[o]) ** 2 - repeat**2 / (p * r)
    part = float(by_part.max() - by_part.min()) * _K3[p]
    components = _components(repeat**2, max(0.0, spread), part**2)
    value = float(norm.ppf((1 + level) / 2)) * math.sqrt(2) * float(components["sd"]["grr"])
    return StudyResult(
        method="average_range",
        is_pooled=False,
        anova=pd.DataFrame(columns=["ss", "df", "ms", "f", "p"], dtype=float),
        components=components,
        ndc=_ndc(components),
        least_change=Estimate(
            value=value, low=math.nan, high=math.nan, level=level, reason="the range method gives no interval"
        ),
        level=level,
        n_parts=p,
        n_operators=o,
        n_trials=r,
    )


def study_values(runs: Iterable[StudyRun], *, zone: str = "seal_land") -> pd.DataFrame:
    """The figures of a study's photos, one row per photo and quantity; schema :data:`STUDY_VALUES`.

    Parameters
    ----------
    runs : iterable of StudyRun
    zone : str
        Zone whose affected share and pits are counted; NaN where a photo shows nothing of it. Pits are counted where
        nearly all of it shows: a share is of what was seen, a count is of the zone.
    """
    rows: list[dict[str, Any]] = []
    for run in runs:
        m = run.measurement
        at = m.zones[(m.zones["zone"] == zone) & (m.zones["class_word"] == "affected")]
        share = float(at["share"].iat[0]) if len(at) else math.nan
        is_whole = len(at) > 0 and float(at["unseen_share"].iat[0]) <= UNSEEN_MOST
        n_pits = float(((m.marks["zone"] == zone) & (m.marks["class_word"] == "pit")).sum())
        figures = {
            "affected_share": share,
            # what does not show may have pits, too
            "n_pits": n_pits if is_whole and not math.isnan(share) else math.nan,
            "sound_width_mm": float(m.lands["sound_width_mm"].iat[0]) if len(m.lands) else math.nan,
        }
        for quantity, value in figures.items():
            key = {"part": run.part, "operator": run.operator, "trial": run.trial}
            rows.append({"quantity": quantity, **key, "value": value})
    return STUDY_VALUES.frame(rows)


def study(
    runs: Iterable[StudyRun], *, zone: str = "seal_land", alpha: float = 0.05, level: float = DEFAULT_LEVEL
) -> dict[str, StudyResult]:
    """The gage R&R table of each quantity that every photo of the study gave.

    Raises
    ------
    NotEnoughData
        No quantity was measured on every photo.
    """
    values = study_values(runs, zone=zone)
    out = {}
    for quantity, table in values.groupby("quantity", sort=True):
        if table["value"].notna().all():
            out[str(quantity)] = gage_anova(table, alpha=alpha, level=level)
    if not out:
        raise NotEnoughData(
            "repeatability study: no figure was measured on every photo; retake those that failed"
        )
    return out


def study_gaps(values: pd.DataFrame, *, system: UnitSystem = "mm") -> list[str]:
    """A sentence for each quantity that :func:`study` gives no table of, because a photo did not show it.

    Parameters
    ----------
    values : pandas.DataFrame
        As of :func:`study_values`.
    system : {"mm", "inch"}
    """
    said = []
    for quantity, table in values.groupby("quantity", sort=True):
        lacking = table[table["value"].isna()]
        if len(lacking):
            first = lacking.iloc[0]
            what = f"{100 * (1 - UNSEEN_MOST):.0f} % of the zone" if quantity == "n_pits" else "it"
            said.append(
                f"{study_heading(str(quantity), system=system)}: no table, because {len(lacking)} of {len(table)} photos "
                f"did not show {what}; retake them, first that of {first['part']} "
                f"by {first['operator']}, trial {first['trial']}."
            )
    return said


@dataclass(frozen=True, slots=True)
class _Shown:
    """How a quantity is told: its name, and the factor and unit of its table and of its sentence.

    `most` is the largest change that there can be, in the unit of the sentence.
    """

    name: str
    table_factor: float
    table_unit: str
    factor: float
    unit: str
    most: float = math.inf


def _shown(quantity: str, system: UnitSystem) -> _Shown:
    per, unit = (MM_PER_INCH, "in") if system == "inch" else (1.0, "mm")
    return {
        "affected_share": _Shown("affected share", 1.0, "parts of 1", 100.0, "percentage points", 100.0),
        "n_pits": _Shown("number of pits", 1.0, "pits", 1.0, "pits"),
        "sound_width_mm": _Shown("narrowest sound width", 1 / per, unit, 1 / per, unit),
    }.get(quantity, _Shown(quantity, 1.0, "", 1.0, ""))


def study_heading(quantity: str, *, system: UnitSystem = "mm") -> str:
    """Name of a quantity and the unit of :func:`study_deviations`.

    Parameters
    ----------
    quantity : str
        As in :func:`study_values`; any other name is printed as it is.
    system : {"mm", "inch"}
    """
    shown = _shown(quantity, system)
    return f"{shown.name}, {shown.table_unit}" if shown.table_unit else shown.name


def study_deviations(quantity: str, result: StudyResult, *, system: UnitSystem = "mm") -> pd.Series:
    """The standard deviation of each component, in the unit that :func:`study_heading` names.

    Parameters
    ----------
    quantity : str
        As in :func:`study_values`; any other is told as it was measured.
    result : StudyResult
    system : {"mm", "inch"}
    """
    return result.components["sd"] * _shown(quantity, system).table_factor


def study_sentence(quantity: str, result: StudyResult, *, system: UnitSystem = "mm") -> str:
    """How small a change this workshop's photos can prove, in one sentence.

    Parameters
    ----------
    quantity : str
        As in :func:`study_values`; any other name is printed as it is.
    result : StudyResult
    system : {"mm", "inch"}
    """
    shown = _shown(quantity, system)
    e = result.least_change
    people = "1 person" if result.n_operators == 1 else f"{result.n_operators} people"
    basis = f"{result.n_parts} faces, {people}, {result.n_trials} photos each"
    if not e.is_known:
        return f"{shown.name}: the least change that photos can prove is not known: {e.reason} ({basis})."
    # The upper end is used: a study of few photos must not promise more than it can.
    bound = (e.high if e.has_interval and math.isfinite(e.high) else e.value) * shown.factor
    if bound >= shown.most:
        return (
            f"{shown.name}: two single photos of this workshop may prove no change at all: so small a study cannot tell "
            f"({result.level:.0%} level; {basis}). Let more people take part, or take more photos each."
        )
    return (
        f"{shown.name}: two single photos of this workshop prove a change from "
        f"{f'{in_digits(bound, 2)} {shown.unit}'.strip()} on ({result.level:.0%} level; {basis})."
    )
