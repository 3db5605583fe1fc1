"""Does it need lapping at all, how much, and may it? With reasons a customer can read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from ..classes import Stage
from ..depth.survey import UNSEEN_MOST
from ..estimate import Estimate
from ..units import UnitSystem, format_depth, format_length, format_need, format_place
from .rules import Finding

__all__ = ["CAUTION", "Outcome", "Verdict", "decide"]

Outcome = Literal[
    "leave alone",
    "polish only",
    "test lap first",
    "lap",
    "beyond the limit you entered",
    "not enough readings",
    "photograph again",
]

CAUTION = (
    "Figures from photos support a decision and do not replace measuring; the engine maker's service manual and a"
    " qualified machinist have the last word."
)

_FORM_RULES = ("flatness", "wear_step", "joint_gap")
"""Rules about the form of the face: one that is broken asks for stock even without a pit."""

_UNSEEN_TOLD = 0.005

_LIGHT_LAP_UM = 10.0
"""Stock that even a light test lap takes (common practice, no published source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What to do with the face.

    Parameters
    ----------
    outcome : str
        One of :data:`Outcome`.
    stock_um : float
        Further stock advised, um; 0 for none, NaN when it cannot be said.
    is_done : bool
        Nothing that is known asks for more stock, a reading or a photo.
    headline : str
        The outcome as one sentence.
    findings : tuple of Finding
        Every rule, judged or not.
    reasons : tuple of str
        Sentences behind the outcome, most important first, the caution last.
    """

    outcome: Outcome
    stock_um: float
    is_done: bool
    headline: str
    findings: tuple[Finding, ...]
    reasons: tuple[str, ...]


def decide(
    *,
    stage: str,
    has_damage: bool,
    has_discoloration: bool,
    is_stained: bool,
    has_score: bool,
    is_uncut_unjudged: bool,
    is_film_left: bool,
    is_leaking: bool,
    unseen: Mapping[str, float],
    hidden_crossings: Sequence[tuple[float, float, float]],
    is_read_deeper: bool,
    need_um: Estimate,
    recommended_um: float,
    lacking: str,
    findings: Sequence[Finding],
    allowed_um: float = math.inf,
    is_joint: bool = False,
    read_next: str = "",
    unread: Sequence[str] = (),
    within_limit: str = "",
    unruled: str = "",
    not_counted: Sequence[str] = (),
    system: UnitSystem = "mm",
) -> Verdict:
    """Weigh the findings.

    Parameters
    ----------
    stage : str
        Of the last survey.
    has_damage : bool
        Pits, scores or uncut metal in a working zone.
    has_discoloration, is_stained : bool
        Tint or stain in a working zone; stain at all (it is polished off).
    has_score, is_uncut_unjudged : bool
        Scores in a working zone; uncut metal after a lap with no accepted share entered. Neither is in the
        stock figure, and the reasons say so.
    is_film_left : bool
        Heat colour in a working zone after a lap: not in the stock figure either, and the reasons say what it tells.
    is_leaking : bool
        Damage crosses the seal land from edge to edge.
    unseen : mapping of str to float
        Share (0..1) of each working zone that the photo does not show. What was not seen is not sound.
    hidden_crossings : sequence of (float, float, float)
        Places of the seal land where metal not seen may leave it too narrow: x, y and the least width left, mm.
    is_read_deeper : bool
        A pit reading that belongs to no pit of the map reaches under the present face.
    need_um : Estimate
        Stock that all working zones need to reach the aim.
    recommended_um : float
        Stock that reaches it at the chosen confidence; NaN when unknown.
    lacking : str
        Why the need is not known; empty when it is.
    findings : sequence of Finding
    allowed_um : float
        Stock that the limits still allow; infinite without limits.
    is_joint : bool
        The recommended stock is more than any one zone needs at that confidence, because all are to be clean at once.
    read_next : str
        Which pits to read next, in words.
    unread : sequence of str
        Which pits the stock figure takes on trust, a sentence each.
    within_limit : str
        What the stock that the limits still allow would reach, in words.
    unruled : str
        Readings that no rule judges, in words.
    not_counted : sequence of str
        What is known of the face and in none of these figures, in words; then nothing but a limit that is passed
        already can be said.
    system : {"mm", "inch"}

    Notes
    -----
    Discoloration is not an argument here: flat, sound metal of any colour never asks for stock (common practice,
    no published source). Before a test lap nothing deeper than damage is called for than the test lap itself,
    since most wear shows only after it (common practice, no published source).
    """
    findings = tuple(findings)
    broken = [f for f in findings if f.status == "stop"]
    broken_form = [f for f in broken if f.rule in _FORM_RULES]
    is_short = any(f.rule == "sound_width" for f in broken)
    stopped = [f for f in broken if f.rule not in (*_FORM_RULES, "sound_width") and not f.is_eased]
    poorly_seen = {zone: share for zone, share in unseen.items() if share > UNSEEN_MOST}
    recommended = 0.0 if math.isnan(recommended_um) else recommended_um
    # What a needle read asks for stock even where the last map shows nothing.
    asks = has_damage or is_leaking or is_short or bool(broken_form) or is_read_deeper or recommended > 0
    is_lapped = Stage(stage).is_lapped
    reasons: list[str] = []
    stock, is_done = 0.0, False
    outcome: Outcome
    if asks and (stopped or (not is_lapped and allowed_um < _LIGHT_LAP_UM)):
        outcome, stock = "beyond the limit you entered", recommended if recommended > 0 else math.nan
        if recommended > 0:
            headline = (
                f"Bringing this face back would take {format_need(recommended, system, about='about ')} more"
                f" ({_interval(need_um, system)}), which is beyond a limit you entered."
            )
        elif stopped:
            headline = "No more stock may come off: a limit you entered is passed already."
        else:
            headline = (
                f"Your limits allow {format_depth(allowed_um, system)} more, which is less than even a light test lap"
                " takes."
            )
        reasons += [f.sentence for f in stopped]
        if within_limit:
            reasons.append(within_limit)
    elif not_counted:
        outcome, stock = "not enough readings", math.nan
        headline = "What this face needs cannot be said yet: something known of it is not counted."
    elif asks and not is_lapped:
        outcome, stock = "test lap first", math.nan
        headline = "Take a light test lap first: how deep the damage goes shows only on cut metal."
        if recommended > 0:
            reasons.append(
                f"From the readings so far {format_need(recommended, system, about='about ')} in all may be needed"
                f" ({_interval(need_um, system)})."
            )
        elif lacking:
            reasons.append(_sentence(lacking))
    elif asks and lacking:
        outcome, stock = "not enough readings", math.nan
        headline = "How much must come off cannot be said yet."
        reasons.append(_sentence(lacking))
        if read_next:
            reasons.append(read_next)
    elif asks and recommended > 0:
        outcome, stock = "lap", recommended
        headline = (
            f"Lap {format_need(recommended, system, about='about ')} more ({_interval(need_um, system)})."
        )
    elif broken_form:
        outcome, stock = "not enough readings", math.nan
        headline = (
            "The form of the face is beyond a limit; measure its heights to say how much must come off."
        )
    elif is_leaking or is_short:
        outcome, stock = "not enough readings", math.nan
        what = "is crossed from edge to edge" if is_leaking else "is narrower than your limit"
        headline = f"The seal land {what}, and not by pits alone: measure how deep the damage there goes."
    elif is_uncut_unjudged:
        outcome, stock = "not enough readings", math.nan
        headline = "The lap has not reached all of the metal: enter the uncut share you accept, or read heights there."
    elif poorly_seen:
        outcome, stock = "photograph again", math.nan
        headline = "Too much of the face was not seen to say that it needs nothing: photograph it again."
    elif hidden_crossings:
        outcome, stock = "photograph again", math.nan
        headline = "The seal land was not seen right across: photograph the places named below again."
    elif lacking and is_lapped:
        # nothing on the map asks for stock, and whether the aim is reached is not known all the same
        outcome, stock = "not enough readings", math.nan
        headline = "What this face needs cannot be said yet."
        reasons.append(_sentence(lacking))
    elif asks and has_score:
        # a reading of one that is deep asks for stock by itself; the picture asks for none, and allows none either
        outcome = "polish only"
        headline = "No pit asks for more stock, but scores are left: measure how deep they are before you polish and check."
    elif asks:
        outcome, is_done, headline = "polish only", True, "The aim is reached: polish, clean and check."
    elif is_stained or is_lapped:
        outcome, is_done = "polish only", True
        headline = "No stock has to come off: polish, clean and check."
    else:
        outcome, is_done = "leave alone", True
        headline = "Leave this face alone: nothing on it asks for lapping."
    reasons += [_sentence(why) for why in not_counted]
    if not asks and has_discoloration:
        reasons.append(
            "Discoloured metal that is flat and sound seals as well as bright metal and is left alone."
        )
    if is_film_left:
        # a film is thinner than any cut
        reasons.append(
            "Metal that still shows heat colour after a lap was not cut: it lies lower than the rest, by how much the"
            " photo cannot say. Hold a straightedge over it."
        )
    if is_joint and stock > 0:
        # First, because it speaks of the figure in the headline.
        reasons.insert(
            0,
            "That is for all working zones at once: the chance that every one is clean is less than that of any one.",
        )
    if recommended > 0 and not not_counted:
        reasons += unread
    reasons += [_not_seen(zone, share) for zone, share in unseen.items() if share >= _UNSEEN_TOLD]
    reasons += [_not_seen_across(x, y, least, system) for x, y, least in hidden_crossings]
    if is_uncut_unjudged and outcome in ("lap", "beyond the limit you entered"):
        reasons.append("Uncut metal is not in this figure: no accepted share was entered.")
    if has_score:
        reasons.append(
            "Scores are not in the stock figure: a picture does not tell how deep they are; measure them."
        )
    if is_leaking:
        reasons.append("Damage crosses the seal land from edge to edge: a path for coolant.")
    reasons += [f.sentence for f in broken if f.sentence not in reasons]
    reasons += [f.sentence for f in findings if f.status == "watch"]
    unjudged = [f.rule.replace("_", " ") for f in findings if f.status == "not judged"]
    if unjudged:
        reasons.append(f"Not judged, for want of a limit or a reading: {', '.join(unjudged)}.")
    if unruled:
        reasons.append(unruled)
    return Verdict(
        outcome=outcome, stock_um=stock, is_done=is_done, headline=headline, findings=findings,
        reasons=(*reasons, CAUTION),
    )  # fmt: skip


def _not_seen(zone: str, share: float) -> str:
    return (
        f"{100 * share:.{1 if share < 0.1 else 0}f} % of the {zone.replace('_', ' ')} was not seen;"
        " what is there is in none of these figures."
    )


def _not_seen_across(x_mm: float, y_mm: float, least_mm: float, system: UnitSystem) -> str:
    left = (
        "no sound metal"
        if least_mm <= 0
        else f"as little as {format_length(least_mm, system)} of sound metal"
    )
    return (
        f"Near {format_place(x_mm, y_mm, system)} on the drawing the photo does not show the seal land right across: "
        f"{left} may be left there; photograph that place again."
    )


def _interval(e: Estimate, system: UnitSystem) -> str:
    if not e.has_interval:
        return "no interval"
    return (
        f"what is truly needed lies between {format_depth(e.low, system)} and {format_need(e.high, system)}"
        f" with {100 * e.level:.0f} % confidence"
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
