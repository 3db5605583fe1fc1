"""Does it need lapping at all, how much, and may it? With reasons a customer can read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..classes import Stage
from ..estimate import Estimate
from ..units import UnitSystem, format_depth
from .rules import Finding

__all__ = ["CAUTION", "Outcome", "Verdict", "decide"]

Outcome = Literal[
    "leave alone",
    "polish only",
    "test lap first",
    "lap",
    "beyond the limit you entered",
    "not enough readings",
]

CAUTION = (
    "Figures from photos support a decision and do not replace measuring; the engine maker's service manual and a"
    " qualified machinist have the last word."
)

_FORM_RULES = ("flatness", "wear_step", "joint_gap")
"""Rules about the form of the face: one that is broken asks for stock even without a pit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What to do with the face.

    Parameters
    ----------
    outcome : str
        One of :data:`Outcome`.
    stock_um : float
        Further stock advised, um; 0 for none, NaN when it cannot be said.
    headline : str
        The outcome as one sentence.
    findings : tuple of Finding
        Every rule, judged or not.
    reasons : tuple of str
        Sentences behind the outcome, most important first, the caution last.
    """

    outcome: Outcome
    stock_um: float
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
    need_um: Estimate,
    recommended_um: float,
    lacking: str,
    findings: Sequence[Finding],
    read_next: str = "",
    within_limit: str = "",
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
    need_um : Estimate
        Stock that all working zones need to reach the aim.
    recommended_um : float
        Stock that reaches it at the chosen confidence; NaN when unknown.
    lacking : str
        Why the need is not known; empty when it is.
    findings : sequence of Finding
    read_next : str
        Which pits to read next, in words.
    within_limit : str
        What the stock that the limits still allow would reach, in words.
    system : {"mm", "inch"}

    Notes
    -----
    Discoloration is not an argument here: flat, sound metal of any colour never asks for stock (common practice,
    no published source). Before a test lap nothing deeper than damage is called for than the test lap itself,
    since most wear shows only after it (common practice, no published source).
    """
    findings = tuple(findings)
    broken_form = [f for f in findings if f.rule in _FORM_RULES and f.status == "stop"]
    stopped = [
        f for f in findings if f.rule not in _FORM_RULES and f.rule != "sound_width" and f.status == "stop"
    ]
    asks = has_damage or bool(broken_form)
    reasons: list[str] = []
    stock = 0.0
    outcome: Outcome
    if not asks:
        outcome = "polish only" if is_stained or Stage(stage).is_lapped else "leave alone"
        headline = {
            "polish only": "No stock has to come off: polish, clean and check.",
            "leave alone": "Leave this face alone: nothing on it asks for lapping.",
        }[outcome]
        if has_discoloration:
            reasons.append(
                "Discoloured metal that is flat and sound seals as well as bright metal and is left alone."
            )
    elif stopped and not math.isnan(recommended_um):
        outcome, stock = "beyond the limit you entered", recommended_um
        headline = (
            f"Bringing this face back would take about {format_depth(recommended_um, system)} more, which is beyond"
            " a limit you entered."
        )
        reasons += [f.sentence for f in stopped]
        if within_limit:
            reasons.append(within_limit)
    elif not Stage(stage).is_lapped:
        outcome, stock = "test lap first", math.nan
        headline = "Take a light test lap first: how deep the damage goes shows only on cut metal."
        if not math.isnan(recommended_um) and recommended_um > 0:
            reasons.append(
                f"From the readings so far about {format_depth(recommended_um, system)} in all may be needed"
                f" ({_interval(need_um, system)})."
            )
        elif lacking:
            reasons.append(_sentence(lacking))
    elif lacking:
        outcome, stock = "not enough readings", math.nan
        headline = "How much must come off cannot be said yet."
        reasons.append(_sentence(lacking))
        if read_next:
            reasons.append(read_next)
    elif recommended_um > 0:
        outcome, stock = "lap", recommended_um
        headline = f"Lap about {format_depth(recommended_um, system)} more ({_interval(need_um, system)})."
    elif broken_form:
        outcome, stock = "not enough readings", math.nan
        headline = (
            "The form of the face is beyond a limit; measure its heights to say how much must come off."
        )
    elif is_uncut_unjudged:
        outcome, stock = "not enough readings", math.nan
        headline = "The lap has not reached all of the metal: enter the uncut share you accept, or read heights there."
    else:
        outcome, headline = "polish only", "The aim is reached: polish, clean and check."
    if is_uncut_unjudged and outcome in ("lap", "beyond the limit you entered"):
        reasons.append("Uncut metal is not in this figure: no accepted share was entered.")
    if has_score:
        reasons.append(
            "Scores are not in the stock figure: a picture does not tell how deep they are; measure them."
        )
    reasons += [f.sentence for f in broken_form if f.sentence not in reasons]
    reasons += [f.sentence for f in findings if f.status == "watch"]
    unjudged = [f.rule.replace("_", " ") for f in findings if f.status == "not judged"]
    if unjudged:
        reasons.append(f"Not judged, for want of a limit or a reading: {', '.join(unjudged)}.")
    return Verdict(
        outcome=outcome, stock_um=stock, headline=headline, findings=findings, reasons=(*reasons, CAUTION)
    )


def _interval(e: Estimate, system: UnitSystem) -> str:
    if not e.has_interval:
        return "no interval"
    return (
        f"what is truly needed lies between {format_depth(e.low, system)} and {format_depth(e.high, system)}"
        f" with {100 * e.level:.0f} % confidence"
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
