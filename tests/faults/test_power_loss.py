"""Sync before acknowledge, and what is left when the power goes: the durability of the store.

kill -9 shows none of this, since the kernel outlives the process and keeps unsynced writes. Here
a journal of everything that the service wrote, synced and answered is the evidence.
"""

from __future__ import annotations

import http.client
import json
import os
import random
import re
import struct
import threading
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from service.store.chunks import decode
from service.store.open import DATABASE, open_store
from service.store.verify import verify
from tests.support.app import LOT, NOON_MS
from tests.support.faulty_disk import OPEN, SEND, SYNC_BEGINS, SYNC_ENDS, WRITE, Event, FaultyDisk
from tests.support.power_cut import PowerCut
from tests.support.process import Served

NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
ANSWERS = 20_000 if NIGHTLY else 1_000
CUTS = 200 if NIGHTLY else 10
CUT_EVENTS = 40_000  # enough for the log to move into the database many times
CLIENTS = 4
TOKEN = re.compile(rb"run-[0-9a-f]{16}")
Sent = dict[str, dict[int, int]]

pytestmark = pytest.mark.faults


@dataclass(frozen=True, slots=True)
class Recorded:
    """events: the journal. sent: run to seq to diameter in hundredths of a millimetre."""

    events: list[Event]
    sent: Sent
    folder: Path


@pytest.fixture(scope="module")
def recorded(disk_library: Path, tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A service that took ANSWERS bodies, each of a run of its own, so that each can be found in
    what was written and in what was answered. It is killed in the end."""
    folder = tmp_path_factory.mktemp("power")
    (folder / "disk").mkdir()
    data = (folder / "data").resolve()
    data.mkdir()
    disk = FaultyDisk(library=disk_library, root=data, folder=folder / "disk", journal=True)
    served = Served(data, env=disk.env)
    served.start()
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    rng = random.Random(20260714)
    bodies = []
    sent: Sent = {}
    for _ in range(ANSWERS):
        run = f"run-{rng.randbytes(8).hex()}"
        sent[run] = {seq: rng.randrange(5500, 8500) for seq in range(rng.choice((1, 1, 1, 7, 40)))}
        bodies.append((run, [{"seq": s, "diameter_mm": d / 100} for s, d in sent[run].items()]))
    wrong: list[Any] = []
    clients = [threading.Thread(target=_post, args=(served, bodies[k::CLIENTS], wrong))
               for k in range(CLIENTS)]
    for client in clients:
        client.start()
    for client in clients:
        client.join()
    served.kill()
    assert not wrong
    return Recorded(disk.events(), sent, data)


def _post(served: Served, bodies: list[tuple[str, Any]], wrong: list[Any]) -> None:
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=30)) as connection:
        for run, records in bodies:
            connection.request("POST", f"/v1/records?source=line-1&run={run}&lot=L-0417",
                               json.dumps(records), {"Content-Type": "application/json"})
            answer = connection.getresponse()
            told = answer.read()
            if answer.status != 201:
                wrong.append((answer.status, told))


def unkept(events: Iterable[Event]) -> tuple[int, list[str]]:
    """How many runs were answered, and those of them whose commit no sync had covered by then.

    The log's frames are as in SQLite's file format ("WAL file format"): a header of 24 bytes,
    whose second word is not zero in the frame that ends a commit, then the page.
    """
    logs: set[int] = set()
    written: set[str] = set()
    committed: set[str] = set()
    begun: dict[int, set[str]] = {}
    durable: set[str] = set()
    answered: set[str] = set()
    broken: list[str] = []
    ends = False
    for event in events:
        if event.kind == OPEN and event.path.endswith("-wal"):
            logs.add(event.a)
        elif event.kind == WRITE and event.a in logs and len(event.data) == 24:
            ends = struct.unpack_from(">I", event.data, 4)[0] != 0
        elif event.kind == WRITE and event.a in logs:
            written |= {t.decode() for t in TOKEN.findall(event.data)} - committed
            if ends:
                committed |= written
                written = set()
        elif event.kind == SYNC_BEGINS and event.a in logs:
            begun[event.b] = set(committed)
        elif event.kind == SYNC_ENDS and event.a in logs:
            durable |= begun.pop(event.b)
        elif event.kind == SEND:
            told = {t.decode() for t in TOKEN.findall(event.data)}
            answered |= told
            broken += sorted(told - durable)
    return len(answered), broken


def test_every_answer_follows_a_sync_of_its_commit(recorded: Recorded) -> None:
    assert unkept(recorded.events) == (ANSWERS, [])


def test_the_check_sees_a_missing_sync(recorded: Recorded) -> None:
    """As from a disk that never finishes a sync, and from a service that answers before it."""
    answered, broken = unkept(e for e in recorded.events if e.kind != SYNC_ENDS)
    assert answered == len(broken) == ANSWERS
    early = sorted(recorded.events, key=lambda e: e.kind not in (OPEN, SEND))
    assert len(unkept(early)[1]) == ANSWERS


def cuts(events: list[Event], rng: random.Random) -> list[int]:
    """Moments to cut at: half of them anywhere, half while the log moves into the database."""
    databases = {e.a for e in events if e.kind == OPEN and e.path.endswith(DATABASE)}
    moving = [at for at, e in enumerate(events) if e.kind == WRITE and e.a in databases]
    assert len(moving) > 100, "the log never moved into the database"
    return sorted(
        rng.choice(moving) + rng.randrange(50) if k % 2 else rng.randrange(len(events))
        for k in range(CUTS))


def stored(data: Path) -> Sent:
    """Every fruit of a data folder, opened as the service opens it; nothing may be there twice."""
    store = open_store(data_dir=data, now_ms=NOON_MS)
    found: Sent = {}
    with store.reader.connection() as conn:
        for source, run, body in conn.execute("SELECT source, run, body FROM chunk"):
            batch, _ = decode(blob=body, source=source, run=run)
            diameters = batch.measures["diameter"].values.tolist()
            for seq, diameter in zip(batch.seq.tolist(), diameters, strict=True):
                assert seq not in found.setdefault(run, {})
                found[run][seq] = diameter
        lots = conn.execute("SELECT id FROM lot").fetchall()
    store.close()
    assert not found or lots == [("L-0417",)]
    return found


def test_what_was_acknowledged_survives_the_loss_of_unsynced_writes(
    recorded: Recorded, tmp_path: Path
) -> None:
    rng = random.Random(20260715)
    cut = PowerCut(folder=recorded.folder)
    done = 0
    acknowledged: set[str] = set()
    for number, at in enumerate(cuts(recorded.events[:CUT_EVENTS], rng)):
        passed = recorded.events[done:at]
        done = max(done, at)
        cut.take(passed)
        acknowledged |= {
            t.decode() for e in passed if e.kind == SEND for t in TOKEN.findall(e.data)}
        for again in range(2):
            target = tmp_path / f"cut-{number}-{again}"
            cut.leave(target=target, rng=rng)
            found = stored(target)
            assert found.items() <= recorded.sent.items()
            assert acknowledged <= found.keys()
            checked = verify(data_dir=target)
            assert checked.ok, checked.bad
    assert acknowledged


def test_losing_synced_writes_would_be_seen(recorded: Recorded, tmp_path: Path) -> None:
    """On a disk that keeps names but lies about the sync of files, fruit are lost: the test above
    can fail."""
    folders = {e.a for e in recorded.events if e.kind == OPEN and e.path == str(recorded.folder)}
    cut = PowerCut(folder=recorded.folder)
    cut.take(e for e in recorded.events if e.kind != SYNC_ENDS or e.a in folders)
    cut.leave(target=tmp_path / "lied", rng=random.Random(20260716))
    assert (tmp_path / "lied" / DATABASE).exists()
    assert not recorded.sent.keys() <= stored(tmp_path / "lied").keys()
