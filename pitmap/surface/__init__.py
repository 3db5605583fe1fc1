"""What is each piece of metal? A picture in, one class code per pixel out."""

from .class_map import PROBABILITY_CLASSES, ClassMap
from .classifier import METHODS, classify
from .darkness import dark_words
from .looks import Look

__all__ = ["METHODS", "PROBABILITY_CLASSES", "ClassMap", "Look", "classify", "dark_words"]
