"""Can this picture be read, and is it good enough?"""

from .picture import Photo
from .read import read_photo

__all__ = ["Photo", "read_photo"]
