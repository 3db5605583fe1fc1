"""A screen of the review page, run without a browser."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest

from pitmap.casebook import Survey

__all__ = ["page", "place_of", "switch_while_typing"]


def _screen(module: str) -> None:
    import importlib

    from pitmap.review.guard import guarded

    guarded(importlib.import_module(f"pitmap.review.screens.{module}").show)()


def page(module: str, **state: object) -> AppTest:
    """A screen with a place and choices in its session, not run yet."""
    test = AppTest.from_function(_screen, args=(module,), default_timeout=120)
    for name, value in {"place_read": True, **state}.items():
        test.session_state[name] = value
    return test


def switch_while_typing(test: AppTest, units: str, typed: dict[str, str]) -> None:
    """Switch the units of the page over fields of forms, by part of their key, that hold what was typed.

    A browser sends nothing of a form before its button, and goes on holding it where the field keeps its key.
    """
    fields = {part: next(t for t in test.text_input if part in (t.key or "")) for part in typed}
    before = {part: (field.key, field.label) for part, field in fields.items()}
    test.session_state["units"] = units
    test.run()
    for part, text in typed.items():
        (field,) = [t for t in test.text_input if (t.key, t.label) == before[part]]
        field.input(text)


def place_of(survey: Survey) -> dict[str, int]:
    """The place in a session that a survey is."""
    return {
        "job_id": survey.job_id,
        "plate_id": survey.plate_id,
        "face_id": survey.face_id,
        "survey_id": survey.id,
    }
