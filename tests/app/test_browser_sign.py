"""A job is ticked off, signed and released with the keyboard alone, every field in sight when it is written in."""

from __future__ import annotations

import pytest
from browser_steps import headed, no_error, seen, settle

pytestmark = [pytest.mark.browser, pytest.mark.slow]
FOCUS = """() => { const e = document.activeElement, r = e.getBoundingClientRect();
    const isPage = e.contains(document.querySelector("h1"));
    return [isPage ? "" : (e.ariaLabel || e.innerText).trim(), r.top >= 0 && r.bottom <= innerHeight] }"""
"""What has the focus, and whether it is in sight; the page as a whole has no name."""


def tab_to(page, name: str) -> int:  # type: ignore[no-untyped-def]
    """Press Tab until the thing of this name has the focus; how often."""
    for n in range(1, 60):
        page.keyboard.press("Tab")
        label, is_in_sight = page.evaluate(FOCUS)
        if name in label:
            assert is_in_sight, f"{name!r} is out of sight when it is written in"
            return n
    raise AssertionError(f"the keyboard does not reach {name!r} on:\n{page.inner_text('body')[-4000:]}")


def press(page, key: str) -> None:  # type: ignore[no-untyped-def]
    page.keyboard.press(key)
    settle(page)


def test_job_is_signed_and_released_with_the_keyboard_alone(browser, small_server: str) -> None:  # type: ignore[no-untyped-def]
    page = browser.new_context(viewport={"width": 1400, "height": 1000}).new_page()
    page.set_default_timeout(60_000)
    page.goto(f"{small_server}/checklist?job=1&plate=1&face=1&survey=1")
    headed(page, "Checklist")
    tab_to(page, "Tag the plate")
    press(page, "Space")
    tab_to(page, "Ask for its history")
    tab_to(page, "Not needed")
    press(page, "Enter")
    # the fields stood behind everything else on the page, the button that releases the job among it
    assert tab_to(page, "Why") == 1
    page.keyboard.type("came in clean")
    assert tab_to(page, "Mark as not needed") == 1
    press(page, "Enter")
    seen(page, "not needed: came in clean")
    for item in ("Photograph the face", "Measure the thickness"):
        tab_to(page, item)
        press(page, "Space")
    seen(page, "Intake: 4 of 4")
    tab_to(page, "Sign this survey")
    press(page, "Enter")
    seen(page, "Signed by Ada")
    tab_to(page, "Release to the customer")
    press(page, "Enter")
    seen(page, "Released by Ada")
    no_error(page)
