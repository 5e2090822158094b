"""Records come again, out of order, in bodies and over streams, after a restart and a month later:
each is stored once, and is told the same every time. The same key with other content is a
conflict, kept for a person."""

from __future__ import annotations

import http.client
import json
import os
import random
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from service.store.open import open_store
from service.store.verify import verify
from tests.support.app import LOT, NOON_MS
from tests.support.calls import call
from tests.support.faulty_disk import FaultyDisk
from tests.support.process import Served
from tests.support.streaming import Socket

RECORDS = 1_000_000 if os.environ.get("DRUPE_NIGHTLY") else 20_000
RUNS = 4
MONTH_S = 30 * 86_400
Key = tuple[int, int]

pytestmark = pytest.mark.faults


_MEASURES = (("diameter_mm", 5000, 8500, 11), ("ground_hue_deg", 7000, 11_500, 13),
             ("blush_fraction", 0, 100, 17), ("mass_g", 8000, 30_000, 19))


def record(key: Key) -> dict[str, Any]:
    """A record whose content follows from its key, with gaps in what is measured."""
    run, seq = key
    mixed = seq * 7919 + run * 104_729
    fields: dict[str, Any] = {"seq": seq, "lane": 1 + mixed % 8}
    for name, low, high, prime in _MEASURES:
        if mixed % prime:
            fields[name] = (low + mixed * prime % (high - low)) / 100
    return fields


@contextmanager
def posting(served: Served) -> Iterator[Callable[[int, list[dict[str, Any]]], tuple[int, Any]]]:
    """A function that posts records of one run on a kept connection: status and decoded answer."""
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)) as connection:
        def post(run: int, records: list[dict[str, Any]]) -> tuple[int, Any]:
            connection.request(
                "POST", f"/v1/records?source=line-1&run=run-{run}&lot=L-0417", json.dumps(records),
                {"Content-Type": "application/json"})
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())

        yield post


@contextmanager
def streaming(served: Served) -> Iterator[list[Socket]]:
    """A stream of each run."""
    opened = [Socket(served.port, f"source=line-1&run=run-{run}&lot=L-0417", timeout_s=120)
              for run in range(RUNS)]
    yield opened
    for stream in opened:
        assert (stream.changed, stream.errors) == ([], [])  # nothing that was told was taken back
        stream.close()


def streamed(to: Socket, keys: list[Key]) -> tuple[int, list[dict[str, Any]]]:
    """Sends records over a stream; how many were new, and what was answered to each."""
    stored, settled = to.total("stored"), to.total("stored") + to.total("duplicates")
    to.answers.clear()
    to.send(Socket.text([record(key) for key in keys]))
    to.until(lambda: len(to.answers) == len(keys)
             and to.total("stored") + to.total("duplicates") == settled + len(keys))
    return to.total("stored") - stored, list(to.answers)


def bodies(rng: random.Random) -> list[tuple[int, list[Key]]]:
    """Every record one to five times, shuffled, in bodies of one run and any length."""
    sends = [(run, seq) for run in range(RUNS) for seq in range(RECORDS // RUNS)
             for _ in range(rng.randrange(1, 6))]
    rng.shuffle(sends)
    found, at = [], 0
    while at < len(sends):
        size = rng.choice((1, 10, 1000, 2000))
        for run in range(RUNS):
            of_run = [key for key in sends[at:at + size] if key[0] == run]
            if of_run:
                found.append((run, of_run))
        at += size
    return found


def test_repeats_are_stored_once_and_told_the_same(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk]
) -> None:
    rng = random.Random(20260717)
    disk = faulty_disk(tmp_path / "data")
    served = Served(disk.root, env=disk.env)
    served.start()
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    told: dict[Key, dict[str, Any]] = {}
    stored = duplicates = 0
    work = bodies(rng)
    half, month_later = len(work) // 2, len(work) - len(work) // 10
    for part, offset_s in ((work[:half], 0), (work[half:month_later], 0),
                           (work[month_later:], MONTH_S)):
        disk.set(clock_s=offset_s)
        with posting(served) as post, streaming(served) as streams:
            for number, (run, keys) in enumerate(part):
                if number % 3 == 2:
                    new, outcomes = streamed(streams[run], keys)
                else:
                    status, answer = post(run, [record(key) for key in keys])
                    new, outcomes = answer["stored"], answer["outcomes"]
                    assert status == (201 if new else 200)
                    assert new + answer["duplicates"] == len(keys)
                    for key, outcome in zip(keys, outcomes, strict=True):
                        wanted = "duplicate" if key in told else "stored"
                        assert outcome.pop("outcome") == wanted
                        told.setdefault(key, {**outcome})
                stored, duplicates = stored + new, duplicates + len(keys) - new
                for key, outcome in zip(keys, outcomes, strict=True):
                    assert outcome["seq"] == key[1]
                    assert told.setdefault(key, outcome) == outcome
        if offset_s == 0:
            assert served.stop() == 0
            served.start()
    assert stored == len(told) == RECORDS
    assert duplicates == sum(len(keys) for _, keys in work) - RECORDS

    conflicts = clash(served, rng)
    status, packout = served.request("GET", "/v1/lots/L-0417/packout")
    assert (status, packout["n"]) == (200, RECORDS)
    assert served.stop() == 0
    check(disk.root, conflicts)


def clash(served: Served, rng: random.Random) -> list[dict[str, Any]]:
    """Other content under taken keys, alone and among repeats; what was sent so."""
    sent = []
    for run, seq in [(rng.randrange(RUNS), rng.randrange(RECORDS // RUNS)) for _ in range(50)]:
        other = {**record((run, seq)), "diameter_mm": 86 + rng.randrange(100) / 100}
        sent += [other, other]
        path = f"/v1/records?source=line-1&run=run-{run}&lot=L-0417"
        answer = call(served.port, "POST", path, other)
        assert (answer.status, answer.told_plainly, answer.body["conflicts"]) == (422, True, 1)
        assert answer.body["outcomes"] == [{"seq": seq, "outcome": "conflict"}]
        neighbour = (seq + 1) % (RECORDS // RUNS)
        answer = call(served.port, "POST", path, [record((run, neighbour)), other])
        assert (answer.status, answer.body["duplicates"], answer.body["conflicts"]) == (200, 1, 1)
        answer = call(served.port, "POST", path, record((run, seq)))  # the first one stands
        assert (answer.status, answer.body["duplicates"]) == (200, 1)
    return sent


def check(data: Path, conflicts: list[dict[str, Any]]) -> None:
    store = open_store(data_dir=data, now_ms=NOON_MS)
    for run in range(RUNS):
        seen = store.reader.seqs(source="line-1", run=f"run-{run}")
        assert seen.count == RECORDS // RUNS
        assert 0 in seen and RECORDS // RUNS - 1 in seen
    entries = store.reader.conflicts(lot="L-0417", limit=1000)
    kept = [(e["seq"], json.loads(e["record"])["diameter_mm"]) for e in entries]
    assert kept == [(c["seq"], c["diameter_mm"]) for c in conflicts]
    store.close()
    checked = verify(data_dir=data)
    assert checked.ok, checked.bad
    assert checked.fruit == RECORDS
