"""The system's Chromium for page tests: Playwright drives it, and downloads none of its own."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Browser

NO_CHROMIUM = "no `chromium` on PATH (on Debian: apt-get install chromium)"


def chromium_path() -> str | None:
    """Where Chromium is, or None."""
    return shutil.which("chromium")


@contextmanager
def open_browser() -> Iterator[Browser]:
    """A headless Chromium, closed on leaving. Raises RuntimeError where there is none."""
    from playwright.sync_api import sync_playwright

    path = chromium_path()
    if path is None:
        raise RuntimeError(NO_CHROMIUM)
    # Chromium refuses its sandbox to root, and a container's /dev/shm may be tiny.
    args = ["--disable-dev-shm-usage", *(["--no-sandbox"] if os.geteuid() == 0 else [])]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, headless=True, args=args)
        try:
            yield browser
        finally:
            browser.close()
