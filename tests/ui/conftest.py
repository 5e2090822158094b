"""One filled service and one browser for all page tests."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.support.browser import open_browser
from tests.ui.serving import ALARMS, alarms_of, fill, serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


# Of this folder only: while the browser's plain interface is open, its event loop counts as
# running, and no test after it could run one of its own.
@pytest.fixture(scope="package")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with serve(data_dir=tmp_path_factory.mktemp("pages"), prepare=alarms_of(*ALARMS)) as found:
        fill(address=found)
        yield found


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    with open_browser() as found:
        yield found


@pytest.fixture
def complaints() -> list[str]:
    """What the browser complained about; a page test that sees one fails."""
    return []


@pytest.fixture
def wall(browser: Browser, complaints: list[str]) -> Iterator[Page]:
    """A page on a 1080p wall screen."""
    page = browser.new_page(viewport={"width": 1920, "height": 1080}, locale="en-US")
    page.on("console", lambda m: complaints.append(m.text) if m.type in (
        "error", "warning") else None)
    page.on("pageerror", lambda e: complaints.append(str(e)))
    yield page
    page.context.close()
    page.close()
