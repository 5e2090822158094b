"""A moved cut on the screens of a line: the form, the banner that fits the board, and the one
click that reverts it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

import httpx2 as httpx
import pytest

from tests.support.line import minutes, register
from tests.ui.serving import serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with serve(data_dir=tmp_path_factory.mktemp("cuts")) as address:
        with httpx.Client(base_url=address, timeout=60) as client:
            headers = register(
                lambda path, body: client.post(path, json=body).raise_for_status().json())
            start_ms = round(time.time() * 1000) // 60_000 * 60_000 - 25 * 60_000
            client.post("/v1/records", params={"source": "belt-line-1", "run": "1"},
                        json=minutes(count=24, start_ms=start_ms, shift={5: 1.5}, shift_from=12),
                        headers=headers).raise_for_status()
        yield address


@pytest.fixture
def tablet(browser: Browser) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": 1280, "height": 800}, locale="en-US")
    page.set_default_timeout(60_000)
    yield page
    page.close()


def test_a_cut_is_moved_shown_and_reverted_by_one_click(house: str, tablet: Page) -> None:
    tablet.goto(f"{house}/lines?lang=en")
    tablet.get_by_text("Move a cut for a time").click()
    tablet.get_by_label("Cut", exact=True).select_option(label="Diameter: 63.5\u202fmm (S | M)")
    tablet.get_by_label("New value").fill("90")
    tablet.get_by_label("Reason").fill("To finish order 88")
    tablet.get_by_label("Moved by").fill("M. Orrin")
    tablet.get_by_role("button", name="Move the cut").click()
    assert "between 57.15 and 69.85 mm" in tablet.get_by_role("alert").inner_text()
    assert tablet.get_by_label("Reason").input_value() == "To finish order 88"
    tablet.get_by_label("New value").fill("62,0")
    tablet.get_by_role("button", name="Move the cut").click()
    banner = tablet.locator(".cut-banner")
    assert "Changed cut in force: Diameter 63.5\u202fmm → 62\u202fmm" in banner.inner_text()
    assert "M. Orrin: To finish order 88" in banner.inner_text()

    for lang, said in (("es", "Límite cambiado en vigor"), ("en", "Changed cut in force")):
        for width, height in ((1920, 1080), (1280, 800)):
            tablet.set_viewport_size({"width": width, "height": height})
            tablet.goto(f"{house}/lines/line-1?lang={lang}")
            assert said in tablet.locator(".board-findings .cut-banner").inner_text()
            needs = tablet.evaluate("() => [document.documentElement.scrollWidth,"
                                    " document.documentElement.scrollHeight]")
            assert needs[0] <= width and needs[1] <= height, (lang, width, needs)
            assert tablet.locator(".finding").count() > 1  # a lane's, too
            assert "62" in tablet.locator(".hist-cut-label").all_text_contents()
    tablet.goto(f"{house}/lots/L-0417")
    assert "Changed cut in force" in tablet.locator(".cut-banner").inner_text()

    tablet.get_by_role("link", name="What it did").click()
    button = tablet.get_by_role("button", name="Revert now")
    box = button.bounding_box()
    assert box is not None and box["height"] >= 56
    button.click()
    assert "reverted" in tablet.locator(".cut-banner").inner_text()
    assert button.count() == 0
    assert "No fruit has been graded under it." in tablet.content()
    tablet.goto(f"{house}/lines/line-1")
    assert tablet.locator(".cut-banner").count() == 0
