"""Sensors that stand but do not measure, found in simulated shifts whose truth is known.

Half an hour of one line of eight lanes at 4 fruit/s each; events begin after ten minutes. A run of
50 equal readings takes 12.5 s, the on-delay another 15 s, a look comes every 5 s.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.alarms.model import Reading
from service.alarms.sensors import PENDING_FRUIT, SensorHealth
from tests.support.app import NOON_MS, service
from tests.support.line import minutes, register
from tests.support.shift_service import watched
from tests.support.shifts import plan_of

START_MIN, END_MIN = 10, 14
KINDS = {"frozen_sensor", "lane_silent", "too_even", "repeated_readings", "impossible_share"}


def _calls(tmp_path: Path, *events: dict[str, Any], **more: Any) -> list[tuple[float, str, str]]:
    """(minute, kind, subject) of each call about a sensor's health."""
    plan = plan_of(*({"start_min": START_MIN, "end_min": END_MIN, **e} for e in events),
                   hours=0.3, **more)
    with watched(tmp_path, plan) as shift:
        shift.run()
        found = shift.announced()
        states = [a.key for a in shift.ctx.alarms.open()]
    assert not {"frozen_sensor", "lane_silent"} & {k for k, _ in states}, "it is over, yet open"
    return [(seconds / 60, kind, subject) for seconds, kind, subject in found if kind in KINDS]


def test_a_line_in_order_calls_nobody(tmp_path: Path) -> None:
    assert _calls(tmp_path) == []


def test_a_frozen_lane_is_found_whatever_the_size_of_bodies(tmp_path: Path) -> None:
    ((at_min, kind, subject),) = _calls(
        tmp_path, {"kind": "frozen", "lanes": [4], "measure": "hue"})
    assert (kind, subject) == ("frozen_sensor", "line-1-sizer/4/hue")
    assert START_MIN + 27.5 / 60 <= at_min <= START_MIN + 1


def test_a_lane_that_goes_silent_is_found(tmp_path: Path) -> None:
    """Half of two minutes must be missing, and for 20 s."""
    ((at_min, kind, subject),) = _calls(tmp_path, {"kind": "silent_lane", "lanes": [1]})
    assert (kind, subject) == ("lane_silent", "line-1-sizer/1")
    assert START_MIN + 1 <= at_min <= START_MIN + 3


def test_smoothed_readings_are_an_advisory(tmp_path: Path) -> None:
    """Four fruit in a row get their mean: half the spread, where 0.3 less is the limit, and three
    of four read like the one before. One call says so, perhaps a second one until that is clear."""
    found = _calls(tmp_path, {"kind": "smoothed", "lanes": [7], "size": 4})
    assert 1 <= len(found) <= 2
    assert {(k, s) for _, k, s in found} <= {
        ("repeated_readings", "line-1-sizer/7"), ("too_even", "line-1-sizer/7")}


def test_copied_readings_are_an_advisory(tmp_path: Path) -> None:
    """Copies spread like other fruit."""
    ((_, kind, subject),) = _calls(tmp_path, {"kind": "duplicated", "lanes": [3], "size": 3})
    assert (kind, subject) == ("repeated_readings", "line-1-sizer/3")


def _look(client: TestClient) -> dict[str, float]:
    """Readings of a fresh look, by kind and subject."""
    ctx = client.app.state.context  # type: ignore[attr-defined]
    (sensors,) = [p for p in ctx.alarms.providers if isinstance(p, SensorHealth)]
    sensors._looked_ms = None

    async def ask() -> tuple[Reading, ...]:
        return await sensors(NOON_MS)

    assert client.portal is not None
    return {f"{r.kind} {r.subject}": r.value for r in client.portal.call(ask)}


@pytest.fixture
def line(tmp_path: Path) -> Any:
    def post(path: str, body: Any) -> Any:
        answer = client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    with service(tmp_path) as client:
        yield client, register(post)


def _send(line: Any, records: list[dict[str, Any]]) -> Any:
    client, headers = line
    return client.post("/v1/records?source=belt-line-1&run=r1", json=records, headers=headers)


def test_a_few_refused_records_are_chance_and_faults_of_form_do_not_count(line: Any) -> None:
    """960 good ones; 3 impossible and 40 with a wrong field. Then 47 more impossible: 50 of 1,010.
    """
    client, _ = line
    good = minutes(count=2, start_ms=NOON_MS - 120_000)
    bad = [{"seq": 5000 + k, "lane": 1, "diameter_mm": 400} for k in range(50)]
    odd = [{"seq": 6000 + k, "lane": 1, "colour": "red"} for k in range(40)]
    _send(line, good + bad[:3] + odd)
    found = _look(client)
    assert found["impossible_share belt-line-1"] == pytest.approx(3 / 963)
    _send(line, bad[3:])
    assert _look(client)["impossible_share belt-line-1"] == pytest.approx(50 / 1010)


def test_what_stands_on_no_line_is_left_alone(line: Any) -> None:
    client, _ = line
    for source in ("passer-by", "bench"):
        if source == "bench":
            key = client.post("/v1/sources", json={"id": "bench"}).json()["key"]
            headers = {"Authorization": f"Bearer {key}"}
        else:
            headers = {}
        answer = client.post(
            f"/v1/records?source={source}&run=r1&lot=L-0417", headers=headers,
            json=[{"seq": k, "diameter_mm": 66, "blush_fraction": 0.5} for k in range(300)])
        assert answer.status_code == 201
    assert _look(client) == {"impossible_share belt-line-1": 0.0}


def test_what_waits_to_be_looked_at_is_bounded(
    line: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert PENDING_FRUIT >= 100_000
    monkeypatch.setattr("service.alarms.sensors.PENDING_FRUIT", 1000)
    client, _ = line
    fruit = minutes(count=3, start_ms=NOON_MS - 180_000)
    for k in range(0, len(fruit), 300):
        assert _send(line, fruit[k:k + 300]).status_code == 201
    ctx = client.app.state.context
    (sensors,) = [p for p in ctx.alarms.providers if isinstance(p, SensorHealth)]
    assert sensors._fruit <= 1000
    assert sensors._fruit == sum(len(p.batch) for p in sensors._pending)
