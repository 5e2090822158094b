"""The alarms page as people meet it: gloves, keyboard, no scripts, live, and two languages."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from service.alarms.model import Reading
from tests.ui.serving import ALARMS, alarms_of, serve
from tests.ui.test_pages_in_browser import TARGETS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

GONE = Reading(kind="source_lost", subject="belt-line-1", value=0.0, line="line-1", lot="L-0417")
LATER = Reading(kind="line_silent", subject="line-2", value=500, line="line-2", lot="L-0418")


class House:
    """A service whose readings can be changed while it runs."""

    def __init__(self) -> None:
        self.readings: tuple[Reading, ...] = ALARMS

    def prepare(self, ctx: Any) -> None:
        ctx.alarms.providers[:] = [lambda now_ms: self.readings]


@pytest.fixture
def house() -> House:
    return House()


@pytest.fixture
def alarms(house: House, tmp_path: Path, wall: Page) -> Iterator[Page]:
    """The page of a house with three alarms that nobody has acknowledged."""
    with serve(data_dir=tmp_path, prepare=house.prepare) as address:
        wall.goto(f"{address}/alarms?lang=en")
        wall.locator("#calling", has_text=re.compile("^3")).wait_for()
        yield wall
        wall.goto("about:blank")  # or its stream would hold the service up


def test_targets_on_the_alarms_page_are_for_wet_gloves(alarms: Page) -> None:
    """56 px, as proposed for floor pages; the rail above has 44."""
    found = [t for t in alarms.evaluate(TARGETS) if "rail" not in t[0] and "units=" not in t[0]
             and "lang=" not in t[0] and 'id="freeze"' not in t[0]
             and not re.match(r'<a class="rail|<a href="/alarms\?', t[0])]
    assert len(found) > 10
    assert [t for t in found if min(t[1:]) < 56] == []


def test_an_alarm_is_acknowledged_by_keyboard_and_the_name_is_kept(alarms: Page) -> None:
    alarms.focus("#person")
    alarms.keyboard.type("M. Orrin")
    alarms.keyboard.press("Enter")  # must not press the first button that stands somewhere
    assert alarms.get_by_role("alert").count() == 0
    for _ in range(40):
        alarms.keyboard.press("Tab")
        if alarms.evaluate("document.activeElement.id").startswith("acknowledge-"):
            break
    pressed = alarms.evaluate("document.activeElement.value")
    outline = alarms.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert float(outline.removesuffix("px")) >= 2
    alarms.keyboard.press("Enter")
    alarms.locator("#calling", has_text=re.compile("^2")).wait_for()
    assert alarms.locator(f"#acknowledge-{pressed}").count() == 0
    assert alarms.input_value("#person") == "M. Orrin"
    alarms.locator(f"#see-{pressed}").click()
    row = alarms.locator("tbody tr").nth(1).inner_text()
    assert "acknowledged" in row
    assert "M. Orrin" in row


def test_shelving_without_a_reason_is_refused_beside_what_was_typed(alarms: Page) -> None:
    alarms.fill("#person", "M. Orrin")
    alarms.get_by_role("button", name=re.compile("^Shelve Message broker lost")).click()
    assert "Say why" in alarms.get_by_role("alert").inner_text()
    assert alarms.input_value("#person") == "M. Orrin"
    alarms.fill("#reason", "cable is being laid")
    alarms.select_option("#minutes", "60")
    alarms.check("[name=one_shot]")
    alarms.get_by_role("button", name=re.compile("^Shelve Message broker lost")).click()
    aside = alarms.locator("section", has=alarms.locator("#aside"))
    assert "shelved" in aside.inner_text()
    assert "or until it clears" in aside.inner_text()
    assert alarms.locator("#calling").inner_text().startswith("2")


def test_a_new_alarm_appears_by_itself_and_freeze_holds_it_back(
    alarms: Page, house: House
) -> None:
    """It is in the header too, which says it to a screen reader (WCAG 4.1.3)."""
    assert alarms.locator("#calling").get_attribute("role") == "status"
    house.readings = (*ALARMS, LATER)
    alarms.get_by_role("heading", name=re.compile("line-2")).wait_for()
    assert alarms.locator("#calling").inner_text().startswith("4")
    alarms.click("#freeze")
    house.readings = ALARMS
    with alarms.expect_response("**/alarms/events"):
        alarms.click("#freeze")


def test_a_press_is_not_lost_because_the_picture_changes_under_it(alarms: Page) -> None:
    """The finger stays down while several pictures come."""
    alarms.fill("#person", "M. Orrin")
    shown = alarms.locator(".asof time").inner_text()
    alarms.locator(".asof time", has_text=re.compile(f"^(?!{re.escape(shown)})")).wait_for()
    alarms.evaluate("""() => {
      window.swaps = 0;
      new MutationObserver(() => { window.swaps += 1; }).observe(
        document.getElementById('main'), { childList: true });
      window.came = new Promise((done) => {
        new EventSource('/alarms/events').addEventListener('picture', (() => {
          let n = 0; return () => { n += 1; if (n === 3) done(); }; })());
      });
    }""")
    # Only now: a slow machine says meanwhile that the page is old, which moves what is below.
    box = alarms.get_by_role("button", name=re.compile("^Acknowledge Message")).bounding_box()
    assert box is not None
    alarms.mouse.move(box["x"] + 20, box["y"] + 20)
    alarms.mouse.down()
    before = alarms.evaluate("window.swaps")
    alarms.evaluate("window.came")
    assert alarms.evaluate("window.swaps") == before
    with alarms.expect_navigation():
        alarms.mouse.up()
    assert alarms.locator("#calling").inner_text().startswith("2")


def test_without_scripts_the_form_works(browser: Browser, tmp_path: Path) -> None:
    with (serve(data_dir=tmp_path, prepare=alarms_of(*ALARMS)) as address,
          browser.new_context(java_script_enabled=False) as plain):
        page = plain.new_page()
        page.goto(f"{address}/alarms?lang=es")
        while "El disco no acepta fruta" not in page.inner_text("main"):
            page.reload()
        assert page.locator("#freeze").is_hidden()
        button = page.get_by_role("button", name=re.compile("^Confirmar El disco"))
        button.click()
        assert "Diga su nombre" in page.get_by_role("alert").inner_text()
        page.fill("#person", "Núria Vidal")
        button.click()
        assert page.input_value("#person") == "Núria Vidal"
        assert page.get_by_role("button", name=re.compile("^Confirmar El disco")).count() == 0
