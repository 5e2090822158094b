"""A service whose alarms are driven by hand: the time, and what there is to read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from starlette.testclient import TestClient

from service.alarms.model import Reading
from tests.support.app import NOON_MS, service


class House:
    """`read` says what is the case for a while; nothing else is looked at."""

    def __init__(self, client: TestClient, clock: list[int]) -> None:
        self.client = client
        self._clock = clock
        self._readings: tuple[Reading, ...] = ()
        self.context: Any = client.app.state.context  # type: ignore[attr-defined]
        self.context.alarms.providers[:] = [lambda now_ms: self._readings]

    def read(self, *readings: Reading, seconds: int = 1) -> None:
        """Hold the readings for so many seconds, one tick a second."""

        async def hold() -> None:
            self._readings = readings
            for _ in range(seconds):
                self._clock[0] += 1000
                await self.context.alarms.tick()

        assert self.client.portal is not None
        self.client.portal.call(hold)

    def later(self, minutes: float) -> None:
        """The time moves on in one step; what was read still holds."""

        async def wait() -> None:
            self._clock[0] += round(minutes * 60_000)
            await self.context.alarms.tick()

        assert self.client.portal is not None
        self.client.portal.call(wait)

    def open(self, **query: Any) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.get("/v1/alarms", **query)["alarms"]
        return found

    def get(self, path: str, **query: Any) -> Any:
        answer = self.client.get(path, params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def do(self, alarm: int, what: str, **body: Any) -> Any:
        """The answer to what M. Orrin does to an alarm."""
        return self.client.post(f"/v1/alarms/{alarm}/{what}", json={"person": "M. Orrin", **body})


def culls(share: float, *, line: str = "line-1") -> Reading:
    return Reading(kind="reject_share", subject=line, value=share, line=line, lot="L-0417")


def disk(share: float) -> Reading:
    return Reading(kind="storage_critical", subject="data", value=share)


@contextmanager
def house(data_dir: Path, *, at_ms: int = NOON_MS, **settings: Any) -> Iterator[House]:
    clock = [at_ms]
    with (patch("service.alarms.runner.EVERY_S", 1e6),  # only when a test says so
          service(data_dir, now_ms=lambda: clock[0], **settings) as client):
        yield House(client, clock)
