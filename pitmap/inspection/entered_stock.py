"""Stock, thickness and limits as a person enters them, held against the plate: stock that cannot be is refused."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..classes import Stage
from ..errors import InputError
from ..stock import LIMIT_TEXT, LimitSheet
from ..units import AS_POSITIVE, UnitSystem, format_length, in_both

__all__ = ["check_dip", "check_stock", "limit_problems", "not_held_problem", "thickness_problem"]

_MOST_SHARE = 0.1
"""Of the plate's thickness. More is a slip of the unit: a lapped face gives up tenths of a millimetre (house choice)."""

_MOST_MM = 5.0
"""Where the thickness is not known: a tenth of the thickest plate (house choice)."""

_MOST_DIP_MM = 1.0
"""Of a rotor housing's face; more is a slip of the unit (house choice)."""

_THICKNESSES = ("thickness", "thickness_min")
"""Entries of a limit sheet that are thicknesses of the plate itself."""


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
    most_mm = _most_mm(thickness_mm)
    if removed_um > 1000 * most_mm:
        plate = "" if math.isnan(thickness_mm) else f" of a plate {in_both(thickness_mm, 'mm')} thick"
        raise InputError(
            f"Stock taken off: {in_both(removed_um / 1000, 'mm')}{plate} cannot be (at most {in_both(most_mm, 'mm')}); is "
            "the unit right?"
        )


def thickness_problem(read_um: Sequence[float], thickness_mm: float, system: UnitSystem = "mm") -> str:
    """That the thickness that was read and that of the drawing cannot be of one plate; empty where they can.

    Parameters
    ----------
    read_um : sequence of float
        Micrometer readings, from any stage.
    thickness_mm : float
        Of the plate, by its drawing; NaN where it has none, of which :func:`not_held_problem` speaks.
    system : {"mm", "inch"}

    Notes
    -----
    No more comes off a plate than :func:`check_stock` takes, so a reading further from the drawing, either way, is of
    another plate or in another unit, or the drawing is wrong (house choice).
    """
    if math.isnan(thickness_mm) or not len(read_um):
        return ""
    read_mm = np.asarray(read_um, float) / 1000
    worst = float(read_mm[np.abs(read_mm - thickness_mm).argmax()])
    most_mm = _most_mm(thickness_mm)
    if abs(worst - thickness_mm) <= most_mm:
        return ""
    read, drawn, most = (format_length(v, system) for v in (worst, thickness_mm, most_mm))
    return (
        f"A thickness of {read} was read, and the plate is {drawn} thick by its drawing: more than lapping takes off (at "
        f"most {most}). Check the reading and its unit, or correct the drawing, by which photos are aligned"
    )


def limit_problems(limits: LimitSheet, thickness_mm: float, system: UnitSystem = "mm") -> list[str]:
    """The entries of a limit sheet that no plate of that thickness can have, a sentence each.

    Parameters
    ----------
    limits : LimitSheet
    thickness_mm : float
        Of the plate, by its drawing; NaN where it has none, of which :func:`not_held_problem` speaks.
    system : {"mm", "inch"}

    Notes
    -----
    By the rule of :func:`check_stock` and :func:`thickness_problem`: what lies in micrometres (stock, case, form) is at
    most a tenth of the plate, and a thickness that it has or may come to lies within a tenth of that drawn (house choice).
    """
    if math.isnan(thickness_mm):
        return []
    most_mm = _most_mm(thickness_mm)
    drawn = format_length(thickness_mm, system)
    said = []
    for name, entry in limits.entries.items():
        unit, meaning = LIMIT_TEXT[name]
        value_mm = entry.value / 1000 if unit == "um" else entry.value
        if unit == "um" and value_mm > most_mm:
            why = f"more than a tenth of the plate, which is {drawn} thick by its drawing"
        elif name in _THICKNESSES and abs(value_mm - thickness_mm) > most_mm:
            why = (
                f"and the plate is {drawn} thick by its drawing, more than lapping takes off (at most "
                f"{format_length(most_mm, system)}) away"
            )
        else:
            continue
        said.append(
            f"The limit sheet says {format_length(value_mm, system)} for the {meaning}, {why}. Check the entry and its "
            "unit, or correct the drawing"
        )
    return said


def not_held_problem(n_read: int, limits: LimitSheet, *, is_drawing_given: bool) -> str:
    """That what was read or entered is held against no plate, whose thickness is not known; empty where there is nothing.

    Parameters
    ----------
    n_read : int
        Micrometer readings, from any stage.
    limits : LimitSheet
    is_drawing_given : bool
        The drawing itself was asked, and not only what the maps keep of it: those of an earlier release keep no thickness.

    Notes
    -----
    Of the readings and entries that :func:`thickness_problem` and :func:`limit_problems` judge.
    """
    held = [
        *(["the thickness that was read"] if n_read else []),
        *(["the limit sheet"] if any(_is_of_plate(name) for name in limits.entries) else []),
    ]
    if not held:
        return ""
    why, do = (
        ("its drawing does not say how thick it is", "enter the thickness in the drawing")
        if is_drawing_given
        else ("these maps do not keep how thick its drawing says it is", "give the drawing, with --drawing")
    )
    what = " and ".join(held)
    return f"{what[0].upper()}{what[1:]} could not be held against the plate, because {why}; {do}"


def _is_of_plate(name: str) -> bool:
    """Whether the plate's thickness bounds an entry of the limit sheet."""
    return LIMIT_TEXT[name][0] == "um" or name in _THICKNESSES


def check_dip(dip_um: float) -> None:
    """Refuse a dip of a rotor housing's face that no housing has: 30 mm for 30 um was judged as the gap of the joint.

    Raises
    ------
    InputError
        A dip of more than a millimetre.
    """
    if dip_um > 1000 * _MOST_DIP_MM:
        raise InputError(
            f"Dip of the rotor housing: {in_both(dip_um / 1000, 'mm')} cannot be (at most {in_both(_MOST_DIP_MM, 'mm')}); "
            "is the unit right?"
        )


def _most_mm(thickness_mm: float) -> float:
    """The most stock that can have come off a plate."""
    return _MOST_MM if math.isnan(thickness_mm) else _MOST_SHARE * thickness_mm
