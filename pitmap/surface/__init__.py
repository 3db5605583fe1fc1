"""What is each piece of metal? A picture in, one class code per pixel out."""

from .class_map import PROBABILITY_CLASSES, ClassMap
from .classifier import METHODS, classify

__all__ = ["METHODS", "PROBABILITY_CLASSES", "ClassMap", "classify"]
