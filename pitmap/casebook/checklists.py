"""What is to be done at each step of a job, with the cautions of the trade where they apply.

The steps and items are common practice in the trade, with no published source.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CHECKLISTS", "STEPS", "CheckTemplate"]


@dataclass(frozen=True, slots=True)
class CheckTemplate:
    """One item: what to do, and the caution shown with it (empty for none)."""

    text: str
    caution: str = ""


_CLEANER = (
    "Solvents, acid and alkaline cleaners need ventilation and gloves, as their safety data sheets and local "
    "rules say."
)
_DUST = "Lapping slurry and dry abrasive dust need eye and breathing protection."
_HEAVY = "Plates are heavy and have sharp edges."
_RUST = "Cleaned iron rusts within minutes, so oil it."

CHECKLISTS: dict[str, tuple[CheckTemplate, ...]] = {
    "intake": (
        CheckTemplate("Tag the plate", _HEAVY),
        CheckTemplate("Ask for its history: earlier lapping, reshaped ports, studs, dowels"),
        CheckTemplate("Photograph the face as it came"),
        CheckTemplate("Measure the thickness at named spots"),
    ),
    "clean": (
        CheckTemplate("Strip and clean the face", _CLEANER),
        CheckTemplate("Photograph the clean face"),
        CheckTemplate("Oil the face", _RUST),
    ),
    "lap": (
        CheckTemplate("Measure the thickness before the cut"),
        CheckTemplate("Lap", _DUST),
        CheckTemplate("Wash off every trace of abrasive", _CLEANER),
        CheckTemplate("Measure the thickness after the cut"),
        CheckTemplate("Photograph the face"),
        CheckTemplate("Read the depth of the marks that are left"),
        CheckTemplate("Oil the face", _RUST),
    ),
    "finish": (
        CheckTemplate("Polish the running surface by hand with wet paper, 800 to 1000 grit", _DUST),
        CheckTemplate(
            "Clean everything, oil passages included, until a clean glove stays clean",
            "Bad cleaning ruins more lapped engines than lapping does.",
        ),
        CheckTemplate("Take the final photos and readings"),
        CheckTemplate("Oil the face", _RUST),
    ),
    "release": (
        CheckTemplate(
            "Compare the figures with the engine maker's service manual",
            "Figures from photos support a decision and do not replace measuring; the service manual and a "
            "qualified machinist have the last word. A coolant leak can destroy an engine and cause burns or "
            "fire.",
        ),
        CheckTemplate("Hand the record to the customer"),
    ),
}
"""Step -> its items, in the order of work."""

STEPS = tuple(CHECKLISTS)
