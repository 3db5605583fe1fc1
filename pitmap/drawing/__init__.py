"""The plate drawing in millimetres: outline, openings, zones; read, build, check."""

from .build import build_drawing, make_zones
from .check import Finding, check_drawing
from .load import load_drawing, load_shipped, shipped_plates
from .look_alikes import LookAlike, look_alikes
from .model import OPENING_KINDS, WORKING_ZONES, ZONE_NAMES, Band, Drawing, Opening, fill_mask
from .numbers import BandNumbers, Ear, Hole, PlateNumbers, PortShape, Slot, load_numbers
from .random_plate import random_numbers, random_plate
from .rings import load_rings, opening_kind_from_name, template_grid
from .svg import load_svg, save_svg
from .trochoid import Trochoid

__all__ = [
    "OPENING_KINDS",
    "WORKING_ZONES",
    "ZONE_NAMES",
    "Band",
    "BandNumbers",
    "Drawing",
    "Ear",
    "Finding",
    "Hole",
    "LookAlike",
    "Opening",
    "PlateNumbers",
    "PortShape",
    "Slot",
    "Trochoid",
    "build_drawing",
    "check_drawing",
    "fill_mask",
    "load_drawing",
    "load_numbers",
    "load_rings",
    "load_shipped",
    "load_svg",
    "look_alikes",
    "make_zones",
    "opening_kind_from_name",
    "random_numbers",
    "random_plate",
    "save_svg",
    "shipped_plates",
    "template_grid",
]
