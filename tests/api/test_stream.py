"""`/v1/stream`: every fruit answered at once, told when it is on the disk, lost by no trouble."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest
from starlette.testclient import TestClient, WebSocketDenialResponse
from starlette.websockets import WebSocketDisconnect

from service import owed
from service.api import stream as stream_api
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.stream import Session
from tests.api.test_lines import House
from tests.support.app import NOON_MS, open_lot, send, service
from tests.support.streaming import Heard, fruit

LOT = "L-0417"
URL = f"/v1/stream?source=line-1&run=r1&lot={LOT}"


class Client(Heard):
    """One WebSocket of the test client."""

    def __init__(self, socket: Any) -> None:
        super().__init__()
        self.socket = socket
        self.ended = False
        self.hear()

    def hear(self) -> Any:
        message = self.socket.receive()
        if message["type"] == "websocket.close":
            raise WebSocketDisconnect(message["code"])
        frame = msgspec.json.decode(message["text"]) if message.get("text") else (
            msgspec.msgpack.decode(message["bytes"]))
        self.take(frame)
        return frame

    def until(self, done: Callable[[], Any]) -> None:
        while not done():
            self.hear()

    def ask(self, value: Any) -> Any:
        """A frame and its answer."""
        before = len(self.answers) + len(self.errors)
        if isinstance(value, str):
            self.socket.send_text(value)
        elif isinstance(value, bytes):
            self.socket.send_bytes(value)
        else:
            self.socket.send_text(json.dumps(value))
        while True:
            frame = self.hear()
            if len(self.answers) + len(self.errors) > before or frame == []:
                return frame

    def leave(self) -> None:
        """Close, and wait for the end (the test client would cancel the application)."""
        if not self.ended:
            self.socket.close(1000)
            self.ends()

    def ends(self) -> int:
        try:
            while True:
                self.hear()
        except WebSocketDisconnect as end:
            self.ended = True
            return int(end.code)


@contextmanager
def connected(client: TestClient, url: str = URL, **headers: str) -> Iterator[Client]:
    with client.websocket_connect(url, headers=headers) as socket:
        line = Client(socket)
        yield line
        line.leave()


def stored(client: TestClient, lot: str = LOT) -> dict[int, dict[str, Any]]:
    page = client.get(f"/v1/lots/{lot}/fruit?limit=1000").json()
    return {one["seq"]: one for one in page["fruit"]}


def quarantined(client: TestClient, lot: str = LOT) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/v1/lots/{lot}/quarantine").json()["records"]
    return found


NAMES = ("size", "maturity", "grade", "pack")


def test_each_fruit_is_answered_as_it_is_stored(client: TestClient) -> None:
    with connected(client) as line:
        assert line.hello == {"source": "line-1", "run": "r1", "committed": None, "gaps": [],
                              "window": 8192}
        for seq in range(40):
            line.ask(fruit(seq))
        line.until(lambda: line.committed == 39)
    assert [a["seq"] for a in line.answers] == list(range(40))
    assert (line.total("stored"), line.changed, line.errors) == (40, [], [])
    kept = stored(client)
    assert len({a["grade"] for a in line.answers}) > 1
    for answer in line.answers:
        one = kept[answer["seq"]]
        assert {k: answer[k] for k in NAMES} == {k: one[k] for k in NAMES}
        assert answer.get("decisive") == one["decisive"]
    told = client.get("/metrics").text
    assert "grading_streams 0.0" in told
    assert "grading_stream_records_total 40.0" in told
    assert "grading_stream_seconds_count 1.0" in told


def test_messagepack_is_answered_in_kind(client: TestClient) -> None:
    pack = msgspec.msgpack.encode
    with connected(client) as line:
        small, large = line.ask(pack(fruit(3))), line.ask(pack(fruit(2**40)))
        assert (small["seq"], large["seq"]) == (3, 2**40)
        assert line.ask(pack([fruit(4), {"seq": 5, "diameter_mm": 3.0}]))[1]["seq"] == 5
        assert line.ask(pack({"seq": 6, "sugar_brix": float("nan")}))["outcome"] == "refused"
        assert line.ask(b"\xc1")["error"]["errors"][0]["code"] == "not_messagepack"
        # 6 was the last seq that could be told.
        line.until(lambda: line.committed == 6 and line.total("refused") == 3)
        whole = line.ask(fruit(7))
        assert {k: whole[k] for k in NAMES} == {k: stored(client).get(7, whole)[k] for k in NAMES}
    kept = stored(client)
    assert {k: large[k] for k in NAMES} == {k: kept[2**40][k] for k in NAMES}
    assert sorted(kept) == [3, 4, 7, 2**40]
    assert {one["seq"] for one in quarantined(client)} == {5, None}


def test_an_array_is_answered_by_an_array(client: TestClient) -> None:
    with connected(client) as line:
        assert line.ask([]) == []
        answer = line.ask([fruit(seq) for seq in range(200)])
        assert [a["seq"] for a in answer] == list(range(200))
        line.until(lambda: line.committed == 199)
    assert len(stored(client)) == 200


@pytest.mark.parametrize(("record", "seq", "code"), [
    ({"seq": 1, "diameter_mm": 3.2}, 1, "out_of_range"),
    ({"seq": 1, "diameter_mm": 66, "diameter_in": 2.6}, 1, "measured_twice"),
    ({"seq": 1, "firmness_n": 55}, 1, "tip_missing"),
    ({"seq": 1, "diametre_mm": 66}, 1, "unknown_field"),
    ({"diameter_mm": 66}, None, "missing_field"),
    ({"seq": -1}, None, "out_of_range"),
    ('{"seq":1,"lane":2,"lane":3}', 1, "given_twice"),
    ('{"seq":true}', None, "wrong_type"),
    ("[7]", None, "not_an_object"),
])
def test_what_cannot_be_used_is_refused_and_kept(
    client: TestClient, record: Any, seq: int | None, code: str
) -> None:
    with connected(client) as line:
        answer = line.ask(record)
        line.until(lambda: line.total("refused") == 1)
        assert line.committed == seq
        line.ask(fruit(9))
        line.until(lambda: line.committed == 9)
    answer = answer[0] if isinstance(answer, list) else answer
    assert (answer["seq"], answer["outcome"]) == (seq, "refused")
    assert answer["errors"][0]["code"] == code
    kept = quarantined(client)
    assert [one["seq"] for one in kept] == [seq]
    assert kept[0]["errors"] == answer["errors"]
    assert sorted(stored(client)) == [9]
    assert 'grading_records_total{outcome="refused"} 1.0' in client.get("/metrics").text


def test_a_frame_that_nobody_can_read_does_not_end_the_stream(client: TestClient) -> None:
    with connected(client) as line:
        error = line.ask('{"seq":')["error"]
        assert (error["status"], error["errors"][0]["code"]) == (400, "not_json")
        line.ask(fruit(1))
        line.until(lambda: line.committed == 1 and line.total("refused") == 1)
    kept = quarantined(client)
    assert [(one["seq"], one["raw"]) for one in kept] == [(None, '{"seq":')]


def test_resuming_after_a_break(client: TestClient) -> None:
    with connected(client) as line:
        for seq in (*range(10), *range(20, 30)):
            line.ask(fruit(seq))
        line.until(lambda: line.committed == 29)
    with connected(client) as line:
        assert (line.hello["committed"], line.hello["gaps"]) == (29, [[10, 19]])
        for seq in range(5, 32):
            line.ask(fruit(seq))
        line.until(lambda: line.committed == 31)
        assert (line.total("stored"), line.total("duplicates"), line.changed) == (12, 15, [])
    assert sorted(stored(client)) == list(range(32))


def test_what_was_received_before_a_break_is_kept(client: TestClient) -> None:
    with connected(client) as line:
        for seq in range(5):
            line.ask(fruit(seq))
        assert line.committed is None
    assert sorted(stored(client)) == list(range(5))


def test_a_conflict_is_told_and_the_first_stands(client: TestClient) -> None:
    send(client, fruit(1))
    with connected(client) as line:
        assert "grade" in line.ask(fruit(1, diameter_mm=48.0))
        line.ask(fruit(2))
        line.until(lambda: line.committed == 2)
    assert line.changed == [{"seq": 1, "outcome": "conflict"}]
    assert (line.total("conflicts"), line.total("stored")) == (1, 1)
    assert stored(client)[1]["diameter_mm"] == 55.1


def test_a_repeat_that_was_graded_under_other_rules_is_told(client: TestClient) -> None:
    open_lot(client, id="L-0400", standard="us-peaches")
    send(client, [fruit(1), fruit(2)], lot="L-0400")
    with connected(client) as line:
        given = line.ask(fruit(1))
        line.ask(fruit(3))
        line.until(lambda: line.committed == 3)
    first = stored(client, "L-0400")[1]
    assert line.changed == [{
        "seq": 1, "outcome": "duplicate", "lot": "L-0400", **{k: first[k] for k in NAMES},
        **({"decisive": first["decisive"]} if first["decisive"] else {})}]
    assert given["grade"] != first["grade"] or given["size"] != first["size"]


def test_fruit_for_a_closed_lot_are_told_and_kept_for_a_person(client: TestClient) -> None:
    with connected(client) as line:
        line.ask(fruit(1))
        line.until(lambda: line.committed == 1)
        assert client.post(f"/v1/lots/{LOT}/close").status_code == 200
        line.ask(fruit(2))
        line.until(lambda: line.committed == 2)
    assert line.changed == [{"seq": 2, "outcome": "lot_closed"}]
    assert line.total("lot_closed") == 1
    kept = quarantined(client)
    assert [(one["seq"], one["errors"][0]["code"]) for one in kept] == [(2, "lot_closed")]
    assert json.loads(kept[0]["raw"])["diameter_mm"] == 55.2


# Who may send, and where fruit go.

@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with service(tmp_path) as client:
        yield House(client, clock="trusted")


BELT = "/v1/stream?source=belt-1&run=r1"


@pytest.mark.parametrize(("url", "headers", "status", "code"), [
    (BELT, {}, 401, "key_missing"),
    (BELT, {"authorization": "Bearer wrong"}, 401, "key_wrong"),
    ("/v1/stream?source=free&run=r1&lot=L-9", {}, 404, "unknown_lot"),
    ("/v1/stream?source=free&run=r1", {}, 422, "no_lot"),
    ("/v1/stream?source=a%2Fb", {}, 422, "query"),
    (BELT, {"origin": "https://elsewhere.example"}, 403, "foreign_page"),
])
def test_who_may_not_send_is_told_before_the_handshake(
    house: House, url: str, headers: dict[str, str], status: int, code: str
) -> None:
    with pytest.raises(WebSocketDenialResponse) as caught, connected(house.client, url, **headers):
        pass
    problem = json.loads(caught.value.content)
    assert caught.value.status_code == problem["status"] == status
    assert problem["type"].endswith(code)
    assert caught.value.headers["content-type"] == "application/problem+json"
    if code != "foreign_page":
        answer = house.client.post(url, headers={"content-type": stream_api.NDJSON, **headers})
        assert (answer.status_code, answer.json()["type"]) == (status, problem["type"])


def test_a_page_of_the_service_itself_may_send(client: TestClient) -> None:
    with connected(client, origin="http://testserver") as line:
        assert line.ask(fruit(1))["seq"] == 1


def test_a_lines_fruit_go_to_the_lot_it_packs(house: House) -> None:
    """Between lots to the holding lot; after a break a fruit sent late goes by its own time."""
    key = {"authorization": f"Bearer {house.key}"}
    with connected(house.client, BELT, **key) as line:
        line.ask(fruit(1))
        line.until(lambda: line.committed == 1)
        assert house.turn("L-0417").status_code == 200
        line.ask(fruit(2))
        line.ask(fruit(3, time_unix_ms=NOON_MS - 5_000))
        line.ask(fruit(4, time="2026-07-14T12:00:00Z"))
        line.until(lambda: line.committed == 4)
        assert line.changed == []
    assert sorted(stored(house.client, "L-0417")) == [2, 4]
    assert sorted(stored(house.client, "line-1-holding")) == [1, 3]


def test_a_lot_that_changes_between_answer_and_flush_is_told(house: House) -> None:
    key = {"authorization": f"Bearer {house.key}"}
    house.turn("L-0417")
    with connected(house.client, BELT, **key) as line:
        line.ask(fruit(1, time_unix_ms=NOON_MS))
        house.turn("L-0418")  # at the very same moment of the test's clock
        line.until(lambda: line.committed == 1)
    assert [(c["seq"], c["outcome"], c["lot"]) for c in line.changed] == [(1, "stored", "L-0418")]
    assert sorted(stored(house.client, "L-0418")) == [1]


def test_a_lane_that_the_source_does_not_have(house: House) -> None:
    key = {"authorization": f"Bearer {house.key}"}
    with connected(house.client, BELT, **key) as line:
        answer = line.ask(fruit(1, lane=9))
        assert answer["errors"][0]["code"] == "unknown_lane"
        assert line.ask(fruit(2, lane=8, firmness_n=50.0))["seq"] == 2  # the source's tip
        line.until(lambda: line.committed == 2)
    assert [one["seq"] for one in quarantined(house.client, "line-1-holding")] == [1]


# Trouble.

def held(client: TestClient) -> Any:
    return type(client.app.state.context.store.writer)  # type: ignore[attr-defined]  # ours


def test_reading_stops_at_the_window(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight fruit may be owed: the ninth is answered only after a commit."""
    monkeypatch.setattr(Session.__init__, "__kwdefaults__", {"window": 8})
    monkeypatch.setattr("service.flusher.FLUSH_S", 0.02)
    with connected(client) as line:
        assert line.hello["window"] == 8
        for seq in range(50):
            line.socket.send_text(json.dumps(fruit(seq)))
        answered: list[int] = []
        while line.committed != 49:
            line.hear()
            answered.append(len(line.answers) - 1 - (line.committed or -1))
        assert max(answered) <= 8
    assert [a["seq"] for a in line.answers] == list(range(50))
    assert sorted(stored(client)) == list(range(50))


@pytest.mark.parametrize(("error", "status", "code"), [
    (QueueFull("many fruit wait"), 503, "queue_full"), (StorageFull("no space"), 507, "disk_full"),
    (StorageFailed("busy"), 503, "storage")])
@pytest.mark.parametrize("where", ["at once", "later"])
def test_storage_trouble_is_told_and_passes(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, error: Exception, status: int, code: str,
    where: str,
) -> None:
    # A full queue is not waited for as long as a disk: it would take an hour here.
    monkeypatch.setattr(owed, "PAUSES_S", (3600.0,) if code == "queue_full" else (0.01, 0.02))
    monkeypatch.setattr(owed, "QUEUE_S", 0.01)
    writer, real = held(client), held(client).submit
    troubles = 5

    def submit(self: Any, **given: Any) -> Future[Any]:
        nonlocal troubles
        if troubles == 0:
            return real(self, **given)  # type: ignore[no-any-return]
        troubles -= 1
        if where == "at once":
            raise error
        failed: Future[Any] = Future()
        failed.set_exception(error)
        return failed

    monkeypatch.setattr(writer, "submit", submit)
    with connected(client) as line:
        for seq in range(10):
            line.ask(fruit(seq))
        line.until(lambda: line.committed == 9)
    assert troubles == 0
    assert {(e["status"], e["type"].rpartition(":")[2]) for e in line.errors} == {(status, code)}
    assert line.errors[0]["retry_after_s"] >= 1
    assert sorted(stored(client)) == list(range(10))
    assert (line.total("stored"), line.total("duplicates")) == (10, 0)


def fail_with(error: Exception) -> Callable[..., Any]:
    def fail(*args: Any, **given: Any) -> Any:
        raise error
    return fail


@pytest.mark.parametrize(("name", "error", "code"), [
    ("submit", StoreClosed("closing"), 1013), ("submit", ValueError("a bug"), 1011)])
def test_what_cannot_be_kept_is_never_acknowledged(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, name: str, error: Exception, code: int
) -> None:
    monkeypatch.setattr(held(client), name, fail_with(error))
    with connected(client) as line:
        line.ask(fruit(1))
        assert line.ends() == code
    assert line.marks == []
    monkeypatch.undo()
    with connected(client) as line:
        assert line.hello["committed"] is None


def test_a_batch_that_cannot_be_made_ends_the_stream(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    road = type(client.app.state.context.road)  # type: ignore[attr-defined]  # ours
    monkeypatch.setattr(road, "bind_under", fail_with(ValueError("a bug")))
    with connected(client) as line:
        line.ask(fruit(1))
        assert line.ends() == 1011
    assert line.marks == []


def test_a_client_that_leaves_in_storage_trouble_is_not_waited_for(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(held(client), "submit", fail_with(StorageFull("no space")))
    with connected(client) as line:
        line.ask(fruit(1))
        line.until(lambda: line.errors)
    assert line.marks == []
    assert "grading_streams 0.0" in client.get("/metrics").text


def test_draining_tells_the_last_watermark_and_turns_newcomers_away(client: TestClient) -> None:
    streams = client.app.state.streams  # type: ignore[attr-defined]  # ours
    with connected(client) as line:
        line.ask(fruit(1))
        assert client.portal is not None
        client.portal.call(streams.drain)
        assert line.ends() == 1012
    assert line.committed == 1
    assert sorted(stored(client)) == [1]
    with pytest.raises(WebSocketDenialResponse) as caught, connected(client):
        pass
    assert caught.value.status_code == 503
    assert caught.value.headers["retry-after"] == "5"


def test_a_stream_that_opens_into_the_drain_ends(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    streams = client.app.state.streams  # type: ignore[attr-defined]  # ours
    reader = client.app.state.context.store.reader  # type: ignore[attr-defined]  # ours
    real = reader.seqs

    def seqs(**given: Any) -> Any:
        assert client.portal is not None
        client.portal.call(streams.drain)
        return real(**given)

    monkeypatch.setattr(reader, "seqs", seqs)
    with connected(client) as line:
        assert line.ends() == 1012


# Endless NDJSON.

def lines(client: TestClient, parts: Iterator[bytes] | list[bytes]) -> Heard:
    heard = Heard()
    answer = client.post(URL, content=iter(parts), headers={"content-type": stream_api.NDJSON})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == stream_api.NDJSON
    for line in answer.text.splitlines():
        heard.take(json.loads(line))
    return heard


def test_ndjson_speaks_the_same(client: TestClient) -> None:
    body = b"".join(json.dumps(fruit(seq)).encode() + b"\n" for seq in range(150))
    heard = lines(client, [body[:777], body[777:2000], body[2000:], b"\r\n\n",
                           b'{"seq":150,"diameter_mm":1}\n{"seq":', b"\n[", b"]\n",
                           json.dumps(fruit(151)).encode()])
    assert heard.hello["window"] == 8192
    assert [a["seq"] for a in heard.answers] == list(range(152))
    assert heard.answers[150]["outcome"] == "refused"
    assert [e["errors"][0]["code"] for e in heard.errors] == ["not_json"]
    assert (heard.committed, heard.total("stored"), heard.total("refused")) == (151, 151, 2)
    assert sorted(stored(client)) == [*range(150), 151]
    assert len(quarantined(client)) == 2


def test_a_line_without_end_is_refused(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream_api, "FRAME_BYTES", 500)
    heard = lines(client, [json.dumps(fruit(1)).encode() + b"\n", b" " * 400, b"1" * 400])
    assert heard.errors[0]["status"] == 413
    assert heard.committed == 1
    assert sorted(stored(client)) == [1]
    assert len(quarantined(client)) == 1


def test_only_lines_are_taken(client: TestClient) -> None:
    answer = client.post(URL, json=[fruit(1)])
    assert answer.status_code == 415
    assert stream_api.NDJSON in answer.json()["detail"]
