"""The pages of alarms over HTTP: states and what may be done, forms, history, the count on top."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.alarms.model import Reading
from service.live import READERS_MAX
from tests.support.alarm_service import House, culls, disk, house

HTML = {"accept": "text/html"}


@pytest.fixture
def raised(tmp_path: Path) -> Iterator[House]:
    """An urgent alarm about the disk (1) and one about culls on line-1 (2)."""
    with house(tmp_path) as found:
        found.read(culls(0.2), disk(0.97), seconds=62)
        yield found


def _text(house: House, path: str, **query: str) -> str:
    answer = house.client.get(path, params=query, headers=HTML)
    assert answer.status_code == 200, answer.text
    return _plain(answer.text)


def _plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html)).replace("\u202f", " ")


def _press(house: House, button: str, alarm: int, **fields: str) -> Any:
    return house.client.post(
        "/alarms", data={"person": "M. Orrin", "reason": "", "minutes": "15", button: str(alarm),
                         **fields}, headers=HTML, follow_redirects=False)


def _buttons(house: House) -> set[str]:
    found = house.client.get("/alarms", headers=HTML).text
    return set(re.findall(r'<button class="button" id="([a-z_]+-\d+)"', found))


def test_the_page_says_what_to_do_and_by_when(raised: House) -> None:
    text = _text(raised, "/alarms")
    for wanted in (
        "Urgent Data disk nearly full · data not acknowledged",
        "The data disk is 97.0 % full (limit 95.0 %).",
        "What to do, within 15 min Free space on the data disk now",
        "Caution Too many culls · line-1", "20.0 % of the fruit on line-1 are culled",
        "None yet.",
    ):
        assert wanted in text, wanted
    assert text.index("Data disk nearly full") < text.index("Too many culls")
    spanish = _text(raised, "/alarms", lang="es")
    assert "El disco de datos está lleno al 97,0 % (límite 95,0 %)." in spanish
    assert "Se descarta el 20,0 % de la fruta en line-1" in spanish


@pytest.mark.parametrize("path", ["/lots", "/lines", "/alarms", "/alarms/1", "/alarms/ended",
                                  "/lots/none"])
def test_every_page_says_how_many_wait(raised: House, path: str) -> None:
    answer = raised.client.get(path, headers=HTML)
    count = re.search(r'<span id="calling" role="status">(.*?)</a>', answer.text, re.S)
    assert count is not None
    assert "badge-urgent" in count[1]
    assert _plain(count[1]).strip() == "2 not acknowledged"
    _press(raised, "acknowledge", 1)
    later = raised.client.get(path, headers=HTML).text
    count = re.search(r'<span id="calling" role="status">(.*?)</a>', later, re.S)
    assert count is not None
    assert "badge-caution" in count[1]
    assert _plain(count[1]).strip() == "1 not acknowledged"


def test_each_state_offers_what_can_be_done(raised: House) -> None:
    every = {"acknowledge-1", "shelve-1", "take_out-1"}
    both = every | {"acknowledge-2", "shelve-2", "take_out-2"}
    assert _buttons(raised) == both
    for button, reason, left in (
        ("acknowledge", "", {"shelve-1", "take_out-1"}),
        ("shelve", "known", {"unshelve-1", "take_out-1"}),
        ("unshelve", "", every),
        ("take_out", "new disk comes", {"put_back-1"}),
        ("put_back", "", every),
    ):
        answer = _press(raised, button, 1, reason=reason)
        assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
        assert _buttons(raised) == left | (both - every), button
    text = _text(raised, "/alarms/1")
    assert "new disk comes" in text
    assert [w for w in ("acknowledged", "shelved", "brought back", "taken out of service",
                        "put back in service") if w not in text] == []


def test_the_reason_and_the_name_are_asked_for(raised: House) -> None:
    for button, fields, said in (
        ("acknowledge", {"person": "  "}, "Say your name"),
        ("shelve", {}, "Say why"), ("take_out", {"reason": " "}, "Say why"),
        ("shelve", {"reason": "known", "minutes": "100000"}, "Choose for how long"),
    ):
        answer = _press(raised, button, 1, **fields)
        assert answer.status_code == 422
        assert said in _plain(answer.text)
    assert {a["state"] for a in raised.open()} == {"unacknowledged"}


def test_what_has_changed_meanwhile_is_said_in_the_reader_s_language(raised: House) -> None:
    answer = _press(raised, "acknowledge", 77)
    assert answer.status_code == 404
    assert "There is no such alarm." in answer.text
    answer = raised.client.post("/alarms", data={"person": "M. Orrin"}, headers=HTML)
    assert answer.status_code == 400
    assert "names no alarm" in answer.text
    assert "mírela otra vez" in _plain(raised.client.post(
        "/alarms?lang=es", data={"person": "M. Orrin", "unshelve": "1"}, headers=HTML).text)


def test_a_form_from_another_site_is_refused(raised: House) -> None:
    for headers in ({"origin": "http://elsewhere.example"}, {"sec-fetch-site": "cross-site"}):
        answer = raised.client.post(
            "/alarms", data={"person": "M. Orrin", "acknowledge": "1"}, headers=headers)
        assert answer.status_code == 403
    assert raised.client.post("/alarms", json={}).status_code == 415
    assert raised.open()[0]["state"] == "unacknowledged"


def test_the_name_is_kept_for_the_next_alarm_only_on_this_page(raised: House) -> None:
    answer = _press(raised, "acknowledge", 1, person="Núria Vidal; x")
    cookie = answer.headers["set-cookie"]
    assert "Path=/alarms" in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert 'value="Núria Vidal; x"' in raised.client.get("/alarms").text


def test_what_has_ended_is_listed_with_its_history(raised: House) -> None:
    _press(raised, "acknowledge", 2, reason="sorted by hand")
    raised.read(disk(0.97), seconds=605)
    assert "Too many culls · line-1" in _text(raised, "/alarms/ended")
    text = _text(raised, "/alarms/2")
    assert "ended" in text
    assert "M. Orrin: sorted by hand" in text
    assert "/lots/L-0417" in raised.client.get("/alarms/2").text
    assert raised.client.get("/alarms/99", headers=HTML).status_code == 404
    assert raised.client.get("/alarms/9999999999999999999", headers=HTML).status_code == 404


def test_ended_ones_go_on_over_pages(tmp_path: Path) -> None:
    with house(tmp_path) as found:
        found.read(*(culls(0.2, line=f"line-{k:03}") for k in range(61)), seconds=62)
        for alarm in range(1, 62):
            found.do(alarm, "acknowledge")
        found.read(seconds=605)
        page = found.client.get("/alarms/ended").text
        seen = re.findall(r'id="see-(\d+)"', page)
        further = re.search(r'id="further" href="([^"]+)"', page)
        assert further is not None
        page = found.client.get(further[1]).text
        seen += re.findall(r'id="see-(\d+)"', page)
        assert [int(s) for s in seen] == list(range(61, 0, -1))
        assert 'id="further"' not in page
        assert "None yet." in _text(found, "/alarms/ended", cursor="1")
        assert 'id="further"' in found.client.get("/alarms/ended?cursor=x").text


def test_pictures_hold_the_alarms_and_the_count(raised: House) -> None:
    """As the stream of events gives them, one event taken."""

    async def first(path: str) -> str:
        told: list[bytes] = []
        seen = asyncio.Event()

        async def send(message: Any) -> None:
            told.append(message.get("body", b""))
            if message.get("body"):
                seen.set()

        async def receive() -> Any:
            await seen.wait()
            return {"type": "http.disconnect"}

        await raised.client.app(  # type: ignore[arg-type]
            {"type": "http", "method": "GET", "path": path, "raw_path": path.encode(),
             "query_string": b"", "headers": [], "http_version": "1.1", "scheme": "http",
             "server": ("testserver", 80), "client": ("test", 1), "root_path": "",
             "app": raised.client.app}, receive, send)
        return b"".join(told).decode()

    assert raised.client.portal is not None
    event = raised.client.portal.call(first, "/alarms/events")
    assert re.match(r"id: \d+\nevent: picture\ndata: ", event)
    assert 'id="acknowledge-1"' in event
    assert 'id="calling"' in event


def test_too_many_screens_are_turned_away(
    raised: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert READERS_MAX >= 50
    monkeypatch.setattr("service.live.READERS_MAX", 0)
    assert raised.client.get("/alarms/events").status_code == 503


def test_texts_from_outside_are_shown_as_text(tmp_path: Path) -> None:
    with house(tmp_path) as found:
        found.read(Reading(kind="line_silent", subject="<b>x</b>", value=400, line="a&b", lot="l"),
                   seconds=2)
        _press(found, "acknowledge", 1, person="<i>me</i>", reason="{value}<script>")
        for path in ("/alarms", "/alarms/1"):
            html = found.client.get(path, headers=HTML).text
            assert "<b>x" not in html
            assert "<i>me" not in html
            assert "}<script>" not in html
