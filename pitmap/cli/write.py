"""What ``pitmap map`` leaves in its folder, and pictures as other commands leave them."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing
from ..errors import InputError
from ..inspection import Inspection, save_inspection
from ..units import UnitSystem

__all__ = ["jpeg_of", "write_map"]


def write_map(inspection: Inspection, drawing: Drawing, folder: Path, units: str) -> None:
    """The inspection's files and an overlay picture that a customer can read."""
    from ..report import overlay_picture, translator
    from ..report.legend import class_entries, lines_note, with_key

    picture = overlay_picture(
        inspection.picture,
        inspection.class_map,
        drawing,
        inspection.measurement,
        picture=inspection.picture_grid,
        units=cast(UnitSystem, units),
    )
    t = translator()
    picture = with_key(
        picture, class_entries(t, np.unique(inspection.class_map.codes)), lines_note(t, drawing)
    )
    save_inspection(inspection, folder, overlay_jpg=jpeg_of(picture, "overlay.jpg"))


def jpeg_of(picture: NDArray[np.uint8], name: str) -> bytes:
    """An RGB picture as JPEG.

    Raises
    ------
    InputError
        It cannot be encoded; the message calls it `name`.
    """
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not ok:
        raise InputError(f"{name}: the picture could not be encoded")
    return data.tobytes()
