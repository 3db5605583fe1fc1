"""Invented plates and photos of them with exact truth; for demo, tests, benchmarks and training only."""

from .cases import Case, render_cases, render_negatives, why_unusable
from .face import Damage, Face, make_face, random_damage, stock_for_uncut
from .lap import FLAG_BITS, Survey, lap
from .look import Look
from .render import look_for, render_empty, render_jpeg, render_photo
from .scene import Lamp, Phone, Pose, Scene, make_lamp, random_scene
from .truth import PhotoTruth, truth_record

__all__ = [
    "FLAG_BITS",
    "Case",
    "Damage",
    "Face",
    "Lamp",
    "Look",
    "Phone",
    "PhotoTruth",
    "Pose",
    "Scene",
    "Survey",
    "lap",
    "look_for",
    "make_face",
    "make_lamp",
    "random_damage",
    "random_scene",
    "render_cases",
    "render_empty",
    "render_jpeg",
    "render_negatives",
    "render_photo",
    "stock_for_uncut",
    "truth_record",
    "why_unusable",
]
