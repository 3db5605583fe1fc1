"""Two people at two browsers on one face: the second is told, and the work of neither is lost."""

from __future__ import annotations

import pytest
from browser_steps import go, headed, no_error, seen, settle, write

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PLACE = "map?job=1&plate=1&face=1&survey=1"


def open_map(browser, server: str, who: str):  # type: ignore[no-untyped-def]
    page = browser.new_context(viewport={"width": 1400, "height": 1000}).new_page()
    page.set_default_timeout(60_000)
    page.goto(f"{server}/{PLACE}")
    headed(page, "Map")
    write(page, "Your name", who)
    page.keyboard.press("Enter")
    settle(page)
    page.get_by_text("Correct the map by hand").click()
    return page


def change(page, corners: str, why: str) -> None:  # type: ignore[no-untyped-def]
    write(page, "Or type the corners in mm", corners)
    write(page, "Why", why)
    page.get_by_role("button", name="Change the map").click()


def test_the_second_is_told(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    ada, ben = open_map(browser, mapped_server, "Ada"), open_map(browser, mapped_server, "Ben")
    change(ada, "-10 60, 10 60, 10 70, -10 70", "marker pen, not a pit")
    seen(ada, "Ada: sound, marker pen, not a pit")
    no_error(ada)

    change(ben, "-30 60, -12 60, -12 70, -30 70", "oil, wiped off")
    seen(ben, "Ben: sound, oil, wiped off (kept as a draft: somebody else was first)")
    seen(ben, "Ada: sound, marker pen, not a pit")
    ben.get_by_role("button", name="Lay this draft on top").click()
    settle(ben)
    ben.get_by_text("(kept as a draft: somebody else was first)").wait_for(state="detached")
    seen(ben, "Ben: sound, oil, wiped off")

    ada.reload()
    seen(ada, "Correct the map by hand")
    settle(ada)
    seen(ada, "Ben: sound, oil, wiped off")
    seen(ada, "Ada: sound, marker pen, not a pit")
    no_error(ada)


@pytest.mark.long
def test_link_to_jobs_by_name(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    page = browser.new_page()
    page.goto(f"{mapped_server}/jobs")
    headed(page, "Jobs")
    assert page.get_by_text("Page not found").count() == 0
    no_error(page)


@pytest.mark.long
def test_one_press_of_the_way_back_leads_to_the_page_before(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    page = browser.new_context(viewport={"width": 1400, "height": 1000}).new_page()
    page.goto(f"{mapped_server}/{PLACE}")
    headed(page, "Map")
    for title in ("Checklist", "Photos"):
        stops = page.evaluate("history.length")
        go(page, title)
        assert page.evaluate("history.length") == stops + 1
    for title in ("Checklist", "Map"):
        page.go_back()
        headed(page, title)
    page.go_forward()
    headed(page, "Checklist")
    assert "survey=1" in page.url
    no_error(page)
