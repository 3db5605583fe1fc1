"""The order of the steps from photos to an inspection, and nothing else."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from . import __version__
from .classes import Stage
from .drawing import Drawing
from .errors import InputError
from .estimate import Estimate
from .inspection import Inspection, PhotoSource
from .measure import measure
from .photo import Photo, check_photo, merge_lamps, read_photo
from .registration import Alignment, rectify, register
from .settings import Settings
from .surface import classify

__all__ = ["STEPS", "map_face"]

STEPS = ("read", "check", "align", "straighten", "classify", "measure")
"""Names of the steps, in order, as a progress bar shows them."""


def _versions() -> dict[str, str]:
    return {
        "pitmap": __version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "opencv": cv2.__version__,
    }
