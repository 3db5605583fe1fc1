"""What the pages keep between reruns is of what is there now."""

from __future__ import annotations

import subprocess
import sys
from types import SimpleNamespace
from typing import Any

import pytest

from pitmap.review import cached

pytestmark = pytest.mark.filterwarnings("default")


@pytest.mark.parametrize("what", ["plan", "comparison"])
def test_result_is_of_the_inspections_of_now(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import streamlit as st

    st.cache_resource.clear()
    now: list[Any] = []
    drawing = object()
    monkeypatch.setattr(cached, "book", lambda: None)
    monkeypatch.setattr(cached, "units", lambda: "mm")
    monkeypatch.setattr(cached, "limits_of", lambda *_, **__: SimpleNamespace(entries={}, doubts={}))
    monkeypatch.setattr(cached, "unmapped_of_face", lambda *_: ())
    monkeypatch.setattr(cached, "doubt_of_micrometer", lambda *_: "")
    monkeypatch.setattr(cached, "face_drawing", lambda *_: drawing)
    monkeypatch.setattr(cached, "must_be_of_drawing", lambda *_: None)
    monkeypatch.setattr(cached, "housing_dip_of", lambda *_: None)
    monkeypatch.setattr(cached, "face_series", lambda *_: [(SimpleNamespace(id=1), now[0])])
    monkeypatch.setattr(cached, "plan_face", lambda inspections, *_, **__: inspections[0].number)
    monkeypatch.setattr(cached, "compare", lambda inspections, *_, **__: inspections[0].number)
    result: Any = cached.face_plan if what == "plan" else cached.face_comparison
    for number in range(20):
        # Where the last one is not held by anything, the next takes its place in memory, and its identity.
        now.clear()
        now.append(SimpleNamespace(number=number))
        assert result(SimpleNamespace(id=1, name="A"), None, None) == number


def test_collector_passes_over_what_loading_a_page_made() -> None:
    """It walks over all there is after every run of a page; of some 300,000 objects nearly all are the libraries' own."""
    program = (
        "import gc; from pitmap.review import router; router._loaded('pitmap.review.screens.map');"
        "print(len(gc.get_objects()), gc.get_freeze_count())"
    )
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    walked, passed_over = (int(word) for word in said.split())
    assert walked < 0.05 * passed_over
