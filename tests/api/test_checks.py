"""Reference checks and paired pulls over HTTP."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.support.app import open_lot, send, service

CHECK: dict[str, Any] = {
    "at": "2026-07-14T11:55:00Z", "person": "M. Orrin", "readings": [
        {"lane": lane, "measure": "diameter", "object": "sphere 65", "known": 65.0,
         "reading": 65.0 + 0.1 * lane} for lane in (1, 2)]}


def test_readings_of_reference_objects_are_kept(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        client.post("/v1/sources", json={"id": "belt-1", "lanes": 2}).raise_for_status()
        assert client.post("/v1/sources/belt-1/checks", json=CHECK).json()["readings"] == 2
        found = client.get("/v1/sources/belt-1/checks").json()["readings"]
        assert [(r["lane"], r["offset"]) for r in found] == [(1, 0.1), (2, 0.2)]
        assert client.post("/v1/sources/belt-2/checks", json=CHECK).status_code == 404


def test_a_check_of_a_later_time_or_an_unknown_lane_is_refused(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        client.post("/v1/sources", json={"id": "belt-1", "lanes": 1}).raise_for_status()
        wrong = client.post("/v1/sources/belt-1/checks",
                            json={**CHECK, "at": "2026-07-14T12:00:06Z"})
        assert wrong.status_code == 422
        assert [e["pointer"] for e in wrong.json()["errors"]] == ["/at", "/readings/1/lane"]
        assert client.get("/v1/sources/belt-1/checks").json()["readings"] == []


def test_a_pulled_fruit_may_name_the_line_record_of_the_same_fruit(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        open_lot(client)
        send(client, [{"seq": 7, "diameter_mm": 66.4}])
        pull = {"id": "p-1", "purpose": "line_check", "person": "M. Orrin",
                "drawn_at": "2026-07-14T11:50:00Z", "fruit": [
                    {"diameter_mm": 66.0, "line_fruit": {"source": "line-1", "run": "r1",
                                                         "seq": 7}}]}
        first = client.post("/v1/lots/L-0417/pulls", json=pull)
        assert first.status_code == 201, first.text
        again = client.post("/v1/lots/L-0417/pulls", json=pull).json()
        assert again["duplicate"] is True
        other = {**pull, "fruit": [{"diameter_mm": 66.0}]}
        assert client.post("/v1/lots/L-0417/pulls", json=other).status_code == 422
