"""The whole job in a real browser: new job, photos, alignment by hand, correction, readings, plan, compare, record."""

from __future__ import annotations

from pathlib import Path

import pytest
from browser_steps import (
    SLOW_MS,
    choose,
    go,
    headed,
    new_survey,
    no_error,
    picture,
    seen,
    settle,
    upload_and_map,
    write,
)

from pitmap.drawing import load_shipped

pytestmark = [pytest.mark.browser, pytest.mark.slow]
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


def test_whole_job(page, samples: Path, tmp_path_factory: pytest.TempPathFactory) -> None:  # type: ignore[no-untyped-def]
    shots = tmp_path_factory.mktemp("shots")
    page.get_by_role("button", name="Load the sample job").wait_for()

    # A new job of a plate with one shipped drawing.
    page.get_by_role("tab", name="New job").click()
    write(page, "Customer's reference", "order 7")
    write(page, "Plate tag", "T-12")
    choose(page, "Drawing of face A", "heron40_intermediate_a")
    page.get_by_role("button", name="Start the job").click()
    page.get_by_role("heading", name="Plate T-12").wait_for()

    new_survey(page, "intake", "")
    upload_and_map(page, samples / "a_intake" / "photo.jpg")
    no_error(page)
    picture(page, "map_intake", shots)

    new_survey(page, "light test lap", "22 um")
    upload_and_map(page, samples / "a_test_lap" / "photo.jpg")
    no_error(page)

    # A stroke of the brush, and its trace in the list of corrections.
    page.get_by_role("radio", name="brush").click()
    settle(page)
    box = page.locator(".js-plotly-plot .nsewdrag").first.bounding_box()
    x, y = box["x"] + 0.5 * box["width"], box["y"] + 0.12 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(12):
        page.mouse.move(x + 6 * k, y + 8 * (k % 3))
    page.mouse.up()
    seen(page, "Now say what it is")
    write(page, "Why", "oil, wiped off")
    picture(page, "brush", shots)
    page.get_by_role("button", name="Change the map").click()
    seen(page, "sound, oil, wiped off")
    no_error(page)

    # A correction by hand, typed as corners, then undone.
    write(page, "Or type the corners in mm", "-10 60, 10 60, 10 70, -10 70")
    write(page, "Why", "marker pen, not a pit")
    page.get_by_role("button", name="Change the map").click()
    seen(page, "sound, marker pen, not a pit")
    no_error(page)
    page.get_by_role("button", name="Undo the last change").click()
    playwright.expect(page.get_by_text("sound, marker pen, not a pit")).to_have_count(0, timeout=SLOW_MS)

    # Alignment by hand: four holes clicked where the found alignment says they are.
    go(page, "Alignment")
    seen(page, "Lies within")
    no_error(page)
    picture(page, "alignment", shots)

    go(page, "Depth")
    # the picture numbers pits only; mark 1 may be uncut metal, which has no depth to read
    numbers = page.locator(".scatterlayer .textpoint text")
    numbers.first.wait_for(timeout=SLOW_MS)
    write(page, "Mark number", next(n for n in numbers.all_text_contents() if n.isdigit()))
    write(page, "Reading", "2 thou")
    page.get_by_role("button", name="Keep the reading").click()
    seen(page, "Readings of this survey: 1")
    no_error(page)

    go(page, "Plan")
    seen(page, "Take off how much?")
    page.get_by_text("not judged").first.wait_for()
    no_error(page)
    picture(page, "plan", shots)

    go(page, "Before and after")
    seen(page, "Pits:")
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
    button = page.get_by_role("button", name="Map the face with this alignment")
    button.wait_for(timeout=SLOW_MS)
    settle(page)
    no_error(page)
    # pressed again while the face is being mapped: it is mapped once, beside the two surveys mapped before
    button.evaluate("b => { b.click(); setTimeout(() => b.click(), 700) }")
    headed(page, "Map")
    go(page, "Jobs")
    page.get_by_text("This plate's whole life").click()
    seen(page, "map added")
    assert page.get_by_text("map added").count() == 3


def test_phone_width_fits(page, server: str) -> None:  # type: ignore[no-untyped-def]
    page.set_viewport_size({"width": 390, "height": 844})
    for path in ("map", "plan", "jobs"):
        page.goto(f"{server}/{path}?job=1&plate=1&face=1&survey=2")
        page.locator("h1").first.wait_for(timeout=SLOW_MS)
        settle(page)
        too_wide = page.evaluate("() => document.documentElement.scrollWidth > window.innerWidth + 2")
        assert not too_wide, path
        no_error(page)
