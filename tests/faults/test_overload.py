"""Five times more than the disk takes: the queue never grows past its limit, whoever finds it full
is told when to come again, nothing that was accepted is lost, and it is over as soon as it ends."""

from __future__ import annotations

import http.client
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from service.store.open import open_store
from service.store.verify import verify
from tests.support.app import LOT, NOON_MS
from tests.support.calls import Answer, call
from tests.support.faulty_disk import FaultyDisk
from tests.support.process import Served
from tests.support.streaming import Socket, fruit
from tests.support.waiting import within

NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
LOAD_S = 60.0 if NIGHTLY else 8.0
ROUNDS = 5 if NIGHTLY else 1
QUEUE = 1_000
"""Fruit that may wait; the least that the settings allow."""
BODY = 100
SYNC_US = 400_000
"""A slow disk: with no more than QUEUE fruit a sync, so much less comes through than is sent."""
BULK, STREAMS = 24, 4
TIMES = 5
RECOVERS_S = 5.0

pytestmark = pytest.mark.faults


class Bulk(threading.Thread):
    """Posts bodies as quickly as they are answered; a refused one is sent again at once, whatever
    it was told, as a careless sender would."""

    def __init__(self, port: int, number: int) -> None:
        super().__init__(daemon=True)
        self._port, self.run_id = port, f"bulk-{number}"
        self.offered = self.acknowledged = 0
        self.refused: list[Answer] = []
        self.wrong: list[tuple[int, bytes]] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        with closing(http.client.HTTPConnection("127.0.0.1", self._port, timeout=120)) as to:
            while not self.stopping.is_set():
                seqs = range(self.acknowledged, self.acknowledged + BODY)
                to.request(
                    "POST", f"/v1/records?source=line-1&run={self.run_id}&lot=L-0417",
                    json.dumps([{"seq": s, "diameter_mm": 60 + s % 20} for s in seqs]),
                    {"Content-Type": "application/json"})
                answer = to.getresponse()
                raw = answer.read()
                self.offered += BODY
                if answer.status in (200, 201):
                    self.acknowledged += BODY
                elif answer.status == 503:
                    self.refused.append(Answer(
                        503, str(answer.headers["content-type"]), answer.headers["retry-after"],
                        json.loads(raw)))
                else:
                    self.wrong.append((answer.status, raw))


class Stream(threading.Thread):
    """Streams without a pause, as far as it is read."""

    def __init__(self, port: int, number: int) -> None:
        super().__init__(daemon=True)
        self.run_id = f"stream-{number}"
        self.line = Socket(port, f"source=line-2&run={self.run_id}&lot=L-0417", timeout_s=120)
        self.sent = 0
        self.stopping = threading.Event()

    def run(self) -> None:
        while not self.stopping.is_set():
            burst = range(self.sent, self.sent + 50)
            self.line.send(b"".join(Socket.text(fruit(s)) for s in burst))
            self.sent += 50
            self.line.until(lambda: len(self.line.answers) >= self.sent)
        self.line.until(lambda: self.line.committed == self.sent - 1)


class Watch(threading.Thread):
    """Looks at the queue again and again."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self._port = port
        self.seen: list[float] = []
        self.stopping = threading.Event()

    def run(self) -> None:
        while not self.stopping.wait(0.02):
            self.seen.append(waiting(self._port))


def waiting(port: int) -> float:
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=120)) as to:
        to.request("GET", "/metrics")
        text = to.getresponse().read().decode()
    return next(float(row.split()[1]) for row in text.splitlines()
                if row.startswith("grading_writer_queue_records "))


@pytest.fixture
def slow(tmp_path: Path, faulty_disk: Callable[..., FaultyDisk]
         ) -> Iterator[tuple[Served, FaultyDisk]]:
    config = tmp_path / "drupe.toml"
    config.write_text(f"queue_fruit = {QUEUE}\n", encoding="utf-8")
    disk = faulty_disk(tmp_path / "data")
    served = Served(disk.root, "--config", str(config), env=disk.env)
    served.start()
    try:
        assert served.request("POST", "/v1/lots", LOT)[0] == 201
        yield served, disk
    finally:
        served.kill()


def test_more_than_the_disk_takes(slow: tuple[Served, FaultyDisk]) -> None:
    served, disk = slow
    pid = served.pid
    kept: dict[str, int] = {}
    for number in range(ROUNDS):
        kept |= overload(served, disk, number)
        assert served.pid == pid
    assert served.stop() == 0
    store = open_store(data_dir=disk.root, now_ms=NOON_MS)
    for run, n in kept.items():
        source = "line-2" if run.startswith("stream") else "line-1"
        ranges = list(store.reader.seqs(source=source, run=run))
        # What was acknowledged without a gap; the last body may have been kept unheard.
        assert ranges and ranges[0][0] == 0 and ranges[0][1] >= n - 1, run
    store.close()
    assert verify(data_dir=disk.root).ok


def overload(served: Served, disk: FaultyDisk, number: int) -> dict[str, int]:
    """One time of load; what was acknowledged of each run."""
    disk.set(sync_delay_us=SYNC_US)
    bulk = [Bulk(served.port, number * BULK + k) for k in range(BULK)]
    streams = [Stream(served.port, number * STREAMS + k) for k in range(STREAMS)]
    watch = Watch(served.port)
    for thread in (*bulk, *streams, watch):
        thread.start()
    until = time.monotonic() + LOAD_S

    def enough() -> bool:
        offered = sum(b.offered for b in bulk)
        taken = sum(b.acknowledged for b in bulk)
        return time.monotonic() > until and taken > 0 and offered >= TIMES * taken

    within(10 * LOAD_S, enough, f"{TIMES} times more is offered than taken")
    for thread in (*bulk, *streams, watch):
        thread.stopping.set()
    disk.set(sync_delay_us=0)
    within(RECOVERS_S, lambda: waiting(served.port) == 0, "the queue is empty")
    # The bodies that were on their way when the load ended may fill it once more.
    within(RECOVERS_S, lambda: call(
        served.port, "POST", f"/v1/records?source=line-3&run=r{number}&lot=L-0417",
        fruit(1)).status == 201, "fruit are taken again")
    for thread in (*bulk, *streams, watch):
        thread.join(timeout=120)
        assert not thread.is_alive()

    assert not [b.wrong for b in bulk if b.wrong]
    told = [a for b in bulk for a in b.refused]
    assert told
    assert all(a.told_plainly and a.retry_after == "1" for a in told)
    assert {a.body["type"] for a in told} == {"urn:drupe:problem:queue_full"}
    assert watch.seen
    assert max(watch.seen) <= QUEUE
    assert max(watch.seen) > QUEUE / 2, "the queue was never nearly full"
    for stream in streams:
        stream.line.close()
        assert stream.line.total("stored") + stream.line.total("duplicates") == stream.sent
        assert {e["status"] for e in stream.line.errors} <= {503}
    return {b.run_id: b.acknowledged for b in bulk} | {s.run_id: s.sent for s in streams}
