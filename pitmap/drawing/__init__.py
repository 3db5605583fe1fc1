"""The plate drawing in millimetres: outline, openings, zones; read, build, check."""

from .model import OPENING_KINDS, WORKING_ZONES, ZONE_NAMES, Band, Drawing, Opening, fill_mask
from .rings import load_rings, opening_kind_from_name, template_grid

__all__ = [
    "OPENING_KINDS",
    "WORKING_ZONES",
    "ZONE_NAMES",
    "Band",
    "Drawing",
    "Opening",
    "fill_mask",
    "load_rings",
    "opening_kind_from_name",
    "template_grid",
]
