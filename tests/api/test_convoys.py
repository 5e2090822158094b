"""Bodies that are on the road at the same time get the answers that they would get one by one."""

from __future__ import annotations

import asyncio
import copy
import json
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from starlette.testclient import TestClient

from service.api.answers import Wish, answer
from service.context import Context
from service.convoy import BODIES, Convoys
from service.ingest.parse import BodyError
from service.outcomes import Outcomes
from service.problems import Problem
from service.store.errors import QueueFull
from tests.support.app import NOON_MS, open_lot, service
from tests.support.line import minutes, register

FRUIT = minutes(count=1, start_ms=NOON_MS - 60_000)
SIZE = 200


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[list[TestClient]]:
    """Two houses alike."""
    with service(tmp_path / "one") as one, service(tmp_path / "other") as other:
        for client in (one, other):
            open_lot(client)
        yield [one, other]


def bodies_of(*starts: int) -> list[list[dict[str, Any]]]:
    """Bodies of SIZE fruit with numbers from each start."""
    return [[{**FRUIT[k], "seq": start + k} for k in range(SIZE)] for start in starts]


def accept(
    client: TestClient, bodies: Sequence[bytes], *, key: str | None = None, together: bool,
    **where: Any,
) -> list[Outcomes | BaseException]:
    """What becomes of bodies that come all at once, or each after the one before it."""
    ctx: Context = client.app.state.context  # type: ignore[attr-defined]

    async def go() -> list[Outcomes | BaseException]:
        origin = ctx.road.origin(key=key, **where)
        todo = [ctx.road.accept(raw=body, media="json", origin=origin) for body in bodies]
        if together:
            return await asyncio.gather(*todo, return_exceptions=True)
        return [(await asyncio.gather(one, return_exceptions=True))[0] for one in todo]

    found: list[Outcomes | BaseException] = client.portal.call(go)  # type: ignore[union-attr]
    return found


def told(found: Outcomes | BaseException) -> Any:
    """The answer, without the number of its commit."""
    if isinstance(found, BodyError):
        return found.findings
    assert isinstance(found, Outcomes), repr(found)
    try:
        whole = json.loads(bytes(answer(found, Wish.FULL).body))
    except Problem as problem:
        whole = problem.body()
    return {k: v for k, v in whole.items() if k != "commit"}


def parses(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many bodies are taken apart at a time, from now on."""
    parser, sizes = client.app.state.context.parser, []  # type: ignore[attr-defined]
    real = parser.parsed

    def parsed(**asked: Any) -> Any:
        sizes.append(len(asked["bodies"]))
        return real(**asked)

    monkeypatch.setattr(parser, "parsed", parsed)
    return sizes


def compare(pair: list[TestClient], bodies: Sequence[Any], **where: Any) -> list[Any]:
    raws = [b if isinstance(b, bytes) else json.dumps(b).encode() for b in bodies]
    assert min(map(len, raws)) > 16_384
    keys = where.pop("keys", [None, None])
    one, other = pair
    at_once = [told(f) for f in accept(one, raws, key=keys[0], together=True, **where)]
    in_turn = [told(f) for f in accept(other, raws, key=keys[1], together=False, **where)]
    assert at_once == in_turn
    for lot in {where.get("lot_id"), "L-0417", "L-0418"} - {None}:
        for what in ("packout", "quarantine"):
            path = f"/v1/lots/{lot}/{what}"
            answers = [client.get(path).content for client in pair]
            assert answers[0] == answers[1]
    return at_once


def test_new_refused_repeated_conflicting_and_unreadable_bodies(
    pair: list[TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = parses(pair[0], monkeypatch)
    bodies: list[Any] = bodies_of(*range(0, 5 * SIZE, SIZE))
    bodies[1][7]["diameter_mm"] = 400.0
    bodies[1][SIZE - 1]["colour"] = "red"
    bodies[3][0]["lane"] = 0
    bodies.insert(2, copy.deepcopy(bodies[0]))  # again while the first is on its way
    changed = copy.deepcopy(bodies[0])
    changed[5]["mass_g"] = 99.5
    bodies.insert(3, changed)
    bodies.insert(5, json.dumps(bodies[4]).encode()[:-1])
    at_once = compare(pair, bodies, source="belt", run="r1", lot_id="L-0417")
    assert sizes == [len(bodies)]
    kinds = [(a["stored"], a["duplicates"], a["conflicts"], a["refused"]) if isinstance(a, dict)
             else a[0].code for a in at_once]
    assert kinds == [(SIZE, 0, 0, 0), (SIZE - 2, 0, 0, 2), (0, SIZE, 0, 0), (0, SIZE - 1, 1, 0),
                     (SIZE, 0, 0, 0), "not_json", (SIZE - 1, 0, 0, 1), (SIZE, 0, 0, 0)]


def test_a_clean_break_between_and_inside_bodies(pair: list[TestClient]) -> None:
    """Fruit with numbers up to the break belong to the lot before it, whenever they come."""
    keys = []
    for client in pair:
        def post(path: str, body: Any, client: TestClient = client) -> Any:
            return client.post(path, json=body).json()

        own = register(post)
        keys.append(own["Authorization"].removeprefix("Bearer "))
        open_lot(client, id="L-0418")
        first = client.post("/v1/records?source=belt-line-1&run=r1", headers=own,
                            json=[{**FRUIT[0], "seq": 2 * SIZE + 50}])
        assert first.status_code == 201
        turned = client.post("/v1/lines/line-1/lot", json={"lot": "L-0418", "person": "M. Orrin"})
        assert turned.status_code < 300, turned.text
    bodies = bodies_of(0, SIZE, 2 * SIZE, 3 * SIZE)
    bodies[2] = [row for row in bodies[2] if row["seq"] != 2 * SIZE + 50]
    bodies[3][4]["lane"] = 99  # the source has none of that number
    at_once = compare(pair, bodies, source="belt-line-1", run="r1", keys=keys)
    assert [a["lot"] for a in at_once] == ["L-0417", "L-0417", "L-0418", "L-0418"]
    inside = [o["lot"] for o in at_once[2]["outcomes"]]
    assert inside == ["L-0417"] * 50 + ["L-0418"] * (SIZE - 51)
    assert at_once[3]["refused"] == 1


def test_jumps_are_told_where_they_are(pair: list[TestClient]) -> None:
    """A gap between two bodies of one convoy is a gap; bodies out of order are none."""
    at_once = compare(pair, bodies_of(0, SIZE, 9000, 9000 + SIZE), source="b", run="1",
                      lot_id="L-0417")
    assert [a.get("skipped") for a in at_once] == [None, None, [2 * SIZE, 8999], None]
    turned = accept(pair[0], [json.dumps(b).encode() for b in bodies_of(
        20_000, 10_000, 15_000)], source="b", run="2", lot_id="L-0417", together=True)
    assert [told(f).get("skipped") for f in turned] == [
        [15_000 + SIZE, 19_999], None, [10_000 + SIZE, 14_999]]


def test_more_bodies_than_one_convoy_takes(
    pair: list[TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = parses(pair[0], monkeypatch)
    compare(pair, bodies_of(*range(0, 20 * SIZE, SIZE)), source="belt", run="r1",
            lot_id="L-0417")
    assert sizes == [BODIES, BODIES, 20 - 2 * BODIES]


def test_bodies_that_are_too_much_together_go_one_by_one(
    pair: list[TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.ingest.together.ROWS_MAX", 2 * SIZE)
    sizes = parses(pair[0], monkeypatch)
    compare(pair, bodies_of(*range(0, 5 * SIZE, SIZE)), source="belt", run="r1",
            lot_id="L-0417")
    assert sizes == [5, 1, 1, 1, 1, 1]


def test_a_queue_with_room_for_one_but_not_for_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with service(tmp_path, queue_fruit=1000) as client:
        open_lot(client)
        ctx: Context = client.app.state.context  # type: ignore[attr-defined]
        entered, go = threading.Event(), threading.Event()
        real, refused = ctx.store.writer.submit, []

        def submit(**asked: Any) -> Any:
            try:
                return real(**asked)
            except QueueFull:
                refused.append(len(asked["batch"]))
                go.set()
                raise

        def wait(_conn: Any) -> None:
            entered.set()
            go.wait()

        monkeypatch.setattr(ctx.store.writer, "submit", submit)
        ctx.store.writer.run(wait)
        entered.wait()
        ctx.store.writer.run(lambda _conn: None)  # so that the queue is not empty
        found = accept(client, [json.dumps(b).encode() for b in bodies_of(*range(
            0, 6 * SIZE, SIZE))], source="belt", run="r1", lot_id="L-0417", together=True)
        assert refused == [6 * SIZE]
        assert [told(f)["stored"] for f in found] == [SIZE] * 6
        assert client.get("/v1/lots/L-0417").json()["fruit"] == 6 * SIZE


def test_a_bug_is_told_to_everybody_and_the_next_go_on(
    pair: list[TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    parser = pair[0].app.state.context.parser  # type: ignore[attr-defined]
    real, calls = parser.parsed, []

    def parsed(**asked: Any) -> Any:
        calls.append(1)
        if len(calls) == 1:
            raise ValueError("a bug")
        return real(**asked)

    monkeypatch.setattr(parser, "parsed", parsed)
    raws = [json.dumps(b).encode() for b in bodies_of(0, SIZE, 2 * SIZE)]
    where: dict[str, Any] = {"source": "belt", "run": "r1", "lot_id": "L-0417", "together": True}
    assert [str(f) for f in accept(pair[0], raws, **where)] == ["a bug"] * 3
    assert [told(f)["stored"] for f in accept(pair[0], raws, **where)] == [SIZE] * 3


def test_a_sender_that_leaves_holds_up_nobody(pair: list[TestClient]) -> None:
    ctx: Context = pair[0].app.state.context  # type: ignore[attr-defined]
    raws = [json.dumps(b).encode() for b in bodies_of(0, SIZE, 2 * SIZE)]

    async def go() -> list[Any]:
        origin = ctx.road.origin(source="belt", run="r1", lot_id="L-0417")
        tasks = [asyncio.ensure_future(ctx.road.accept(raw=raw, media="json", origin=origin))
                 for raw in raws]
        await asyncio.sleep(0)
        tasks[0].cancel()
        return await asyncio.gather(*tasks, return_exceptions=True)

    first, *others = pair[0].portal.call(go)  # type: ignore[union-attr]
    assert isinstance(first, asyncio.CancelledError)
    assert [told(f)["stored"] for f in others] == [SIZE, SIZE]
    assert isinstance(ctx.road._convoys, Convoys)
    assert not ctx.road._convoys._waiting


def test_outcomes_as_a_stream_read_by_a_foreign_reader(pair: list[TestClient]) -> None:
    """Read by Arrow's own reader, they say what the JSON answer says, whatever the length."""
    ctx: Context = pair[0].app.state.context  # type: ignore[attr-defined]
    for run, n in enumerate((1, 7, 8, 9, 63, 64, 65, 200)):
        raw = json.dumps(bodies_of(0)[0][:n]).encode()

        async def go(raw: bytes = raw, run: int = run) -> Outcomes:
            origin = ctx.road.origin(source="belt", run=str(run), lot_id="L-0417")
            return await ctx.road.accept(raw=raw, media="json", origin=origin)

        found = pair[0].portal.call(go)  # type: ignore[union-attr]
        plain = json.loads(bytes(answer(found, Wish.FULL).body))
        with pa.ipc.open_stream(bytes(answer(found, Wish.ARROW).body)) as stream:
            table = stream.read_all()
        table.validate(full=True)
        rows = [{k: v for k, v in row.items() if v is not None} for row in table.to_pylist()]
        assert rows == plain["outcomes"]
        assert int(table.schema.metadata[b"stored"]) == n
