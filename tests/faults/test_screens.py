"""Live screens of a real service: they get pictures, and those that never read harm nobody."""

from __future__ import annotations

import http.client
import json
import os
import select
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.support.line import minutes, register
from tests.support.memory import open_files, resident_bytes
from tests.support.process import Served
from tests.support.waiting import within

pytestmark = pytest.mark.faults

START_MS = 1_784_030_400_000
SCREENS = 50
DEAF = 10
GROWTH = 20 * 2**20
"""Bytes; the limit of the reliability plan for slow consumers."""
NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
CUT_S = 30.0 if NIGHTLY else 120.0
"""The plan's 30 s; on a machine that tests share with others, pictures come later too."""
STALE_S = 2.0
WARM_S = 180.0
"""Of the load, until what is kept of fruit at hand has reached its size."""
WATCH_S = 600.0
LOAD_PER_S = 1_000


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    one = Served(tmp_path)
    one.start()
    yield one
    one.stop()


def _post(served: Served, path: str, body: Any, headers: dict[str, str] | None = None) -> Any:
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=30)
    connection.request("POST", path, json.dumps(body),
                       {"Content-Type": "application/json", **(headers or {})})
    answer = connection.getresponse()
    found = json.loads(answer.read())
    connection.close()
    assert answer.status < 300, found
    return found


def _screen(served: Served, *, small: bool = False) -> socket.socket:
    found = socket.socket()
    if small:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    found.settimeout(30)
    found.connect(("127.0.0.1", served.port))
    found.sendall(b"GET /lines/line-1/events HTTP/1.1\r\nHost: x\r\n\r\n")
    return found


def _picture(screen: socket.socket, *, after: int = -1) -> tuple[int, str]:
    """The next whole picture whose number is above `after`."""
    buffer = b""
    while True:
        part = screen.recv(65536)
        assert part, "the service closed a screen that reads"
        buffer += part
        while b"\n\n" in buffer:
            event, _, buffer = buffer.partition(b"\n\n")
            at = event.find(b"id: ")
            if at >= 0 and b"event: picture" in event:
                number = int(event[at + 4:].split(b"\n")[0])
                if number > after:
                    return number, event.decode()


def test_screens_follow_the_records_and_deaf_ones_harm_nobody(served: Served) -> None:
    """Ten of fifty screens never read. The others see every new record, the service does not
    grow, and records are taken as before."""
    headers = register(lambda path, body: _post(served, path, body))
    fruit = minutes(count=6, start_ms=START_MS)
    send = "/v1/records?source=belt-line-1&run=r1"
    _post(served, send, fruit[:480], headers)
    deaf = [_screen(served, small=True) for _ in range(DEAF)]
    good = [_screen(served) for _ in range(SCREENS - DEAF)]
    try:
        assert all(_picture(s)[0] == 480 for s in good)
        before = resident_bytes(served.pid)
        files = open_files(served.pid)
        for part in range(1, 6):
            _post(served, send, fruit[part * 480:(part + 1) * 480], headers)
            for screen in good:
                number, text = _picture(screen, after=part * 480)
                assert number == (part + 1) * 480
                assert "line-1" in text
        # A screen that stalls is cut off for good: its connection is gone, not only its reader.
        with _read_on(good) as arrivals:
            within(CUT_S, lambda: open_files(served.pid) <= files - DEAF, "deaf screens are cut")
            assert resident_bytes(served.pid) - before < GROWTH
            if NIGHTLY:
                _post_for(served, headers, WARM_S, run="warm")
                before = resident_bytes(served.pid)
                deaf += [_screen(served, small=True) for _ in range(DEAF)]
                _post_for(served, headers, WATCH_S, run="load")
                assert resident_bytes(served.pid) - before < GROWTH
        assert all(len(found) > 5 for found in arrivals)
        if NIGHTLY:
            pauses = sorted(b - a for found in arrivals for a, b in pairwise(found))
            assert pauses[len(pauses) * 99 // 100] <= STALE_S
    finally:
        for screen in (*deaf, *good):
            screen.close()


@contextmanager
def _read_on(screens: list[socket.socket]) -> Iterator[list[list[float]]]:
    """Reads screens meanwhile; when each of their pictures came, by a monotonic clock."""
    arrivals: list[list[float]] = [[] for _ in screens]
    over = threading.Event()

    def read() -> None:
        number = {screen: k for k, screen in enumerate(screens)}
        while not over.is_set():
            for screen in select.select(screens, [], [], 0.1)[0]:
                part = screen.recv(1 << 20)
                assert part, "the service closed a screen that reads"
                if b"event: picture" in part:
                    arrivals[number[screen]].append(time.monotonic())

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        yield arrivals
    finally:
        over.set()
        reader.join()


def _post_for(served: Served, headers: dict[str, str], seconds: float, *, run: str) -> None:
    """The base load of 1,000 fruit a second, as far as the machine goes. It is an hour's fruit over
    and over, so that what has to be remembered of them does not grow with the time it takes."""
    begun, number = time.monotonic(), 0
    while time.monotonic() < begun + seconds:
        body = minutes(count=1, start_ms=START_MS + 60_000 * (number % 60), seq=number * 480)
        _post(served, f"/v1/records?source=belt-line-1&run={run}", body, headers)
        number += 1
        # The pace of the load; it decides nothing.
        time.sleep(max(0.0, begun + number * 480 / LOAD_PER_S - time.monotonic()))
