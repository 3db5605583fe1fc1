"""Can this picture be read, and is it good enough?"""

from .check import check_photo, clipped, tilt_deg, without_colours
from .findings import PhotoFinding, PhotoLimits, PhotoReport
from .merge import LampMerge, merge_lamps
from .one_sitting import taken_apart
from .picture import Photo
from .read import read_photo
from .sharpness import edge_spread_px, laplacian_variance, sharpness_tiles

__all__ = [
    "LampMerge",
    "Photo",
    "PhotoFinding",
    "PhotoLimits",
    "PhotoReport",
    "check_photo",
    "clipped",
    "edge_spread_px",
    "laplacian_variance",
    "merge_lamps",
    "read_photo",
    "sharpness_tiles",
    "taken_apart",
    "tilt_deg",
    "without_colours",
]
