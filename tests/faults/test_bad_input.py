"""What goes wrong at a line, over each of the three ways in: the sender is told plainly, it is
counted, and nothing is lost: every fruit is stored, or kept for a person, or still the sender's
because it was told so."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import WebSocketDenialResponse

from service.context import Context
from service.store.errors import QueueFull
from tests.api.test_lines import House, fruit
from tests.api.test_stream import Client
from tests.support.app import NOON_MS, service
from tests.support.broker import Broker, Line, needs_broker
from tests.support.waiting import within

JUMP = 1_000_000
HOUR_MS = 3_600_000

pytestmark = pytest.mark.faults


@dataclass
class Told:
    """What a sender heard. problem: code of the problem it was turned away with. outcomes: of
    single fruit, where they are not simply stored. counts: of all of them."""

    problem: str = ""
    outcomes: dict[int, str] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    clock: dict[str, int] = field(default_factory=dict)
    skipped: list[int] | None = None


COUNTS = ("stored", "duplicates", "conflicts", "lot_closed", "refused")


def told_by(answer: dict[str, Any]) -> Told:
    """From an answer to a body or message."""
    if "outcomes" not in answer:
        return Told(problem=answer["type"].rpartition(":")[2])
    return Told(
        outcomes={o["seq"]: o["errors"][0]["code"] if "errors" in o else o["outcome"]
                  for o in answer["outcomes"] if o["outcome"] != "stored"},
        counts={name: answer[name] for name in COUNTS if answer[name]},
        clock=answer.get("clock", {}), skipped=answer.get("skipped"))


class Way:
    """One way in. keeps: whether conflicts and fruit of closed lots go to quarantine."""

    keeps = False

    def __init__(self, house: House) -> None:
        self.house = house

    def send(self, records: list[dict[str, Any]], *, key: str, lot: str = "L-0417") -> Told:
        raise NotImplementedError


class Http(Way):
    def send(self, records: list[dict[str, Any]], *, key: str, lot: str = "L-0417") -> Told:
        return told_by(self.house.send(records, key=key, lot=lot).json())


class WebSocket(Way):
    """Of fruit for a closed lot nobody but the stream has a copy, so it keeps them too."""

    def send(self, records: list[dict[str, Any]], *, key: str, lot: str = "L-0417") -> Told:
        url = f"/v1/stream?source=belt-1&run=r1&lot={lot}"
        try:
            with self.house.client.websocket_connect(
                    url, headers={"authorization": f"Bearer {key}"}) as socket:
                line = Client(socket)
                for record in records:
                    line.ask(record)
                line.until(lambda: sum(line.total(n) for n in COUNTS) == len(records))
                line.leave()
        except WebSocketDenialResponse as denied:
            return Told(problem=json.loads(denied.content)["type"].rpartition(":")[2])
        clock: dict[str, int] = {}
        for mark in line.marks:
            for name, n in mark.get("clock", {}).items():
                clock[name] = clock.get(name, 0) + n
        return Told(
            outcomes={o["seq"]: o["errors"][0]["code"] for o in line.answers if "outcome" in o}
            | {o["seq"]: o["outcome"] for o in line.changed},
            counts={n: line.total(n) for n in COUNTS if line.total(n)}, clock=clock,
            skipped=next((m["skipped"] for m in line.marks if "skipped" in m), None))


class Mqtt(Way):
    keeps = True

    def __init__(self, house: House, line: Line) -> None:
        super().__init__(house)
        self._line = line

    def send(self, records: list[dict[str, Any]], *, key: str, lot: str = "L-0417") -> Told:
        return told_by(self._line.ask(
            "drupe/fruit/belt-1/r1", records, own={"key": key, "lot": lot}))


@pytest.fixture(params=["http", "websocket", pytest.param("mqtt", marks=needs_broker)])
def way(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Way]:
    if request.param != "mqtt":
        with service(tmp_path / "data") as client:
            yield {"http": Http, "websocket": WebSocket}[request.param](House(client))
        return
    broker = Broker(tmp_path / "broker")
    broker.start()
    with service(tmp_path / "data", mqtt={"host": "127.0.0.1", "port": broker.port}) as client:
        link = client.app.state.mqtt  # type: ignore[attr-defined]  # ours
        within(30, lambda: link.status()["connected"], "the service is connected")
        line = Line(broker)
        yield Mqtt(House(client), line)
        line.close()
    broker.kill()


def joined(way: Way) -> Context:
    found: Context = way.house.client.app.state.context  # type: ignore[attr-defined]  # ours
    return found


def counted(way: Way, name: str) -> float:
    shown = re.search(rf"^{re.escape(name)} (\S+)$", way.house.client.get("/metrics").text, re.M)
    return 0.0 if shown is None else float(shown[1])


def waiting(way: Way) -> list[tuple[int, str]]:
    """Refused records that wait for a person: number and reason."""
    found = way.house.client.get("/v1/quarantine?limit=500").json()["records"]
    return [(r["seq"], r["errors"][0]["code"]) for r in found]


def stored(way: Way) -> dict[int, dict[str, Any]]:
    page = way.house.client.get("/v1/lots/L-0417/fruit?limit=1000").json()
    return {f["seq"]: f for f in page["fruit"]}


def test_a_wrong_key(way: Way) -> None:
    told = way.send([fruit(1), fruit(2)], key="x" * 43)
    assert told == Told(problem="key_wrong")
    assert counted(way, 'grading_sources_refused_total{why="key_wrong"}') == 1
    assert stored(way) == {}
    # Over MQTT nobody hears an answer for certain, so a person is asked.
    assert waiting(way) == ([(1, "key_wrong"), (2, "key_wrong")] if way.keeps else [])
    assert way.send([fruit(1), fruit(2)], key=way.house.key).counts == {"stored": 2}


def test_an_unknown_lane(way: Way) -> None:
    told = way.send([fruit(1), fruit(2, lane=9), fruit(3)], key=way.house.key)
    assert told == Told(outcomes={2: "unknown_lane"}, counts={"stored": 2, "refused": 1})
    assert counted(way, 'grading_records_total{outcome="refused"}') == 1
    assert counted(way, "grading_quarantined_total") == 1
    assert sorted(stored(way)) == [1, 3]
    assert waiting(way) == [(2, "unknown_lane")]


def test_a_closed_lot(way: Way) -> None:
    """What it holds is answered as ever; what is new is not taken, and somebody has it still."""
    assert way.send([fruit(1)], key=way.house.key).counts == {"stored": 1}
    assert way.house.client.post("/v1/lots/L-0417/close").status_code == 200
    told = way.send([fruit(1), fruit(2)], key=way.house.key)
    assert told.counts == {"duplicates": 1, "lot_closed": 1}
    assert told.outcomes[2] == "lot_closed"
    assert counted(way, 'grading_records_total{outcome="lot_closed"}') == 1
    assert sorted(stored(way)) == [1]
    assert waiting(way) == ([] if isinstance(way, Http) else [(2, "lot_closed")])


def test_a_run_that_began_anew_without_notice(way: Way) -> None:
    """Numbers come again with other fruit: the first stand, the others are kept beside them. Fruit
    past the old count are new, whatever run they are of."""
    assert way.send([fruit(s) for s in (1, 2, 3)], key=way.house.key).counts == {"stored": 3}
    other = [fruit(s, diameter_mm=60.0 + s) for s in (1, 2, 3, 4)]
    told = way.send(other, key=way.house.key)
    assert told.counts == {"conflicts": 3, "stored": 1}
    assert {s: o for s, o in told.outcomes.items() if s < 4} == dict.fromkeys(
        (1, 2, 3), "conflict")
    assert counted(way, 'grading_records_total{outcome="conflict"}') == 3
    assert {s: f["diameter_mm"] for s, f in stored(way).items()} == {
        1: 68.0, 2: 68.0, 3: 68.0, 4: 64.0}
    kept = joined(way).store.reader.conflicts(lot="L-0417")
    assert [json.loads(k["record"])["diameter_mm"] for k in kept] == [61.0, 62.0, 63.0]
    assert way.house.client.get("/v1/lots/L-0417").json()["conflicts"] == 3


def test_a_number_that_jumps_by_a_million(way: Way) -> None:
    assert way.send([fruit(1)], key=way.house.key).skipped is None
    told = way.send([fruit(2 + JUMP)], key=way.house.key)
    assert told.counts == {"stored": 1}
    assert told.skipped == [2, 1 + JUMP]
    assert counted(way, "grading_seqs_skipped_total") == JUMP
    assert sorted(stored(way)) == [1, 2 + JUMP]
    lot = way.house.client.get("/v1/lots/L-0417").json()
    assert lot["sources"][0]["gaps"] == [[2, 1 + JUMP]]
    # What was left out is not lost should it come after all.
    late = way.send([fruit(5)], key=way.house.key)
    assert (late.counts, late.skipped) == ({"stored": 1}, None)


def test_a_time_in_the_future(way: Way) -> None:
    """5 s are forgiven; more is told; beyond 2100 it is no time of a fruit."""
    times = {1: 0, 2: 5_000, 3: 5_001, 4: 300_000, 5: 300_001, 6: 24 * HOUR_MS}
    records = [fruit(s, time_unix_ms=NOON_MS + ahead) for s, ahead in times.items()]
    told = way.send([*records, fruit(7, time="2101-01-01T00:00:00Z")], key=way.house.key)
    assert told.counts == {"stored": 6, "refused": 1}
    assert told.outcomes == {7: "out_of_range"}
    assert told.clock == {"ahead": 4, "doubtful": 2}
    assert counted(way, 'grading_clock_records_total{off="ahead"}') == 4
    assert counted(way, 'grading_clock_records_total{off="doubtful"}') == 2
    assert stored(way)[6]["time"] == "2026-07-15T12:00:00.000Z"
    assert waiting(way) == [(7, "out_of_range")]


def test_refused_records_that_storage_does_not_take_use_up_nothing(
    way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They come again and again until storage takes them; each is kept once and counted once."""
    monkeypatch.setattr("service.owed.PAUSES_S", (0.01,))
    writer = joined(way).store.writer
    real: Callable[..., Any] = type(writer).run
    troubles = [0] * 4

    def run(self: Any, fn: Any) -> Any:
        if troubles and "Quarantine" in fn.__qualname__:
            troubles.pop()
            raise QueueFull("many fruit wait")
        return real(self, fn)

    monkeypatch.setattr(type(writer), "run", run)
    told = way.send([fruit(1, lane=9)], key=way.house.key)
    while isinstance(way, Http) and told.problem == "queue_full":
        told = way.send([fruit(1, lane=9)], key=way.house.key)
    assert told.outcomes == {1: "unknown_lane"}
    assert not troubles
    assert waiting(way) == [(1, "unknown_lane")]
    assert counted(way, "grading_quarantined_total") == 1
    assert joined(way).quarantine.used(now_ms=NOON_MS) == 1 / 10_000
