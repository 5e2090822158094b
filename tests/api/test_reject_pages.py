"""The pages of rejects, of culls by cause, and of sensors and their checks, over HTTP."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.pages.look import Look
from service.pages.reject_chart import chart_of
from service.pages.words import WORDS
from tests.support.app import NOON_MS, service
from tests.support.line import minutes, register

HTML = {"accept": "text/html"}
MINUTE = 60_000


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html)).replace("\u202f", " ")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("rejects")) as found:
        def post(path: str, body: Any) -> Any:
            answer = found.post(path, json=body)
            assert answer.is_success, answer.text
            return answer.json()

        headers = register(post)
        sent = minutes(count=40, start_ms=NOON_MS - 70 * MINUTE, soft_from=30)
        sent += [{"seq": 90_000, "diameter_mm": 68.0}]
        found.post("/v1/records?source=belt-line-1&run=r1", json=sent,
                   headers=headers).raise_for_status()
        post("/v1/lots/L-0417/pulls", {
            "purpose": "receiving", "person": "A. Reyes", "drawn_at": "2026-07-14T10:00:00Z",
            "fruit": [{"diameter_mm": 66.0}] * 40})
        post("/v1/sources", {"id": "bench", "lanes": 2})
        yield found


def get(client: TestClient, path: str, status: int = 200) -> str:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == status, answer.text
    return text_of(answer.text)


def test_the_rejects_page(client: TestClient) -> None:
    page = client.get("/lines/line-1/rejects?lang=en", headers=HTML).text
    text = text_of(page)
    for wanted in ("Rejects of line-1", "L-0417", "Usual share", "sigma z", "undersize",
                   "Settled it", "Any reason", "Windows that call for a look", "act",
                   "more spread than chance", "1 fruit came without a time",
                   "House record, not an official certificate."):
        assert wanted in text, wanted
    assert 'class="trend-act"' in page and 'class="trend-ewma"' in page
    assert "Rechazos de line-1" in get(client, "/lines/line-1/rejects?lang=es")
    get(client, "/lines/line-1/rejects?lang=en&window=f1000&by=lane")
    for way, name in (("lane", "line-1, lane 3"), ("hour", "2026-07-14 11:00 UTC"),
                      ("pick", "Tolliver Ridge, TR-07, pick 1"), ("line", "line-1"),
                      ("block", "Tolliver Ridge, TR-07")):
        groups = get(client, f"/lines/line-1/rejects?window=10&by={way}")
        assert name in groups, way


def test_a_page_of_nothing_and_of_what_is_no_time(client: TestClient) -> None:
    past = get(client, "/lines/line-1/rejects?from=2026-07-01T10:00&until=2026-07-01T11:00")
    assert "No fruit with a time" in past
    assert "is no time" in get(client, "/lines/line-1/rejects?from=noon", 422)
    assert "begin before it ends" in get(
        client, "/lines/line-1/rejects?from=2026-07-02T10:00&until=2026-07-01T11:00", 422)
    assert "no line" in get(client, "/lines/line-9/rejects", 404)
    assert "no lot" in get(client, "/culls?lot=L-9", 404)


def test_more_than_fits_is_told(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.pages.rejects.GROUPS_SHOWN", 2)
    assert "and 7 more groups" in get(client, "/culls?by=lane")
    monkeypatch.setattr("service.culls.GROUPS_MOST", 1)
    assert "More groups than fit" in get(client, "/culls?by=lane", 422)
    monkeypatch.setattr("service.rejects.WINDOWS_MOST", 1)
    assert "More windows than fit" in get(client, "/lines/line-1/rejects", 422)


def test_culls_of_a_lot_and_where_they_came_from(client: TestClient) -> None:
    text = get(client, "/culls?lot=L-0417&lang=en")
    for wanted in ("Culls by cause, Lot L-0417", "Came in, or added here?",
                   "40 fruit looked at when received", "added here", "not looked at"):
        assert wanted in text, wanted
    lane = get(client, "/culls?by=lane&lang=en")
    assert "lane not said" in lane and "Came in" not in lane
    assert "/culls?lot=L-0417" in client.get("/lots/L-0417", headers=HTML).text
    assert "/lines/line-1/rejects" in client.get("/lines/line-1", headers=HTML).text


def test_windows_without_any_time_are_drawn_one_after_another() -> None:
    look = Look(WORDS["en"])
    window = {"lot": "L-1", "from": None, "until": None, "n": 300, "share": .1,
              "status": "learning"}
    chart = chart_of([window] * 3, look=look)
    assert chart is not None
    gaps = [b["x"] - a["x"] for a, b in zip(chart["marks"], chart["marks"][1:], strict=False)]
    assert gaps[0] == pytest.approx(gaps[1], abs=.2)
    assert chart["times"] == []
    assert chart_of([], look=look) is None
    days = [{**window, "from": f"2026-07-{d:02}T10:00:00Z", "until": f"2026-07-{d:02}T11:00:00Z"}
            for d in range(1, 25)]
    chart = chart_of(days, look=look)
    assert chart is not None and "07-04" in [t["label"] for t in chart["times"]]


# --- sensors and checks ------------------------------------------------------------------------


def form(**changes: str) -> dict[str, str]:
    return {"person": "M. Orrin", "at": "2026-07-14T11:00", "measure": "diameter", "note": "",
            "object0": "sphere 60", "known0": "60", "object1": "sphere 75", "known1": "75,0",
            "r1_0": "60.05", "r1_1": "75,02", "r2_0": "60.9", **changes}


def test_a_check_is_posted_on_its_page(client: TestClient) -> None:
    assert "No reference object" in get(client, "/sources/bench?lang=en")
    for _ in range(2):
        done = client.post("/sources/bench", data=form(), follow_redirects=False)
        assert done.status_code == 303, done.text
        assert done.headers["location"] == "/sources/bench?measure=diameter"
    done = client.post("/sources/bench", data=form(at="2026-07-14T11:10", r1_0="60,00",
                                                   r1_1="75.00", r2_0="60.9"))
    assert done.status_code == 200
    readings = client.get("/v1/sources/bench/checks").json()["readings"]
    assert [(r["lane"], r["object"], r["reading"]) for r in readings][:3] == [
        (1, "sphere 60", 60.05), (1, "sphere 75", 75.02), (2, "sphere 60", 60.9)]
    page = client.get("/sources/bench?lang=en", headers=HTML).text
    text = text_of(page)
    for wanted in ("Checks of bench", "passes", "fails", "Not passed: lane 2", "never yet",
                   "last three too far off", "No fruit since", "sphere 75"):
        assert wanted in text, wanted
    assert 'class="check-plot"' in page
    client.post("/sources/bench", data=form(measure="hue", object0="tile", known0="98",
                                            r1_0="98.1", r1_1="", r2_0=""))
    hue = get(client, "/sources/bench?measure=hue&lang=es")
    assert "Controles de bench" in hue and "tile" in hue
    listed = get(client, "/sources?lang=en")
    assert "belt-line-1" in listed and "Not passed: lane 2" in listed


def test_the_list_since_the_last_good_check_on_the_page(client: TestClient) -> None:
    start = client.post("/v1/sources/belt-line-1/checks", json={
        "at": "2026-07-14T11:15:00Z", "person": "M. Orrin", "readings": [
            {"lane": lane, "measure": "diameter", "object": "sphere 66", "known": 66.0,
             "reading": 66.0} for lane in range(1, 9)]})
    assert start.status_code == 201
    assert client.post("/v1/sources/belt-line-1/checks", json={
        "at": "2026-07-14T12:00:00Z", "person": "M. Orrin", "readings": [
            {"lane": 3, "measure": "diameter", "object": "sphere 66", "known": 66.0,
             "reading": 67.5}]}).status_code == 201
    text = get(client, "/sources/belt-line-1?lang=en")
    assert "are in another class than a true reading gives" in text
    assert "r1: " in text and "In packs they do not belong in" in text
    assert "of 10 % left" in text or "over the 10 % allowed" in text


def test_a_mistake_comes_back_with_the_form(client: TestClient) -> None:
    before = client.get("/v1/sources/bench/checks").json()["readings"]
    for changes, said in (
        ({"person": " "}, "Say your name"), ({"r1_0": "sixty"}, "A reading is not a number"),
        ({"known0": ""}, "known value"), ({"object0": ""}, "Name the object"),
        ({"r1_0": "", "r1_1": "", "r2_0": ""}, "at least one reading"),
        ({"at": ""}, "Say when"), ({"at": "noon"}, "Write it as"),
        ({"at": "2026-07-14T13:00"}, "never in the future"), ({"measure": "taste"}, "Choose what"),
    ):
        answer = client.post("/sources/bench?lang=en", data=form(**changes))
        assert answer.status_code == 422, changes
        assert said in text_of(answer.text), changes
        assert "75,0" in answer.text  # what was filled in stays
    assert client.get("/v1/sources/bench/checks").json()["readings"] == before
    foreign = client.post("/sources/bench", data=form(), headers={"origin": "http://elsewhere"})
    assert foreign.status_code == 403
    assert client.post("/sources/none", data=form()).status_code == 404


def test_no_source_yet(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        assert "No source is registered yet" in get(client, "/sources?lang=en")


def test_words_are_there_in_both_languages() -> None:
    for table in ("rejects.", "checks."):
        keys = [{k for k in WORDS[lang].table if k.startswith(table)} for lang in ("en", "es")]
        assert keys[0] == keys[1] and len(keys[0]) > 30


def test_random_floats_never_become_a_reading() -> None:
    from service.pages.sources import _number

    draw = random.Random(1)
    for _ in range(200):
        value = round(draw.uniform(-1e6, 1e6), 3)
        assert _number(f" {value:.3f} ".replace(".", ",")) == value
    for text in ("", "1e5", "nan", "inf", "1,2,3", "0x1", "１"):
        assert _number(text) == text
