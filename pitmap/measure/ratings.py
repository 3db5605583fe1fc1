"""Published ratings of corroded surfaces, read from the zone figures.

They were written for coatings and for general corrosion, not for sealing faces: they let a figure be
compared with other people's records, and decide nothing here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..errors import InputError
from .schemas import RATINGS

__all__ = [
    "d610_grade",
    "g46_density_class",
    "g46_depth_class",
    "g46_size_class",
    "iso4628_rust_grade",
    "iso10289_rating",
    "pitting_factor",
    "radial_projection_mm",
    "ratings_table",
    "ten_deepest_um",
]

_ISO10289_TOPS = (0.0, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 25.0, 50.0)
_D610_TOPS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 16.0, 33.0, 50.0)
_RI_AREAS = ((0, 0.0), (1, 0.05), (2, 0.5), (3, 1.0), (4, 8.0), (5, 45.0))
_G46_DENSITY_PER_M2 = (2.5e3, 1e4, 5e4, 1e5, 5e5)
_G46_SIZE_MM2 = (0.5, 2.0, 8.0, 12.5, 24.5)
_G46_DEPTH_MM = (0.4, 0.8, 1.6, 3.2, 6.4)

SOURCES = {
    "ISO 10289": "ISO 10289:1999, clause 5, Table 1 (area classes; the formula 3 (2 - log10 A) differs inside them)",
    "ASTM D610": "ASTM D610-08 (2012), Table 1; the upper end belongs to the class",
    "ISO 4628-3": "ISO 4628-3, Annex B; its grades are pictures, read here to the nearest area on a log scale",
    "ASTM G46 A": "ASTM G46-94, Fig. 2, density (from memory); nearest chart point on a log scale",
    "ASTM G46 B": "ASTM G46-94, Fig. 2, mean opening (from memory); nearest chart point on a log scale",
}


def _percent(value: float, name: str) -> float:
    if not 0 <= value <= 100:
        raise InputError(f"{name}: expected an area in percent, 0 to 100, got {value!r}")
    return float(value)


def iso10289_rating(area_percent: float) -> int:
    """Rating 10 (nothing) to 0 of an affected area in percent, by the table of the standard.

    References
    ----------
    ISO 10289:1999, clause 5, Table 1. The table and its formula, rounded, disagree inside some classes; the
    table was chosen.
    """
    area = _percent(area_percent, "ISO 10289")
    return 10 - int(np.searchsorted(_ISO10289_TOPS, area, side="left"))


def d610_grade(area_percent: float) -> int:
    """Rust grade 10 to 0 of a rusted area in percent (ASTM D610-08, Table 1)."""
    return 10 - int(np.searchsorted(_D610_TOPS, _percent(area_percent, "ASTM D610"), side="left"))


def iso4628_rust_grade(area_percent: float) -> str:
    """Rust grade Ri 0 to Ri 5, the nearest of the standard's pictures on a log scale (ISO 4628-3, Annex B).

    Ri 0 is an area under 0.005 %, a tenth of that of the Ri 1 picture, as that is a tenth of that of Ri 2 (house choice,
    since zero has no logarithm).
    """
    area = _percent(area_percent, "ISO 4628-3")
    if area < 0.005:
        return "Ri 0"
    return f"Ri {min(_RI_AREAS[1:], key=lambda ra: abs(math.log(area / ra[1])))[0]}"


def _chart(value: float, points: Sequence[float], letter: str) -> str:
    if not value >= 0 or math.isinf(value):
        raise InputError(f"ASTM G46 {letter}: expected a number, 0 or more, got {value!r}")
    if value == 0:
        return f"no {letter}"
    nearest = int(np.argmin(np.abs(np.log(value / np.asarray(points)))))
    below = value < points[0] ** 1.5 / points[1] ** 0.5
    return f"below {letter}-1" if below else f"{letter}-{nearest + 1}"


def g46_density_class(pits_per_m2: float) -> str:
    """Chart class A-1 to A-5 of a pit density, nearest on a log scale; ``below A-1`` under half a step.

    References
    ----------
    ASTM G46-94, Fig. 2 (values from memory). The chart shows pictures, not borders: nearest on a log scale
    is a house choice.
    """
    return _chart(pits_per_m2, _G46_DENSITY_PER_M2, "A")


def g46_size_class(mean_opening_mm2: float) -> str:
    """Chart class B-1 to B-5 of a mean pit opening (ASTM G46-94, Fig. 2, from memory)."""
    return _chart(mean_opening_mm2, _G46_SIZE_MM2, "B")


def g46_depth_class(mean_depth_mm: float) -> str:
    """Chart class C-1 to C-5 of a mean pit depth (ASTM G46-94, Fig. 2, from memory).

    C-1 is 0.4 mm: every pit of a lapped side plate is C-1 or less, so this column does not tell plates apart.
    """
    return _chart(mean_depth_mm, _G46_DEPTH_MM, "C")


def ten_deepest_um(depths_um: Sequence[float]) -> tuple[float, float, int]:
    """Deepest pit, mean of the ten deepest, and how many that mean is of.

    References
    ----------
    ASTM G46-94, 7.3 (from memory). With fewer than ten pits all of them are averaged (house choice).

    Raises
    ------
    InputError
        No depths.
    """
    depths = np.sort(np.asarray(depths_um, float))[::-1]
    if depths.size == 0 or not np.isfinite(depths).all():
        raise InputError("ten_deepest_um: expected at least one depth, all finite")
    return float(depths[0]), float(depths[:10].mean()), int(min(10, depths.size))


def pitting_factor(deepest_um: float, mean_penetration_um: float) -> float:
    """Depth of the deepest pit over the mean penetration from mass loss (ASTM G46-94, 7.3.2, from memory).

    Raises
    ------
    InputError
        Mean penetration of zero or less: the factor is not defined then.
    """
    if not mean_penetration_um > 0 or not deepest_um >= 0:
        raise InputError("pitting factor: not defined unless the mean penetration is above zero")
    return deepest_um / mean_penetration_um


def radial_projection_mm(points_xy, centre_xy) -> float:  # type: ignore[no-untyped-def]
    """Radial projection of a flaw: outer less inner radius, from the centre of the bore, that enclose it.

    Parameters
    ----------
    points_xy : (n, 2) array
        Edge of the flaw, mm.
    centre_xy : (2,) array
        Centre of the opening that the face seals, mm.

    Raises
    ------
    InputError
        No point, or points or centre that are not finite.

    References
    ----------
    ASME B16.5, par. 6.4.6 (imperfections of flange facing finish).
    """
    points, centre = np.asarray(points_xy, float).reshape(-1, 2), np.asarray(centre_xy, float)
    if not len(points) or not (np.isfinite(points).all() and np.isfinite(centre).all()):
        raise InputError(
            "radial_projection_mm: expected at least one point of the flaw's edge, and finite places"
        )
    radius = np.hypot(*(points - centre).T)
    return float(radius.max() - radius.min())


def ratings_table(zones: pd.DataFrame, marks: pd.DataFrame) -> pd.DataFrame:
    """Rows of the schema ``ratings``: ISO 10289, ASTM D610 and ISO 4628-3 of areas, ASTM G46 of pits.

    ISO 10289 is read for ``affected`` and for pits, D610 and ISO 4628-3 for stain with pits (rusted area). A
    zone that was not seen gets no row. The density is of the pits that reach into a zone, the mean opening of those that lie
    mostly in it: where there are only pits of its neighbours it has no mean.
    """
    by: dict[str, dict[str, dict]] = {}
    for row in zones.to_dict("records"):
        by.setdefault(row["zone"], {})[row["class_word"]] = row
    is_pit, mark_zone = (marks["class_word"] == "pit").to_numpy(), marks["zone"].to_numpy()
    area = marks["area_mm2"].to_numpy()
    rows = []
    for zone, words in by.items():
        for word in ("affected", "pit"):
            rows += _area_row(zone, "ISO 10289", word, [words[word]], iso10289_rating)
        rust = [words["pit"], words["stain"]]
        rows += _area_row(zone, "ASTM D610", "pit and stain", rust, d610_grade)
        rows += _area_row(zone, "ISO 4628-3", "pit and stain", rust, iso4628_rust_grade)
        rows += _chart_rows(zone, words["pit"], area[is_pit & (mark_zone == zone)])
    return RATINGS.frame(rows)


def _area_row(zone, system, word, parts, rate):  # type: ignore[no-untyped-def]
    share, low, high = (sum(p[c] for p in parts) for c in ("share", "share_low", "share_high"))
    if math.isnan(share):
        return []
    share, low, high = (100 * min(1.0, s) for s in (share, low, high))
    return [
        {
            "zone": zone,
            "system": system,
            "class_word": word,
            "input_value": share,
            "input_unit": "% of seen area",
            "rating": str(rate(share)),
            "rating_low": str(rate(low)),
            "rating_high": str(rate(high)),
            "source": SOURCES[system],
        }
    ]


def _chart_rows(zone, pit, areas_mm2):  # type: ignore[no-untyped-def]
    if math.isnan(pit["share"]):
        return []
    per_m2 = float(pit["density_per_cm2"]) * 1e4
    base = {"zone": zone, "class_word": "pit", "rating_low": "", "rating_high": ""}
    rows = [
        {**base, "system": "ASTM G46 A", "input_value": per_m2, "input_unit": "pits per m2",
         "rating": g46_density_class(per_m2), "source": SOURCES["ASTM G46 A"]}
    ]  # fmt: skip
    if len(areas_mm2) or not pit["n_marks"]:
        mean = float(areas_mm2.mean()) if len(areas_mm2) else 0.0
        rows.append(
            {**base, "system": "ASTM G46 B", "input_value": mean, "input_unit": "mm2",
             "rating": g46_size_class(mean), "source": SOURCES["ASTM G46 B"]}
        )  # fmt: skip
    return rows
