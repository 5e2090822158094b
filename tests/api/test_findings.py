"""What the watch finds by itself on invented lines whose change is known, and says about it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.alarms.watching import SPAN, Watched
from service.rows import utc
from tests.api.test_lines import LINE
from tests.support.app import NOON_MS, service
from tests.support.line import minutes, register

COUNT, AT = 76, 50
START_MS = NOON_MS - COUNT * 60_000
ALL = dict.fromkeys(range(1, 9), 3.0)


class Line:
    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.headers = register(self.post)

    @property
    def ctx(self) -> Any:
        return self.client.app.state.context  # type: ignore[attr-defined]

    def post(self, path: str, body: Any) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def send(self, fruit: list[dict[str, Any]]) -> None:
        answer = self.client.post("/v1/records?source=belt-line-1&run=r1", json=fruit,
                                  headers=self.headers)
        assert answer.status_code == 201, answer.text

    def findings(self, **query: Any) -> list[dict[str, Any]]:
        answer = self.client.get("/v1/lines/line-1/findings", params=query)
        assert answer.status_code == 200, answer.text
        found: list[dict[str, Any]] = answer.json()["findings"]
        return found

    def page(self, **query: str) -> str:
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", self.client.get(
            "/lines/line-1", params=query).text))

    def check(self, minute: int, offset: float) -> None:
        self.post("/v1/sources/belt-line-1/checks", {
            "at": utc(START_MS + minute * 60_000), "person": "M. Orrin", "readings": [
                {"lane": lane, "measure": "diameter", "object": f"sphere {size}",
                 "known": size, "reading": size + offset + 0.02 * (-1) ** lane}
                for lane in range(1, 9) for size in (55.0, 65.0, 75.0)]})

    def readings(self) -> dict[str, Any]:
        return {r.kind: r for r in Watched(ctx=self.ctx)(NOON_MS)}


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    with service(tmp_path) as client:
        yield Line(client)


def fruit(**how: Any) -> list[dict[str, Any]]:
    return minutes(count=COUNT, start_ms=START_MS, **how)


def test_a_quiet_line_has_no_findings(line: Line) -> None:
    assert line.client.get("/v1/lines/line-1/findings").json()["upto"] is None
    line.send(fruit())
    assert line.findings() == []
    assert "drift" not in line.readings()
    assert line.client.get("/v1/lines/line-9/findings").status_code == 404


def test_a_line_that_has_not_been_told_a_lot_has_no_findings(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        assert client.post("/v1/lines", json=LINE).status_code == 201
        answer = client.get("/v1/lines/line-1/findings")
        assert answer.status_code == 200, answer.text
        assert answer.json()["findings"] == []


def test_a_lane_is_named_with_its_cause_and_what_it_did(line: Line) -> None:
    line.send(fruit(shift={5: 1.6}, shift_from=AT))
    (found,) = line.findings(current=True)
    assert (found["kind"], found["what"], found["lane"], found["level"]) == (
        "lane", "diameter", 5, "act")
    assert found["why"]["verdict"] == "measurement"
    assert "since" in found["sentence"]
    assert "the measurement changed" in found["sentence"]
    assert "lane 5" in found["why"]["next_action"].lower()
    assert "in another class" in found["why"]["consequence"]
    assert found["began"]["from"] <= str(utc(START_MS + AT * 60_000)) <= found["began"]["until"]
    text = line.page()
    assert re.search(r"Lane 5 reads diameter 1\.\d\d mm above the other lanes since", text)
    assert "Cause: the measurement. Pass reference objects over it." in text
    assert "Causa: la medición" in line.page(lang="es")
    drift = line.readings()["drift"]
    assert drift.subject == "line-1 lane 5 diameter"
    assert drift.value > 1.0


def test_the_answer_follows_the_evidence(line: Line) -> None:
    """The whole line 3 mm up: nobody can tell, until spheres are passed."""
    line.send(fruit(shift=ALL, shift_from=AT))
    level = next(f for f in line.findings(current=True) if f["kind"] == "level")
    assert (level["what"], level["why"]["verdict"]) == ("diameter", "not separable")
    pairs = level["why"]["paired_fruit_needed"]
    assert f"not separable. Post {pairs} paired fruit." in line.page()
    line.check(40, 0.0)
    line.check(70, 3.0)
    level = next(f for f in line.findings(current=True) if f["kind"] == "level")
    assert (level["why"]["verdict"], level["why"]["causes"]) == ("measurement", ["measurement"])
    assert line.readings()["drift"].subject == "line-1 diameter"


def test_steady_spheres_make_it_the_fruit(line: Line) -> None:
    line.send(fruit(shift=ALL, shift_from=AT))
    line.check(40, 0.0)
    line.check(70, 0.0)
    level = next(f for f in line.findings(current=True) if f["kind"] == "level")
    assert level["why"]["verdict"] == "fruit"
    assert "Cause: the fruit." in line.page()
    assert "drift" not in line.readings()


def test_spheres_alone_show_an_error_that_the_fruit_hide(line: Line) -> None:
    line.send(fruit())
    line.check(40, 0.0)
    line.check(60, 0.9)
    (bias,) = line.findings()
    assert (bias["kind"], bias["what"], bias["why"]["verdict"]) == (
        "bias", "diameter", "measurement")
    assert "0.90 mm more than pulls or checks say" in line.page()
    line.check(74, 0.02)
    (bias,) = line.findings()
    assert not bias["open"]
    assert line.findings(current=True) == []


def test_late_fruit_make_the_findings_anew(line: Line) -> None:
    """A cable was out for ten minutes: what comes late gives what it would have given in time."""
    listed = fruit(shift={5: 1.6}, shift_from=AT)
    per = len(listed) // COUNT
    late = listed[55 * per:65 * per]
    line.send(listed[:55 * per] + listed[65 * per:])
    before = line.findings()
    line.send(late)
    after = line.findings()
    assert before != after
    assert after[0]["why"]["verdict"] == "measurement"
    fresh = type(line.ctx.watch)(reader=line.ctx.store.reader)
    view = fresh.look(line.ctx, line.ctx.lines.get("line-1"))
    assert view == line.ctx.watch.view("line-1")


def test_a_moved_cut_is_the_rule(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fruit after minute 50 are graded with the least size 6 mm higher."""
    listed = fruit()
    per = len(listed) // COUNT
    now = [START_MS + AT * 60_000]
    monkeypatch.setattr(line.ctx.clock.__class__, "now_ms", property(lambda _: lambda: now[0]),
                        raising=False)
    line.send(listed[:AT * per])
    line.post("/v1/lines/line-1/cuts", {
        "person": "M. Orrin", "reason": "Order 88", "until": utc(NOON_MS + 3_600_000),
        "moves": [{"measure": "diameter", "at": "63.5", "to": "66"}]})
    now[0] = NOON_MS
    line.send(listed[AT * per:])
    rule = next(f for f in line.findings() if f["kind"] == "rule")
    assert (rule["why"]["verdict"], rule["level"]) == ("rule", "act")
    assert "Order 88" in " ".join(e["text"] for e in rule["why"]["evidence"])
    assert "another rule since" in line.page()


def test_the_share_of_culls_is_read_for_its_alarm(line: Line) -> None:
    """Against an EWMA of weight 2 / (8 x 200 + 1), worked out fruit by fruit from the answers."""
    listed = fruit(soft_from=AT)[-2_000:]
    answer = line.client.post("/v1/records?source=belt-line-1&run=r1", json=listed[:SPAN - 1],
                              headers=line.headers).json()
    assert "reject_share" not in line.readings()
    share = weight = 0.0
    for part in (listed[SPAN - 1:900], listed[900:]):
        answer["outcomes"] += line.client.post(
            "/v1/records?source=belt-line-1&run=r1", json=part,
            headers=line.headers).json()["outcomes"]
    for one in answer["outcomes"]:
        share = share * (1 - 2 / 1601) + (one["grade"] == "cull")
        weight = weight * (1 - 2 / 1601) + 1
    reading = line.readings()["reject_share"]
    assert reading.value == pytest.approx(share / weight)
    assert (reading.subject, reading.lot) == ("line-1", "L-0417")
    line.post("/v1/lines/line-1/break", {"person": "M. Orrin"})
    assert "reject_share" not in line.readings()


def test_the_watch_remembers_a_day(tmp_path: Path) -> None:
    """What was over a day ago is told no more, as by a watch that begins to look."""
    now = [NOON_MS]
    with service(tmp_path, now_ms=lambda: now[0]) as client:
        line = Line(client)
        line.send(fruit(shift={5: 1.6}, shift_from=AT))
        assert len(line.findings()) == 1
        for day in (1, 2):
            now[0] += 26 * 3_600_000
            line.send(minutes(count=30, start_ms=now[0] - 30 * 60_000, seq=day * 1_000_000))
            seen = line.ctx.watch.look(line.ctx, line.ctx.lines.get("line-1"))
            assert [a.finding.open for a in seen.findings] == ([False] if day == 1 else [])
        fresh = line.ctx.watch.at(line.ctx, line.ctx.lines.get("line-1"), at_ms=now[0])
        assert seen.findings == fresh.findings == ()
        kept = line.ctx.watch._lines["line-1"]
        assert 28 <= len(kept.steps.fruit) <= 30
        assert kept.answers == {}
