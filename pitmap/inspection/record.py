"""The frozen record of one survey of one face."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage
from ..estimate import Estimate
from ..grid import Grid
from ..measure import Measurement
from ..registration import Alignment
from ..surface import ClassMap
from .entered_stock import check_stock

__all__ = ["HandEdit", "Inspection", "PhotoSource"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoSource:
    """One photo that an inspection rests on: its name, SHA-256, size in pixels, and what the gate said."""

    name: str
    sha256: str
    width_px: int
    height_px: int
    taken: str = ""
    findings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HandEdit:
    """One area of a map that a person decided.

    Parameters
    ----------
    person : str
    made_at : datetime
        With its time zone.
    word_after : str
        Class that the area was given, in words.
    area_before_mm2 : mapping of str to float
        Metal of the area by its class before, in words; nothing where no metal of the map was hit.
    x_mm, y_mm : float
        Middle of the area.
    reason : str
        Why, in the person's words.
    accepted_by : str
        Who laid it on the map, where that was somebody else than the person; else empty.
    """

    person: str
    made_at: datetime
    word_after: str
    area_before_mm2: Mapping[str, float]
    x_mm: float
    y_mm: float
    reason: str
    accepted_by: str = ""

    @property
    def area_mm2(self) -> float:
        """All metal of the area."""
        return sum(self.area_before_mm2.values())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """Everything one survey of one face found.

    Parameters
    ----------
    face : str
        The face, as the shop calls it.
    stage : Stage
    surveyed_on : date or None
    removed_um : Estimate
        Stock taken off before this survey since the face was received, um.
    drawing_name : str
    drawing_fingerprint : str
        Of the drawing that it was measured on; empty in inspections kept before it was noted.
    drawing_thickness_mm : float
        Of the plate, by that drawing; NaN where it has none, or in inspections kept before it was noted.
    photos : tuple of PhotoSource
    alignment : Alignment
        Of the first photo; every other photo was aligned by itself.
    alignment_error_mm : float
        Standard deviation of a place per axis, of the photo that was aligned worst.
    class_map : ClassMap
    measurement : Measurement
    readings : DataFrame
        Readings taken at this survey, by the schema of :data:`pitmap.depth.READINGS`.
    picture : (row, column, 3) uint8 array
        The straightened face, RGB.
    picture_grid : Grid
    photo_px_per_mm : float
        Least scale of the photo over the face.
    notes : tuple of str
        What a reader should know: gain of merged lamps, findings of the gate.
    settings, versions : mapping
    edits : tuple of HandEdit
        Changes by hand that class map and figures hold already, in the order in which they were laid on the map.

    Raises
    ------
    InputError
        Negative stock.
    """

    face: str
    stage: Stage
    surveyed_on: date | None
    removed_um: Estimate
    drawing_name: str
    drawing_fingerprint: str
    photos: tuple[PhotoSource, ...]
    alignment: Alignment
    alignment_error_mm: float
    class_map: ClassMap
    measurement: Measurement
    readings: pd.DataFrame
    picture: NDArray[np.uint8]
    picture_grid: Grid
    photo_px_per_mm: float
    drawing_thickness_mm: float = math.nan
    notes: tuple[str, ...] = ()
    settings: Mapping[str, object] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    edits: tuple[HandEdit, ...] = ()

    def __post_init__(self) -> None:
        # how much a plate can give is looked at where its drawing is known
        if self.removed_um.value < 0:
            check_stock(self.removed_um.value)

    @property
    def findings(self) -> tuple[str, ...]:
        """What the gate said of each photo, with the photo's name before it."""
        return tuple(f"{photo.name}: {finding}" for photo in self.photos for finding in photo.findings)

    @property
    def marks(self) -> pd.DataFrame:
        """One row per mark."""
        return self.measurement.marks

    @property
    def zones(self) -> pd.DataFrame:
        """One row per zone and class."""
        return self.measurement.zones

    @property
    def lands(self) -> pd.DataFrame:
        """The narrowest places of the seal land."""
        return self.measurement.lands
