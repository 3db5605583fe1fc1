"""Changes to the class map by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import LineString, Point, Polygon, make_valid
from shapely.geometry.base import BaseGeometry

from ..classes import CLASS_WORDS, SurfaceClass
from ..drawing import fill_mask
from ..errors import InputError
from .doubt import break_chance, decided_chance

__all__ = ["SEEN_METAL", "ClassEdit", "change_classes", "drawn_area", "must_change"]

SEEN_METAL = tuple(c for c in SurfaceClass if c not in (SurfaceClass.OUTSIDE, SurfaceClass.UNSEEN))
"""Classes of metal that a photo showed: what a hand changes as a rule, since nobody has seen what the rest is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClassEdit:
    """One change: an area gets a class.

    Parameters
    ----------
    where : shapely geometry or (rows, columns) bool array
        Polygon in mm, or pixels of the map.
    to : SurfaceClass
        The new class.
    only : tuple of SurfaceClass
        Change these classes only; empty changes all metal, also what was not seen (:data:`SEEN_METAL` leaves that).
    """

    where: BaseGeometry | NDArray[np.bool_]
    to: SurfaceClass
    only: tuple[SurfaceClass, ...] = ()

    def __post_init__(self) -> None:
        try:
            SurfaceClass(self.to)
        except ValueError:
            raise InputError(f"ClassEdit.to: {self.to!r} is not a class of metal") from None
        if self.to == SurfaceClass.OUTSIDE:
            raise InputError("ClassEdit.to: outside is given by the drawing and cannot be painted")


def drawn_area(path_mm: ArrayLike, width_mm: float | None = None) -> BaseGeometry:
    """The area that a hand drew on the face.

    Parameters
    ----------
    path_mm : (N, 2) array
        Corners of an outline, which is closed, or the way of a brush.
    width_mm : float, optional
        Of the brush; without it the path is an outline.

    Raises
    ------
    InputError
        Not finite points; an outline of fewer than three; a brush without width.
    """
    path = np.asarray(path_mm, float)
    if path.ndim != 2 or path.shape[1:] != (2,) or not len(path) or not np.isfinite(path).all():
        raise InputError(f"drawn area: expected points (N, 2) in mm, got {np.shape(path_mm)}")
    if width_mm is None:
        if len(path) < 3:
            raise InputError("drawn area: an outline needs three corners or more")
        return make_valid(Polygon(path), method="structure", keep_collapsed=False)
    if not (math.isfinite(width_mm) and width_mm > 0):
        raise InputError(f"drawn area: the brush needs a width above 0 mm, got {width_mm!r}")
    way = LineString(path) if len(path) > 1 else Point(path[0])
    return way.buffer(width_mm / 2)


def must_change(class_map: Any, area: BaseGeometry, only: Sequence[SurfaceClass] = ()) -> None:
    """Refuse an area in which a change would change nothing.

    Raises
    ------
    InputError
        It has no inside, holds no metal of the map, or nothing of the classes in `only`.
    """
    if area.is_empty:
        raise InputError("area: its corners lie on one line, so nothing is inside; move one of them aside")

    def is_any(only: Sequence[SurfaceClass]) -> bool:
        edit = ClassEdit(where=area, to=SurfaceClass.SOUND, only=tuple(only))
        return bool(change_classes(class_map, [edit])[1].any())

    if not is_any(()):
        raise InputError(
            "area: none of the plate's metal is inside, or it is smaller than the map can show; corners are x and y in "
            "mm as on the map's scales"
        )
    if not is_any(only):
        if set(only) == set(SEEN_METAL):
            raise InputError(
                "area: none of the metal inside was seen, and it stays so; if you have looked at it on the plate, choose "
                '"only what is shown as not seen"'
            )
        raise InputError(f"area: nothing inside is shown as {' or '.join(CLASS_WORDS[c] for c in only)}")


def change_classes(class_map: Any, edits: Sequence[ClassEdit]) -> tuple[Any, NDArray[np.bool_]]:
    """A map with changes applied in order, and the pixels that were changed.

    Parameters
    ----------
    class_map : ClassMap
        Any dataclass with `codes`, `confidence` and `grid`.
    edits : sequence of ClassEdit

    Returns
    -------
    (ClassMap, (rows, columns) bool array)
        The new map (confidence 1 where a person decided, 0 where that is "not seen", class probabilities dropped:
        the field is set to None, and what they say of broken contact is kept) and what changed, to be passed to
        :func:`pitmap.measure.measure` as `edited`.

    Raises
    ------
    InputError
        A mask of another size, or a map that is no dataclass.

    Notes
    -----
    Pixels off the metal (class outside) are never changed.
    """
    if not is_dataclass(class_map):
        raise InputError("change_classes: expected a class map (a dataclass with codes, confidence and grid)")
    codes, confidence = class_map.codes.copy(), class_map.confidence.copy()  # type: ignore[union-attr]
    metal = codes != SurfaceClass.OUTSIDE
    changed = np.zeros(codes.shape, bool)
    for number, edit in enumerate(edits, 1):
        if isinstance(edit.where, BaseGeometry):
            where = fill_mask(edit.where, class_map.grid)  # type: ignore[union-attr]
        else:
            where = np.asarray(edit.where)
            if where.shape != codes.shape or where.dtype != np.bool_:
                raise InputError(
                    f"edit {number}: expected a bool mask of {codes.shape}, got {where.dtype} {where.shape}"
                )
        hit = where & metal
        if edit.only:
            hit &= np.isin(codes, [int(c) for c in edit.only])
        codes[hit] = int(edit.to)
        # what is not seen has no class to be sure of
        confidence[hit] = 0.0 if edit.to == SurfaceClass.UNSEEN else 1.0
        changed |= hit
    for array in (codes, confidence, changed):
        array.setflags(write=False)
    more: dict[str, Any] = {}
    chance = getattr(class_map, "break_chance", None)
    if (probabilities := getattr(class_map, "probabilities", None)) is not None:
        more["probabilities"] = None
        if chance is None and hasattr(class_map, "break_chance"):
            # they go, and what they leave open elsewhere must not go with them; where the land is nobody knows here
            chance = break_chance(probabilities, metal)
    if chance is not None:
        more["break_chance"] = decided_chance(chance, changed, codes)
    return replace(class_map, codes=codes, confidence=confidence, **more), changed  # type: ignore[type-var]
