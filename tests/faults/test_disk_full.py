"""The disk fills while fruit come in: said plainly, nothing acknowledged is lost, and it goes on by
itself when there is space again."""

from __future__ import annotations

import http.client
import os
import subprocess
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import pytest

from service.store.open import open_store
from service.store.verify import verify
from tests.support.app import LOT, NOON_MS
from tests.support.calls import Answer, call
from tests.support.faulty_disk import UNLIMITED, FaultyDisk
from tests.support.process import Served, refused
from tests.support.streaming import Socket, fruit
from tests.support.waiting import within

ROUNDS = 10 if os.environ.get("DRUPE_NIGHTLY") else 1
CLIENTS = 4
BODY = 400
VOLUME_BYTES = 64 * 2**20
RESUMES_S = 10.0
"""The promise: so long after space returns, fruit are taken again."""
PATIENT_S = 120.0
"""Where nothing is promised in seconds."""

pytestmark = pytest.mark.faults


class Sender(threading.Thread):
    """Posts body after body of its own run until told to stop; a refused one comes again."""

    def __init__(self, port: int, number: int) -> None:
        super().__init__(daemon=True)
        self._port, self.run_id = port, f"run-{number}"
        self.acknowledged = 0  # fruit 0 up to this one
        self.refused: list[Answer] = []
        self.wrong: list[Answer] = []
        self.turn = threading.Condition()
        self.stopping = False

    def run(self) -> None:
        while not self.stopping:
            seqs = range(self.acknowledged, self.acknowledged + BODY)
            answer = call(
                self._port, "POST", f"/v1/records?source=line-1&run={self.run_id}&lot=L-0417",
                [{"seq": s, "lane": 1 + s % 8, "diameter_mm": 55 + s * 7919 % 3000 / 100,
                  "ground_hue_deg": 90 + s * 104729 % 1700 / 100} for s in seqs])
            with self.turn:
                if answer.status in (200, 201):
                    self.acknowledged += BODY
                elif answer.status in (503, 507) and answer.told_plainly and answer.retry_after:
                    self.refused.append(answer)
                else:
                    self.wrong.append(answer)
                self.turn.notify_all()

    def until(self, reached: Callable[[Sender], bool], *, timeout_s: float = PATIENT_S) -> None:
        with self.turn:
            assert self.turn.wait_for(
                lambda: reached(self), timeout=timeout_s), "the sender is stuck"


@contextmanager
def serving(disk: FaultyDisk) -> Iterator[Served]:
    served = Served(disk.root, env=disk.env)
    served.start()
    try:
        assert served.request("POST", "/v1/lots", LOT)[0] == 201
        yield served
    finally:
        served.kill()


@contextmanager
def senders(port: int) -> Iterator[list[Sender]]:
    all_ = [Sender(port, k) for k in range(CLIENTS)]
    for sender in all_:
        sender.start()
    try:
        yield all_
    finally:
        for sender in all_:
            sender.stopping = True
        for sender in all_:
            sender.join(timeout=PATIENT_S)


def refused_twice(sender: Sender) -> None:
    before = len(sender.refused)
    sender.until(lambda s: len(s.refused) >= before + 2 or bool(s.wrong))


def goes_on(sender: Sender, *, timeout_s: float = PATIENT_S) -> None:
    before = sender.acknowledged
    sender.until(lambda s: s.acknowledged >= before + 3 * BODY or bool(s.wrong),
                 timeout_s=timeout_s)


def check(
    served: Served, found: list[Sender], streamed: Mapping[str, int] | None = None
) -> None:
    """Same process, no wrong answer, and everything acknowledged is kept, once. streamed: fruit
    of each run of a stream."""
    assert not [s.wrong for s in found if s.wrong]
    assert {a.status for s in found for a in s.refused} <= {503, 507}
    assert any(a.status == 507 for s in found for a in s.refused)
    status, packout = served.request("GET", "/v1/lots/L-0417/packout")
    assert status == 200
    assert served.stop() == 0
    store = open_store(data_dir=served.data_dir, now_ms=NOON_MS)
    held = 0
    for sender in found:
        seen = store.reader.seqs(source="line-1", run=sender.run_id)
        assert seen.count >= sender.acknowledged
        assert all(s in seen for s in range(sender.acknowledged))
        held += seen.count
    for run, n in (streamed or {}).items():
        assert list(store.reader.seqs(source="line-2", run=run)) == [(0, n - 1)]
        held += n
    store.close()
    assert packout["n"] == held
    checked = verify(data_dir=served.data_dir)
    assert checked.ok, checked.bad


def test_a_full_disk_is_said_and_left_behind(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk]
) -> None:
    """The space ends at an arbitrary byte, and comes back."""
    disk = faulty_disk(tmp_path / "data")
    with serving(disk) as served:
        pid = served.pid
        found = fill_the_disk(served, disk)
        assert served.pid == pid
        check(served, found)


def fill_the_disk(served: Served, disk: FaultyDisk) -> list[Sender]:
    with senders(served.port) as found:
        for number in range(ROUNDS):
            for sender in found:
                goes_on(sender)
            disk.set(injected=0, budget=300_000 + 12_345 * number)
            for sender in found:
                refused_twice(sender)
            # Reading goes on meanwhile, and so does asking whether fruit can be taken.
            assert call(served.port, "GET", "/v1/lots/L-0417/packout").status == 200
            assert call(served.port, "GET", "/health/live").status == 200
            # A lot is small, and one more or two may find room.
            opened = (call(served.port, "POST", "/v1/lots", {**LOT, "id": f"L-9{number}{k:02}"})
                      for k in range(100))
            assert next(a for a in opened if a.status != 201).status == 507
            assert disk.get("injected") > 0
            disk.set(budget=UNLIMITED)
            for sender in found:
                goes_on(sender, timeout_s=RESUMES_S)
        return found


def test_a_start_on_a_full_disk_is_refused(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk]
) -> None:
    disk = faulty_disk(tmp_path / "data")
    disk.set(budget=100_000)
    code, lines = refused(disk.root, env=disk.env)
    assert code == 3
    assert len(lines) == 1
    assert "full" in lines[0]
    disk.set(budget=UNLIMITED)
    served = Served(disk.root, env=disk.env)
    served.start()
    assert served.stop() == 0


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 64 MiB, in memory."""
    place = tmp_path / "volume"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={VOLUME_BYTES}", "none", str(place)],
        capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"no small volume can be mounted here: {done.stderr.strip()}")
    yield place
    # Lazily: a service that a failed test left running keeps nobody else waiting.
    subprocess.run(["umount", "-l", str(place)], check=True)


def alarms(served: Served) -> dict[str, str]:
    """Open alarms of storage and their states."""
    status, found = served.request("GET", "/v1/alarms")
    assert status == 200
    return {a["kind"]: a["state"] for a in found["alarms"] if a["kind"].startswith("storage_")}


def page(served: Served, path: str) -> str:
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=30)
    try:
        connection.request("GET", path)
        return connection.getresponse().read().decode()
    finally:
        connection.close()


def test_a_full_volume_is_said_and_left_behind(
    volume: Path, faulty_disk: Callable[..., FaultyDisk]
) -> None:
    """The rest of the volume is taken by somebody else's file, which later goes away. Bodies and
    streams go on by themselves."""
    disk = faulty_disk(volume / "data")
    with serving(disk) as served:
        pid = served.pid
        clock = warned(served, volume, disk)
        found, streamed = fill_the_volume(served, volume)
        later = count(clock, 10)

        def over() -> bool:
            """A minute after the last failure and another one, by the service's clocks."""
            moved = next(later)
            disk.set(clock_s=moved, boot_s=moved)
            return set(alarms(served).values()) <= {"returned"}

        within(PATIENT_S, over, "all is well again")
        assert served.pid == pid
        check(served, found, streamed=streamed)


def fill_the_volume(served: Served, volume: Path) -> tuple[list[Sender], dict[str, int]]:
    """What sent bodies, and how many fruit each stream sent."""
    streamed: dict[str, int] = {}
    with senders(served.port) as found:
        for sender in found:
            goes_on(sender)
        for number in range(ROUNDS):
            fill(volume / "other", leave=500_000)
            for sender in found:
                refused_twice(sender)
            line = Socket(served.port, f"source=line-2&run=r{number}&lot=L-0417")
            sent = 0
            while not line.errors:  # a few fruit may still find room
                line.send(b"".join(Socket.text(fruit(seq)) for seq in range(sent, sent + 100)))
                sent += 100
                line.until(lambda line=line, sent=sent: line.errors or line.committed == sent - 1)
            streamed[f"r{number}"] = sent
            assert line.errors[0]["status"] in (503, 507)
            assert call(served.port, "GET", "/v1/lots/L-0417/packout").status == 200
            within(PATIENT_S, lambda: alarms(served).get("storage_failing") == "unacknowledged",
                   "an alarm while nothing can be stored, not even the alarm")
            (volume / "other").unlink()
            line.bare.settimeout(RESUMES_S)
            line.until(lambda line=line, sent=sent: line.committed == sent - 1)
            line.close()
            for sender in found:
                goes_on(sender, timeout_s=RESUMES_S)
        return found, streamed


def warned(served: Served, volume: Path, disk: FaultyDisk) -> int:
    """What is said past 80, 90 and 95 %, once both clocks are moved across each alarm's delay; by
    how many seconds they were moved in all."""
    clock = 0
    for full, kind, title, delay_s in (
        (0.82, "storage_filling", "Data disk fills up", 300),
        (0.92, "storage_low", "Data disk low on space", 60),
        (0.96, "storage_critical", "Data disk nearly full", 5),
    ):
        before = alarms(served)
        assert kind not in before
        fill(volume / "other", leave=round(VOLUME_BYTES * (1 - full)))
        within(PATIENT_S, lambda full=full: seen_full(served) >= full - 0.005, "it is seen")
        assert alarms(served) == before  # no alarm before its delay is over
        clock += delay_s + 1
        disk.set(clock_s=clock, boot_s=clock)
        within(PATIENT_S, lambda kind=kind: alarms(served).get(kind) == "unacknowledged", kind)
        assert title in page(served, "/alarms")
    (volume / "other").unlink()
    return clock


def seen_full(served: Served) -> float:
    """How full the service says the disk is."""
    told = dict(row.split() for row in page(served, "/metrics").splitlines()
                if row.startswith("grading_storage_") and "{" not in row)
    size = float(told["grading_storage_size_bytes"])
    return 1 - float(told["grading_storage_free_bytes"]) / size if size else 0.0


def fill(path: Path, *, leave: int) -> None:
    """A file that takes all but `leave` bytes of its volume."""
    path.unlink(missing_ok=True)
    space = os.statvfs(path.parent)
    with path.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, space.f_bavail * space.f_frsize - leave)
