"""When a line counts as standing: by the pace of its own sources."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.alarms.providers import facts_of
from tests.support.app import NOON_MS, service
from tests.support.line import register


def post(client: TestClient, path: str, body: Any) -> Any:
    answer = client.post(path, json=body)
    assert answer.is_success, answer.text
    return answer.json()


@pytest.mark.parametrize(("every_s", "runs_s", "stands_s"), [(1, 9, 10), (30, 80, 91)])
def test_a_line_stands_once_its_sensor_is_overdue(
    tmp_path: Path, every_s: int, runs_s: int, stands_s: int
) -> None:
    """Ten seconds for one that sends every second; three pauses for one that sends every thirty,
    from the twentieth message on, when its pace is known to a tenth of a second."""
    now = [NOON_MS]
    with service(tmp_path, now_ms=lambda: now[0]) as client:
        headers = register(lambda path, body: post(client, path, body))
        for k in range(40):
            now[0] += every_s * 1000
            client.post("/v1/records?source=belt-line-1&run=r1", headers=headers,
                        json={"seq": k, "diameter_mm": 66.0}).raise_for_status()
        facts = facts_of(client.app.state.context)  # type: ignore[attr-defined]
        assert facts(now[0] + 1000 * runs_s).stopped == frozenset()
        assert facts(now[0] + 1000 * stands_s).stopped == frozenset({"line-1"})
