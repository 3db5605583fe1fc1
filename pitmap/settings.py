"""Choices that change figures, kept in one place and written into every inspection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from .errors import InputError
from .estimate import DEFAULT_LEVEL

__all__ = ["Settings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a user may set for one mapping.

    Parameters
    ----------
    map_px_per_mm : float
        Scale of the class raster, 2 to 20. 10 (0.1 mm) resolves a pit of 0.3 mm; house choice.
    picture_px_per_mm : float
        Scale of the straightened picture kept with the inspection, 1 to 20.
    level : float
        Coverage of the intervals.
    method : str
        ``auto`` (learned where its file is there), ``learned`` or ``classic``.
    n_narrowest : int
        How many narrow places of the land are listed.
    """

    map_px_per_mm: float = 10.0
    picture_px_per_mm: float = 5.0
    level: float = DEFAULT_LEVEL
    method: str = "auto"
    n_narrowest: int = 5

    def __post_init__(self) -> None:
        if not 2 <= self.map_px_per_mm <= 20:
            raise InputError(f"map_px_per_mm: expected 2 to 20, got {self.map_px_per_mm}")
        if not 1 <= self.picture_px_per_mm <= 20:
            raise InputError(f"picture_px_per_mm: expected 1 to 20, got {self.picture_px_per_mm}")
        if not 0.5 <= self.level < 1:
            raise InputError(f"level: expected 0.5 up to 1, got {self.level}")
        if self.method not in ("auto", "learned", "classic"):
            raise InputError(f"method: expected auto, learned or classic, got {self.method!r}")
        if not 1 <= self.n_narrowest <= 50:
            raise InputError(f"n_narrowest: expected 1 to 50, got {self.n_narrowest}")

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Settings:
        """The settings that :meth:`to_dict` gave, as an inspection keeps them.

        Raises
        ------
        InputError
            One that this release does not know, or a value out of range or of another kind.
        """
        unknown = sorted(set(kept) - {f.name for f in fields(cls)})
        if unknown:
            raise InputError(
                f"settings of the map: {', '.join(unknown)} not known to this release, so it cannot be measured again as it "
                "was; use the release that mapped it, or map the photo again"
            )
        try:
            return cls(**kept)
        except TypeError as error:
            raise InputError(
                f"settings of the map: one is not of its kind ({error}); the file is damaged, map the photo again"
            ) from error

    def to_dict(self) -> dict[str, object]:
        """The settings as plain values."""
        return asdict(self)
