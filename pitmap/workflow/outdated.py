"""What was changed since a survey was mapped: its photos, or the drawing that it was measured on."""

from __future__ import annotations

from collections.abc import Iterable

from ..casebook import Casebook, Survey
from ..drawing import Drawing
from ..errors import MeasurementError
from ..inspection import Inspection, is_of_drawing
from .surveys import drawing_changed_words, map_again_words, survey_words

__all__ = ["must_be_of_drawing", "outdated", "photos_outdated"]


def photos_outdated(book: Casebook, survey: Survey, inspection: Inspection) -> tuple[str, ...]:
    """Which photos of a survey its map does not show, and which it shows that no longer count; nothing where they agree."""
    kept = {ref.sha256: ref.name for ref in book.photos(survey)}
    mapped = {photo.sha256: photo.name for photo in inspection.photos}
    added = ", ".join(name for sha256, name in kept.items() if sha256 not in mapped)
    left_out = ", ".join(name for sha256, name in mapped.items() if sha256 not in kept)
    told = []
    if added:
        told.append(f"photos were added since it was mapped, and the map does not show them: {added}")
    if left_out:
        told.append(f"photos were left out since it was mapped, and the map still rests on them: {left_out}")
    return tuple(f"{survey_words(survey)}: {what}; {map_again_words(survey)}" for what in told)


def outdated(book: Casebook, survey: Survey, inspection: Inspection, drawing: Drawing) -> tuple[str, ...]:
    """A sentence for everything that was changed since the survey was mapped; nothing where all is as it was."""
    changed = () if is_of_drawing(inspection, drawing) else (drawing_changed_words(survey),)
    return (*changed, *photos_outdated(book, survey, inspection))


def must_be_of_drawing(series: Iterable[tuple[Survey, Inspection]], drawing: Drawing) -> None:
    """Refuse surveys that were measured on another drawing than the one that is shown with them.

    Raises
    ------
    MeasurementError
        Names each such survey, and says to map it again.
    """
    told = [drawing_changed_words(s) for s, inspection in series if not is_of_drawing(inspection, drawing)]
    if told:
        raise MeasurementError("; ".join(told))
