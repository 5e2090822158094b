"""An hour of twice the base load once the service is warm, on `make nightly` or for as long as
DRUPE_SOAK_S says: it does not grow, and opens no more files or threads than it had then."""

from __future__ import annotations

import http.client
import json
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from service.store.verify import verify
from tests.faults.test_screens import _screen
from tests.support.line import minutes, register
from tests.support.memory import open_files, resident_bytes, threads
from tests.support.process import Served
from tests.support.streaming import Socket, fruit

NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
SOAK_S = float(os.environ.get("DRUPE_SOAK_S", "5400" if NIGHTLY else "0"))
RATE = 2_000
"""Fruit a second, twice the base load of 1,000."""
CLIENTS = 4
BODY = 100
WARM_S = 1800.0
"""After which the service is warm: every cache is full (of 100,000 fruit, of pages of the
database), and its heap is as large as what comes together at the worst moments."""
HOURLY_BYTES = 2**20
SPREAD_BYTES = 16 * 2**20
"""By so much memory may go up and down; a slope is only told from it over an hour: the heap grows
in steps, and one of them makes a slope of any shorter time."""
WANDER = 2

pytestmark = [pytest.mark.faults, pytest.mark.slow, pytest.mark.skipif(
    not SOAK_S, reason="an hour and a half long: make nightly, or DRUPE_SOAK_S=180 for a look")]


class Paced(threading.Thread):
    """Sends its share of the rate, in bodies or over a stream; late is made up for."""

    def __init__(self, served: Served, number: int, key: dict[str, str]) -> None:
        super().__init__(daemon=True)
        self._served, self._number, self._key = served, number, key
        self.sent = 0
        self.wrong: list[object] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        try:
            (self._stream if self._number % 2 else self._post)()
        except Exception as error:
            self.wrong.append(error)

    def _turns(self) -> Iterator[range]:
        every_s, due = BODY * CLIENTS / RATE, time.monotonic()
        while not self.stopping.wait(max(0.0, due - time.monotonic())):
            due += every_s
            yield range(self.sent, self.sent + BODY)
            self.sent += BODY

    def _post(self) -> None:
        path = f"/v1/records?source=belt-line-1&run=soak-{self._number}"
        with closing(http.client.HTTPConnection("127.0.0.1", self._served.port, timeout=120)) as to:
            for seqs in self._turns():
                now_ms = time.time_ns() // 1_000_000
                body = json.dumps([{**fruit(s), "time_unix_ms": now_ms} for s in seqs])
                for last in (False, True):
                    try:
                        to.request("POST", path, body,
                                   {"Content-Type": "application/json", **self._key})
                        answer = to.getresponse()
                        told = answer.read()
                        break
                    except (OSError, http.client.HTTPException):
                        if last:
                            raise
                        to.close()  # it had been idle for too long, and is opened again
                if answer.status not in (200, 201):
                    self.wrong.append(told)

    def _stream(self) -> None:
        line = Socket(self._served.port, f"source=free&run=soak-{self._number}&lot=L-0418",
                      timeout_s=120)
        for seqs in self._turns():
            line.send(b"".join(Socket.text(fruit(s)) for s in seqs))
            line.until(lambda: len(line.answers) == BODY)
            line.answers.clear()
            del line.marks[:-1]
        line.until(lambda: line.committed == self.sent - 1)
        line.close()


class Looker(threading.Thread):
    """Screens, pages and counts, as people look at them."""

    PATHS = ("/v1/lots/L-0417/packout", "/v1/lots/L-0417", "/lines/line-1", "/lots/L-0417",
             "/metrics", "/v1/lots/L-0417/fruit?limit=50", "/v1/alarms", "/health/ready")

    def __init__(self, served: Served) -> None:
        super().__init__(daemon=True)
        self._port = served.port
        self.wrong: list[object] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        while True:
            for path in self.PATHS:
                if self.stopping.wait(0.5):
                    return
                with closing(http.client.HTTPConnection(
                        "127.0.0.1", self._port, timeout=120)) as to:
                    to.request("GET", path)
                    answer = to.getresponse()
                    answer.read()
                    if answer.status != 200:
                        self.wrong.append((path, answer.status))


def test_an_hour_leaves_no_trace(tmp_path: Path) -> None:
    served = Served(tmp_path / "data")
    served.start()
    try:
        soak(served)
        assert served.stop() == 0
    finally:
        served.kill()
    assert verify(data_dir=tmp_path / "data").ok


def soak(served: Served) -> None:
    key = register(lambda path, body: posted(served, path, body))
    posted(served, "/v1/lots", {"id": "L-0418", "cultivar": "ember-lass",
                                "standard": "house-long-distance"})
    begin_ms = time.time_ns() // 1_000_000 - 3_600_000
    assert posted(served, "/v1/records?source=belt-line-1&run=r0",
                  minutes(count=30, start_ms=begin_ms), key)["stored"] > 0
    screen = _screen(served)
    screen.settimeout(None)
    reading = threading.Thread(target=read_all, args=(screen,), daemon=True)
    lines = [Paced(served, k, key) for k in range(CLIENTS)]
    looker = Looker(served)
    for thread in (reading, *lines, looker):
        thread.start()
    seen: list[tuple[float, int, int, int]] = []
    begun = time.monotonic()
    while (at := time.monotonic() - begun) < SOAK_S:
        seen.append((at, resident_bytes(served.pid), open_files(served.pid), threads(served.pid)))
        looker.stopping.wait(min(5.0, SOAK_S / 20))
    for thread in (*lines, looker):
        thread.stopping.set()
        thread.join(timeout=120)
    assert not [t.wrong for t in (*lines, looker) if t.wrong]
    sent = sum(line.sent for line in lines)
    print(f"soak: {sent} fruit in {SOAK_S:.0f} s, {sent / SOAK_S:.0f} a second")
    screen.shutdown(socket.SHUT_RDWR)
    reading.join()
    screen.close()
    judge(seen)


def read_all(screen: socket.socket) -> None:
    while screen.recv(65_536):
        pass


def posted(served: Served, path: str, body: object, headers: dict[str, str] | None = None
           ) -> dict[str, object]:
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=120)) as to:
        to.request("POST", path, json.dumps(body),
                   {"Content-Type": "application/json", **(headers or {})})
        answer = to.getresponse()
        found: dict[str, object] = json.loads(answer.read())
    assert answer.status < 300, found
    return found


def judge(seen: list[tuple[float, int, int, int]]) -> None:
    at, memory, files, running = np.array(seen, np.float64).T
    warm = at >= min(WARM_S, SOAK_S * 3 / 4)
    slope = float(np.polyfit(at[warm], memory[warm], 1)[0]) * 3600
    grown = float(np.ptp(memory[warm]))
    tenths = [int(part.mean() / 2**20) for part in np.array_split(memory, 10)]
    print(f"soak: {tenths} MiB, slope {slope / 2**20:+.2f} MiB an hour, "
          f"within {grown / 2**20:.1f} MiB; files {files[warm].min():.0f} to "
          f"{files[warm].max():.0f}, threads {running[warm].min():.0f} to "
          f"{running[warm].max():.0f}")
    assert np.ptp(files[warm]) <= 2 * WANDER
    assert np.ptp(running[warm]) <= 2 * WANDER
    assert grown < SPREAD_BYTES
    if SOAK_S >= WARM_S + 3600:
        assert slope < HOURLY_BYTES
