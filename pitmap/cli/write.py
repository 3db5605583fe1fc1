"""What ``pitmap map`` leaves in its folder."""

from __future__ import annotations

from pathlib import Path

import cv2

from ..drawing import Drawing
from ..errors import InputError
from ..inspection import Inspection, save_inspection

__all__ = ["write_map"]


def write_map(inspection: Inspection, drawing: Drawing, folder: Path) -> None:
    """The inspection's files and an overlay picture that a customer can read."""
    from ..report import overlay_picture, translator
    from ..report.legend import with_class_legend

    picture = overlay_picture(
        inspection.picture,
        inspection.class_map,
        drawing,
        inspection.measurement,
        picture=inspection.picture_grid,
    )
    picture = with_class_legend(translator(), picture, inspection.class_map.codes)
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not ok:
        raise InputError("overlay.jpg: the picture could not be encoded")
    save_inspection(inspection, folder, overlay_jpg=data.tobytes())
