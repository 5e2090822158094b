"""Fruit from a real broker: acknowledged only when stored, whatever is killed meanwhile.

What the broker still holds is asked of the broker itself: a second client takes over the
service's session and sees what comes again. MQTT 5.0 (OASIS Standard, 7 March 2019), 4.4: on
reconnecting with the session kept, unacknowledged PUBLISH packets are sent again.
"""

from __future__ import annotations

import os
import random
import re
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from starlette.testclient import TestClient

from service import mqtt as service_mqtt
from service.store.errors import QueueFull, StorageFull
from service.store.verify import verify
from tests.support.app import LOT, open_lot, service
from tests.support.broker import Broker, Line, client, lasting, needs_broker, until
from tests.support.process import Served

pytestmark = [pytest.mark.faults, needs_broker]

RESTARTS = 50 if os.environ.get("DRUPE_NIGHTLY") else 5
IN_LOT = {"lot": "L-0417"}


def fruit(seq: int, **more: Any) -> dict[str, Any]:
    return {"seq": seq, "lane": 1 + seq % 8, "diameter_mm": 68.0, "ground_hue_deg": 100.0, **more}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    found = Broker(tmp_path / "broker")
    found.start()
    yield found
    found.kill()


@pytest.fixture
def line(broker: Broker) -> Iterator[Line]:
    found = Line(broker)
    yield found
    found.close()


def listening(broker: Broker, **more: Any) -> dict[str, Any]:
    return {"host": "127.0.0.1", "port": broker.port, "backoff_s": 0.2, **more}


def link(http: TestClient) -> dict[str, Any]:
    found: dict[str, Any] = http.app.state.mqtt.status()  # type: ignore[attr-defined]  # ours
    return found


@contextmanager
def subscribed(data_dir: Path, broker: Broker, **more: Any) -> Iterator[TestClient]:
    """A service with lot L-0417 that is connected to the broker."""
    settings = more.pop("settings", {})
    with service(data_dir, mqtt=listening(broker, **more), **settings) as http:
        until(lambda: link(http)["connected"], "the service is connected")
        if http.get("/v1/lots/L-0417").status_code == 404:
            open_lot(http)
        yield http


@pytest.fixture
def http(tmp_path: Path, broker: Broker) -> Iterator[TestClient]:
    with subscribed(tmp_path / "data", broker) as found:
        yield found


def stored(http: TestClient, lot: str = "L-0417") -> int:
    found: int = http.get(f"/v1/lots/{lot}").json()["fruit"]
    return found


def waiting(http: TestClient) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = http.get("/v1/quarantine").json()["records"]
    return found


def count(http: TestClient, name: str) -> float:
    shown = re.search(rf"^{re.escape(name)} (\S+)$", http.get("/metrics").text, re.MULTILINE)
    assert shown is not None, name
    return float(shown[1])


class Taker:
    """Takes over a session at the broker and acknowledges nothing."""

    def __init__(self, broker: Broker, *, client_id: str = "drupe") -> None:
        self.came: list[tuple[str, bytes, bool]] = []
        self.present: bool | None = None
        self._client = client(client_id)
        self._client.manual_ack_set(True)
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", broker.port, clean_start=False, properties=lasting())
        self._client.loop_start()
        until(lambda: self.present is not None, "the session is taken over")

    def _on_connect(self, _: Client, __: Any, flags: Any, *___: Any) -> None:
        self.present = flags.session_present

    def _on_message(self, _: Client, __: Any, message: MQTTMessage) -> None:
        self.came.append((message.topic, bytes(message.payload), message.dup))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Gate:
    """Holds the writer's thread up before the next commit."""

    def __init__(self, http: TestClient) -> None:
        self._open = threading.Event()
        writer = http.app.state.context.store.writer  # type: ignore[attr-defined]  # ours
        reached = threading.Event()

        def hold(_: sqlite3.Connection) -> None:
            reached.set()
            assert self._open.wait(30)

        writer.run(hold)
        assert reached.wait(30)

    def open(self) -> None:
        self._open.set()


def test_fruit_are_graded_and_answered_as_over_http(http: TestClient, line: Line) -> None:
    told = line.ask("drupe/fruit/cam-1/r1", [fruit(1), fruit(2), {"seq": 3, "lane": 0}], own=IN_LOT)
    over_http = http.post("/v1/records?source=bench&run=r1&lot=L-0417", json=[
        fruit(1), fruit(2), {"seq": 3, "lane": 0}]).json()
    assert (told["source"], told["run"], told["stored"], told["refused"]) == ("cam-1", "r1", 2, 1)
    assert told["outcomes"] == over_http["outcomes"]
    assert line.ask("drupe/fruit/cam-1/r1", fruit(2), own=IN_LOT)["duplicates"] == 1
    assert stored(http) == 4
    assert link(http)["unacknowledged"] == 0
    assert http.get("/health/ready").json()["mqtt"]["messages"] == 2


def test_every_format_is_told_by_its_content_type(http: TestClient, line: Line) -> None:
    from service.api.records import MEDIA

    bodies = {
        "application/json": msgspec.json.encode([fruit(1)]),
        "application/x-ndjson": b"\n".join(msgspec.json.encode(fruit(s)) for s in (2, 3)),
        "text/csv; charset=utf-8": b"seq,lane,diameter_mm,ground_hue_deg\n4,5,68.0,100.0\n",
    }
    binary = {"msgpack": msgspec.msgpack.encode([fruit(5)]), "arrow": arrow([fruit(6)]),
              "parquet": parquet([fruit(7)])}
    bodies |= {media: binary[name] for media, name in MEDIA.items() if name in binary}
    for media, body in bodies.items():
        told = line.ask("drupe/fruit/cam-1/r1", body, media=media, own=IN_LOT)
        assert told.get("stored", 0) >= 1, (media, told)
    assert stored(http) == len(bodies) + 1


def arrow(rows: list[dict[str, Any]]) -> bytes:
    import pyarrow as pa

    table, sink = pa.Table.from_pylist(rows), pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table)
    found: bytes = sink.getvalue().to_pybytes()
    return found


def parquet(rows: list[dict[str, Any]]) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_pylist(rows), sink)
    found: bytes = sink.getvalue().to_pybytes()
    return found


def test_nothing_is_acknowledged_before_the_commit(
    tmp_path: Path, broker: Broker, line: Line
) -> None:
    topic = "drupe/fruit/cam-1/r1"
    with subscribed(tmp_path / "data", broker) as http:
        gate = Gate(http)
        line.publish(topic, fruit(1), mark="first", own=IN_LOT)
        until(lambda: link(http)["unacknowledged"] == 1, "the message has come")
        taker = Taker(broker)
        until(lambda: taker.came, "the broker sends it again")
        assert taker.present
        assert {(where, dup) for where, _, dup in taker.came} == {(topic, True)}
        taker.close()
        assert not line.answers
        gate.open()
        told = until(lambda: line.answers.get("first"), "the answer")
        assert told["stored"] + told["duplicates"] == 1
        until(lambda: link(http)["unacknowledged"] == 0, "it is acknowledged")
        assert stored(http) == 1
    after = Taker(broker)
    line.publish(topic, b"the next one")
    until(lambda: after.came, "the next message")
    assert [payload for _, payload, _ in after.came] == [b"the next one"]
    after.close()


@contextmanager
def locked(data_dir: Path) -> Iterator[None]:
    """Nobody else can commit to the database meanwhile."""
    conn = sqlite3.connect(data_dir / "drupe.sqlite3", isolation_level=None)
    try:
        conn.execute("BEGIN IMMEDIATE")
        yield
    finally:
        conn.close()


def scraped(served: Served, name: str) -> float:
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)
    try:
        connection.request("GET", "/metrics")
        shown = re.search(rf"^{name} (\S+)$", connection.getresponse().read().decode(), re.M)
        assert shown is not None, name
        return float(shown[1])
    finally:
        connection.close()


@pytest.fixture
def house(tmp_path: Path, broker: Broker) -> Iterator[Served]:
    """A service of its own process with lot L-0417, connected to the broker."""
    config = tmp_path / "drupe.toml"
    config.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nbackoff_s = 0.2\n')
    found = Served(tmp_path / "data", "--config", str(config), "--mqtt-topic", "cam-1/+")
    found.start()
    assert found.request("POST", "/v1/lots", LOT)[0] == 201
    until(lambda: scraped(found, "grading_mqtt_connected") == 1, "the service is connected")
    yield found
    found.kill()


def test_a_service_killed_before_its_commit_gets_the_message_again(
    tmp_path: Path, house: Served, line: Line
) -> None:
    with locked(tmp_path / "data"):
        line.publish("drupe/fruit/cam-1/r1", [fruit(1), fruit(2)], mark="first", own=IN_LOT)
        until(lambda: scraped(house, "grading_mqtt_unacknowledged") == 1, "the message has come")
        house.kill()
    assert "first" not in line.answers
    house.start()
    assert until(lambda: line.answers.get("first"), "the answer")["stored"] == 2
    assert house.request("GET", "/v1/lots/L-0417")[1]["fruit"] == 2
    assert house.stop() == 0


class Publisher(threading.Thread):
    """Sends fruit after fruit, each until its outcome came; remembers what was acknowledged."""

    def __init__(self, broker: Broker, *, run: str) -> None:
        super().__init__(daemon=True)
        self.run_id = run
        self.line = Line(broker)
        self.stored: set[int] = set()
        self.wrong: list[Any] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        seq = 0
        while not self.stopping.is_set():
            told = self._send(seq)
            if told is None:
                continue
            outcome = told["outcomes"][0]["outcome"] if "outcomes" in told else told
            if outcome not in ("stored", "duplicate"):
                self.wrong.append(told)
            self.stored.add(seq)
            seq += 1

    def _send(self, seq: int) -> Any:
        mark = f"{self.run_id}-{seq}"
        self.line.publish(f"drupe/fruit/cam-1/{self.run_id}", fruit(seq), mark=mark, own=IN_LOT)
        for _ in range(20):
            if mark in self.line.answers or self.stopping.wait(0.01):
                break
        return self.line.answers.get(mark)


def until_through(publishers: list[Publisher], more: int) -> None:
    """Until so many more fruit of each are acknowledged."""
    wanted = [len(p.stored) + more for p in publishers]
    until(lambda: all(len(p.stored) >= n for p, n in zip(publishers, wanted, strict=True)),
          "fruit come through")


def test_a_broker_that_dies_again_and_again_loses_nothing(
    tmp_path: Path, house: Served, broker: Broker
) -> None:
    rng = random.Random(20260714)
    publishers = [Publisher(broker, run=f"r{k}") for k in range(3)]
    for publisher in publishers:
        publisher.start()
    for _ in range(RESTARTS):
        until_through(publishers, rng.randint(3, 30))
        broker.kill()
        broker.start()
    until_through(publishers, 3)
    for publisher in publishers:
        publisher.stopping.set()
    for publisher in publishers:
        publisher.join(timeout=30)
        again = publisher.line.ask(
            f"drupe/fruit/cam-1/{publisher.run_id}", [fruit(s) for s in publisher.stored],
            own=IN_LOT)
        assert (again["stored"], again["duplicates"]) == (0, len(publisher.stored))
        publisher.line.close()
    assert not [w for p in publishers for w in p.wrong]
    assert scraped(house, "grading_mqtt_connections_total") >= RESTARTS + 1

    kept: set[tuple[str, int]] = set()
    cursor: str | None = ""
    while cursor is not None:
        status, page = house.request("GET", f"/v1/lots/L-0417/fruit?limit=1000&cursor={cursor}")
        assert status == 200
        for row in page["fruit"]:
            assert (row["run"], row["seq"]) not in kept, "stored twice"
            kept.add((row["run"], row["seq"]))
        cursor = page["next"]
    assert {(p.run_id, s) for p in publishers for s in p.stored} <= kept
    assert house.stop() == 0
    assert verify(data_dir=tmp_path / "data").ok


def test_what_cannot_be_used_is_kept_and_blocks_nothing(http: TestClient, line: Line) -> None:
    cases: list[tuple[str, Any, dict[str, Any], str]] = [
        ("drupe/fruit/cam-1", fruit(1), {}, "topic"),
        ("drupe/fruit/cam-1/r1/more", fruit(2), {}, "topic"),
        ("drupe/fruit/ca m:1/r1", fruit(3), {}, "topic"),
        ("drupe/fruit/cam-1/r1", b"{\xff", {}, "not_utf8"),
        ("drupe/fruit/cam-1/r1", b"", {}, "empty"),
        ("drupe/fruit/cam-1/r1", [fruit(4), fruit(5)], {"media": "image/png"}, "media_type"),
        ("drupe/fruit/cam-1/r1", [fruit(6), fruit(7)], {"own": {}}, "no_lot"),
        ("drupe/fruit/cam-1/r1", fruit(8), {"own": {"lot": "L-none"}}, "unknown_lot"),
        ("drupe/source/cam-1", b"gone", {}, "state"),
    ]
    for topic, payload, how, code in cases:
        told = line.ask(topic, payload, **{"own": IN_LOT, **how})
        errors = [e["code"] for e in told["errors"]] or [told["type"].rpartition(":")[2]]
        assert errors == [code], (topic, told)
    assert line.ask("drupe/fruit/cam-1/r1", fruit(1), own=IN_LOT)["stored"] == 1
    kept = waiting(http)
    # The two fruit without a lot can be told apart, the two in a picture cannot.
    assert [e["code"] for r in kept for e in r["errors"]] == [
        "topic", "topic", "topic", "not_utf8", "empty", "media_type", "no_lot", "no_lot",
        "unknown_lot", "state"]
    assert [r["seq"] for r in kept if r["errors"][0]["code"] == "no_lot"] == [6, 7]
    assert count(http, 'grading_mqtt_messages_total{outcome="refused"}') == len(cases)
    assert count(http, 'grading_mqtt_messages_total{outcome="taken"}') == 1
    assert link(http)["unacknowledged"] == 0

    record = next(r["id"] for r in kept if r["seq"] == 6)
    repair = {"person": "M. Orrin", "reason": "lot was not named", "record": fruit(6)}
    assert http.post(f"/v1/quarantine/{record}/repair", json=repair).status_code == 404
    assert http.post(
        f"/v1/quarantine/{record}/repair", json={**repair, "lot": "L-0417"}).status_code == 200
    assert stored(http) == 2
    nameless = http.post(f"/v1/quarantine/{kept[0]['id']}/repair", json={**repair, **IN_LOT})
    assert nameless.json()["type"].endswith("no_source")


def test_a_registered_source_shows_its_key_and_its_line_tells_the_lot(
    http: TestClient, line: Line
) -> None:
    holding = {"standard": "house-long-distance", "cultivar": "ember-lass"}
    assert http.post("/v1/lines", json={"id": "line-1", "holding": holding}).status_code == 201
    made = http.post("/v1/sources", json={"id": "belt-1", "line": "line-1", "lanes": 8})
    shown = {"key": made.json()["key"]}
    http.post("/v1/lines/line-1/lot", json={"lot": "L-0417", "person": "M. Orrin"})
    assert line.ask("drupe/fruit/belt-1/r1", fruit(1), own=shown)["lot"] == "L-0417"
    for own, code in (({}, "key_missing"), ({"key": "guessed"}, "key_wrong")):
        told = line.ask("drupe/fruit/belt-1/r1", fruit(2), own=own)
        assert (told["status"], told["type"]) == (401, f"urn:drupe:problem:{code}")
    kept = http.get("/v1/lots/L-0417/quarantine").json()["records"]
    assert [(r["seq"], r["errors"][0]["code"]) for r in kept] == [
        (2, "key_missing"), (2, "key_wrong")]
    assert count(http, 'grading_sources_refused_total{why="key_wrong"}') == 1
    assert stored(http) == 1


def test_a_byte_order_mark_in_a_property_is_no_fault(http: TestClient, line: Line) -> None:
    """MQTT 5.0, 1.5.4-3: U+FEFF must be taken as a character."""
    told = line.ask("drupe/fruit/cam-1/r1", fruit(1), own={**IN_LOT, "key": "\ufeffkey"})
    assert told["stored"] == 1
    told = line.ask("drupe/fruit/cam-1/r1", fruit(2), own={"lot": "\ufeffL-0417"})
    assert told["type"].endswith("unknown_lot")
    assert count(http, "grading_mqtt_connections_total") == 1


def test_conflicts_and_fruit_of_closed_lots_are_kept_too(http: TestClient, line: Line) -> None:
    assert line.ask("drupe/fruit/cam-1/r1", fruit(1), own=IN_LOT)["stored"] == 1
    told = line.ask("drupe/fruit/cam-1/r1", [fruit(1, diameter_mm=50.0), fruit(2)], own=IN_LOT)
    assert (told["stored"], told["conflicts"]) == (1, 1)
    assert http.post("/v1/lots/L-0417/close", json={"person": "M. Orrin"}).status_code == 200
    assert line.ask("drupe/fruit/cam-1/r1", fruit(3), own=IN_LOT)["lot_closed"] == 1
    assert [(r["seq"], r["errors"][0]["code"]) for r in waiting(http)] == [
        (1, "conflict"), (3, "lot_closed")]


@pytest.mark.parametrize("error", [QueueFull("full"), StorageFull("full")])
def test_while_storage_takes_nothing_messages_wait_at_the_broker(
    tmp_path: Path, broker: Broker, line: Line, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    with subscribed(tmp_path / "data", broker, receive_maximum=4) as http:
        refused: list[int] = []

        def fail(*_: Any, **__: Any) -> Any:
            refused.append(1)
            raise error

        writer = http.app.state.context.store.writer  # type: ignore[attr-defined]  # ours
        monkeypatch.setattr(type(writer), "submit", fail)
        for seq in range(12):
            line.publish("drupe/fruit/cam-1/r1", fruit(seq), mark=f"{seq}", own=IN_LOT)
        until(lambda: link(http)["unacknowledged"] == 4 and len(refused) >= 3, "it tries again")
        # Of QoS 0 as many again are held; the rest is dropped, and counted.
        for seq in range(100, 110):
            line.publish("drupe/fruit/cam-1/r1", fruit(seq), qos=0, own=IN_LOT)
        until(lambda: count(http, 'grading_mqtt_messages_total{outcome="dropped"}') == 6, "drops")
        assert link(http)["messages"] == 8
        assert "storage" in link(http)["last_error"]
        assert not line.answers
        monkeypatch.undo()
        until(lambda: len(line.answers) == 12, "all outcomes")
        until(lambda: stored(http) == 16, "all fruit")
        assert link(http)["unacknowledged"] == 0


def test_a_message_that_breaks_the_service_goes_to_quarantine(
    http: TestClient, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.mqtt_road.answer", lambda outcomes: 1 / 0)
    assert line.ask("drupe/fruit/cam-1/r1", fruit(1), own=IN_LOT)["status"] == 500
    assert [r["errors"][0]["code"] for r in waiting(http)] == ["unforeseen"]


def test_a_message_that_cannot_be_taken_over_comes_again(
    http: TestClient, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = service_mqtt._message_of
    failed: list[int] = []

    def fail_once(message: MQTTMessage) -> Any:
        if not failed:
            failed.append(message.mid)
            raise KeyError("topic")
        return real(message)

    monkeypatch.setattr(service_mqtt, "_message_of", fail_once)
    line.publish("drupe/fruit/cam-1/r1", fruit(1), own=IN_LOT, answer_to=f"answers/{line.name}")
    until(lambda: stored(http) == 1, "the fruit")
    assert failed
    assert count(http, "grading_mqtt_connections_total") == 2


def test_a_subscription_that_a_broker_refuses_is_said(http: TestClient) -> None:
    # Mosquitto never refuses one; it only delivers nothing. So the library's callback is called.
    refused = ReasonCode(PacketTypes.SUBACK, "Not authorized")
    http.app.state.mqtt._link._on_subscribe(  # type: ignore[attr-defined]  # ours
        None, None, 1, [ReasonCode(PacketTypes.SUBACK, "Granted QoS 1"), refused], None)
    assert link(http)["last_error"] == "subscription refused: Not authorized"


def test_a_message_too_large_is_refused(tmp_path: Path, broker: Broker, line: Line) -> None:
    with subscribed(tmp_path / "data", broker, settings={"body_bytes": 1024}) as http:
        told = line.ask("drupe/fruit/cam-1/r1", [fruit(s) for s in range(40)], own=IN_LOT)
        assert told["type"].endswith("body_too_large")
        assert len(waiting(http)) == 1


def test_a_retained_message_is_a_repeat(tmp_path: Path, broker: Broker, line: Line) -> None:
    line.publish("drupe/fruit/cam-1/r1", fruit(1), retain=True, own=IN_LOT)
    line.publish("drupe/source/cam-1", {"state": "here"}, retain=True)
    with subscribed(tmp_path / "data", broker, client_id="first") as http:
        # It came before there was a lot, or after: either way one message, kept once.
        until(lambda: link(http)["messages"] == 2 and not link(http)["unacknowledged"], "it")
        before = stored(http) + len(waiting(http))
        assert before == 1
        told = line.ask("drupe/fruit/cam-1/r1", fruit(1), own=IN_LOT)
        assert told["stored"] + told["duplicates"] == 1
    with subscribed(tmp_path / "data", broker, client_id="second") as http:
        until(lambda: link(http)["messages"] == 2 and not link(http)["unacknowledged"], "again")
        assert stored(http) == 1


def test_the_last_will_marks_a_silent_source(http: TestClient, broker: Broker) -> None:
    def silent() -> Any:
        return http.get("/health/ready").json()["silent_sources"]

    name = 'grading_source_silent{source="cam-1"}'
    camera = Line(broker, source="cam-1")
    until(lambda: name in http.get("/metrics").text, "the source says that it is here")
    assert silent() == {}
    camera.vanish()
    assert until(silent, "the last will") == {"cam-1": "2026-07-14T12:00:00.000Z"}
    assert count(http, name) == 1
    camera = Line(broker, source="cam-1")
    until(lambda: silent() == {}, "the source is back")
    camera.publish("drupe/source/cam-1", b"", retain=True)
    until(lambda: name not in http.get("/metrics").text, "the source is out of service")
    camera.close()


def test_two_services_share_nothing(tmp_path: Path, broker: Broker, line: Line) -> None:
    with (subscribed(tmp_path / "a", broker, client_id="house-a") as one,
          subscribed(tmp_path / "b", broker, client_id="house-b") as two):
        for seq in range(50):
            line.publish("drupe/fruit/cam-1/r1", fruit(seq), own=IN_LOT)
        until(lambda: stored(one) == stored(two) == 50, "both have every fruit")


def test_what_is_published_while_the_service_is_away_is_kept_for_it(
    tmp_path: Path, broker: Broker, line: Line
) -> None:
    with subscribed(tmp_path / "data", broker):
        pass
    until(lambda: line.heard.get("drupe/service/drupe", [])[-1:] == [{"state": "gone"}],
          "the service's own last will")
    for seq in range(20):
        line.publish("drupe/fruit/cam-1/r1", fruit(seq), mark=f"{seq}", own=IN_LOT)
    with subscribed(tmp_path / "data", broker) as http:
        until(lambda: len(line.answers) == 20, "all outcomes")
        assert stored(http) == 20
        until(lambda: line.heard["drupe/service/drupe"][-1] == {"state": "here"}, "it is back")


def test_an_answer_that_cannot_be_sent_stops_nothing(http: TestClient, line: Line) -> None:
    line.publish("drupe/fruit/cam-1/r1", fruit(1), mark="lost", own=IN_LOT, answer_to="all/#")
    until(lambda: stored(http) == 1 and not link(http)["unacknowledged"], "it is acknowledged")
    assert "cannot be sent" in link(http)["last_error"]
    assert not line.answers


# The library leaves a socket whose handshake failed to the garbage collector.
@pytest.mark.filterwarnings("ignore:.*ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_a_locked_broker_wants_the_password_and_its_own_certificate(tmp_path: Path) -> None:
    folder = tmp_path / "locked"
    folder.mkdir()
    for command in (
        "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -keyout key.pem -out cert.pem "
        "-subj /CN=127.0.0.1 -addext subjectAltName=IP:127.0.0.1",
        "mosquitto_passwd -b -c users drupe peach-stone",
    ):
        subprocess.run(command.split(), check=True, cwd=folder, capture_output=True)
    (folder / "secret").write_text("peach-stone\n")
    (folder / "wrong").write_text("plum-stone\n")
    locked_up = Broker(folder, more="\n".join([
        "allow_anonymous false", f"password_file {folder}/users",
        f"certfile {folder}/cert.pem", f"keyfile {folder}/key.pem"]))
    locked_up.start()
    try:
        tls = {"tls": True, "ca_file": folder / "cert.pem", "username": "drupe"}
        with service(tmp_path / "a", mqtt=listening(
                locked_up, **tls, password_file=folder / "wrong")) as http:
            until(lambda: "Not authorized" in str(link(http)["last_error"]), "it is turned away")
            assert not link(http)["connected"]
        with subscribed(tmp_path / "b", locked_up, **tls, password_file=folder / "secret") as http:
            assert link(http)["last_error"] is None
        with service(tmp_path / "c", mqtt=listening(locked_up, tls=True)) as http:
            until(lambda: "CERTIFICATE_VERIFY_FAILED" in str(link(http)["last_error"]),
                  "the certificate is not trusted")
    finally:
        locked_up.kill()
