"""The same bodies posted to a service with a process for bulk bodies and to one without: the same
answers, byte for byte, and the same counts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.app import create_app
from service.clock import Clock
from service.settings import Settings
from tests.support.app import LOT, NOON_MS
from tests.support.line import minutes, register

ARROW = "application/vnd.apache.arrow.stream"


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[list[TestClient]]:
    """With and without."""
    with ExitStack() as stack:
        clients = []
        for processes in (1, 0):
            app = create_app(settings=Settings(data_dir=tmp_path / str(processes)),
                             clock=Clock(lambda: NOON_MS), processes=processes)
            client = stack.enter_context(TestClient(app, raise_server_exceptions=False))
            client.portal.call(app.state.context.parser.ready)  # type: ignore[union-attr]
            clients.append(client)
        yield clients


def same(pair: list[TestClient], method: str, path: str, **more: Any) -> Any:
    one, other = (client.request(method, path, **more) for client in pair)
    assert (one.status_code, one.content) == (other.status_code, other.content)
    return one


def test_answers_are_the_same_either_way(pair: list[TestClient]) -> None:
    same(pair, "POST", "/v1/lots", json=LOT)
    fruit = minutes(count=1, start_ms=NOON_MS - 60_000)
    address = "/v1/records?source=belt&run={}&lot=L-0417"
    for run, headers in (("a", {}), ("b", {"Accept": ARROW}), ("c", {"Prefer": "return=minimal"}),
                         ("d", {"Accept": ARROW, "Prefer": "return=minimal"})):
        for again in range(3):  # new, known by its shape, and as a repeat
            body = fruit if again == 2 else [
                {**f, "seq": f["seq"] + 10_000 * again} for f in fruit]
            answer = same(pair, "POST", address.format(run), json=body, headers=headers)
            assert answer.status_code == (200 if again == 2 else 201)
    odd = [dict(f) for f in fruit]
    odd[4]["diameter_mm"] += 1.0  # a conflict
    odd[5]["diameter_mm"] = 400.0  # refused
    odd.append({**fruit[0], "seq": 99_999})
    answer = same(pair, "POST", address.format("a"), json=odd).json()
    assert (answer["stored"], answer["conflicts"], answer["refused"]) == (1, 1, 1)
    cut_short = json.dumps(fruit).encode()[:-1]
    assert same(pair, "POST", address.format("a"), content=cut_short,
                headers={"Content-Type": "application/json"}).status_code == 400
    for what in ("packout", "culls", "histograms", "quarantine"):
        same(pair, "GET", f"/v1/lots/L-0417/{what}")


def test_a_clean_break_inside_a_body_splits_it(pair: list[TestClient]) -> None:
    """Fruit sent again with new ones after a break: each to its own lot."""
    headers = []
    for client in pair:
        def post(path: str, body: Any, client: TestClient = client) -> Any:
            return client.post(path, json=body).json()

        headers.append(register(post))
        client.post("/v1/lots", json={**LOT, "id": "L-0418"}).raise_for_status()
    fruit = minutes(count=1, start_ms=NOON_MS - 60_000)
    told = []
    for client, own in zip(pair, headers, strict=True):
        path = "/v1/records?source=belt-line-1&run=r1"
        client.post(path, json=fruit[:200], headers=own).raise_for_status()
        client.post("/v1/lines/line-1/lot", json={
            "lot": "L-0418", "person": "M. Orrin"}).raise_for_status()
        answer = client.post(path, json=fruit, headers=own)
        assert answer.status_code == 201
        told.append(answer.content)
        counts = [client.get(f"/v1/lots/{lot}/packout").json()["n"]
                  for lot in ("L-0417", "L-0418")]
        assert counts == [200, len(fruit) - 200]
    assert told[0] == told[1]
