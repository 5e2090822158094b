"""The three-way answer on invented stretches whose cause is known, because it was put in."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.rows import utc
from tests.support.app import NOON_MS, service
from tests.support.line import minutes, register

START_MS = NOON_MS - 60 * 60_000
BEFORE, AFTER = (0, 35), (35, 59)


def times() -> dict[str, str]:
    return {f"{name}_{end}": str(utc(START_MS + at * 60_000))
            for name, stretch in (("before", BEFORE), ("after", AFTER))
            for end, at in zip(("from", "until"), stretch, strict=True)}


class Line:
    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.headers = register(self.post)

    def post(self, path: str, body: Any) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def send(self, fruit: list[dict[str, Any]]) -> None:
        answer = self.client.post("/v1/records?source=belt-line-1&run=r1", json=fruit,
                                  headers=self.headers)
        assert answer.status_code == 201, answer.text

    def change(self) -> dict[str, Any]:
        answer = self.client.get("/v1/lines/line-1/change", params=times())
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def check(self, minute: int, offset: float) -> None:
        self.post("/v1/sources/belt-line-1/checks", {
            "at": utc(START_MS + minute * 60_000), "person": "M. Orrin", "readings": [
                {"lane": lane, "measure": "diameter", "object": f"sphere {size}",
                 "known": size, "reading": size + offset + 0.02 * (-1) ** lane}
                for lane in range(1, 9) for size in (55.0, 65.0, 75.0)]})


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    with service(tmp_path) as client:
        yield Line(client)


def fruit(**how: Any) -> list[dict[str, Any]]:
    return minutes(count=60, start_ms=START_MS, **how)


ALL = dict.fromkeys(range(1, 9), 1.2)


def test_nothing_changed(line: Line) -> None:
    line.send(fruit())
    found = line.change()
    assert found["verdict"] == "no change", found


def test_one_lane_moved(line: Line) -> None:
    line.send(fruit(shift={5: 1.2}, shift_from=35))
    found = line.change()
    assert found["verdict"] == "measurement", found
    lanes = [e for e in found["evidence"] if e["measure"] == "diameter" and e["lanes"]]
    assert lanes[0]["lanes"] == [5]
    assert lanes[0]["low"] < 1.2 < lanes[0]["high"]
    assert "lane" in found["next_action"].lower()
    page = line.client.get("/lines/line-1/change", params=times())
    assert "the measurement" in page.text
    assert found["next_action"] in page.text
    assert "la medición" in line.client.get(
        "/lines/line-1/change", params={**times(), "lang": "es"}).text
    assert found["consequence"]
    (began,) = found["began"]
    assert (began["measure"], began["lane"]) == ("diameter", 5)
    assert began["from"] <= str(utc(START_MS + 35 * 60_000)) <= began["until"]


def test_the_whole_line_moved_and_nobody_checked(line: Line) -> None:
    line.send(fruit(shift=ALL, shift_from=35))
    found = line.change()
    assert found["verdict"] == "not separable", found
    assert found["paired_fruit_needed"] >= 30
    assert f"post {found['paired_fruit_needed']} paired fruit" in found["next_action"]


def test_the_whole_line_moved_and_the_spheres_say_so(line: Line) -> None:
    line.send(fruit(shift=ALL, shift_from=35))
    line.check(10, 0.0)
    line.check(50, 1.2)
    assert line.change()["verdict"] == "measurement"


def test_the_fruit_are_larger_and_the_spheres_read_right(line: Line) -> None:
    line.send(fruit(shift=ALL, shift_from=35))
    line.check(10, 0.0)
    line.check(50, 0.0)
    assert line.change()["verdict"] == "fruit"


def test_paired_pulls_separate_too(line: Line) -> None:
    """Thirty fruit measured both ways before and after: the hand reads 1.2 mm less after."""
    sent = fruit(shift=ALL, shift_from=35)
    line.send(sent)
    draw = random.Random(3)
    for minute, bias in ((20, 0.0), (50, 1.2)):
        rows = sent[minute * 480:minute * 480 + 40]
        line.post("/v1/lots/L-0417/pulls", {
            "purpose": "line_check", "person": "M. Orrin",
            "drawn_at": utc(START_MS + minute * 60_000), "fruit": [
                {"diameter_mm": round(r["diameter_mm"] - bias + draw.gauss(0, 0.3), 2),
                 "line_fruit": {"source": "belt-line-1", "run": "r1", "seq": r["seq"]}}
                for r in rows]})
    found = line.change()
    assert found["verdict"] == "measurement", found
    assert any(e["source"] == "paired" and e["had"] for e in found["evidence"]), found["evidence"]


def test_another_standard_is_named_first(line: Line) -> None:
    """The same fruit under another standard from minute 35 on: the rule, and nothing else."""
    line.post("/v1/lots", {"id": "L-0420", "grower": "Tolliver Ridge", "block": "TR-07", "pick": 1,
                           "cultivar": "ember-lass", "standard": "house-tree-ripe"})
    sent = fruit()
    line.send(sent[:35 * 480])
    line.post("/v1/lines/line-1/lot", {"lot": "L-0420", "person": "M. Orrin"})
    line.send(sent[35 * 480:])
    found = line.change()
    assert found["verdict"] == "rule", found
    assert found["evidence"][0]["step"] == "rule"
    assert found["evidence"][0]["moved"] is True


def test_without_times_a_young_line_is_halved(line: Line) -> None:
    """The newest quarter of an hour against the hour before it, once there is one."""
    def asked() -> tuple[str, ...]:
        told = line.client.get("/v1/lines/line-1/change").json()
        return (*(told[side][end][11:16] for side in ("before", "after")
                  for end in ("from", "until")), told["verdict"])

    sent = fruit()
    line.send(sent[:480])
    assert asked()[2:] == ("11:00", "11:01", "not separable")
    line.send(sent[480:8 * 480])
    assert asked() == ("10:04", "11:04", "11:04", "11:08", "no change")
    line.send(sent[8 * 480:])
    assert asked() == ("10:45", "11:45", "11:45", "12:00", "no change")
    line.post("/v1/lots", {"id": "L-0430", "cultivar": "ember-lass", "line": "line-1",
                           "standard": "house-long-distance"})
    line.post("/v1/lines/line-1/lot", {"lot": "L-0430", "person": "M. Orrin"})
    assert asked()[:4] == ("10:45", "11:45", "11:45", "12:00")
    late = minutes(count=2, start_ms=START_MS + 60 * 60_000, seq=100_000, seed=9)
    line.send(late)
    assert asked()[:4] == ("10:47", "11:47", "11:47", "12:02")


def test_stretches_that_cannot_be_compared_are_refused(line: Line) -> None:
    def ask(**times: str) -> Any:
        return line.client.get("/v1/lines/line-1/change", params=times)

    none = ask().json()  # no fruit yet: it cannot be told, and that is no failure
    assert none["verdict"] == "not separable"
    assert none["open"] == ["no line fruit in the earlier window",
                            "no line fruit in the later window"]
    assert none["next_action"] == "Compare windows in which the line packed fruit."
    day = {"before_from": "2026-07-14T10:00:00Z", "before_until": "2026-07-14T11:00:00Z",
           "after_from": "2026-07-14T11:00:00Z", "after_until": "2026-07-14T11:30:00Z"}
    assert ask(**day).status_code == 200
    for changed, pointer in (
        ({"after_until": "2026-07-14T10:59:00Z"}, "after_until"),
        ({"before_until": "2026-07-14T11:00:30Z"}, "after_from"),
        ({"before_from": "2026-07-12T10:00:00Z"}, "before_until"),
    ):
        wrong = ask(**{**day, **changed})
        assert wrong.status_code == 422
        assert wrong.json()["errors"][0]["pointer"] == f"/query/{pointer}"
    page = line.client.get("/lines/line-1/change", params={**day, "after_until": "noon"})
    assert page.status_code == 422
    assert "is no time" in page.text
    assert line.client.get("/lines/line-1/change", params={
        **day, "after_until": "2026-07-14T11:30"}).status_code == 200
    del day["after_until"]
    assert ask(**day).json()["errors"][0]["pointer"] == "/query/after_until"
    assert line.client.get("/v1/lines/line-9/change").status_code == 404
