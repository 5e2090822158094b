"""The sweep of I/O errors again, through HTTP and the command line: what a sender is told.

Per change a few places, the same on every run; `make nightly` takes every one.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from service.store.open import open_store
from service.store.verify import verify
from service.store.writer import EXIT_STORAGE
from tests.support.app import LOT, NOON_MS
from tests.support.calls import Answer, call
from tests.support.faulty_disk import FaultyDisk
from tests.support.forked import Forked

NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
PLACES = 4
REFUSED = 3
NEVER = 10**12
POSTS = "/v1/records?source=line-1&run=r1&lot=L-0417"

pytestmark = pytest.mark.faults


def serve(data: str) -> None:
    """`drupe serve` in a child; it says its address in JSON."""
    from service.cli.main import main

    main(["serve", "--data", data, "--port", "0", "--json"], prog_name="drupe")


def record(seq: int) -> dict[str, float]:
    return {"seq": seq, "diameter_mm": 55 + seq % 30}


class Operation:
    """Start, open a lot, post, read, stop. What was answered, and how the process ended."""

    def __init__(self, forked: Forked, data: Path) -> None:
        self.answers: list[Answer] = []
        self.kept: list[int] = []
        self.code = -1
        forked.start("tests.faults.test_io_errors_served:serve", str(data))
        first = forked.line()
        if "ended" in first:
            self.code = first["ended"]
        else:
            port = urlsplit(first["address"]).port
            assert port is not None
            self._ask(port)
            self.code, _ = forked.stop()
        self.said = forked.said()

    def _ask(self, port: int) -> None:
        self.answers.append(call(port, "POST", "/v1/lots", LOT))
        for first in (0, 10, 20):
            body = [record(s) for s in range(first, first + 15)]  # the last five come again
            answer = call(port, "POST", POSTS, body)
            self.answers.append(answer)
            if answer.status in (200, 201):
                self.kept += [o["seq"] for o in answer.body["outcomes"]]
        for path in ("/v1/lots/L-0417/packout", "/v1/lots/L-0417/fruit", "/health/ready"):
            self.answers.append(call(port, "GET", path))

    def passed(self) -> bool:
        return self.code == 0 and all(a.status in (200, 201) for a in self.answers)


@pytest.mark.parametrize("forever", [False, True], ids=["once", "forever"])
@pytest.mark.parametrize("kind", ["write", "sync", "open"])
def test_nobody_is_told_that_lost_fruit_are_kept(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk], kind: str, forever: bool
) -> None:
    rng = random.Random(f"{kind} {forever}")
    disk = faulty_disk(tmp_path / "data")
    with Forked(env=disk.env, stderr=tmp_path / "stderr") as forked:
        disk.fail(kind=kind, at=NEVER, error=errno.EIO)
        assert Operation(forked, tmp_path / "data" / "0").passed()
        calls = range(1, disk.get("count") + 1)
        for at in calls if NIGHTLY else sorted(rng.sample(calls, PLACES)):
            data = tmp_path / "data" / str(at)
            disk.fail(kind=kind, at=at, error=errno.EIO, forever=forever)
            told = Operation(forked, data)
            disk.heal()
            where = f"{kind} {at}: {told.code} {told.said}"
            check(told, data, where)
            if kind == "sync":
                assert told.code != 0 or told.passed(), where
            shutil.rmtree(data)


def check(told: Operation, data: Path, where: str) -> None:
    assert told.code in (0, REFUSED, EXIT_STORAGE), where
    assert len(told.said) == (told.code != 0), where
    assert all(line.startswith("drupe: ") for line in told.said), where
    for answer in told.answers:
        # The lot may not be there, the store may fail, the service may be gone.
        assert answer.status in (0, 200, 201, 404, 503), (where, answer)
        assert answer.status in (0, 200, 201) or answer.told_plainly, (where, answer)
    store = open_store(data_dir=data, now_ms=NOON_MS)
    seen = store.reader.seqs(source="line-1", run="r1")
    store.close()
    assert all(seq in seen for seq in told.kept), where
    checked = verify(data_dir=data)
    assert checked.ok, (where, checked.bad)
