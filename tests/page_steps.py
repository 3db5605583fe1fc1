"""A screen of the review page, run without a browser."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest

from pitmap.casebook import Survey

__all__ = ["page", "place_of"]


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


def place_of(survey: Survey) -> dict[str, int]:
    """The place in a session that a survey is."""
    return {
        "job_id": survey.job_id,
        "plate_id": survey.plate_id,
        "face_id": survey.face_id,
        "survey_id": survey.id,
    }
