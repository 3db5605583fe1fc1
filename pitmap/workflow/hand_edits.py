"""The corrections by hand that people laid on a map: laid on it again, and told for the record."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..casebook import MapEdit
from ..classes import CLASS_WORDS, SurfaceClass
from ..errors import InputError
from ..inspection import HandEdit
from ..measure import ClassEdit, change_classes, drawn_area

__all__ = ["with_edits"]


def with_edits(
    class_map: Any, edits: Sequence[MapEdit]
) -> tuple[Any, NDArray[np.bool_], tuple[HandEdit, ...]]:
    """A map with the corrections of a casebook, the pixels that they decide, and each of them in words.

    Parameters
    ----------
    class_map : ClassMap
        As the program made it.
    edits : sequence of MapEdit
        From the bottom of the pile up: each is told with the classes that the ones below it left.

    Raises
    ------
    InputError
        One holds no area.
    """
    changed, told = np.zeros(class_map.codes.shape, bool), []
    for edit in edits:
        where = _as_class_edit(edit)
        after, hit = change_classes(class_map, [where])
        codes, counts = np.unique(class_map.codes[hit], return_counts=True)
        middle = where.where.centroid  # type: ignore[union-attr]
        told.append(
            HandEdit(
                person=edit.created_by,
                made_at=edit.created_at,
                word_after=CLASS_WORDS[SurfaceClass(edit.class_code)],
                area_before_mm2={
                    CLASS_WORDS[SurfaceClass(int(c))]: float(n * class_map.grid.pixel_area_mm2)
                    for c, n in zip(codes, counts)
                },
                x_mm=float(middle.x),
                y_mm=float(middle.y),
                reason=edit.reason,
                accepted_by="" if edit.accepted_by == edit.created_by else edit.accepted_by,
            )
        )
        class_map, changed = after, changed | hit
    return class_map, changed, tuple(told)


def _as_class_edit(edit: MapEdit) -> ClassEdit:
    path = edit.shape.get("polygon_mm") or edit.shape.get("stroke_mm")
    if not path:
        raise InputError(f"map edit {edit.id}: holds neither an outline nor a brush stroke")
    only = tuple(SurfaceClass(c) for c in edit.shape.get("only", ()))
    area = drawn_area(path, edit.shape.get("width_mm"))
    return ClassEdit(where=area, to=SurfaceClass(edit.class_code), only=only)
