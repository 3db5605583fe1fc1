"""Changes as small records that can be kept, laid on a drawing again, taken back and put back."""

from __future__ import annotations

import dataclasses
import inspect
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from threading import Lock
from typing import Any

from ...errors import DrawingError
from ..model import Drawing
from . import contours, openings, zones
from .remake import Edited, adopted

__all__ = ["OPERATIONS", "History", "Replay", "Step", "apply_step"]

_MAX_STEPS = 2000
_ON_BANDS = ("remove_band", "rename_band")
"""Changes after which a band is gone because somebody asked for it."""

OPERATIONS: Mapping[str, Callable[..., Edited]] = {
    f.__name__: f
    for f in (
        contours.add_corner,
        contours.move_corner,
        contours.remove_corner,
        contours.remove_edge,
        contours.set_edge,
        openings.add_hole,
        openings.add_opening,
        openings.move_opening,
        openings.remove_opening,
        openings.rename_opening,
        openings.set_diameter,
        openings.set_kind,
        zones.remove_band,
        zones.rename_band,
        zones.set_band,
        zones.set_land,
        zones.set_plate,
        zones.set_purpose,
        zones.set_trace,
    )
}
"""Every change that can be made, by its name."""


def _frozen(value: Any) -> Any:
    return tuple(_frozen(v) for v in value) if isinstance(value, list | tuple) else value


@dataclass(frozen=True, slots=True)
class Step:
    """One change: the name of an operation and what it is called with; small, hashable and picklable."""

    operation: str
    arguments: tuple[tuple[str, Any], ...] = ()

    @classmethod
    def of(cls, operation: str, **arguments: Any) -> Step:
        """A step from keyword arguments; lists become tuples.

        Raises
        ------
        DrawingError
            No such operation, or arguments that it does not take.
        """
        if operation not in OPERATIONS:
            raise DrawingError(f"{operation!r} is no change that can be made to a drawing")
        try:
            inspect.signature(OPERATIONS[operation]).bind(None, **arguments)
        except TypeError as error:
            raise DrawingError(f"change {operation!r}: {error}") from error
        return cls(operation, tuple(sorted((k, _frozen(v)) for k, v in arguments.items())))


def apply_step(drawing: Drawing, step: Step) -> Edited:
    """A drawing after a step.

    Raises
    ------
    DrawingError
        The step cannot be made on this drawing; the element is named.
    """
    edited = OPERATIONS[step.operation](drawing, **dict(step.arguments))
    left = {b.name for b in edited.drawing.bands}
    lost = [b.name for b in drawing.bands if b.name not in left]
    if not lost or step.operation in _ON_BANDS:
        return edited
    return dataclasses.replace(
        edited, sentence=f"{edited.sentence}; with it went band {', '.join(lost)}, which has no metal left"
    )


@dataclass(frozen=True, slots=True)
class History:
    """Steps made, and how many of them count now; the rest were taken back and can be put back."""

    steps: tuple[Step, ...] = ()
    n_done: int = 0

    @property
    def done(self) -> tuple[Step, ...]:
        """The steps that count."""
        return self.steps[: self.n_done]

    @property
    def can_undo(self) -> bool:
        """There is a step to take back."""
        return self.n_done > 0

    @property
    def can_redo(self) -> bool:
        """There is a step that was taken back."""
        return self.n_done < len(self.steps)

    def with_step(self, step: Step) -> History:
        """The step made; what was taken back before is gone.

        Raises
        ------
        DrawingError
            More steps than a drawing can take.
        """
        if self.n_done >= _MAX_STEPS:
            raise DrawingError(f"drawing: {_MAX_STEPS} changes were made; keep the drawing, then go on")
        return History((*self.done, step), self.n_done + 1)

    def undone(self) -> History:
        """The last step taken back."""
        return dataclasses.replace(self, n_done=max(0, self.n_done - 1))

    def redone(self) -> History:
        """The step taken back last put back."""
        return dataclasses.replace(self, n_done=min(len(self.steps), self.n_done + 1))


class Replay:
    """Drawings after steps, the newest of them remembered so that only the last step is worked out anew.

    Several threads may ask at once.

    Parameters
    ----------
    n_kept : int
        How many drawings are remembered.
    """

    def __init__(self, n_kept: int = 64) -> None:
        self._n_kept = n_kept
        self._lock = Lock()
        self._kept: OrderedDict[tuple[Hashable, tuple[Step, ...]], Edited] = OrderedDict()

    def __call__(self, base: Drawing, key: Hashable, steps: tuple[Step, ...]) -> Edited:
        """The drawing after `steps` on `base`.

        Parameters
        ----------
        base : Drawing
        key : hashable
            What tells this base from others.
        steps : tuple of Step

        Raises
        ------
        DrawingError
            A step cannot be made; which one is told.
        """
        with self._lock:
            return self._replayed(base, key, steps)

    def _replayed(self, base: Drawing, key: Hashable, steps: tuple[Step, ...]) -> Edited:
        n = len(steps)
        while n and (key, steps[:n]) not in self._kept:
            n -= 1
        if n:
            edited = self._kept[key, steps[:n]]
            self._kept.move_to_end((key, steps[:n]))
        else:
            edited = Edited(drawing=adopted(base), sentence="")
        for k in range(n, len(steps)):
            edited = apply_step(edited.drawing, steps[k])
            self._kept[key, steps[: k + 1]] = edited
            while len(self._kept) > self._n_kept:
                self._kept.popitem(last=False)
        return edited
