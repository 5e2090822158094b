"""The disk fills while fruit come in: said plainly, nothing acknowledged is lost, and it goes on by
itself when there is space again."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from service.store.open import open_store
from service.store.verify import verify
from tests.support.app import LOT, NOON_MS
from tests.support.calls import Answer, call
from tests.support.faulty_disk import UNLIMITED, FaultyDisk
from tests.support.process import Served, refused

ROUNDS = 10 if os.environ.get("DRUPE_NIGHTLY") else 1
CLIENTS = 4
BODY = 400
VOLUME_BYTES = 64 * 2**20

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

    def until(self, reached: Callable[[Sender], bool]) -> None:
        with self.turn:
            assert self.turn.wait_for(lambda: reached(self), timeout=60), "the sender is stuck"


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
            sender.join(timeout=60)


def refused_twice(sender: Sender) -> None:
    before = len(sender.refused)
    sender.until(lambda s: len(s.refused) >= before + 2 or bool(s.wrong))


def goes_on(sender: Sender) -> None:
    before = sender.acknowledged
    sender.until(lambda s: s.acknowledged >= before + 3 * BODY or bool(s.wrong))


def check(served: Served, found: list[Sender]) -> None:
    """Same process, no wrong answer, and everything acknowledged is kept, once."""
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
    store.close()
    assert packout["n"] == held
    checked = verify(data_dir=served.data_dir)
    assert checked.ok, checked.bad


def test_a_full_disk_is_said_and_left_behind(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk]
) -> None:
    """The space ends at an arbitrary byte, and comes back."""
    disk = faulty_disk(tmp_path / "data")
    served = Served(disk.root, env=disk.env)
    served.start()
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    pid = served.pid
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
            assert call(served.port, "POST", "/v1/lots", {**LOT, "id": "L-0999"}).status == 507
            assert disk.get("injected") > 0
            disk.set(budget=UNLIMITED)
            for sender in found:
                goes_on(sender)
        assert served.pid == pid
    check(served, found)


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
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_volume_is_said_and_left_behind(volume: Path) -> None:
    """The rest of the volume is taken by somebody else's file, which later goes away."""
    served = Served(volume / "data")
    served.start()
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    pid = served.pid
    with senders(served.port) as found:
        for sender in found:
            goes_on(sender)
        for _ in range(ROUNDS):
            fill(volume / "other", leave=500_000)
            for sender in found:
                refused_twice(sender)
            assert call(served.port, "GET", "/v1/lots/L-0417/packout").status == 200
            (volume / "other").unlink()
            for sender in found:
                goes_on(sender)
        assert served.pid == pid
    check(served, found)


def fill(path: Path, *, leave: int) -> None:
    """A file that takes all but `leave` bytes of its volume."""
    space = os.statvfs(path.parent)
    with path.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, space.f_bavail * space.f_frsize - leave)
