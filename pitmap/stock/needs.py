"""What the working zones of a face need: the draws of every pit's depth turned into stock, zone by zone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..depth import DepthModel, FaceSurvey, LapBounds
from ..depth.pit_model import MAX_RATIO
from ..depth.survey import UNSEEN_MOST
from ..estimate import Estimate
from ..tables import Column, Schema
from ..units import UnitSystem, format_depth, format_estimate, format_length
from .budget import BudgetLine, past_the_case_um
from .curves import DrawnNeed, Needed, pits_left, width_draws
from .sound import SoundWidth, disc_sound_width

__all__ = [
    "STEPS",
    "face_need",
    "left_um",
    "step_rows",
    "unseen_words",
    "uses_words",
    "why_not",
    "width_doubt",
    "width_function",
    "within_limit_words",
]

STEPS = Schema(
    "steps",
    (
        Column("zone", "object", "working zone"),
        Column("from_um", "float64", "further stock before this step"),
        Column("to_um", "float64", "after it"),
        Column("pits_cleared", "float64", "pits that the step is expected to clear"),
        Column("pits_left", "float64", "pits expected to be left after it"),
        Column("p_clean_before", "float64", "chance that no pit is left before it"),
        Column("p_clean_after", "float64", "after it"),
        Column("sound_width_gain_mm", "float64", "median gain of sound width; NaN off the land"),
        Column("uses", "object", "what the step uses up of each budget"),
    ),
)

_STEP_UM = 10.0
_MAX_STEPS = 30
_N_STEP_DRAWS = 12


def left_um(
    model: DepthModel | None, bounds: LapBounds, last: FaceSurvey, n_draws: int
) -> NDArray[np.float32]:
    """Depth of every pit under the present face (draws, pits), um; negative when it is gone.

    The draws carry the error of the removed stock that belongs to them, so a step that cut more than was measured
    leaves shallower pits. A pit that the last survey saw is there in every draw, one that a lap cleared in none: stock
    that came off later cannot have put it back.
    """
    if model is None:
        return np.empty((n_draws, 0), np.float32)
    xy = bounds.pits[["x_mm", "y_mm"]].to_numpy(float)
    now = last.removed.at(xy)[None, :] + model.stock_error_um[:, -1:]
    left = (model.draws_um - now).astype(np.float32)
    left[:, model.is_bounded] = np.minimum(left[:, model.is_bounded], 0.0)
    return left


def why_not(
    left: NDArray,
    deepest_um: NDArray,
    lacking: str,
    is_known: NDArray[np.bool_],
    level: float,
    system: UnitSystem,
) -> str:
    """Why the stock of a zone cannot be said; empty when it can.

    Parameters
    ----------
    left : ndarray (draws, pits)
        Depths under the present face.
    deepest_um : ndarray (draws,)
        Deepest pit under the first face.
    lacking : str
        What the depth model as a whole lacks.
    is_known : ndarray of bool
        Pits whose depth is known from both sides.
    level : float
    system : {"mm", "inch"}
    """
    if not left.shape[1] or not (left.max(axis=1) > 0).any():
        return ""
    if is_known.all():
        return ""
    if lacking:
        return lacking
    tail = (1 - level) / 2
    low, high = np.quantile(deepest_um, [tail, 1 - tail])
    if high > MAX_RATIO * low:
        return (
            f"not enough readings: the deepest pit could be anything from {format_depth(low, system)} to"
            f" {format_depth(high, system)}"
        )
    return ""


def width_function(
    zone: str,
    pits: pd.DataFrame,
    surveys: Sequence[FaceSurvey],
    make: Callable[[pd.DataFrame], SoundWidth] | None,
) -> SoundWidth | None:
    """Sound width as a function of the land's pits that are left; None off the land or without its width."""
    if zone != "seal_land":
        return None
    if make is not None:
        return make(pits)
    nominal = [s.lands["nominal_width_mm"].min() for s in surveys if s.lands is not None and len(s.lands)]
    if not nominal or not math.isfinite(nominal[-1]):
        return None
    return disc_sound_width(pits, float(nominal[-1]))


def width_doubt(width: SoundWidth, left: NDArray, now_mm: Estimate, system: UnitSystem) -> str:
    """Why the pits as discs do not say what widens the land; empty where they agree with the measured width.

    What the discs leave at no removal lies over the measured interval where something else blocks the land: long or
    ragged pits, scores, uncut metal. Which pits lie on that crossing the discs cannot tell, so no removal can be said to
    widen it.
    """
    if not now_mm.has_interval:
        return ""
    discs = float(np.median(width_draws(left, width, np.zeros(1))))
    if discs <= now_mm.high:
        return ""
    return (
        f"the map measures {format_estimate(now_mm, 'length', system)} of sound metal, the pits taken as round spots"
        f" would leave {format_length(discs, system)}: long or ragged damage blocks the land, and how much of it a"
        " removal opens is not known; aim at the last pit, or lap a step and measure again"
    )


def step_rows(
    zone: str,
    left: NDArray,
    with_free: NDArray,
    top_um: float,
    width: SoundWidth | None,
    now_mm: Estimate,
    uses: str,
) -> pd.DataFrame:
    """What each further 10 um buys in one zone, up to `top_um` and at most thirty steps.

    `with_free` are the pits of `left` and the readings that belong to no one of them, as in
    :func:`~pitmap.stock.curves.pit_curve`, and `now_mm` is the sound width measured on the face as it is.
    """
    n = min(_MAX_STEPS, max(1, math.ceil(top_um / _STEP_UM)))
    levels = np.arange(n + 1) * _STEP_UM
    count = np.array([pits_left(left, with_free, level).mean() for level in levels])
    clean = np.array([(with_free <= level).all(axis=1).mean() for level in levels])
    widths = (
        np.full(n + 1, np.nan)
        if width is None
        else np.median(
            width_draws(left[:: max(1, len(left) // _N_STEP_DRAWS)], width, levels, now_mm), axis=0
        )
    )
    return STEPS.frame(
        {
            "zone": zone, "from_um": levels[i], "to_um": levels[i + 1], "pits_cleared": count[i] - count[i + 1],
            "pits_left": count[i + 1], "p_clean_before": clean[i], "p_clean_after": clean[i + 1],
            "sound_width_gain_mm": widths[i + 1] - widths[i], "uses": uses,
        }
        for i in range(n)
    )  # fmt: skip


def within_limit_words(
    zones: Sequence[tuple[str, NDArray, NDArray, SoundWidth | None]],
    allowed_um: float,
    width_now_mm: Estimate,
    system: UnitSystem,
    *,
    is_most: bool,
) -> str:
    """What the stock that is still allowed would reach, zone by zone; empty without a limit.

    `zones` are their names, depths of their pits, the same with the readings that belong to no pit, and sound widths.
    `is_most` tells that less may be allowed, for what earlier work took off is open.
    As in :func:`~pitmap.stock.curves.width_curve` the sound width without further stock is the measured one, and no
    removal leaves less than that.
    """
    if not math.isfinite(allowed_um):
        return ""
    parts = []
    for zone, left, with_free, width in zones:
        count = pits_left(left, with_free, allowed_um)
        part = f"{zone.replace('_', ' ')} about {count.mean():.1f} pits left"
        if width is not None:
            narrowest = width_now_mm.value if width_now_mm.has_interval else math.nan
            if allowed_um > 0 or math.isnan(narrowest):
                modelled = float(np.median(width_draws(left, width, np.array([allowed_um]), width_now_mm)))
                narrowest = float(np.fmax(modelled, narrowest))
            part += f" and {format_length(narrowest, system)} of sound width"
        parts.append(part)
    if not parts:
        return ""
    allowed = format_depth(allowed_um, system)
    if is_most and allowed != format_depth(0.0, system):
        allowed = f"at most {allowed}"
    return f"Your limits allow {allowed} more; that would reach: {'; '.join(parts)}."


def uses_words(budget: Sequence[BudgetLine], system: UnitSystem) -> str:
    """What each further 10 um takes from every budget, in words."""
    parts, step = [], format_depth(10.0, system)
    for line in budget:
        # of what is left nothing is known while earlier rebuilds are not, or are in doubt
        is_open = bool(line.doubt) or line.is_history_open
        spare = line.limit - line.now.value if not line.is_minimum else line.now.value - line.limit
        if line.name == "total_stock":
            is_shown = math.isfinite(spare) and (not is_open or (spare <= 0 and not line.doubt))
            left = (
                f" of {format_depth(spare, system)} allowed"
                if spare > 0
                else ", of which none is allowed any more"
            )
            parts.append(f"{step} of stock{left if is_shown else ''}")
        elif line.name == "case_left" and past_the_case_um(line, line.now) and not line.doubt:
            parts.append(f"{step} under the case, which is gone")
        elif line.name == "case_left":
            of = "" if is_open else f"{format_depth(line.now.value, system)} "
            parts.append(f"{step} of {of}case")
        elif line.name == "thickness":
            parts.append(f"{step} of thickness")
        else:
            parts.append(f"{line.per_10_um:+.2f} points of {line.name}")
    return "; ".join(parts)


def unseen_words(needs: Sequence[Needed], unseen: Mapping[str, float]) -> tuple[str, ...]:
    """Of which zones the stock that is needed is that of a part, for the rest was not seen; a sentence for each.

    Parameters
    ----------
    needs : sequence of Needed
    unseen : mapping of str to float
        Share of each zone that was not seen, 0 to 1.
    """
    known = dict.fromkeys(n.zone for n in needs if n.stock_um.is_known)
    return tuple(
        f"{zone.replace('_', ' ').capitalize()}: {100 * unseen[zone]:.0f} % of it was not seen. Stock needed, pits left and "
        "the chance that it is clean are of the rest alone; where it was not seen it may need more."
        for zone in known
        if unseen.get(zone, 0.0) > UNSEEN_MOST
    )


def face_need(goals: Sequence[DrawnNeed], confidence: float, level: float) -> tuple[float, Estimate, str]:
    """Recommended stock, true need and what is lacking for the face as a whole.

    Draw by draw the zone that needs most decides, so that the recommended stock is enough for all zones together
    at the wanted confidence.
    """
    for goal in goals:
        if not goal.needed.stock_um.is_known:
            zone = goal.needed.zone.replace("_", " ")
            return math.nan, goal.needed.stock_um, f"{zone}: {goal.needed.stock_um.reason}"
    if not goals:
        return 0.0, Estimate(value=0.0, low=0.0, high=0.0, level=level), ""
    n = max(len(g.draws_um) for g in goals)
    # Shorter tables of draws are spread evenly through the same joint draws; each is held in its place.
    most = np.max([g.draws_um[np.arange(n) * len(g.draws_um) // n] for g in goals], axis=0)
    face = DrawnNeed.of("face", "all", most, confidence, level).needed
    return face.recommended_um, face.stock_um, ""
