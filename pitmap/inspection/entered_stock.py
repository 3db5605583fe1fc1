"""Stock taken off before a survey, as a person enters it: what cannot be is refused before anything is made of it."""

from __future__ import annotations

import math

from ..classes import Stage
from ..errors import InputError
from ..units import AS_POSITIVE, in_both

__all__ = ["check_stock"]

_MOST_SHARE = 0.1
"""Of the plate's thickness. More is a slip of the unit: a lapped face gives up tenths of a millimetre (house choice)."""

_MOST_MM = 5.0
"""Where the thickness is not known: a tenth of the thickest plate (house choice)."""


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
        known).
    """
    if removed_um < 0:
        raise InputError(f"Stock taken off: {AS_POSITIVE}")
    if stage is not None and not Stage(stage).is_lapped and removed_um > 0:
        raise InputError(
            f"Stock taken off: at intake nothing is taken off yet. Leave the {in_both(removed_um, 'um')} out, or choose "
            "a later stage; what earlier rebuilds took off goes into the limit sheet of the face"
        )
    most_mm = _MOST_MM if math.isnan(thickness_mm) else _MOST_SHARE * thickness_mm
    if removed_um > 1000 * most_mm:
        plate = "" if math.isnan(thickness_mm) else f" of a plate {in_both(thickness_mm, 'mm')} thick"
        raise InputError(
            f"Stock taken off: {in_both(removed_um / 1000, 'mm')}{plate} cannot be (at most {in_both(most_mm, 'mm')}); is "
            "the unit right?"
        )
