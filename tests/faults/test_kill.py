"""kill -9 while fruit come in: every acknowledged fruit is stored once, counts equal a recount.

This shows restart logic. That a commit survives the loss of power rests on full sync, which is
checked at start and not shown by killing a process.
"""

from __future__ import annotations

import http.client
import os
import random
import threading
import time
from pathlib import Path

import pytest

from service.store.verify import verify
from tests.support.app import LOT
from tests.support.process import Served

KILLS = 200 if os.environ.get("DRUPE_NIGHTLY") else 20
CLIENTS = 8
BODY = 25


class Client(threading.Thread):
    """Posts bodies of its own run with retry and remembers what was acknowledged."""

    def __init__(self, served: Served, number: int) -> None:
        super().__init__(daemon=True)
        self.served, self.run_id = served, f"run-{number}"
        self.acknowledged: dict[int, str] = {}
        self.duplicates = 0
        self.wrong: list[str] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        first = 0
        while not self.stopping.is_set():
            body = [{"seq": s, "lane": 1 + s % 8, "diameter_mm": 55 + s % 300 / 10,
                     "ground_hue_deg": 90 + s % 17, "blush_fraction": s % 11 / 10}
                    for s in range(first, first + BODY)]
            if self._post(body):
                first += BODY

    def _post(self, body: list[dict[str, float]]) -> bool:
        try:
            status, answer = self.served.request(
                "POST", f"/v1/records?source=line-1&run={self.run_id}&lot=L-0417", body)
        except (OSError, http.client.HTTPException, ValueError):
            self.stopping.wait(0.01)
            return False
        if status not in (200, 201):
            self.wrong.append(f"{status}: {answer}")
            return False
        for outcome in answer["outcomes"]:
            grade = outcome["grade"]
            known = self.acknowledged.setdefault(outcome["seq"], grade)
            if known != grade:
                self.wrong.append(f"{outcome['seq']} was {known}, is now {grade}")
            self.duplicates += outcome["outcome"] == "duplicate"
        return True


@pytest.mark.faults
def test_every_acknowledged_fruit_is_stored_once(tmp_path: Path) -> None:
    rng = random.Random(20260714)
    served = Served(tmp_path / "data")
    served.start()
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    clients = [Client(served, k) for k in range(CLIENTS)]
    for client in clients:
        client.start()
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.05, 0.5))  # the moment of the kill is what is varied
        served.kill()
        served.start()
    for client in clients:
        client.stopping.set()
    for client in clients:
        client.join(timeout=30)
    acknowledged = {(c.run_id, s): g for c in clients for s, g in c.acknowledged.items()}
    assert not [w for c in clients for w in c.wrong]
    assert len(acknowledged) > KILLS * BODY

    status, packout = served.request("GET", "/v1/lots/L-0417/packout")
    assert status == 200
    stored: dict[tuple[str, int], str] = {}
    cursor: str | None = ""
    while cursor is not None:
        status, page = served.request(
            "GET", f"/v1/lots/L-0417/fruit?limit=1000&cursor={cursor}")
        assert status == 200
        for fruit in page["fruit"]:
            key = (fruit["run"], fruit["seq"])
            assert key not in stored, f"{key} is stored twice"
            stored[key] = fruit["grade"]
        cursor = page["next"]
    assert served.stop() == 0
    assert acknowledged.items() <= stored.items()
    counted = {g["code"]: g["count"] for g in packout["by_grade"] if g["count"]}
    recount: dict[str, int] = {}
    for grade in stored.values():
        recount[grade] = recount.get(grade, 0) + 1
    assert counted == recount
    assert packout["n"] == len(stored)
    found = verify(data_dir=tmp_path / "data")
    assert found.ok, found
