"""Words that several parts of the record share: zones, classes, stages, fates, statuses, numbers."""

from __future__ import annotations

import math
from typing import Any, Literal

from ..classes import CLASS_WORDS
from ..estimate import DEFAULT_LEVEL, Estimate
from ..units import UnitSystem, format_estimate, format_length
from .palette import CLASS_STYLES, FATE_SYMBOLS, STATUS_SYMBOLS
from .text import Translate, mark

__all__ = [
    "aim_word",
    "class_word",
    "estimate_of",
    "fate_name",
    "fate_word",
    "number",
    "proof_word",
    "quantity_word",
    "stage_word",
    "status_word",
    "unseen_scores_words",
    "zone_word",
]

_ZONES = {
    "running_surface": mark("running surface"),
    "seal_land": mark("seal land"),
    "rim": mark("rim"),
    "": mark("outside the zones"),
}
_CLASSES = {
    "sound": mark("sound"),
    "affected": mark("affected"),
    **{CLASS_WORDS[c]: style.word for c, style in CLASS_STYLES.items()},
}
_STAGES = {
    "intake": mark("intake"),
    "test_lap": mark("light test lap"),
    "final": mark("final"),
}
_FATES = {
    "gone": mark("gone"),
    "smaller": mark("smaller"),
    "same": mark("no provable change"),
    "larger": mark("larger"),
    "new": mark("new"),
    "opened_up": mark("opened up by the lap"),
    "cannot_tell": mark("cannot tell"),
}
_AIMS = {
    "pits": mark("last pit gone"),
    "sound_width": mark("sound width reached"),
    "uncut": mark("cut all over"),
}
_PROOF = {
    "yes": mark("yes"),
    "amount uncertain": mark("yes, amount uncertain"),
    "no": mark("no: within repeatability"),
}
_STATUS = {
    "pass": mark("pass"),
    "watch": mark("watch"),
    "stop": mark("stop"),
    "not judged": mark("not judged"),
}
_QUANTITIES = {
    "affected_share": mark("affected share"),
    "pit_share": mark("pitted share"),
    "uncut_share": mark("share not reached by the lap"),
    "sound_width_mm": mark("narrowest sound width"),
    "n_pits": mark("number of pits"),
    "deepest_um": mark("deepest pit"),
    "pits": mark("pits left"),
    "sound_width": mark("narrowest sound width"),
    "uncut": mark("share not reached by the lap"),
    "total_stock": mark("stock taken off this face"),
    "case_left": mark("hardened case left"),
    "thickness": mark("thickness of the plate"),
    "squeeze": mark("squeeze of the seal ring"),
    "fill": mark("fill of the ring groove"),
}


def zone_word(t: Translate, zone: str) -> str:
    """A zone as the customer reads it."""
    return t(_ZONES.get(zone, zone))


def class_word(t: Translate, word: str) -> str:
    """A class of metal, by its word in the tables, as the customer reads it."""
    return t(_CLASSES[word])


def stage_word(t: Translate, stage: Any) -> str:
    """A stage as the customer reads it."""
    name = str(stage)
    if name.startswith("lap_"):
        return t("after lap {n}", n=name.removeprefix("lap_"))
    return t(_STAGES.get(name, name))


def fate_name(t: Translate, fate: str) -> str:
    """A fate in words."""
    return t(_FATES[fate])


def fate_word(t: Translate, fate: str) -> str:
    """A fate with its symbol."""
    return f"{FATE_SYMBOLS[fate]} {fate_name(t, fate)}"


def proof_word(t: Translate, proof: str) -> str:
    """Is a change proven, as :func:`pitmap.compare.proof_of_change` has it; the page and the record give one answer."""
    return t(_PROOF[proof])


def status_word(t: Translate, status: str) -> str:
    """A status with its symbol."""
    return f"{STATUS_SYMBOLS[status]} {t(_STATUS[status])}"


def aim_word(t: Translate, aim: str) -> str:
    """What stock is to reach in a zone."""
    return t(_AIMS.get(aim, aim))


def quantity_word(t: Translate, name: str) -> str:
    """A measured quantity in words."""
    return t(_QUANTITIES.get(name, name))


def unseen_scores_words(t: Translate, photo_px_per_mm: float, units: UnitSystem) -> str:
    """What the sound width cannot tell: a score finer than a pixel of the photo, which leaks all the same."""
    return t(
        "A score finer than about {width}, one pixel of the photo, can go unseen and still cross the land: draw a "
        "fingernail over the land (common practice, no published source).",
        width=format_length(1 / photo_px_per_mm, units, digits=2 if units == "mm" else 3),
    )


def estimate_of(
    value: float, low: float, high: float, *, level: float = DEFAULT_LEVEL, reason: str = ""
) -> Estimate:
    """A column triple as an Estimate; a triple that is not in order keeps its interval and says so by none."""
    if math.isnan(value) and (math.isnan(low) or math.isnan(high)):
        return Estimate.unknown(reason or "not measured", level=level)
    if math.isnan(low) or math.isnan(high):
        return Estimate(value=value, low=math.nan, high=math.nan, level=level, reason=reason or "not given")
    return Estimate(value=value, low=min(low, value), high=max(high, value), level=level)


def number(
    t: Translate, estimate: Estimate, kind: Literal["depth", "length", "share", "percent"], units: UnitSystem
) -> str:
    """An estimate with its interval; never more digits than the interval supports."""
    if not estimate.is_known:
        return t("not known: {reason}", reason=t(estimate.reason))
    if kind == "percent":
        parts = [x / 100 for x in (estimate.value, estimate.low, estimate.high)]
        estimate = Estimate(
            value=parts[0], low=parts[1], high=parts[2], level=estimate.level, reason=estimate.reason
        )
        kind = "share"
    return format_estimate(estimate, kind, units)
