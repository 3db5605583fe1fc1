"""The editor's state between two runs of the page, and what a press on the picture does to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from ...drawing import Drawing
from ...drawing.edit import EDGES, History, Replay, Step, circle_of, contour_of, hit
from ...errors import DrawingError
from .drawing_figure import View, whole_plate

__all__ = ["TOOLS", "Choices", "Desk", "Press", "changed", "is_round", "pointed", "ring_step"]

Tool = Literal["move", "hole", "opening", "trace", "land", "bands", "plate", "zoom"]
TOOLS: dict[str, str] = {
    "move": "Choose, move",
    "hole": "Add a hole",
    "opening": "Add an opening",
    "trace": "Bore trace",
    "land": "Seal land",
    "bands": "Bands",
    "plate": "Plate, zones",
    "zoom": "Zoom",
}
_RING_TOOLS = ("opening", "land", "plate")
"""Tools whose clicks go round a shape."""
_MAX_CLICKS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What the editor remembers; small, hashable and picklable.

    Parameters
    ----------
    history : History
    told : tuple of str
        A sentence for every step of the history.
    tool : str
        A key of :data:`TOOLS`.
    chosen : str
        Element that is chosen, or empty.
    corner : int
        Its corner that is chosen, or -1.
    armed : str
        What the next press does instead of choosing: ``place`` (put the chosen thing there), ``add`` or ``remove`` (a
        corner of it).
    clicks : tuple of (x, y)
        Places clicked for a new shape, mm.
    view : View or None
        None shows the whole plate.
    said, refused : str
        What the last press did, or why it did nothing.
    """

    history: History = History()
    told: tuple[str, ...] = ()
    tool: str = "move"
    chosen: str = ""
    corner: int = -1
    armed: str = ""
    clicks: tuple[tuple[float, float], ...] = ()
    view: View | None = None
    said: str = ""
    refused: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What is typed beside the picture and used by a press on it."""

    diameter_mm: float = 8.0
    kind: str = "bolt"
    name: str = ""
    is_smooth: bool = False
    stretch_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """A press on the picture: where it began and ended, mm, and half a finger's width there."""

    begin: tuple[float, float]
    end: tuple[float, float]
    reach_mm: float

    @property
    def is_drag(self) -> bool:
        """It moved farther than a hand shakes."""
        return math.dist(self.begin, self.end) > 0.35 * self.reach_mm


def changed(desk: Desk, replay: Replay, base: Drawing, key: object, step: Step) -> Desk:
    """The desk with a step made, or as it was with the reason why the step cannot be made."""
    try:
        history = desk.history.with_step(step)
        edited = replay(base, key, history.done)  # type: ignore[arg-type]
    except DrawingError as error:
        return replace(desk, refused=str(error), said="", armed="")
    names = {o.name for o in edited.drawing.openings} | set(EDGES)
    gone = bool(desk.chosen) and desk.chosen not in names
    return replace(
        desk,
        history=history,
        told=(*desk.told[: desk.history.n_done], edited.sentence),
        said=edited.sentence,
        refused="",
        armed="",
        chosen="" if gone else desk.chosen,
        corner=-1 if gone else desk.corner,
    )


def _moved(desk: Desk, drawing: Drawing, press: Press, choices: Choices) -> tuple[Desk, Step | None]:
    dx, dy = press.end[0] - press.begin[0], press.end[1] - press.begin[1]
    found = hit(drawing, press.begin, press.reach_mm, desk.chosen)
    if found is None:
        return replace(
            desk, refused="Nothing lies there. Press on an opening, an edge or a handle.", said=""
        ), None
    desk = replace(desk, chosen=found.element, corner=found.corner)
    if found.corner >= 0:
        return desk, Step.of(
            "move_corner", element=found.element, index=found.corner,
            x_mm=found.x_mm + dx, y_mm=found.y_mm + dy, stretch_mm=choices.stretch_mm,
        )  # fmt: skip
    if found.element in EDGES:
        return replace(desk, said=f"{found.element} chosen: its points can be dragged now".capitalize()), None
    return desk, Step.of("move_opening", name=found.element, x_mm=found.x_mm + dx, y_mm=found.y_mm + dy)


def _armed(desk: Desk, drawing: Drawing, press: Press, choices: Choices) -> tuple[Desk, Step | None]:
    x, y = press.end
    if desk.armed == "add":
        return desk, Step.of("add_corner", element=desk.chosen, x_mm=x, y_mm=y)
    if desk.armed == "remove":
        found = hit(drawing, press.end, press.reach_mm, desk.chosen)
        if found is None or found.element != desk.chosen or found.corner < 0:
            return replace(
                desk, refused=f"No corner of {desk.chosen} lies there; press on one of its handles."
            ), None
        return replace(desk, corner=-1), Step.of("remove_corner", element=desk.chosen, index=found.corner)
    if desk.corner >= 0:
        return desk, Step.of(
            "move_corner",
            element=desk.chosen,
            index=desk.corner,
            x_mm=x,
            y_mm=y,
            stretch_mm=choices.stretch_mm,
        )
    return desk, Step.of("move_opening", name=desk.chosen, x_mm=x, y_mm=y)


def _ring_click(desk: Desk, press: Press, choices: Choices) -> tuple[Desk, Step | None]:
    is_first = len(desk.clicks) >= 3 and math.dist(press.end, desk.clicks[0]) <= press.reach_mm
    if not is_first:
        return replace(desk, clicks=(*desk.clicks, press.end)), None
    return replace(desk, clicks=()), ring_step(desk, choices)


def ring_step(desk: Desk, choices: Choices) -> Step:
    """The step that makes a shape of the clicks so far."""
    if desk.tool == "opening":
        return Step.of(
            "add_opening",
            points_mm=desk.clicks,
            kind=choices.kind,
            name=choices.name,
            is_smooth=choices.is_smooth,
        )
    edge = {"land": "coolant_edge", "trace": "trace"}.get(desk.tool, "outline")
    return Step.of("set_edge", edge=edge, points_mm=desk.clicks, is_smooth=choices.is_smooth)


def pointed(desk: Desk, drawing: Drawing, press: Press, choices: Choices) -> tuple[Desk, Step | None]:
    """The desk after a press on the picture, and the change that the press asks for, if any.

    Parameters
    ----------
    desk : Desk
    drawing : Drawing
        As it stands after the desk's history.
    press : Press
    choices : Choices
    """
    desk = replace(desk, said="", refused="")
    if desk.tool == "zoom":
        view = desk.view or whole_plate(drawing)
        if press.is_drag:
            return replace(desk, view=view.on(press.begin, press.end)), None
        return replace(desk, view=view.zoomed(2.0, press.end)), None
    if desk.tool == "hole":
        return desk, Step.of(
            "add_hole", x_mm=press.end[0], y_mm=press.end[1], diameter_mm=choices.diameter_mm,
            kind=choices.kind, name=choices.name,
        )  # fmt: skip
    if len(desk.clicks) >= _MAX_CLICKS:
        return replace(desk, refused=f"{_MAX_CLICKS} clicks are enough for any edge; close it."), None
    if desk.tool == "trace":
        return replace(desk, clicks=(*desk.clicks, press.end)), None
    if desk.tool in _RING_TOOLS:
        return _ring_click(desk, press, choices)
    if desk.armed and desk.chosen:
        return _armed(desk, drawing, press, choices)
    if press.is_drag:
        return _moved(desk, drawing, press, choices)
    found = hit(drawing, press.end, press.reach_mm, desk.chosen)
    if found is None:
        return replace(desk, chosen="", corner=-1), None
    return replace(desk, chosen=found.element, corner=found.corner), None


def is_round(drawing: Drawing, element: str) -> bool:
    """The element is a round hole."""
    return element not in EDGES and circle_of(contour_of(drawing, element)) is not None
