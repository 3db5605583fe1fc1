"""The drawing editor in a real browser: drag with a mouse, tap with a finger, type, take back, keep."""

from __future__ import annotations

import pytest
from browser_steps import SLOW_MS, headed, no_error, picture, seen, settle, write

from pitmap.drawing import load_shipped
from pitmap.drawing.edit import circle_of, opening_named
from pitmap.review.screens.drawing_figure import whole_plate

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.long]
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

PLATE = "heron40_intermediate_a"
PAGE = "drawing?job=1&plate=1&face=1"


def change_it(page) -> None:  # type: ignore[no-untyped-def]
    headed(page, "Drawing")
    page.get_by_text("Change it").first.click()
    page.frame_locator("iframe").first.locator("img").wait_for(timeout=SLOW_MS)
    settle(page)


def on_picture(page, x_mm: float, y_mm: float):  # type: ignore[no-untyped-def]
    """Where a place of the whole plate stands in the picture, in pixels as shown, and the picture."""
    image = page.frame_locator("iframe").first.locator("img")
    image.scroll_into_view_if_needed()
    box = image.bounding_box()
    grid = whole_plate(load_shipped(PLATE)).grid()
    x, y = (grid.mm_to_px([x_mm, y_mm]) + 0.5) * box["width"] / grid.n_cols
    return image, box, float(x), float(y)


def drag(page, begin: tuple[float, float], end: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    _, box, x0, y0 = on_picture(page, *begin)
    _, _, x1, y1 = on_picture(page, *end)
    page.mouse.move(box["x"] + x0, box["y"] + y0)
    page.mouse.down()
    page.mouse.move(box["x"] + (x0 + x1) / 2, box["y"] + (y0 + y1) / 2)
    page.mouse.move(box["x"] + x1, box["y"] + y1)
    page.mouse.up()


def value(page, label: str) -> float:  # type: ignore[no-untyped-def]
    return float(page.get_by_role("textbox", name=label, exact=True).first.input_value())


def test_drag_type_undo_keep(page, server: str, tmp_path_factory: pytest.TempPathFactory) -> None:  # type: ignore[no-untyped-def]
    shots = tmp_path_factory.mktemp("editor")
    page.get_by_role("button", name="Load the sample job").click(timeout=SLOW_MS)
    settle(page)
    page.goto(f"{server}/{PAGE}")
    change_it(page)

    # A hole dragged by (5, 4) mm goes there, as near as a pixel of the picture is.
    circle = circle_of(opening_named(load_shipped(PLATE), "bolt_03").polygon)
    assert circle is not None
    drag(page, (circle.x_mm, circle.y_mm), (circle.x_mm + 5, circle.y_mm + 4))
    seen(page, "bolt_03 moved to")
    settle(page)
    assert value(page, "Centre x, mm") == pytest.approx(circle.x_mm + 5, abs=0.8)
    assert value(page, "Centre y, mm") == pytest.approx(circle.y_mm + 4, abs=0.8)
    picture(page, "dragged", shots)

    # Typed exactly, then both taken back.
    write(page, "Centre x, mm", "71.5")
    write(page, "Centre y, mm", "67.25")
    page.get_by_role("button", name="Set", exact=True).click()
    seen(page, "2 changes not kept yet")
    settle(page)
    assert (value(page, "Centre x, mm"), value(page, "Centre y, mm")) == (71.5, 67.25)
    for text in ("1 change not kept yet", "No changes"):
        page.get_by_role("button", name="Undo").click()
        seen(page, text)
        settle(page)
    assert value(page, "Centre x, mm") == pytest.approx(circle.x_mm, abs=1e-3)

    # A hole more, by a press, with a typed diameter; kept and there after a reload.
    page.get_by_text("Add a hole", exact=True).first.click()
    settle(page)
    write(page, "Diameter, mm", "9")
    page.keyboard.press("Tab")
    settle(page)
    image, _, x, y = on_picture(page, 95.0, -72.0)
    image.click(position={"x": x, "y": y})
    seen(page, "bolt_19 added")
    settle(page)
    page.get_by_role("button", name="Keep this drawing").click()
    seen(page, "Drawing kept")
    no_error(page)
    page.goto(f"{server}/{PAGE}")
    headed(page, "Drawing")
    seen(page, "42 openings")
    no_error(page)


def test_phone_tap_then_place(browser, sample_server: str, tmp_path_factory: pytest.TempPathFactory) -> None:  # type: ignore[no-untyped-def]
    shots = tmp_path_factory.mktemp("editor_phone")
    phone = browser.new_page(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True, device_scale_factor=2
    )
    phone.set_default_timeout(60_000)
    phone.goto(f"{sample_server}/{PAGE}")
    change_it(phone)
    circle = circle_of(opening_named(load_shipped(PLATE), "dowel_a").polygon)
    assert circle is not None
    image, _, x, y = on_picture(phone, circle.x_mm, circle.y_mm)
    image.tap(position={"x": x, "y": y})
    phone.get_by_role("button", name="Put it where I press next").tap(timeout=SLOW_MS)
    settle(phone)
    image, _, x, y = on_picture(phone, circle.x_mm + 3, circle.y_mm - 2)
    image.tap(position={"x": x, "y": y})
    seen(phone, "dowel_a moved to")
    settle(phone)
    picture(phone, "phone", shots)
    assert not phone.evaluate("() => document.documentElement.scrollWidth > window.innerWidth + 2")
    no_error(phone)
    phone.close()
