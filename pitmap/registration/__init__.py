"""Where is the plate in the picture? A pose with lens and error, or a refusal with its reason."""

from .alignment import Alignment, RunnerUp
from .camera import Camera, Lens, apply_homography
from .displaced import Displaced
from .finder import refine, register, register_from_landmarks
from .landmark_file import Landmarks, read_landmarks
from .rectify import photo_scale, rectify
from .regions import REGIONS

__all__ = [
    "REGIONS",
    "Alignment",
    "Camera",
    "Displaced",
    "Landmarks",
    "Lens",
    "RunnerUp",
    "apply_homography",
    "photo_scale",
    "read_landmarks",
    "rectify",
    "refine",
    "register",
    "register_from_landmarks",
]
