"""The service in the test's own process, on a data folder of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from service.app import create_app
from service.clock import Clock
from service.settings import Settings

NOON_MS = 1_784_030_400_000  # 2026-07-14T12:00:00Z

LOT: dict[str, Any] = {
    "id": "L-0417", "grower": "Tolliver Ridge", "block": "TR-07", "cultivar": "ember-lass",
    "pick": 1, "standard": "house-long-distance", "line": "line-1",
}


@contextmanager
def service(
    data_dir: Path, *, now_ms: Callable[[], int] = lambda: NOON_MS,
    steady_ms: Callable[[], int] | None = None, **settings: Any
) -> Iterator[TestClient]:
    """A client of a started service; without another the clock stands at noon of 14 July 2026.
    steady_ms: None where nobody sets the clock but time itself."""
    app = create_app(settings=Settings(data_dir=data_dir, **settings),
                     clock=Clock(now_ms, steady_ms or now_ms))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def open_lot(client: TestClient, **changes: Any) -> dict[str, Any]:
    answer = client.post("/v1/lots", json={**LOT, **changes})
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


def send(client: TestClient, records: Any, *, lot: str = "L-0417", source: str = "line-1",
         run: str = "r1") -> Any:
    return client.post(f"/v1/records?source={source}&run={run}&lot={lot}", json=records)
