"""Is a fitted bore trace good enough to draw with?"""

from __future__ import annotations

import math

from ...errors import NotEnoughData
from ...units import in_both
from ..trochoid_fit import TrochoidFit

__all__ = ["MAX_MISS_MM", "MAX_OPEN_MM", "MAX_RMS_MM", "judge_fit"]

MAX_RMS_MM = 1.0
"""Clicks scatter by about 0.5 mm; twice that is another track or another curve (house choice)."""
MAX_MISS_MM = 2.5
"""A click that misses the curve by this lies on something else (house choice: five times the usual scatter)."""
MAX_OPEN_MM = 1.0
"""Half the interval of e, R and the centre may be this wide: lands are 4 to 8 mm wide (house choice)."""


def judge_fit(fit: TrochoidFit) -> None:
    """Refuse a fit that no drawing should rest on.

    Raises
    ------
    NotEnoughData
        A click far off the curve (which one is told), too much scatter, or a number that the clicks leave open (which
        one, and where to click).
    """
    worst = max(range(len(fit.residuals_mm)), key=lambda i: abs(fit.residuals_mm[i]))
    miss = float(fit.residuals_mm[worst])
    if abs(miss) > MAX_MISS_MM:
        side = "outside" if miss > 0 else "inside"
        raise NotEnoughData(
            f"bore trace: click {worst + 1} lies {in_both(round(abs(miss), 1), 'mm')} {side} of the curve through the "
            "others; is it on the same track? Take it back and click again"
        )
    if fit.rms_mm > MAX_RMS_MM:
        raise NotEnoughData(
            f"bore trace: the clicks scatter by {in_both(round(fit.rms_mm, 2), 'mm')} about the curve, more than "
            f"{in_both(MAX_RMS_MM, 'mm')}; zoom in and click all of them on one edge of the track"
        )
    for word, number in (
        ("e", fit.eccentricity_mm), ("R", fit.radius_mm), ("the centre's x", fit.centre_x_mm),
        ("the centre's y", fit.centre_y_mm), ("the offset", fit.offset_mm),
    ):  # fmt: skip
        half = (number.high - number.low) / 2
        if math.isfinite(half) and half > MAX_OPEN_MM:
            raise NotEnoughData(
                f"bore trace: the clicks leave {word} open by {in_both(round(half, 1), 'mm')} to each side; add clicks at "
                "both ends and at both sides of the waist"
                + (", or type the offset if you know it" if "offset" in word else "")
            )
