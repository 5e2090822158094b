"""The board with findings on it: all of it on one screen, in words, in both languages."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx2 as httpx
import pytest

from tests.support.line import minutes, register
from tests.ui.serving import serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser

COUNT, AT = 70, 48
SIZES = {"wall": (1920, 1080), "tablet": (1280, 800)}


def test_two_findings_fit_one_screen(browser: Browser, tmp_path: Path) -> None:
    """Lane 5 reads 5 mm more and the others 3 mm more from minute 48 on: two findings at once."""
    start_ms = time.time_ns() // 1_000_000 - (COUNT + 2) * 60_000
    shift = dict.fromkeys(range(1, 9), 3.0) | {5: 5.0}
    fruit = minutes(count=COUNT, start_ms=start_ms, shift=shift, shift_from=AT)
    with serve(data_dir=tmp_path) as address, httpx.Client(base_url=address, timeout=60) as client:
        def post(path: str, body: Any) -> Any:
            answer = client.post(path, json=body)
            assert answer.is_success, answer.text
            return answer.json()

        headers = register(post)
        for k in range(0, len(fruit), 10_000):
            answer = client.post("/v1/records?source=belt-line-1&run=r1", headers=headers,
                                 json=fruit[k:k + 10_000])
            assert answer.status_code == 201, answer.text
        assert len(client.get("/v1/lines/line-1/findings?current=true").json()["findings"]) >= 2
        for lang, words in (("en", "Lane 5 reads diameter"), ("es", "El carril 5 lee diámetro")):
            for name, (width, height) in SIZES.items():
                page = browser.new_page(viewport={"width": width, "height": height})
                page.goto(f"{address}/lines/line-1?lang={lang}")
                said = page.locator(".board-findings").inner_text()
                assert words in said, (lang, name)
                assert page.locator(".board-findings .finding-caution").count() == 2
                assert page.evaluate("document.documentElement.scrollHeight") <= height, (
                    lang, name)
                assert page.evaluate("document.documentElement.scrollWidth") <= width
                page.close()
