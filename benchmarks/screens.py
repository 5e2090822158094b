"""What live screens cost the fruit of a line: at the base load, with and without them.

Single fruit over a WebSocket, answered before they are committed; and bodies of ten, answered when
their fruit are on the disk. Fifty screens of the line's board, ten of which never read. The screens
have a process of their own.
"""

from __future__ import annotations

import http.client
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import Any, Final
from urllib.request import Request, urlopen

import msgspec
import numpy as np

from benchmarks.http import RECORDS, open_lot, records_of, running, service_code
from benchmarks.report import Line
from benchmarks.stream import PORT, Load, drive, framed

RATE: Final = 1000
FRUIT: Final = 10 * RATE
ROUNDS: Final = 12
"""Of ten seconds with and without screens in turn: two minutes of each, taken together."""
SCREENS: Final = 50
DEAF: Final = 10
BODY: Final = 10
SOON_MS: Final = 500
"""Which the load generator takes to begin."""
BAR: Final = 1.10


def watch(port: int) -> None:
    """Fifty screens; says so once they have their first picture, and reads until it is ended."""
    import select
    import socket

    poll, screens = select.epoll(), []
    for k in range(SCREENS):
        one = socket.create_connection(("127.0.0.1", port))
        one.sendall(b"GET /lines/line-1/events HTTP/1.1\r\nHost: bench\r\n\r\n")
        screens.append(one)
        if k >= DEAF:
            one.recv(65536)
            poll.register(one.fileno(), select.EPOLLIN)
    by_number = {one.fileno(): one for one in screens}
    print("watching", flush=True)
    while True:
        for number, _ in poll.poll():
            if not by_number[number].recv(1 << 20):
                poll.unregister(number)


def _post(path: str, body: Any) -> None:
    urlopen(Request(f"http://127.0.0.1:{PORT}{path}", json.dumps(body).encode(),
                    {"Content-Type": "application/json"})).read()


def _now(records: list[dict[str, Any]], each: int) -> list[list[dict[str, Any]]]:
    """In parts of `each`, as a line would send them from a moment on: on time."""
    start_ms = time.time_ns() // 1_000_000 + SOON_MS
    fresh = [{**{k: v for k, v in r.items() if k != "time"}, "seq": k,
              "time_unix_ms": start_ms + k * 1000 // RATE} for k, r in enumerate(records)]
    return [fresh[at:at + each] for at in range(0, len(fresh), each)]


def _single(pid: int, run: str, records: list[dict[str, Any]]) -> Load:
    """Fruit one by one over a WebSocket, answered before they are committed."""
    frames = [framed(one) for one, in _now(records, 1)]
    return drive(pid=pid, frames=frames, rate=RATE,
                 paths=[f"/v1/stream?source=belt&run={run}&lot=bench"])


def _bodies(run: str, records: list[dict[str, Any]]) -> Load:
    """Bodies of ten fruit over one connection, answered once they are on the disk."""
    load, made = Load(), [msgspec.json.encode(part) for part in _now(records, BODY)]
    to = http.client.HTTPConnection("127.0.0.1", PORT)
    due = time.perf_counter()
    for one in made:
        time.sleep(max(0.0, due - time.perf_counter()))
        due += BODY / RATE
        now = time.perf_counter()
        to.request("POST", f"/v1/records?source=scale&run={run}&lot=bench", one,
                   {"Content-Type": "application/json"})
        answer = to.getresponse()
        answer.read()
        assert answer.status == 201
        load.trips_s.append(time.perf_counter() - now)
    to.close()
    load.trips_s.sort()
    return load


def together(loads: list[Load]) -> Load:
    return Load(trips_s=sorted(trip for load in loads for trip in load.trips_s))


def likely(loads: dict[bool, list[Load]]) -> tuple[float, float]:
    """Where the ratio of p99 lies in 95 % of rounds drawn anew, a round with its neighbour
    (bootstrap)."""
    rng, ratios = np.random.default_rng(7), []
    trips = {watched: [np.array(load.trips_s) for load in found]
             for watched, found in loads.items()}
    for _ in range(400):
        drawn = rng.integers(ROUNDS, size=ROUNDS)
        with_, without = (np.quantile(np.concatenate([trips[watched][k] for k in drawn]), 0.99)
                          for watched in (True, False))
        ratios.append(with_ / without)
    low, high = np.quantile(ratios, (0.025, 0.975))
    return float(low), float(high)


@contextmanager
def screens() -> Iterator[None]:
    """Fifty of them, all with their first picture."""
    process = subprocess.Popen(
        [sys.executable, "-c", f"from benchmarks.screens import watch; watch({PORT})"],
        stdout=subprocess.PIPE)
    assert process.stdout is not None
    try:
        process.stdout.readline()
        yield
    finally:
        process.kill()
        process.wait()


def run() -> list[Line]:
    rng = np.random.default_rng(7)
    records = [r for k in range(FRUIT // RECORDS) for r in records_of(number=k, rng=rng)]
    single: dict[bool, list[Load]] = {False: [], True: []}
    bodies: dict[bool, list[Load]] = {False: [], True: []}
    with (tempfile.TemporaryDirectory() as folder,
          running(service_code(folder, PORT), port=PORT) as pid):
        open_lot(PORT)
        _post("/v1/lines", {"id": "line-1", "holding": {
            "standard": "house-long-distance", "cultivar": "ember-lass"}})
        _post("/v1/lines/line-1/lot", {"lot": "bench", "person": "Shift lead"})
        with screens():
            _single(pid, "warm", records[:3 * RATE])
        for k in range(ROUNDS):
            for watched in (False, True):
                with screens() if watched else nullcontext():
                    single[watched].append(_single(pid, f"{k}-{watched}", records))
                    bodies[watched].append(_bodies(f"{k}-{watched}", records))
    lines = []
    for what, loads in (("single fruit, answered", single), ("bodies of ten, durable", bodies)):
        told = {watched: [together(loads[watched]).at(share) for share in (0.5, 0.99)]
                for watched in loads}
        ratio = told[True][1] / told[False][1]
        low, high = likely(loads)
        single_rounds = [load.at(0.99) for load in loads[False]]
        for watched, name, note in (
            (False, f"{what}, no screen", "the limit; p99 of single rounds "
             f"{min(single_rounds):.2f} to {max(single_rounds):.2f} ms"),
            (True, f"  {SCREENS} screens, {DEAF} never read",
             f"p99 {ratio:.2f} times ({low:.2f} to {high:.2f}), bar {BAR:.2f}: "
             f"{'met' if ratio <= BAR else 'NOT MET'}"),
        ):
            lines.append(Line(
                name, f"p50 {told[watched][0]:.3f}, p99 {told[watched][1]:.2f} ms", note))
    cores = {watched: statistics.median(load.core for load in found)
             for watched, found in single.items()}
    return [*lines, Line("processor time of the server", f"{cores[True]:.1%} of a core",
                         f"{cores[False]:.1%} without screens; {RATE:,} fruit/s")]
