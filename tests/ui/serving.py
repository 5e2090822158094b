"""A service on a free port for page tests, with invented lots and fruit."""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2 as httpx
import uvicorn

from service.alarms.model import Reading
from service.app import create_app
from service.context import Context
from service.rows import utc
from service.settings import Settings
from tests.support.line import minutes, register

LOTS: tuple[dict[str, Any], ...] = (
    {"id": "L-0417", "grower": "Tolliver Ridge", "block": "TR-07", "cultivar": "ember-lass",
     "pick": 2, "standard": "us-peaches", "line": "line-1"},
    {"id": "L-0418", "grower": "Anselm Brothers", "block": "AB-02", "cultivar": "rosalind-red",
     "pick": 1, "standard": "house-long-distance", "line": "line-2", "route": "long distance"},
    {"id": "L-0419", "grower": "Quarry Creek Farm", "block": "QC-11", "cultivar": "tansy-flare",
     "pick": 1, "standard": "us-nectarines"},
)


def fruit(*, n: int, seed: int) -> list[dict[str, Any]]:
    """Invented fruit: some values left out, a few defects, one sequence gap."""
    draw = random.Random(seed)
    found = []
    for i in range(n):
        one: dict[str, Any] = {
            "seq": i + (3 if i > n // 2 else 0), "lane": 1 + i % 8,
            "diameter_mm": round(min(max(draw.gauss(66, 5), 45), 95), 2),
            "blush_fraction": round(min(max(draw.gauss(0.5, 0.15), 0), 1), 3),
            "ground_hue_deg": round(draw.gauss(88, 5), 2),
            "ground_chroma": 40.0, "ground_fraction": 0.3,
        }
        if i % 3:
            one["sugar_brix"] = round(draw.gauss(11.5, 1.2), 2)
            one["firmness_n"] = round(max(draw.gauss(55, 10), 4), 2)
            one["tip_mm"] = 8
        if i % 41 == 5:
            del one["diameter_mm"]
        if i % 17 == 3:
            one["defects"] = [{"kind": "scab", "circle_mm": 20.0}]
        if i % 53 == 7:
            one["defects"] = [{"kind": "decay"}]
        found.append(one)
    return found


ALARMS: tuple[Reading, ...] = (
    Reading(kind="storage_failing", subject="data", value=3),
    Reading(kind="line_silent", subject="line-1", value=420, line="line-1", lot="L-0417"),
    Reading(kind="broker_lost", subject="mqtt://broker:1883", value=16),
)
"""What is read of the house for a while: kinds without a delay."""


def alarms_of(*readings: Reading) -> Callable[[Context], None]:
    """Let nothing but these be read."""

    def prepare(ctx: Context) -> None:
        ctx.alarms.providers[:] = [lambda now_ms: readings]

    return prepare


@contextmanager
def serve(
    *, data_dir: Path, prepare: Callable[[Context], None] | None = None
) -> Iterator[str]:
    """The address of a service on a port of its own, stopped on leaving. prepare: is given the
    parts of it before it serves; without it no condition of an alarm is read."""
    app = create_app(settings=Settings(data_dir=data_dir, port=0))
    server = uvicorn.Server(uvicorn.Config(
        app, host="127.0.0.1", port=0, log_level="warning", ws="none", lifespan="on",
        timeout_graceful_shutdown=2))
    thread = threading.Thread(target=server.run, daemon=True)
    ready = threading.Event()
    startup = server.startup

    async def started(sockets: Any = None) -> None:
        await startup(sockets=sockets)
        (prepare or alarms_of())(app.state.context)
        ready.set()

    server.startup = started  # type: ignore[method-assign]
    thread.start()
    assert ready.wait(60), "the service did not start"
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(30)
        assert not thread.is_alive()


def fill(*, address: str, n: int = 1200) -> None:
    """Open the lots and post their fruit, one record of which is refused."""
    with httpx.Client(base_url=address, timeout=60) as client:
        client.post("/v1/lines", json={"id": "line-1", "holding": {
            "standard": "us-peaches", "cultivar": "ember-lass"}}).raise_for_status()
        headers = register(lambda path, body: client.post(path, json=body).raise_for_status()
                           .json(), line="line-5", lot="L-0501")
        now_ms = round(time.time() * 1000) // 60_000 * 60_000
        line_5 = minutes(count=26, start_ms=now_ms - 26 * 60_000, shift={5: 1.5}, shift_from=12)
        client.post("/v1/records", params={"source": "belt-line-5", "run": "1"}, headers=headers,
                    json=line_5).raise_for_status()
        client.post("/v1/lots/L-0501/pulls", json={
            "purpose": "line_check", "person": "M. Lindqvist", "drawn_at": utc(now_ms - 60_000),
            "fruit": [{"diameter_mm": round(one["diameter_mm"] - 0.1 * (k % 3), 2),
                       **({"ground_hue_deg": one["ground_hue_deg"]} if k < 2 else {}),
                       "line_fruit": {"source": "belt-line-5", "run": "1", "seq": one["seq"]}}
                      for k, one in enumerate(line_5[:24])]}).raise_for_status()
        for minute, error in ((26, 0.0), (20, 0.02), (1, 1.5)):
            client.post("/v1/sources/belt-line-5/checks", json={
                "at": utc(now_ms - minute * 60_000), "person": "M. Orrin", "readings": [
                    {"lane": lane, "measure": "diameter", "object": f"sphere {size}",
                     "known": size, "reading": size + (error if lane == 5 else 0.01 * lane)}
                    for lane in range(1, 9) for size in (60, 75)]}).raise_for_status()
        for seed, lot in enumerate(LOTS):
            client.post("/v1/lots", json=lot).raise_for_status()
            if lot["id"] == "L-0419":
                continue
            records = fruit(n=n, seed=seed)
            records.append({"seq": n + 50, "diameter_mm": 400})
            lines = "\n".join(json.dumps(r) for r in records)
            client.post(
                "/v1/records", params={"lot": lot["id"], "source": lot["line"], "run": "1"},
                content=lines, headers={"content-type": "application/x-ndjson"},
            ).raise_for_status()
