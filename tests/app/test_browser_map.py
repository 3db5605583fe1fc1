"""The Map page in a real browser: rings and rows are two doors to one mark, and the last click wins."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import report_fakes
from browser_steps import headed, lying_still, no_error, settle

from pitmap.report import record_html

pytestmark = [pytest.mark.browser, pytest.mark.slow]
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

RINGS = """() => {
    const plot = document.querySelector('.js-plotly-plot');
    const marks = plot._fullData.find(t => t.name == 'marks');
    const box = plot.querySelector('.nsewdrag').getBoundingClientRect();
    const {xaxis, yaxis} = plot._fullLayout;
    return Array.from(marks.x, (x, k) => ({
        mark: marks.customdata[k], x: box.left + xaxis.d2p(x), y: box.top + yaxis.d2p(marks.y[k]),
    }));
}"""
"""Where each ring stands on the screen."""


def open_map(browser, server: str):  # type: ignore[no-untyped-def]
    page = browser.new_page(viewport={"width": 1400, "height": 1800})
    page.set_default_timeout(60_000)
    page.goto(f"{server}/map?job=1&plate=1&face=1&survey=2")
    headed(page, "Map")
    return page


def apart(rings: list[dict], px: float = 30) -> list[dict]:
    """Those that no other one lies under or over, the smallest last."""
    at = np.array([[ring["x"], ring["y"]] for ring in rings])
    away = np.hypot(*(at[:, None] - at).T) + 1e9 * np.eye(len(at))
    return [ring for ring, nearest in zip(rings, away.min(0), strict=True) if nearest > px]


def shown_mark(page) -> int | None:  # type: ignore[no-untyped-def]
    """The mark whose row stands under the map."""
    settle(page)
    found = re.search(r"^Mark (\d+), ", page.inner_text("[data-testid=stMain]"), re.MULTILINE)
    return int(found[1]) if found else None


def test_the_last_click_wins(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    page = open_map(browser, mapped_server)

    def click_ring(k: int) -> int:
        ring = apart(page.evaluate(RINGS))[-k]
        page.mouse.move(ring["x"], ring["y"])
        page.wait_for_timeout(300)
        page.mouse.click(ring["x"], ring["y"])
        return ring["mark"]

    def tick_row(k: int) -> None:
        table = page.locator("[data-testid=stDataFrame]:visible").first
        table.locator("[role=gridcell]").first.wait_for(state="attached")
        at = lying_still(table)
        page.mouse.click(at["x"] + 18, at["y"] + 17 + 35 * k)

    page.get_by_role("tab", name="Marks").click()
    settle(page)
    tick_row(1)
    first = shown_mark(page)
    assert first is not None
    ring = click_ring(1)
    assert shown_mark(page) == ring != first
    tick_row(1)
    assert shown_mark(page) == first
    assert click_ring(1) == ring
    assert shown_mark(page) == ring
    other = click_ring(2)
    assert shown_mark(page) == other != ring
    no_error(page)

    # Another survey has other marks under the same numbers: nothing is chosen there.
    page.get_by_role("combobox", name=re.compile("Survey")).first.click()
    page.get_by_role("option", name=re.compile("intake")).click()
    assert shown_mark(page) is None
    page.get_by_text("Click a ring to read its row.").wait_for()


def test_tap_chooses_the_ring_under_the_finger(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    """Every tap chose the ring that had been tapped before it, and the first one none."""
    phone = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
        user_agent="Mozilla/5.0 (Linux; Android 14) Mobile",
    ).new_page()  # fmt: skip
    phone.set_default_timeout(60_000)
    phone.goto(f"{mapped_server}/map?job=1&plate=1&face=1&survey=2")
    headed(phone, "Map")
    plot = phone.locator(".js-plotly-plot").first
    plot.locator(".nsewdrag").first.wait_for(state="attached")
    plot.evaluate("e => e.scrollIntoView({block: 'center'})")
    lying_still(plot)
    for k in (0, 1):
        ring = apart(phone.evaluate(RINGS), 15)[k]
        phone.touchscreen.tap(ring["x"], ring["y"])
        phone.wait_for_timeout(1500)
        assert shown_mark(phone) == ring["mark"]
    no_error(phone)


def test_phone_shows_before_and_after_one_below_the_other(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    phone = browser.new_context(
        viewport={"width": 390, "height": 844}, user_agent="Mozilla/5.0 (Linux; Android 14) Mobile"
    ).new_page()
    phone.set_default_timeout(60_000)
    phone.goto(f"{mapped_server}/before_after?job=1&plate=1&face=1&survey=2")
    headed(phone, "Before and after")
    phone.locator(".js-plotly-plot image").nth(1).wait_for(state="attached")
    before, after = (phone.locator(".js-plotly-plot image").nth(k).bounding_box() for k in (0, 1))
    assert before["width"] > 250 and after["width"] > 250
    assert after["y"] > before["y"] + 0.9 * before["height"]
    no_error(phone)


@pytest.mark.long
def test_tablet_cuts_no_class_off(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    page = open_map(browser, mapped_server)
    page.set_viewport_size({"width": 820, "height": 1180})
    settle(page)
    cut_off = page.evaluate(
        "() => [...document.querySelectorAll('[data-testid=stMain] [data-testid=stButtonGroup], "
        "[data-testid=stMain] [data-testid=stButtonGroup] *')]"
        ".filter(e => e.scrollWidth > e.clientWidth + 2 && getComputedStyle(e).overflowX != 'visible')"
        ".map(e => e.innerText)"
    )
    assert cut_off == []


@pytest.mark.parametrize("width", [390, 1400])
def test_record_cuts_no_long_name_off(browser, width: int) -> None:  # type: ignore[no-untyped-def]
    job = {"reference": "a long reference of many words " * 4, "plate tag": "W" * 70}
    record = replace(report_fakes.make_record(surveys=1, with_plan=False), job=job)
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.set_content(record_html(record))
    ends = page.evaluate(
        "() => [...document.querySelectorAll('h1, dd')]"
        ".map(e => [e.getBoundingClientRect().right, e.scrollWidth - e.clientWidth])"
    )
    assert len(ends) > 3 and all(right <= width and hidden <= 0 for right, hidden in ends)


OVER_TITLES = """() => {
    const written = e => { const r = document.createRange(); r.selectNodeContents(e); return r; };
    const boxes = (what, of) => [...document.querySelectorAll(what)].map(e => [e, of(e).getBoundingClientRect()])
        .filter(([e, b]) => b.width > 0 && b.height > 0);
    const tools = boxes('[data-testid=stElementToolbar], .modebar-group', e => e);
    return boxes('h1, h2, h3, .gtitle, [role=tab]', written).filter(([e, b]) => tools.some(([t, a]) =>
        a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1
    )).map(([e]) => e.textContent);
}"""
"""What the tools of tables and charts lie over."""


ON_THE_PHONE = """() => {
    const box = what => document.querySelector('.js-plotly-plot ' + what).getBoundingClientRect();
    const [key, tools, all, face] = [box('.legend'), box('.modebar-container .modebar'), box('.main-svg'), box('.xtitle')];
    return {key_below_tools: key.top - tools.bottom, empty_px: all.bottom - face.bottom};
}"""
"""How far the key of the map stands under the chart's tools, and what is left under the map."""


def test_phone_map_has_its_key_clear_of_the_tools_and_no_gap_below(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    """ "narrowest sound metal" ran into the tools, and 200 px stood empty under the map."""
    phone = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
        user_agent="Mozilla/5.0 (Linux; Android 14) Mobile",
    ).new_page()  # fmt: skip
    phone.set_default_timeout(60_000)
    phone.goto(f"{mapped_server}/map?job=1&plate=1&face=1&survey=2")
    headed(phone, "Map")
    phone.locator(".js-plotly-plot .legend").first.wait_for(state="attached")
    phone.wait_for_timeout(1000)
    seen = phone.evaluate(ON_THE_PHONE)
    assert seen["key_below_tools"] >= 0 and seen["empty_px"] < 40, seen


@pytest.mark.long
def test_phone_cuts_no_statement_and_covers_no_title(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    phone = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
        user_agent="Mozilla/5.0 (Linux; Android 14) Mobile",
    ).new_page()  # fmt: skip
    phone.set_default_timeout(60_000)
    for path, title in (("map", "Map"), ("depth", "Depth"), ("plan", "Plan"), ("checklist", "Checklist")):
        phone.goto(f"{mapped_server}/{path}?job=1&plate=1&face=1&survey=2")
        headed(phone, title)
        phone.wait_for_timeout(1000)
        assert phone.evaluate(OVER_TITLES) == [], path
        no_error(phone)
    fields = phone.locator("textarea")
    assert fields.count() == 2
    for k in range(2):
        assert fields.nth(k).evaluate("e => e.scrollHeight <= e.clientHeight + 1"), fields.nth(
            k
        ).input_value()
