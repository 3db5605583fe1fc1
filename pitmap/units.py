"""Lengths as people type them, and as they are shown; converted here and nowhere else.

Inside pitmap plate positions are millimetres and depths are micrometres. 1 in = 25.4 mm exactly and
1 thou (mil) = 25.4 um exactly (international inch, NIST SP 811).
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from functools import cache
from typing import Any, Literal

import pint

from .errors import InputError
from .estimate import Estimate

__all__ = [
    "AS_POSITIVE",
    "MM_PER_INCH",
    "UM_PER_THOU",
    "UnitSystem",
    "format_area",
    "format_confidence",
    "format_depth",
    "format_entered",
    "format_estimate",
    "format_length",
    "format_low",
    "format_need",
    "format_part",
    "format_place",
    "in_both",
    "in_digits",
    "parse_length",
]

UnitSystem = Literal["mm", "inch"]
"""``mm``: mm and um; ``inch``: inch and thou."""

AS_POSITIVE = "write it as a positive length"
"""What every door says to a length below 0 that counts what came off, or how far off it may be."""

MM_PER_INCH = 25.4
UM_PER_THOU = 25.4
_MOST_PLACES = 4
_MOST_DIGITS = 8
_MOST_PLACES_IN2 = 6
"""A pit of 0.5 mm2 is 0.000775 in2."""

_HAIR = 1e-6
_SAFE = re.compile(r"\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Zµμ]*|\")\s*")
_UNIT = re.compile(r"[a-zA-Zµμ]+|\"")
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}(?:[eE].*)?")
"""As a decimal comma or as a comma between thousands; no group of thousands starts with a nought."""

_ALIASES = {
    "mil": "thou", "mils": "thou", "thous": "thou", "tenth": "tenth", "tenths": "tenth",
    '"': "inch", "in": "inch", "inches": "inch", "µm": "um", "μm": "um", "micron": "um", "microns": "um",
    "uin": "microinch", "microinches": "microinch", "µin": "microinch", "μin": "microinch",
}  # fmt: skip


@cache
def _registry() -> Any:
    # Looked up once and late: building pint's registry takes longer than a whole CLI call without it.
    registry: Any = pint.UnitRegistry(cache_folder=None)
    registry.define("tenth = 0.1 * thou")
    return registry


def parse_length(text: str | float, *, to: Literal["um", "mm"], default_unit: str = "") -> float:
    """A length as typed ("3 thou", "0.003 in", "76 um", "0,08 mm") as a number in `to`.

    Parameters
    ----------
    text : str or float
        What was typed. A bare number takes `default_unit`.
    to : {"um", "mm"}
        Unit of the answer.
    default_unit : str
        Unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        Not a number with a length unit, a bare number with no default, or a comma that may stand between thousands.
    """
    shown = str(text)
    match = _SAFE.fullmatch(shown)
    if not match:
        raise InputError(
            f"length {shown!r}: expected a number and a unit, such as 3 thou, 0.003 in, 76 um, 0.08 mm"
        )
    if _GROUPED.fullmatch(match[1]):
        grouped, decimal = match[1].replace(",", ""), match[1].replace(",", ".")
        raise InputError(f"length {shown!r}: the comma can be read both ways; write {grouped} or {decimal}")
    number = float(match[1].replace(",", "."))
    unit = match[2] or default_unit
    if not unit:
        raise InputError(f"length {shown!r}: no unit; write um, mm, thou or in after the number")
    no_length = InputError(f"length {shown!r}: {unit!r} is not a length unit; use um, mm, thou or in")
    if not _UNIT.fullmatch(unit):  # a sheet's unit column can hold anything, and pint reads more than units
        raise no_length
    unit = unit if unit in _ALIASES else unit.lower()
    unit = _ALIASES.get(unit, unit)
    try:
        value = float(_registry().Quantity(number, unit).to(to).magnitude)
    except (pint.errors.PintError, AttributeError) as error:
        raise no_length from error
    if not math.isfinite(value):
        raise InputError(f"length {shown!r}: not a finite number")
    return value


def format_depth(value_um: float, system: UnitSystem = "mm", *, digits: int | None = None) -> str:
    """A depth or stock in um, shown as um or thou."""
    if math.isnan(value_um):
        return "not known"
    if math.isinf(value_um):
        return "no bound"
    if system == "inch":
        return f"{value_um / UM_PER_THOU:z.{1 if digits is None else digits}f} thou"
    return f"{value_um:z.{0 if digits is None else digits}f} um"


def format_need(value_um: float, system: UnitSystem = "mm", *, about: str = "") -> str:
    """Stock that something needs, in um, with `about` before a rounded one: what is needed at all is not shown as none.

    Rounded up, for whoever takes what is shown is to have taken enough.
    """
    finest_um, least = (UM_PER_THOU / 10, "under 0.1 thou") if system == "inch" else (1.0, "under 1 um")
    if value_um > 0 and format_depth(value_um, system) == format_depth(0.0, system):
        return least
    if math.isfinite(value_um):
        # a sum of steps is a hair over its last digit, which is no need of one more
        value_um = math.ceil(value_um / finest_um - _HAIR) * finest_um
    return f"{about}{format_depth(value_um, system)}"


def format_length(value_mm: float, system: UnitSystem = "mm", *, digits: int | None = None) -> str:
    """A length in the plane in mm, shown as mm or inch."""
    if math.isnan(value_mm):
        return "not known"
    if math.isinf(value_mm):
        return "no bound"
    if system == "inch":
        return f"{value_mm / MM_PER_INCH:z.{3 if digits is None else digits}f} in"
    return f"{value_mm:z.{2 if digits is None else digits}f} mm"


def format_place(x_mm: float, y_mm: float, system: UnitSystem = "mm") -> str:
    """A place of the plate frame in mm, shown to a tenth of a mm or a thousandth of an inch, unit last."""
    if system == "inch":
        return f"x {x_mm / MM_PER_INCH:z.3f}, y {y_mm / MM_PER_INCH:z.3f} in"
    return f"x {x_mm:z.1f}, y {y_mm:z.1f} mm"


def format_entered(value: float, unit: str, system: UnitSystem = "mm") -> str:
    """A size that somebody entered, in um or mm, with the digits that it was entered with.

    Rounded like a measured one, a limit could be shown on the wrong side of the value beside it.
    """
    show = format_depth if unit == "um" else format_length
    if not math.isfinite(value):
        return show(value, system)
    plain = {("um", "mm"): 0, ("um", "inch"): 1, ("mm", "mm"): 2}.get((unit, system), 3)
    shown = value / {"um": UM_PER_THOU, "mm": MM_PER_INCH}[unit] if system == "inch" else value
    # what was entered in the other system has no end in this one
    enough = (d for d in range(plain, plain + 5) if abs(round(shown, d) - shown) <= 1e-9 * abs(shown))
    return show(value, system, digits=next(enough, plain + 1))


def in_both(value: float, unit: Literal["um", "mm"]) -> str:
    """A length in um or mm and beside it in thou or inch, for a sentence that does not know which its reader chose."""
    other, per = {"um": ("thou", UM_PER_THOU), "mm": ("in", MM_PER_INCH)}[unit]
    return f"{value:.6g} {unit} = {in_digits(value / per)} {other}"


def in_digits(value: float, digits: int = 3) -> str:
    """A number in so many digits, written out: nobody at a bench reads 2.55e+03."""
    return f"{Decimal(f'{value:z.{digits}g}'):f}"


def format_area(value_mm2: float, system: UnitSystem = "mm", *, digits: int | None = None) -> str:
    """An area of the face in mm2, shown as mm2 or square inches."""
    if system == "inch":
        return f"{value_mm2 / MM_PER_INCH**2:z.{4 if digits is None else digits}f} in2"
    return f"{value_mm2:z.{1 if digits is None else digits}f} mm2"


def format_confidence(confidence: float) -> str:
    """A chance that was asked for (0..1, under 1), in percent with as many digits as it needs: never rounded to 100 %."""
    return f"{100 * confidence:.10g} %"


def format_part(part: float) -> str:
    """A part of a whole (0..1) in percent, with one decimal; what there is little of is never shown as none or as all."""
    if 0 < part < 0.0005:
        return "under 0.1 %"
    if 0.9995 <= part < 1:
        return "over 99.9 %"
    return f"{100 * part:.1f} %"


def format_estimate(
    estimate: Estimate,
    kind: Literal["depth", "length", "area", "share"],
    system: UnitSystem = "mm",
    *,
    limit: float = math.nan,
) -> str:
    """An estimate with its interval, in no more digits than the interval supports; in its own where that has no width.

    ``depth`` is in um, ``length`` in mm, ``area`` in mm2, ``share`` a fraction shown in percent. Held against a `limit`,
    in the same unit, it takes as many more digits as show value and ends on their side of that.
    """
    if not estimate.is_known:
        return f"not known ({estimate.reason})"
    if not estimate.has_interval:
        scale, unit = _shown_in(kind, system)
        alone = estimate.value * scale
        shown = (in_digits(alone, n) for n in range(3, _MOST_DIGITS + 1))
        on_its_side = (text for text in shown if _keeps_side(alone, float(text), limit * scale))
        return f"{next(on_its_side, in_digits(alone))} {unit} (no interval: {estimate.reason})"
    value, low, high, unit = _shown_digits(estimate, kind, system, limit)
    return f"{value} {unit} ({low} to {high})"


def format_low(
    estimate: Estimate, kind: Literal["depth", "length", "area", "share"], system: UnitSystem = "mm"
) -> str:
    """The low end of an estimate alone, in the digits in which :func:`format_estimate` shows it.

    An estimate without an interval has none: "not known".
    """
    if not estimate.has_interval:
        return "not known"
    _, low, _, unit = _shown_digits(estimate, kind, system)
    return low if math.isinf(estimate.low) else f"{low} {unit}"


def _keeps_side(value: float, shown: float, limit: float) -> bool:
    """A number as it is shown lies where it lies, below a limit or above it; without a limit (NaN) it does.

    What a sum lost in its last figure is on no side: no number of digits would show it.
    """
    if math.isclose(value, limit, rel_tol=1e-9):
        return True
    return (value < limit, value > limit) == (shown < limit, shown > limit)


def _shown_in(kind: str, system: UnitSystem) -> tuple[float, str]:
    """What a figure is multiplied by to be shown, and the unit behind it."""
    return {
        ("depth", "mm"): (1.0, "um"), ("depth", "inch"): (1 / UM_PER_THOU, "thou"),
        ("length", "mm"): (1.0, "mm"), ("length", "inch"): (1 / MM_PER_INCH, "in"),
        ("area", "mm"): (1.0, "mm2"), ("area", "inch"): (1 / MM_PER_INCH**2, "in2"),
    }.get((kind, system), (100.0, "%"))  # fmt: skip


def _shown_digits(
    estimate: Estimate, kind: str, system: UnitSystem, limit: float = math.nan
) -> tuple[str, str, str, str]:
    """Value, low end, high end and unit of an estimate with an interval, all three in the digits that it supports."""
    scale, unit = _shown_in(kind, system)
    value, low, high, limit = (x * scale for x in (estimate.value, estimate.low, estimate.high, limit))
    most = _MOST_PLACES_IN2 if unit == "in2" else _MOST_PLACES
    width = high - low
    if width <= 0:
        text = f"{round(value, most):zg}"
        return text, text, text, unit
    # an end that is not there says nothing of the digits: the other one does, and without it three of them
    half = width / 2 if math.isfinite(width) else min(value - low, high - value)
    if not 0 < half < math.inf:
        half = abs(value) / 10 or 1.0
    places = min(max(0, 1 - math.floor(math.log10(half))), most)
    # an end that seems to lie on the limit would tell of another verdict, as the value would
    while places < most and not all(_keeps_side(x, round(x, places), limit) for x in (value, low, high)):
        places += 1
    bottom = "no lower bound" if math.isinf(low) else f"{low:z.{places}f}"
    top = "no upper bound" if math.isinf(high) else f"{high:z.{places}f}"
    return f"{value:z.{places}f}", bottom, top, unit
