"""Steps on the review page that every browser test takes; a step that fails says what stood on the page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

__all__ = [
    "SLOW_MS",
    "choose",
    "go",
    "headed",
    "lying_still",
    "new_survey",
    "no_error",
    "picture",
    "seen",
    "settle",
    "upload_and_map",
    "write",
]

SLOW_MS = 180_000
"""For what computes: mapping a face on a busy machine."""


def go(page, title: str) -> None:  # type: ignore[no-untyped-def]
    page.get_by_test_id("stSidebarNavLink").filter(
        has_text=re.compile(rf"^\W*(\w*_?)*{title}$")
    ).first.click()
    headed(page, title)


def headed(page, title: str) -> None:  # type: ignore[no-untyped-def]
    """Wait for the page of this title, drawn to its end."""
    try:
        page.locator("h1", has_text=title).first.wait_for(timeout=SLOW_MS)
    except playwright.TimeoutError:
        raise AssertionError(f"not on {title!r} but on:\n{page.inner_text('body')[-4000:]}") from None
    settle(page)


def settle(page) -> None:  # type: ignore[no-untyped-def]
    """Wait until the page is drawn and has stayed so: a click while it is drawn again may be lost."""
    for _ in range(2):
        page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]", timeout=SLOW_MS)
        page.wait_for_timeout(250)


def lying_still(thing) -> dict[str, float]:  # type: ignore[no-untyped-def]
    """Where it is, once it has stopped moving: a chart above that is still being drawn pushes it down."""
    before = None
    for _ in range(40):
        now = thing.bounding_box()
        if now is not None and now == before:
            return now
        before = now
        thing.page.wait_for_timeout(250)
    raise AssertionError(f"it does not lie still: {before} at last")


def seen(page, text: str) -> None:  # type: ignore[no-untyped-def]
    """Wait for words on the page; where they do not come, say what stands there instead."""
    try:
        page.get_by_text(text).first.wait_for(timeout=SLOW_MS)
    except playwright.TimeoutError:
        raise AssertionError(f"{text!r} did not appear on:\n{page.inner_text('body')[-4000:]}") from None


def no_error(page) -> None:  # type: ignore[no-untyped-def]
    assert "Traceback" not in page.inner_text("body")
    errors = page.locator("[data-testid=stAlertContentError]")
    assert errors.count() == 0, errors.first.inner_text()


def picture(page, name: str, tmp: Path) -> None:  # type: ignore[no-untyped-def]
    page.screenshot(path=str(tmp / f"{name}.png"), full_page=True)
    # for it the window was as tall as the page: a click while charts shrink again can miss its button
    page.wait_for_timeout(500)
    settle(page)


def write(page, label: str, text: str) -> None:  # type: ignore[no-untyped-def]
    page.get_by_role("textbox", name=label, exact=True).first.fill(text)


def choose(page, label: str, option: str) -> None:  # type: ignore[no-untyped-def]
    """Pick from a list; a list that the page, drawn again, has closed is opened again, as a person would."""
    box = page.get_by_role("combobox", name=label, exact=True).first
    for _ in range(4):
        box.click()
        try:
            page.get_by_role("option", name=option, exact=True).first.click(timeout=15_000)
            return
        except playwright.TimeoutError:
            page.keyboard.press("Escape")
            settle(page)
    raise AssertionError(f"{label!r} offers no {option!r} on:\n{page.inner_text('body')[-4000:]}")


def new_survey(page, stage_words: str, removed: str) -> None:  # type: ignore[no-untyped-def]
    """From the Jobs page to the Photos page of a new survey."""
    go(page, "Jobs")
    page.get_by_text("New survey").first.click()
    choose(page, "Stage", stage_words)
    if removed:
        write(page, "Stock taken off so far", removed)
    page.get_by_role("button", name="Add the survey").first.click()
    page.locator("h1", has_text="Photos").wait_for()
    settle(page)


def upload_and_map(page, photo: Path) -> None:  # type: ignore[no-untyped-def]
    """From the Photos page to the Map page."""
    page.locator("input[type=file]").first.set_input_files(str(photo))
    page.get_by_role("button", name="Map this face").wait_for(timeout=SLOW_MS)
    settle(page)
    page.get_by_role("button", name="Map this face").click()
    page.locator("h1", has_text=re.compile("^Map$")).wait_for(timeout=SLOW_MS)
    settle(page)
