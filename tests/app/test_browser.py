"""The whole job in a real browser: new job, photos, alignment by hand, correction, readings, plan, compare, record."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pitmap.drawing import load_shipped

pytestmark = [pytest.mark.browser, pytest.mark.slow]
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
SLOW_MS = 180_000


@pytest.fixture(scope="module")
def page(server: str, chromium: str) -> Iterator[object]:
    with playwright.sync_playwright() as p:
        browser = p.chromium.launch(
            executable_path=chromium,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--disable-background-networking",
                "--disable-sync",
            ],
        )
        page = browser.new_page(viewport={"width": 1400, "height": 1000}, accept_downloads=True)
        page.set_default_timeout(60_000)
        page.goto(server)
        yield page
        browser.close()


def go(page, title: str) -> None:  # type: ignore[no-untyped-def]
    page.get_by_test_id("stSidebarNavLink").filter(
        has_text=re.compile(rf"^\W*(\w*_?)*{title}$")
    ).first.click()
    page.locator("h1", has_text=title).wait_for()
    settle(page)


def settle(page) -> None:  # type: ignore[no-untyped-def]
    page.wait_for_timeout(400)
    page.wait_for_function("() => !document.querySelector('[data-testid=stStatusWidget]')", timeout=SLOW_MS)


def no_error(page) -> None:  # type: ignore[no-untyped-def]
    assert "Traceback" not in page.inner_text("body")
    errors = page.locator("[data-testid=stAlertContentError]")
    assert errors.count() == 0, errors.first.inner_text()


def picture(page, name: str, tmp: Path) -> None:  # type: ignore[no-untyped-def]
    page.screenshot(path=str(tmp / f"{name}.png"), full_page=True)


def write(page, label: str, text: str) -> None:  # type: ignore[no-untyped-def]
    page.get_by_role("textbox", name=label, exact=True).first.fill(text)


def choose(page, label: str, option: str) -> None:  # type: ignore[no-untyped-def]
    page.get_by_role("combobox", name=label, exact=True).first.click()
    page.get_by_role("option", name=option, exact=True).first.click()


def new_survey(page, stage_words: str, removed: str) -> None:  # type: ignore[no-untyped-def]
    go(page, "Jobs")
    page.get_by_text("New survey").first.click()
    choose(page, "Stage", stage_words)
    if removed:
        write(page, "Stock taken off so far", removed)
    page.get_by_role("button", name="Add the survey").first.click()
    page.locator("h1", has_text="Photos").wait_for()
    settle(page)


def upload_and_map(page, photo: Path) -> None:  # type: ignore[no-untyped-def]
    page.locator("input[type=file]").first.set_input_files(str(photo))
    page.get_by_role("button", name="Map this face").wait_for(timeout=SLOW_MS)
    settle(page)
    page.get_by_role("button", name="Map this face").click()
    page.locator("h1", has_text=re.compile("^Map$")).wait_for(timeout=SLOW_MS)
    settle(page)


def test_whole_job(page, samples: Path, tmp_path_factory: pytest.TempPathFactory) -> None:  # type: ignore[no-untyped-def]
    shots = tmp_path_factory.mktemp("shots")
    page.get_by_role("button", name="Load the sample job").wait_for()

    # A new job of a plate with one shipped drawing.
    page.get_by_role("tab", name="New job").click()
    write(page, "Customer's reference", "order 7")
    write(page, "Plate tag", "T-12")
    choose(page, "Drawing", "heron40_intermediate_a")
    page.get_by_role("button", name="Start the job").click()
    page.get_by_role("heading", name="Plate T-12").wait_for()

    new_survey(page, "intake", "")
    upload_and_map(page, samples / "a_intake" / "photo.jpg")
    no_error(page)
    picture(page, "map_intake", shots)

    new_survey(page, "after the test lap", "22 um")
    upload_and_map(page, samples / "a_test_lap" / "photo.jpg")
    no_error(page)

    # A correction by hand, typed as corners, then undone.
    page.get_by_text("Correct the map by hand").click()
    write(page, "Or type the corners in mm", "-10 60, 10 60, 10 70, -10 70")
    write(page, "Why", "marker pen, not a pit")
    page.get_by_role("button", name="Change the map").click()
    page.get_by_text("sound, marker pen, not a pit").wait_for(timeout=SLOW_MS)
    no_error(page)
    page.get_by_role("button", name="Undo the last change").click()
    playwright.expect(page.get_by_text("sound, marker pen, not a pit")).to_have_count(0, timeout=SLOW_MS)

    # Alignment by hand: four holes clicked where the found alignment says they are.
    go(page, "Alignment")
    page.get_by_text("Lies within").first.wait_for(timeout=SLOW_MS)
    no_error(page)
    picture(page, "alignment", shots)

    go(page, "Depth")
    write(page, "Mark number", "1")
    write(page, "Reading", "2 thou")
    page.get_by_role("button", name="Keep the reading").click()
    page.get_by_text("Readings of this survey: 1").wait_for(timeout=SLOW_MS)
    no_error(page)

    go(page, "Plan")
    page.get_by_text("Take off how much?").wait_for(timeout=SLOW_MS)
    page.get_by_text("not judged").first.wait_for()
    no_error(page)
    picture(page, "plan", shots)

    go(page, "Before and after")
    page.get_by_text("Pits:").wait_for(timeout=SLOW_MS)
    no_error(page)
    picture(page, "before_after", shots)

    go(page, "Record")
    with page.expect_download(timeout=SLOW_MS) as download:
        page.get_by_role("button", name="PDF").click(timeout=SLOW_MS)
    path = shots / "record.pdf"
    download.value.save_as(path)
    assert path.read_bytes().startswith(b"%PDF")
    no_error(page)


def click_photo(page, at, then: str) -> None:  # type: ignore[no-untyped-def]
    """Click a place given as a share of the picture's width; the picture may still be loading at the first try."""
    for _ in range(5):
        page.wait_for_timeout(1500)
        image = page.frame_locator("iframe").first.locator("img")
        width = image.bounding_box()["width"]
        image.click(position={"x": float(at[0]) * width, "y": float(at[1]) * width})
        try:
            page.get_by_text(then).wait_for(timeout=15_000)
            return
        except playwright.TimeoutError:
            continue
    raise AssertionError(f"clicking the photo did not lead to {then!r}")


def test_picked_places_snap(page, samples: Path) -> None:  # type: ignore[no-untyped-def]

    from pitmap.photo import read_photo
    from pitmap.pipeline import align

    drawing = load_shipped("heron40_intermediate_a")
    photo = read_photo(samples / "a_test_lap" / "photo.jpg")
    truth = align(photo, drawing)
    go(page, "Alignment")
    page.get_by_role("tab", name="Pick places by hand").click()
    bolts = [o for o in drawing.openings if o.kind in ("bolt", "dowel")]
    corners = [(-1, 1), (1, 1), (1, -1), (-1, -1)]
    chosen = {
        max(bolts, key=lambda o, c=c: c[0] * o.polygon.centroid.x + c[1] * o.polygon.centroid.y).name
        for c in corners
    }
    by_name = {o.name: o for o in bolts}
    for k, name in enumerate(sorted(chosen)):
        box = page.get_by_role("combobox", name="Opening", exact=True)
        box.click()
        box.fill(name)
        page.keyboard.press("Enter")
        settle(page)
        at = truth.mm_to_px([by_name[name].polygon.centroid.x, by_name[name].polygon.centroid.y])
        click_photo(page, at / photo.rgb.shape[1], f"{k + 1} picked")
    page.get_by_role("button", name="Map the face with this alignment").wait_for(timeout=SLOW_MS)
    no_error(page)


def test_phone_width_fits(page, server: str) -> None:  # type: ignore[no-untyped-def]
    page.set_viewport_size({"width": 390, "height": 844})
    for path in ("map", "plan", "jobs"):
        page.goto(f"{server}/{path}?job=1&plate=1&face=1&survey=2")
        page.locator("h1").first.wait_for(timeout=SLOW_MS)
        settle(page)
        too_wide = page.evaluate("() => document.documentElement.scrollWidth > window.innerWidth + 2")
        assert not too_wide, path
        no_error(page)
