"""What a page takes a browser for: its own words about itself are all there is to go by."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from page_steps import page, place_of
from survey_fakes import keep_survey

from pitmap.casebook import Casebook
from pitmap.review import device

# How browsers name themselves: Chrome says "Mobile" on an Android phone and leaves it out on a tablet
# (Chrome's page on its user agent, from memory); an iPad says it where it asks for a phone's pages.
BROWSERS = {
    "phone": ("Mozilla/5.0 (Linux; Android 14; K) Chrome/120.0 Mobile Safari/537.36", True, True),
    "small phone": ("Mozilla/5.0 (iPhone; CPU iPhone OS 17_0 like Mac OS X) Mobile/15E148", True, True),
    "tablet": ("Mozilla/5.0 (Linux; Android 14; K) Chrome/120.0 Safari/537.36", True, False),
    "tablet, phone's pages": ("Mozilla/5.0 (iPad; CPU OS 17_0 like Mac OS X) Mobile/15E148", True, False),
    "computer": ("Mozilla/5.0 (X11; Linux x86_64) Chrome/120.0 Safari/537.36", False, False),
}


@pytest.mark.parametrize(("browser", "is_phone", "is_narrow"), BROWSERS.values(), ids=BROWSERS)
def test_tablet_has_fingers_but_the_room_of_a_computer(
    monkeypatch: pytest.MonkeyPatch, browser: str, is_phone: bool, is_narrow: bool
) -> None:
    context = SimpleNamespace(headers={"User-Agent": browser})
    monkeypatch.setattr(device.st, "context", context)
    assert (device.is_phone(), device.is_narrow()) == (is_phone, is_narrow)


@pytest.mark.parametrize("module", ["map", "depth"])
def test_map_of_a_tablet_is_drawn_as_on_a_computer(
    empty_book: Casebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str
) -> None:
    survey, _, _ = keep_survey(empty_book, tmp_path / "map", [(0.0, 25.0, 3.0)])

    def layout(browser: str) -> dict[str, Any]:
        context = SimpleNamespace(headers={"User-Agent": BROWSERS[browser][0]})
        monkeypatch.setattr(device.st, "context", context)
        shown = page(module, **place_of(survey)).run()
        assert not shown.exception
        return json.loads(shown.get("plotly_chart")[0].proto.spec)["layout"]

    tablet, computer = layout("tablet"), layout("computer")
    assert tablet["height"] == computer["height"] > layout("phone")["height"]
