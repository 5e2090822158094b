"""The n-th write, sync or open fails, n = 1, 2, ... until the whole operation passes clean; once
with a fault that goes away, once with one that stays.

Whatever happens: nothing is acknowledged that is not kept, nothing kept is damaged, a failed sync
ends the process, and whoever refuses to start says so in one line. (The method is SQLite's own,
"How SQLite Is Tested", section 3.2, I/O error testing.)
"""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.store import writer as store_writer
from service.store.errors import Refused, StorageFailed, StorageFull
from service.store.group import LINE
from service.store.lots import Lot, get_lot, insert_lot
from service.store.open import open_store
from service.store.verify import verify
from service.store.writer import EXIT_STORAGE
from tests.support.faulty_disk import FaultyDisk
from tests.support.forked import Forked, tell
from tests.support.store_batches import batch_of, same_batch, verdicts_of

NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
NOW = 1_785_153_600_000
BATCH = 20
BATCHES, STARTS = (6, 2) if NIGHTLY else (3, 1)
REFUSED = 3
NEVER = 10**12

pytestmark = pytest.mark.faults

LOT = Lot(
    id="L-0417", grower="Tolliver Ridge", block="TR-07", cultivar="ember-lass", pick=1,
    produce="peach", route="", standard_id="s", standard_edition="1", standard_digest="d",
    basis="diameter", opened_ms=NOW)


def operate(folder: str) -> int:
    """Start, open a lot, store fruit, read them, stop, STARTS times. In a child.

    The log is moved into the database after every three commits, so that this is swept as well.
    """
    store_writer.CHECKPOINT_BYTES = 3 * 32_768  # type: ignore[misc]  # a constant of the module
    for start in range(0, 1000 * STARTS, 1000):
        try:
            store = open_store(data_dir=Path(folder), now_ms=NOW)
        except Refused as why:
            os.write(2, f"{why}\n".encode())
            return REFUSED
        if start == 0:
            answered(store.writer.run(lambda conn: insert_lot(conn, lot=LOT)), lot="L-0417")
        for first in range(start, start + BATCHES * BATCH, BATCH):
            batch = batch_of(seqs=list(range(first, first + BATCH)))
            answered(store.writer.submit(
                lot="L-0417", kind=LINE, batch=batch, verdicts=verdicts_of(batch=batch),
                digest="d", received_ms=NOW), first=first)
        try:
            found = store.reader.counts(lot="L-0417")
        except Exception as error:  # what a reader cannot read is said, whatever it is
            tell(unread=repr(error))
        else:
            tell(read=found.get(LINE, 0))
        store.close()
    return 0


def answered(future: Future[Any], **what: Any) -> None:
    try:
        future.result()
    except (StorageFailed, StorageFull) as error:
        tell(failed=str(error), **what)
    else:
        tell(kept=True, **what)


@contextmanager
def warm(make: Callable[..., FaultyDisk], root: Path) -> Iterator[tuple[FaultyDisk, Forked]]:
    disk = make(root)
    with Forked(env=disk.env, stderr=root.parent / "stderr") as forked:
        yield disk, forked


def begin(folder: str) -> int:
    """Only start and stop. In a child."""
    open_store(data_dir=Path(folder), now_ms=NOW).close()
    return 0


FAULTS = [("write", "EIO"), ("sync", "EIO"), ("open", "EIO")]
if NIGHTLY:
    FAULTS += [("write", "ENOSPC"), ("sync", "ENOSPC"), ("open", "EMFILE")]


@pytest.mark.parametrize("forever", [False, True], ids=["once", "forever"])
@pytest.mark.parametrize(("kind", "error"), FAULTS)
def test_the_store_survives_an_error_at_every_call(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk], kind: str, error: str, forever: bool
) -> None:
    """Per change the start, most of whose calls are alike, is swept in steps."""
    with warm(faulty_disk, tmp_path / "data") as (disk, forked):
        disk.fail(kind=kind, at=NEVER, error=errno.EIO)
        assert forked.run("tests.faults.test_io_errors:begin", str(tmp_path / "data" / "0")) == (
            0, [])
        start_calls = disk.get("count")
        at = 1
        while True:
            data = tmp_path / "data" / str(at)
            disk.fail(kind=kind, at=at, error=getattr(errno, error), forever=forever)
            code, lines = forked.run("tests.faults.test_io_errors:operate", str(data))
            said = forked.said()
            injected = disk.get("injected")
            disk.heal()
            check(data, code, lines, said, where=f"{kind} {error} {at}")
            if not injected:
                break
            if kind == "sync":
                assert not any("failed" in line for line in lines), (at, lines)
                assert code != 0 or all_kept(lines), (at, lines)
            shutil.rmtree(data)
            in_start = at < start_calls - 5
            at += 1 if NIGHTLY else (9 if in_start else 3) if forever else (5 if in_start else 1)
        assert at > start_calls
        assert (code, said) == (0, [])
        assert all_kept(lines)


def all_kept(lines: list[dict[str, Any]]) -> bool:
    return sum("first" in line and "kept" in line for line in lines) == BATCHES * STARTS


def check(data: Path, code: int, lines: list[dict[str, Any]], said: list[str], where: str) -> None:
    """What must hold after any fault; the disk works again."""
    assert code in (0, REFUSED, EXIT_STORAGE), (where, code, said)
    said = [line for line in said if not line.startswith("checkpoint put off: ")]
    assert len(said) == (code != 0), (where, said)
    begins = {REFUSED: "data", EXIT_STORAGE: "drupe: storage failed, stopping: "}
    assert all(line.startswith(begins[code]) for line in said), (where, said)
    kept = [line["first"] for line in lines if "kept" in line and "first" in line]
    for line in lines:
        assert line.get("read", 0) <= BATCH * len(kept), (where, line)
    store = open_store(data_dir=data, now_ms=NOW)
    try:
        seen = store.reader.seqs(source="line-1", run="r1")
        for first in kept:
            assert seen.contains(seqs=np.arange(first, first + BATCH)).all(), (where, first)
        if any("lot" in line and "kept" in line for line in lines):
            assert store.reader.read(lambda conn: get_lot(conn, lot_id="L-0417")) == LOT, where
        for chunk in store.reader.chunks(lot="L-0417"):
            batch, _ = chunk.decode()
            assert same_batch(batch, batch_of(seqs=batch.seq.tolist())), where
        again = batch_of(seqs=[5000])
        store.writer.submit(lot="L-0417", kind=LINE, batch=again, digest="d", received_ms=NOW,
                            verdicts=verdicts_of(batch=again)).result()
    finally:
        store.close()
    checked = verify(data_dir=data)
    assert checked.ok, (where, checked.bad)
