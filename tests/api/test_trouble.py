"""Storage trouble is said plainly, and nothing of the body is kept or acknowledged."""

from __future__ import annotations

from typing import Any, NoReturn

import pytest
from starlette.testclient import TestClient

from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from tests.api.test_pulls import pull
from tests.support.app import LOT, send


@pytest.mark.parametrize(("error", "status", "retry"), [
    (QueueFull("full"), 503, "1"), (StorageFull("full"), 507, "10"),
    (StorageFailed("bad"), 503, "5"), (StoreClosed("closed"), 503, "5"),
])
def test_every_way_in_says_when_to_try_again(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, error: Exception, status: int, retry: str
) -> None:
    def fail(*args: Any, **kwargs: Any) -> NoReturn:
        raise error

    writer = client.app.state.context.store.writer  # type: ignore[attr-defined]  # ours
    monkeypatch.setattr(type(writer), "submit", fail)
    monkeypatch.setattr(type(writer), "run", fail)
    url = "/v1/records?source=line-1&run=r1&lot=L-0417"
    for answer in (send(client, {"seq": 1, "diameter_mm": 66}),
                   client.post(url, content=b"{"),
                   client.post("/v1/lots/L-0417/pulls", json=pull()),
                   client.post("/v1/lots", json={**LOT, "id": "L-9"})):
        assert answer.status_code == status
        assert answer.headers["retry-after"] == retry
        assert answer.headers["content-type"] == "application/problem+json"
    monkeypatch.undo()
    assert client.get("/v1/lots/L-0417").json()["fruit"] == 0


def test_what_nobody_foresaw_is_a_problem_too(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.api.records.answer", lambda outcomes: 1 / 0)
    answer = send(client, {"seq": 1, "diameter_mm": 66})
    assert answer.status_code == 500
    assert answer.json()["type"].endswith("unforeseen")
