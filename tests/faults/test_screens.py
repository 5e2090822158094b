"""Live screens of a real service: they get pictures, and those that never read harm nobody."""

from __future__ import annotations

import http.client
import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.line import minutes, register
from tests.support.process import Served

pytestmark = pytest.mark.faults

START_MS = 1_784_030_400_000
SCREENS = 50
DEAF = 10
GROWTH = 20 * 2**20
"""Bytes; the limit of the reliability plan for slow consumers."""


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


def _memory(pid: int) -> int:
    with open(f"/proc/{pid}/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")


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
        before = _memory(served.pid)
        for part in range(1, 6):
            _post(served, send, fruit[part * 480:(part + 1) * 480], headers)
            for screen in good:
                number, text = _picture(screen, after=part * 480)
                assert number == (part + 1) * 480
                assert "line-1" in text
        assert _memory(served.pid) - before < GROWTH
    finally:
        for screen in (*deaf, *good):
            screen.close()
