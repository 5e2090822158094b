"""What a year behind it costs a store: ingest beside a new one, and the start of the service.

The year is one of catalogue, not of bytes: as many chunk rows as 300 million fruit of one line
leave (200 days, a run a day), each with an empty body. Nothing on the way of new fruit reads a
body, so the bytes left out cannot slow it.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import deque
from concurrent.futures import Future
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import numpy as np
from starlette.testclient import TestClient

from benchmarks.kernel import sample
from benchmarks.report import Line
from grading.kernel import compile_standard
from grading.record import Column, FruitBatch
from service.app import create_app
from service.library import Library
from service.settings import Settings
from service.store.chunks import CHUNK_FRUIT
from service.store.group import LINE
from service.store.open import DATABASE, open_store
from service.store.writer import Writer

YEAR_FRUIT = 300_000_000
DAYS = 200
BODY = 1_000
FRUIT = 400_000
OPEN_FRUIT = 1_000_000
ROUNDS = 5


def run() -> list[Line]:
    with tempfile.TemporaryDirectory() as folder:
        fresh, old = Path(folder) / "fresh", Path(folder) / "old"
        for path in (fresh, old):
            open_store(data_dir=path, now_ms=1).close()
        rows = _year(old / DATABASE)
        times: dict[Path, list[float]] = {fresh: [], old: []}
        opened: dict[Path, float] = {}
        for round_ in range(ROUNDS):
            for path in (fresh, old) if round_ % 2 else (old, fresh):
                start = time.perf_counter()
                store = open_store(data_dir=path, now_ms=1)
                opened[path] = time.perf_counter() - start
                try:
                    times[path].append(_ingest(store.writer, f"round-{round_}", FRUIT))
                finally:
                    store.close()
        ready = _ready(Path(folder) / "open")
    best = {path: min(found) for path, found in times.items()}
    ratio = best[old] / best[fresh]
    return [
        Line("ingest into a new store", f"{FRUIT / best[fresh] / 1e6:.2f} million fruit/s",
             f"best of {ROUNDS}, bodies of {BODY:,}, graded before"),
        Line(f"  with a year behind it ({rows:,} chunks)",
             f"{FRUIT / best[old] / 1e6:.2f} million fruit/s",
             f"{ratio - 1:+.1%} time, bar +10 %: {'met' if ratio <= 1.1 else 'NOT MET'}"),
        Line("opening the year's store", f"{opened[old]:.2f} s"),
        Line("restart with 1 million fruit of an open lot", f"{ready:.2f} s until ready",
             f"bar 5 s: {'met' if ready <= 5 else 'NOT MET'}"),
    ]


def _year(path: Path) -> int:
    """A year's chunk rows; how many."""
    a_day = YEAR_FRUIT // DAYS
    rows: list[tuple[Any, ...]] = []
    for day in range(DAYS):
        for low in range(0, a_day, CHUNK_FRUIT):
            high = min(low + CHUNK_FRUIT, a_day) - 1
            rows.append((len(rows) + 1, "bench", f"day-{day}", f"lot-{day}", LINE, "bench",
                         high - low + 1, low, high, 1, 1, 1, b"", None, b""))
    with sqlite3.connect(path) as conn:
        conn.executemany("INSERT INTO chunk VALUES (" + ",".join("?" * 15) + ")", rows)
    conn.close()
    return len(rows)


def _ingest(writer: Writer, name: str, fruit: int) -> float:
    """Seconds until `fruit` fruit of a new run are on the disk, at most 12 bodies waiting."""
    library = Library()
    compiled = compile_standard(standard=library.standard("house-long-distance"),
                                profile=library.profile("yellow-melting-peach"))
    base = sample(n=BODY)
    bodies = [FruitBatch(
        source="bench", run=name, seq=np.arange(low, low + BODY), lane=base.lane,
        time_ms=Column(1_784_000_000_000 + np.arange(low, low + BODY) * 31,
                       np.ones(BODY, np.bool_)),
        measures=base.measures) for low in range(0, fruit, BODY)]
    verdicts = compiled.grade(batch=bodies[0])
    waiting: deque[Future[Any]] = deque()
    start = time.perf_counter()
    for batch in bodies:
        waiting.append(writer.submit(
            lot=name, kind=LINE, batch=batch, verdicts=verdicts, digest="bench", received_ms=1))
        if len(waiting) > 12:
            waiting.popleft().result()
    for future in waiting:
        future.result()
    return time.perf_counter() - start


def _ready(folder: Path) -> float:
    """Seconds from starting the service, with a million fruit of an open lot, to its first
    answer about that lot's counts."""
    app = create_app(settings=Settings(data_dir=folder))
    with TestClient(app) as client:
        client.post("/v1/lots", json={"id": "open", "cultivar": "ember-lass",
                                      "standard": "house-long-distance"}).raise_for_status()
        _ingest(app.state.context.store.writer, "open", OPEN_FRUIT)
    start = time.perf_counter()
    server = subprocess.Popen(
        [sys.executable, "-m", "service.cli.main", "serve", "--data", str(folder), "--port",
         "8798"], stdout=subprocess.DEVNULL, env={**os.environ})
    try:
        while True:
            try:
                urlopen("http://127.0.0.1:8798/health/ready", timeout=5).read()
                break
            except OSError:
                if server.poll() is not None or time.perf_counter() - start > 60:
                    raise SystemExit("the service did not start") from None
                time.sleep(0.01)
        urlopen("http://127.0.0.1:8798/v1/lots/open/packout", timeout=60).read()
        return time.perf_counter() - start
    finally:
        server.terminate()
        server.wait()
