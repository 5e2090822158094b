"""Streams under kill -9, under a client that never reads, and at the end of the service.

A client keeps what it sent after its last watermark and sends that again after a break; so what
is at or below a watermark has to be on the disk, once, as it was answered.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.store.verify import verify
from tests.support.app import LOT
from tests.support.process import Served
from tests.support.streaming import Socket, fruit

KILLS = 100 if os.environ.get("DRUPE_NIGHTLY") else 8
CLIENTS = 4
BURST = 40
ACCEPTED_BYTES = 64 << 20
"""Far more than the buffers of a connection hold."""
GROWN_KB = 32 << 10


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    running = Served(tmp_path / "data")
    running.start()
    assert running.request("POST", "/v1/lots", LOT)[0] == 201
    yield running
    running.stop()


class Line(threading.Thread):
    """Streams fruit of its own run without end, and again from the last watermark after each
    break."""

    def __init__(self, served: Served, number: int) -> None:
        super().__init__(daemon=True)
        self.served, self.run_id = served, f"run-{number}"
        self.watermark = -1
        self.grades: dict[int, str] = {}
        self.wrong: list[Any] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        while not self.stopping.is_set():
            try:
                self._stream()
            except OSError:
                self.stopping.wait(0.01)

    def _stream(self) -> None:
        line = Socket(self.served.port, f"source=line-1&run={self.run_id}&lot=L-0417")
        try:
            if (line.hello["committed"] or -1) < self.watermark:
                self.wrong.append(line.hello)
            seq = self.watermark + 1
            while not self.stopping.is_set():
                line.send(b"".join(Socket.text(fruit(s)) for s in range(seq, seq + BURST)))
                seq += BURST
                heard = len(line.answers) + BURST
                while len(line.answers) < heard:
                    self._hear(line)
            while self.watermark < seq - 1:
                self._hear(line)
        finally:
            line.close()

    def _hear(self, line: Socket) -> None:
        line.hear()
        for answer in line.answers[-1:]:
            self.grades[answer["seq"]] = answer["grade"]
        if line.committed is not None:
            self.watermark = max(self.watermark, line.committed)
        if line.errors or line.changed:
            self.wrong.append((line.errors, line.changed))


def stored(served: Served) -> dict[tuple[str, int], str]:
    """Grades of all stored fruit; each key must be there once."""
    found: dict[tuple[str, int], str] = {}
    cursor: str | None = ""
    while cursor is not None:
        status, page = served.request(
            "GET", f"/v1/lots/L-0417/fruit?limit=1000&cursor={cursor}")
        assert status == 200
        for one in page["fruit"]:
            key = (one["run"], one["seq"])
            assert key not in found, f"{key} is stored twice"
            found[key] = one["grade"]
        cursor = page["next"]
    return found


@pytest.mark.faults
def test_what_is_below_a_watermark_outlives_kills(served: Served) -> None:
    rng = random.Random(417)
    lines = [Line(served, number) for number in range(CLIENTS)]
    for line in lines:
        line.start()
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.1, 0.6))  # the moment of the kill is what is varied
        served.kill()
        served.start()
    for line in lines:
        line.stopping.set()
    for line in lines:
        line.join(timeout=60)
        assert not line.is_alive() and not line.wrong
    kept = stored(served)
    assert sum(line.watermark for line in lines) > KILLS * BURST
    for line in lines:
        for seq in range(line.watermark + 1):
            assert kept[line.run_id, seq] == line.grades[seq]
    assert served.stop() == 0
    assert verify(data_dir=served.data_dir).ok


def resident_kb(pid: int) -> int:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1])
    raise AssertionError("no VmRSS")


@pytest.mark.faults
@pytest.mark.parametrize("size", [1, 50])
def test_a_client_that_never_reads_is_not_read_either(served: Served, size: int) -> None:
    """The service stops reading before it fills its memory with answers; others notice nothing,
    and nothing that was taken is lost. size: fruit in a frame."""
    deaf = Socket(served.port, "source=line-1&run=deaf&lot=L-0417", timeout_s=1.0)
    other = Socket(served.port, "source=line-2&run=other&lot=L-0417")
    before_kb = resident_kb(served.pid)
    sent, seq, rest = 0, 0, b""
    while sent < ACCEPTED_BYTES:
        if not rest:
            rest = b"".join(Socket.text([fruit(s) for s in range(k, k + size)] if size > 1
                                        else fruit(k)) for k in range(seq, seq + 1000, size))
            seq += 1000
        try:
            n = deaf.bare.send(rest)
        except TimeoutError:
            break
        sent, rest = sent + n, rest[n:]
    assert sent < ACCEPTED_BYTES, "the service read on"
    for k in range(100):
        other.send(Socket.text(fruit(k)))
        other.until(lambda: len(other.answers) > k)  # noqa: B023  # asked at once
    other.until(lambda: other.committed == 99)
    other.close()
    assert resident_kb(served.pid) - before_kb < GROWN_KB

    deaf.bare.settimeout(30.0)
    writing = threading.Thread(target=deaf.bare.sendall, args=(rest,))
    writing.start()
    deaf.until(lambda: deaf.committed == seq - 1)
    writing.join()
    deaf.close()
    assert [a["seq"] for a in deaf.answers] == list(range(seq))
    assert (deaf.total("stored"), deaf.changed, deaf.errors) == (seq, [], [])


@pytest.mark.faults
def test_the_end_of_the_service_is_told_with_the_last_watermark(served: Served) -> None:
    line = Socket(served.port, "source=line-1&run=r1&lot=L-0417")
    deaf = Socket(served.port, "source=line-2&run=r1&lot=L-0417")
    line.send(b"".join(Socket.text(fruit(seq)) for seq in range(500)))
    line.until(lambda: len(line.answers) == 500)
    assert served.stop() == 0
    assert line.ends() == 1012
    assert line.committed == 499
    deaf.close()
    served.start()
    assert {seq for run, seq in stored(served)} == set(range(500))
