"""What changed between surveys of one face: fate of every mark, change per zone, the lap series."""

from .agreement import Agreement, limits_of_agreement
from .decide import Rules
from .fates import FATES, SERIES, SURVEYS, TRACKS, ZONE_CHANGES, ChangeCode, Fate
from .finder import Comparison, compare
from .pair import PairChange
from .repeatability import Repeatability
from .shift import Shift, shift_from_pictures
from .step import Step
from .study import (
    STUDY_VALUES,
    StudyResult,
    StudyRun,
    gage_anova,
    gage_average_range,
    study,
    study_deviations,
    study_gaps,
    study_heading,
    study_sentence,
    study_values,
)
from .zones import proof_of_change

__all__ = [
    "FATES",
    "SERIES",
    "STUDY_VALUES",
    "SURVEYS",
    "TRACKS",
    "ZONE_CHANGES",
    "Agreement",
    "ChangeCode",
    "Comparison",
    "Fate",
    "PairChange",
    "Repeatability",
    "Rules",
    "Shift",
    "Step",
    "StudyResult",
    "StudyRun",
    "compare",
    "gage_anova",
    "gage_average_range",
    "limits_of_agreement",
    "proof_of_change",
    "shift_from_pictures",
    "study",
    "study_deviations",
    "study_gaps",
    "study_heading",
    "study_sentence",
    "study_values",
]
