"""The bore trace: an epitrochoid from its eccentricity, generating radius and parallel offset.

``x = e cos 3a + R cos a``, ``y = e sin 3a + R sin a``: long axis along x, waist on the y axis.

References
----------
R. F. Ansdale, The Wankel RC Engine, 1968; K. Yamamoto, Rotary Engine, 1981 (both from memory). The figures in
``tests/outside/test_trochoid_published.py`` check themselves against numerical quadrature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ellipe
from shapely import Polygon

from ..errors import InputError
from ..units import in_both

__all__ = ["Trochoid"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trochoid:
    """A bore trace in the plate frame.

    Parameters
    ----------
    eccentricity_mm : float
        e, 0 or more (0 is a circle).
    radius_mm : float
        R, the generating radius, more than 3 e (beyond that the curve crosses itself).
    offset_mm : float
        Parallel offset outwards along the normal (the apex seal's tip radius, by engine).
    centre_xy_mm : (float, float)
    rotation_deg : float
        Of the long axis, counter-clockwise from x.

    Raises
    ------
    InputError
        Numbers that make no simple closed curve.
    """

    eccentricity_mm: float
    radius_mm: float
    offset_mm: float = 0.0
    centre_xy_mm: tuple[float, float] = (0.0, 0.0)
    rotation_deg: float = 0.0

    def __post_init__(self) -> None:
        e, r = self.eccentricity_mm, self.radius_mm
        if not all(map(math.isfinite, (e, r, self.offset_mm, self.rotation_deg, *self.centre_xy_mm))):
            raise InputError("bore trace: every number must be finite")
        if not (e >= 0 and r > 3 * e):
            raise InputError(
                f"bore trace: expected 0 <= e and R > 3 e, or the curve crosses itself; got "
                f"e {in_both(e, 'mm')}, R {in_both(r, 'mm')}"
            )
        if not r - e + self.offset_mm > 0:
            raise InputError(
                f"bore trace: an offset of {in_both(self.offset_mm, 'mm')} leaves no waist between its two sides"
            )
        tightest = self._tightest_mm()
        if not abs(self.offset_mm) < tightest:
            side = "outwards at the waist" if self.offset_mm > 0 else "inwards at the ends"
            raise InputError(
                f"bore trace: an offset of {in_both(self.offset_mm, 'mm')} is more than the curve bends {side} "
                f"({in_both(round(tightest, 1), 'mm')}), so the trace would cross itself; check e, R and the offset"
            )

    def points(self, angles_rad: ArrayLike) -> NDArray[np.float64]:
        """Points (..., 2) of the trace in mm at parameters a (rotor angle thirds), radians."""
        a = np.asarray(angles_rad, float)
        e, r = self.eccentricity_mm, self.radius_mm
        p = np.stack([e * np.cos(3 * a) + r * np.cos(a), e * np.sin(3 * a) + r * np.sin(a)], -1)
        p = p + self.offset_mm * self._normals(a)
        t = math.radians(self.rotation_deg)
        turn = np.array([[math.cos(t), math.sin(t)], [-math.sin(t), math.cos(t)]])
        return p @ turn + np.asarray(self.centre_xy_mm, float)

    def _normals(self, a: NDArray[np.float64]) -> NDArray[np.float64]:
        """Outward unit normals before rotation."""
        e, r = self.eccentricity_mm, self.radius_mm
        n = np.stack([3 * e * np.cos(3 * a) + r * np.cos(a), 3 * e * np.sin(3 * a) + r * np.sin(a)], -1)
        return n / np.hypot(n[..., 0], n[..., 1])[..., None]

    def polygon(self, n_points: int = 720) -> Polygon:
        """The area inside the trace as a polygon with corners on it.

        With 720 corners the chords stay within about 2 um of a 100 mm trace.
        """
        return Polygon(self.points(np.linspace(0, 2 * np.pi, n_points, endpoint=False)))

    @property
    def area_mm2(self) -> float:
        """Area inside: ``pi (R^2 + 3 e^2)``, plus ``L d + pi d^2`` for the offset d (Steiner's formula)."""
        e, r, d = self.eccentricity_mm, self.radius_mm, self.offset_mm
        return math.pi * (r**2 + 3 * e**2) + self._base_length_mm() * d + math.pi * d**2

    @property
    def length_mm(self) -> float:
        """Length round: ``4 (R + 3e) E(12 e R / (R + 3e)^2)``, plus ``2 pi d`` for the offset d."""
        return self._base_length_mm() + 2 * math.pi * self.offset_mm

    def _base_length_mm(self) -> float:
        e, r = self.eccentricity_mm, self.radius_mm
        return 4 * (r + 3 * e) * float(ellipe(12 * e * r / (r + 3 * e) ** 2))

    @property
    def lean_max_deg(self) -> float:
        """Greatest leaning angle of the apex seal, ``arcsin(3 e / R)``, degrees."""
        return math.degrees(math.asin(3 * self.eccentricity_mm / self.radius_mm))

    @property
    def long_axis_mm(self) -> float:
        """Length along the long axis, ``2 (R + e + d)``."""
        return 2 * (self.radius_mm + self.eccentricity_mm + self.offset_mm)

    @property
    def waist_mm(self) -> float:
        """Width at the waist, ``2 (R - e + d)``; the trace is wider beside it when R < 9 e."""
        return 2 * (self.radius_mm - self.eccentricity_mm + self.offset_mm)

    def curvature_radius_mm(self, angles_rad: ArrayLike) -> NDArray[np.float64]:
        """Radius of curvature, mm, negative where the waist bends inwards; infinite at the inflection.

        Notes
        -----
        ``(R^2 + 9e^2 + 6Re cos 2a)^1.5 / (R^2 + 27e^2 + 12Re cos 2a)`` plus the offset.
        """
        a = np.asarray(angles_rad, float)
        e, r = self.eccentricity_mm, self.radius_mm
        c = r * e * np.cos(2 * a)
        with np.errstate(divide="ignore"):
            return (r**2 + 9 * e**2 + 6 * c) ** 1.5 / (r**2 + 27 * e**2 + 12 * c) + self.offset_mm

    def _tightest_mm(self) -> float:
        """The least radius of curvature on the side that the offset goes to; beyond it a parallel curve has loops."""
        e, r = self.eccentricity_mm, self.radius_mm
        c = r * e * np.linspace(-1, 1, 2001)
        bend = (r**2 + 27 * e**2 + 12 * c) / (r**2 + 9 * e**2 + 6 * c) ** 1.5
        most = float(-bend.min() if self.offset_mm > 0 else bend.max())
        return 1 / most if most > 0 else math.inf

    def swept_volume_mm3(self, width_mm: float) -> float:
        """Largest less smallest volume of one chamber, ``3 sqrt(3) e R b``, for a housing `width_mm` wide.

        Holds without offset only, as published.
        """
        return 3 * math.sqrt(3) * self.eccentricity_mm * self.radius_mm * width_mm
