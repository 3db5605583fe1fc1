"""What every page has to have in a browser: a title of its own, words for its pictures, nothing fetched from outside."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from browser_steps import go, headed, no_error, settle, write

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PLACE = "job=1&plate=1&face=1&survey=1"
PICTURES = "[data-testid=stMain] img:visible, [data-testid=stPlotlyChart]:visible"
OUTLINE = """e => { const s = getComputedStyle(e);
    return s.outlineStyle === "none" ? [] : [parseFloat(s.outlineWidth), ...s.outlineColor.match(/\\d+/g).map(Number)] }"""
WITHOUT_WORDS = """() => [...document.querySelectorAll("[data-testid=stMain] img, [data-testid=stPlotlyChart]")]
    .filter(e => !(e.alt || e.getAttribute("aria-label") || e.querySelector("[aria-label]")?.ariaLabel))
    .map(e => e.outerHTML.slice(0, 200))"""


def test_pages_have_titles_and_words_for_pictures_and_fetch_nothing(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    page = browser.new_page()
    fetched: list[str] = []
    page.on("request", lambda request: fetched.append(request.url))
    page.goto(f"{mapped_server}/photos?{PLACE}")
    headed(page, "Photos")
    for title in ("Photos", "Alignment", "Map", "Depth", "Before and after", "Drawing"):
        if title != "Photos":
            go(page, title)
        assert page.title() == f"{title} - pitmap"
        page.locator(PICTURES).first.wait_for()
        settle(page)
        assert page.evaluate(WITHOUT_WORDS) == [], title
        no_error(page)
    ours = (mapped_server, mapped_server.replace("http", "ws", 1), "data:", "blob:")
    assert [url for url in fetched if not url.startswith(ours)] == []


def test_photo_to_pick_on_has_nothing_empty_under_it_on_a_phone(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    """Its frame stood at 825 px for a picture of 269: the list of openings was a screen further down."""
    phone = browser.new_page(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    phone.goto(f"{mapped_server}/alignment?{PLACE}")
    headed(phone, "Alignment")
    phone.get_by_role("tab", name="Pick places by hand").tap()
    photo = phone.frame_locator("iframe").first.locator("img")
    photo.wait_for()
    settle(phone)
    frame, shown = phone.locator("iframe").first.bounding_box(), photo.bounding_box()
    assert shown["height"] <= frame["height"] <= shown["height"] + 2
    no_error(phone)
    phone.close()


def test_what_is_typed_and_not_sent_outlives_a_switch_of_the_units(browser, small_server: str) -> None:  # type: ignore[no-untyped-def]
    """The browser alone holds it; it dropped it with the field, which had the units of the page in its name."""
    page = browser.new_page(viewport={"width": 1400, "height": 1000})
    for place, opened, typed in (
        ("plan", "Limit sheet of this face", {"Least thickness of the plate": "13.9 mm"}),
        ("plan", "Rotor housing that goes on this face", {"Dip of the rotor housing's face": "21 um"}),
        ("depth", "", {"Reading": "3 thou", "x, mm": "14", "y, mm": "0"}),
        ("jobs", "New survey", {"How far off may that be, either way?": "2 um"}),
    ):
        page.goto(f"{small_server}/{place}?{PLACE}")
        headed(page, place.capitalize())
        if opened:
            page.get_by_text(opened).first.click()
        for label, text in typed.items():
            write(page, label, text)
        page.get_by_text("inch, thou").first.click()
        settle(page)
        held = {label: page.get_by_role("textbox", name=label).first.input_value() for label in typed}
        assert held == typed
        page.get_by_text("mm, um").first.click()
        settle(page)
    page.close()


@pytest.mark.long
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")
def test_printed_page_holds_what_stands_at_the_right_of_a_wide_screen(  # type: ignore[no-untyped-def]
    browser, mapped_server: str, tmp_path: Path
) -> None:
    page = browser.new_context(viewport={"width": 1920, "height": 1000}).new_page()
    page.goto(f"{mapped_server}/before_after?{PLACE}")
    headed(page, "Before and after")
    legends = page.locator(".legendtext").filter(has_text="seal land")
    legends.last.wait_for()
    settle(page)
    for paper in ("A4", "Letter"):
        page.pdf(path=str(tmp_path / "page.pdf"), format=paper, prefer_css_page_size=True)
        said = subprocess.run(
            ["pdftotext", "-layout", str(tmp_path / "page.pdf"), "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        # what is cut off is not in the file; the legends stand at the right end of the charts
        assert said.count("seal land") == legends.count() > 0
        assert "For paper take the PDF of the Record page." in said
        assert "Checklist" not in said, "the side bar takes a quarter of the paper"


def luminance(rgb: list[float]) -> float:
    """Relative luminance of sRGB, 0 to 1 (W3C, Web Content Accessibility Guidelines 2.2, definition)."""
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (c / 255 for c in rgb)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.long
def test_keyboard_shows_where_it_is(browser, mapped_server: str) -> None:  # type: ignore[no-untyped-def]
    page = browser.new_context(viewport={"width": 1400, "height": 1000}).new_page()
    page.goto(f"{mapped_server}/depth?{PLACE}")
    headed(page, "Depth")
    page.locator("[data-testid=stDataFrame]:visible").first.wait_for()
    settle(page)
    marked = {
        "Plan": ":focus",
        "The needle did not reach the floor (at least this deep)": "label:has(:focus)",
        "Show/hide columns": "[data-testid=stElementToolbar]:has(:focus)",
    }
    for _ in range(80):
        page.keyboard.press("Tab")
        name = page.evaluate(
            "(e => (e.ariaLabel || e.innerText || '').trim().split('\\n').pop())(document.activeElement)"
        )
        if name not in marked:
            continue
        place = page.locator(marked.pop(name)).last
        if name == "Show/hide columns":
            assert place.evaluate("e => getComputedStyle(e).opacity") == "1"
            break
        width, *colour = place.evaluate(OUTLINE)
        # success criterion 1.4.11: 3 to 1 against what lies beside it; the side bar's #f8f8f6 is the darkest ground
        assert width >= 2
        assert (luminance([0xF8, 0xF8, 0xF6]) + 0.05) / (luminance(colour[:3]) + 0.05) >= 3
    assert not marked


def test_items_of_the_checklist_are_read_to_their_end_on_a_phone(browser, small_server: str) -> None:  # type: ignore[no-untyped-def]
    page = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True).new_page()
    page.goto(f"{small_server}/checklist?{PLACE}")
    headed(page, "Checklist")
    item = page.get_by_text("Ask for its history: earlier lapping, reshaped ports, studs, dowels").first
    item.wait_for()
    settle(page)
    label, words = (
        page.locator("[data-testid=stCheckbox]").filter(has=item).bounding_box(),
        item.bounding_box(),
    )
    assert words["x"] + words["width"] <= label["x"] + label["width"] + 1
