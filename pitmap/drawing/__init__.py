"""The plate drawing in millimetres: outline, openings, zones; read, build, check."""

from .build import build_drawing, make_zones
from .check import Finding, check_drawing
from .dxf import DxfImport, import_dxf, load_dxf, save_dxf
from .layers import LAYER_ROLES, dxf_layers, load_layers, save_layers
from .load import load_drawing, load_shipped, load_with_notes, shipped_plates
from .look_alikes import LookAlike, look_alikes
from .model import (
    OPENING_KINDS,
    SIDE_OF_OPENING,
    WORKING_ZONES,
    ZONE_NAMES,
    Band,
    Drawing,
    Opening,
    fill_mask,
)
from .numbers import BandNumbers, Ear, Hole, PlateNumbers, PortShape, Slot, load_numbers
from .random_plate import random_numbers, random_plate
from .rings import load_rings, opening_kind_from_name, template_grid
from .svg import SvgImport, import_svg, load_svg, save_svg
from .trochoid import Trochoid
from .trochoid_fit import TrochoidFit, fit_trochoid, suggested_clicks

__all__ = [
    "LAYER_ROLES",
    "OPENING_KINDS",
    "SIDE_OF_OPENING",
    "WORKING_ZONES",
    "ZONE_NAMES",
    "Band",
    "BandNumbers",
    "Drawing",
    "DxfImport",
    "Ear",
    "Finding",
    "Hole",
    "LookAlike",
    "Opening",
    "PlateNumbers",
    "PortShape",
    "Slot",
    "SvgImport",
    "Trochoid",
    "TrochoidFit",
    "build_drawing",
    "check_drawing",
    "dxf_layers",
    "fill_mask",
    "fit_trochoid",
    "import_dxf",
    "import_svg",
    "load_drawing",
    "load_dxf",
    "load_layers",
    "load_numbers",
    "load_rings",
    "load_shipped",
    "load_svg",
    "load_with_notes",
    "look_alikes",
    "make_zones",
    "opening_kind_from_name",
    "random_numbers",
    "random_plate",
    "save_dxf",
    "save_layers",
    "save_svg",
    "shipped_plates",
    "suggested_clicks",
    "template_grid",
]
