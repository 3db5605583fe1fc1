"""Stock taken off as a person enters it: what cannot be is refused before it is kept."""

from __future__ import annotations

import math

from ..classes import Stage
from ..errors import InputError
from ..pipeline import MOST_REMOVED_SHARE

__all__ = ["check_stock"]

_MOST_MM = 5.0


def check_stock(removed_um: float, *, stage: str | None = None, thickness_mm: float = math.nan) -> None:
    """Refuse stock that cannot have been taken off.

    Parameters
    ----------
    removed_um : float
        NaN for not known.
    stage : str or None
        Of the survey that it was taken off before; None for stock that belongs to none.
    thickness_mm : float
        Of the plate, by its drawing; NaN where it has none.

    Raises
    ------
    InputError
        A negative length, stock before the intake, or more than a tenth of the plate (of 50 mm where its drawing is not
        known), which is a slip of the unit (house choice: lapping takes tenths of a millimetre).
    """
    if removed_um < 0:
        raise InputError("Stock taken off: write it as a positive length")
    if stage is not None and not Stage(stage).is_lapped and removed_um > 0:
        raise InputError(
            "Stock taken off: at intake nothing is taken off yet. Leave the field empty, or choose a later stage; what an "
            "earlier rebuild took goes into the limit sheet on the Plan page"
        )
    most_mm = _MOST_MM if math.isnan(thickness_mm) else MOST_REMOVED_SHARE * thickness_mm
    if removed_um > 1000 * most_mm:
        plate = "" if math.isnan(thickness_mm) else f" of a plate {thickness_mm:g} mm thick"
        raise InputError(
            f"Stock taken off: {removed_um / 1000:g} mm{plate} cannot be (at most {most_mm:g} mm); is the unit right?"
        )
