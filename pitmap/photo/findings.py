"""What the picture gate says: sentences with what to do, and how bad."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from ..errors import InputError

__all__ = ["SEVERITIES", "PhotoFinding", "PhotoLimits", "PhotoReport"]

SEVERITIES = ("pass", "watch", "stop")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFinding:
    """One thing found about a photo.

    Parameters
    ----------
    code : str
        ``blur glare dark bright scale tilt frame transparent drawing colour squeezed grain bars
        backlit sharpened halo raster``.
    severity : str
        ``pass``, ``watch`` (measure, but mind it) or ``stop`` (take another photo).
    text : str
        A sentence with what to do.
    value : float
        The figure behind it.
    zone : str
        Zone it is about; empty for the whole picture.
    region_px : (x, y, width, height) or None
        Where in the photo; None for all of it.
    """

    code: str
    severity: str
    text: str
    value: float = math.nan
    zone: str = ""
    region_px: tuple[int, int, int, int] | None = None

    def __post_init__(self) -> None:
        if self.severity not in SEVERITIES:
            raise InputError(
                f"PhotoFinding.severity: expected one of {', '.join(SEVERITIES)}, got {self.severity!r}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoLimits:
    """Where the gate says watch and stop. House choices, from what pits of 0.8 mm need.

    Parameters
    ----------
    n_resolved_px : float
        Photo pixels that the smallest mark must span.
    smallest_watch_mm, smallest_stop_mm : float
        Smallest mark that can be seen, mm.
    spread_watch_px, spread_stop_px : float
        10 to 90 % edge width, used while the scale is not known.
    smear_watch_px : float
        Width of edges from which those that are wide in one direction alone are called smeared.
    glare_watch, glare_stop : float
        Share of a zone lost in glare.
    frame_watch, frame_stop : float
        Share of a zone out of the frame.
    tilt_watch_deg, tilt_stop_deg : float
    dark_level, bright_level : float
        Median grey level (0 to 255) of what is judged, under or over which the exposure is called wrong.
    colour_watch, colour_stop : float
        :func:`~pitmap.photo.losses.colour_apart` under which a picture may have, or surely has, no colours of its own. Grey
        ones have 0, those with a cast or a tone 0.5 and more, the 20 development photos 2.3 and more, a clean render on a
        grey bench 1.8: too near for a map to be refused for the first.
    block_watch, block_stop : float
        :func:`~pitmap.photo.losses.block_step`. The 20 development photos have 1.4 and less; saved again at JPEG quality 30
        one has 2.1 and a third more uncut metal than there is, at 15 it has 3.0 and four times as much.
    grain_watch, grain_stop : float
        Noise over the tone of the metal, of a patch of 1 mm. The 20 development photos have 0.007 and less; with 0.038 a
        third of the uncut metal of one is missed, with 0.056 over half.
    overshoot_watch : float
        :func:`~pitmap.photo.sharpening.overshoot`. The 20 development photos and 21 renders have 0.06 and less;
        an unsharp mask of 200 % (1.5 px) gives twelve of them 0.08 to 0.34, and nearly doubles the pits of one.
    raster_stop : float
        :func:`~pitmap.photo.raster.raster_peak`. The 20 development photos have 4.5 and less; one of them shown on a
        screen (1.4 of its pixels to one of the photo) 6.3, printed with dots 8.1: of its 63 pits 25 and 49 are found in
        these, with 6 and 18 that are none.
    bars_watch : float
        Share of the picture in rows and columns of one colour.
    bright_openings : float
        Share of the openings that are brighter than the metal round them. The 20 development photos, on six kinds of bench,
        have 0.03 and less, a negative of one of them over 0.9.
    halo_watch : float
        :func:`~pitmap.photo.halo.halo`. The 20 development photos have 0.03 and less, the sample photos 0, 40 renders 0.06
        and less, nearly all 0.01. HDR gives eight sample photos 0.18 to 0.31 and 29 of the renders 0.08 to 0.27; local
        contrast (CLAHE, clip limit 6) gives two photos with far too much uncut metal 0.09 and 0.13, many others too little.
    """

    n_resolved_px: float = 3.0
    smallest_watch_mm: float = 0.5
    smallest_stop_mm: float = 1.5
    spread_watch_px: float = 5.0
    spread_stop_px: float = 10.0
    smear_watch_px: float = 3.5
    glare_watch: float = 0.02
    glare_stop: float = 0.25
    frame_watch: float = 0.005
    frame_stop: float = 0.5
    tilt_watch_deg: float = 25.0
    tilt_stop_deg: float = 45.0
    dark_level: float = 45.0
    bright_level: float = 225.0
    colour_watch: float = 1.0
    colour_stop: float = 0.5
    block_watch: float = 2.0
    block_stop: float = 2.8
    grain_watch: float = 0.025
    grain_stop: float = 0.05
    overshoot_watch: float = 0.1
    raster_stop: float = 5.5
    bars_watch: float = 0.05
    bright_openings: float = 0.5
    halo_watch: float = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoReport:
    """Whether a photo is good enough, and why.

    Parameters
    ----------
    photo_name : str
    findings : tuple of PhotoFinding
        Worst first; the good news is in it too, as ``pass``.
    numbers : mapping of str to float
        Figures behind it: ``spread_px``, ``smallest_mm``, ``glare_share``, ``median_level``, ``px_per_mm``,
        ``tilt_deg``; NaN where not known.
    """

    photo_name: str
    findings: tuple[PhotoFinding, ...]
    numbers: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ordered = sorted(self.findings, key=lambda f: -SEVERITIES.index(f.severity))
        object.__setattr__(self, "findings", tuple(ordered))
        object.__setattr__(self, "numbers", MappingProxyType(dict(self.numbers)))

    @property
    def severity(self) -> str:
        """The worst of all findings."""
        return self.findings[0].severity if self.findings else "pass"

    @property
    def is_usable(self) -> bool:
        """False when another photo is needed before measuring."""
        return self.severity != "stop"

    def of(self, code: str) -> tuple[PhotoFinding, ...]:
        """Findings of one kind."""
        return tuple(f for f in self.findings if f.code == code)
