"""The writer: answers after commits, repeats, conflicts, closed lots, merging, full disks."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grading.record import FruitBatch, concat
from service.store.chunks import encode
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import (
    CONFLICT,
    DUPLICATE,
    LINE,
    LOT_CLOSED,
    PULL,
    STORED,
    Receipt,
    Stored,
)
from service.store.lots import close_lot, insert_lot
from service.store.open import DATABASE, Store, log_bytes, open_store
from service.store.verify import verify
from service.store.writer import Writer
from tests.support.store_batches import batch_of, packing_batch, same_batch, verdicts_of
from tests.unit.test_store_tables import a_lot

NOW = 1_785_153_600_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(data_dir=tmp_path / "data", now_ms=NOW)
    yield opened
    opened.close()
    checked = verify(data_dir=opened.data_dir)
    assert checked.bad is None


def submit(
    writer: Writer, batch: FruitBatch, *, lot: str = "L-0417", kind: str = LINE,
    code: int = 1, digest: str = "d1", ahead: bool = False,
) -> Future[Receipt]:
    verdicts = verdicts_of(batch=batch, code=code)
    chunk = encode(batch=batch, verdicts=verdicts) if ahead else None
    return writer.submit(
        lot=lot, kind=kind, batch=batch, verdicts=verdicts, digest=digest, received_ms=NOW,
        chunk=chunk)


def held(writer: Writer) -> tuple[threading.Event, Future[None]]:
    """Stops the writer thread until the event is set, so that what follows is one group."""
    entered, go = threading.Event(), threading.Event()

    def wait(_conn: sqlite3.Connection) -> None:
        entered.set()
        go.wait()

    done = writer.run(wait)
    entered.wait()
    return go, done


def outcome(future: Future[Receipt]) -> list[int]:
    return [int(code) for code in future.result().outcome]


def test_new_then_repeat_then_conflict(store: Store) -> None:
    batch = batch_of(seqs=[1, 2, 3])
    first = submit(store.writer, batch).result()
    assert first.outcome.tolist() == [STORED] * 3
    again = submit(store.writer, batch, lot="L-0500", code=2, digest="d2").result()
    assert again.outcome.tolist() == [DUPLICATE] * 3
    assert again.verdicts.reasons.tolist() == first.verdicts.reasons.tolist()
    assert again.lots == {0: "L-0417", 1: "L-0417", 2: "L-0417"}
    assert again.digests == {0: "d1", 1: "d1", 2: "d1"}
    # Only a repeat: nothing was written, so it rests on the first commit.
    assert again.commit == first.commit == store.writer.commit_no
    other = submit(store.writer, batch_of(seqs=[2], salt=1), lot="L-0500").result()
    assert other.outcome.tolist() == [CONFLICT]
    assert other.commit == first.commit + 1
    (refused,) = store.reader.conflicts(lot="L-0500")
    assert (refused["source"], refused["run"], refused["seq"]) == ("line-1", "r1", 2)
    assert json.loads(refused["record"])["seq"] == 2


def test_the_key_is_source_run_and_seq(store: Store) -> None:
    for source, run in (("a", "1"), ("a", "2"), ("b", "1")):
        batch = batch_of(seqs=[1], source=source, run=run, salt=len(run + source))
        assert outcome(submit(store.writer, batch)) == [STORED]


def test_repeats_inside_one_batch(store: Store) -> None:
    batch = concat(batches=[
        batch_of(seqs=[5, 6]), batch_of(seqs=[5]), batch_of(seqs=[6, 5], salt=1)])
    assert outcome(submit(store.writer, batch)) == [
        STORED, STORED, DUPLICATE, CONFLICT, CONFLICT]


def test_repeats_inside_one_group(store: Store) -> None:
    go, _ = held(store.writer)
    answers = [
        submit(store.writer, batch_of(seqs=[1, 2])),
        submit(store.writer, batch_of(seqs=[2, 3])),
        submit(store.writer, batch_of(seqs=[3], salt=1)),
        submit(store.writer, batch_of(seqs=[3, 2, 1]), lot="L-0500"),
    ]
    go.set()
    assert [outcome(a) for a in answers] == [
        [STORED, STORED], [DUPLICATE, STORED], [CONFLICT], [DUPLICATE] * 3]
    assert len({a.result().commit for a in answers}) == 1
    assert store.reader.query("SELECT n FROM chunk") == [{"n": 3}]


def test_out_of_order_batches_fill_gaps(store: Store) -> None:
    submit(store.writer, batch_of(seqs=[1, 2, 9])).result()
    assert store.reader.gaps(source="line-1", run="r1") == [(3, 8)]
    assert outcome(submit(store.writer, batch_of(seqs=[5, 4]))) == [STORED, STORED]
    assert store.reader.gaps(source="line-1", run="r1") == [(3, 3), (6, 8)]
    found = store.reader.fruit(source="line-1", run="r1", seq=4)
    assert found is not None
    assert same_batch(found.batch, batch_of(seqs=[4]))
    assert store.reader.fruit(source="line-1", run="r1", seq=3) is None


def test_an_empty_submission(store: Store) -> None:
    assert outcome(submit(store.writer, batch_of(seqs=[]))) == []
    with pytest.raises(ValueError, match="2 fruit with 1 verdicts"):
        store.writer.submit(
            lot="L", kind=LINE, batch=batch_of(seqs=[1, 2]),
            verdicts=verdicts_of(batch=batch_of(seqs=[1])), digest="d", received_ms=NOW)


def test_a_closed_lot_gains_no_line_fruit(store: Store) -> None:
    store.writer.run(lambda c: insert_lot(c, lot=a_lot(id="L-0417"))).result()
    submit(store.writer, batch_of(seqs=[1, 2])).result()
    assert store.writer.run(lambda c: close_lot(c, lot_id="L-0417", closed_ms=NOW)).result()
    assert outcome(submit(store.writer, batch_of(seqs=[3, 4]))) == [LOT_CLOSED] * 2
    assert outcome(submit(store.writer, batch_of(seqs=[2, 3]))) == [DUPLICATE, LOT_CLOSED]
    pull = batch_of(seqs=[1], source="bench")
    assert outcome(submit(store.writer, pull, kind=PULL)) == [STORED]
    assert store.reader.counts(lot="L-0417") == {"line": 2, "pull": 1}


def test_small_chunks_merge_and_large_batches_split(store: Store) -> None:
    for first in range(1, 5001, 500):
        submit(store.writer, packing_batch(n=500, first=first, seed=first)).result()
    merged, *rest = store.reader.chunks(lot="L-0417")
    assert (merged.n, [c.n for c in rest]) == (4500, [500])
    batch, _ = merged.decode()
    assert same_batch(
        batch.take(rows=np.arange(1000, 1500)), packing_batch(n=500, first=1001, seed=1001))
    submit(store.writer, packing_batch(n=20_000, first=6000)).result()
    found = [c.n for c in store.reader.chunks(lot="L-0417")]
    assert sum(found) == 25_000
    assert max(found) == 8192
    assert store.reader.sources(lot="L-0417") == [
        {"source": "line-1", "run": "r1", "kind": "line", "n": 25_000, "seq_low": 1,
         "seq_high": 25_999}]


def test_chunks_made_ahead_are_written_as_they_are(store: Store) -> None:
    """Only where all of their fruit are new; whatever else, the writer makes its own."""
    told: list[Stored] = []
    store.writer.on_commit.append(told.extend)
    first = packing_batch(n=3000)
    go, done = held(store.writer)
    whole = submit(store.writer, first, ahead=True)
    again = submit(store.writer, first, ahead=True)
    over = submit(store.writer, packing_batch(n=3000, first=2001, seed=3), ahead=True)
    turned = first.take(rows=np.arange(2999, -1, -1))
    turned = replace(turned, seq=turned.seq + 10_000)
    down = submit(store.writer, turned, ahead=True)
    go.set()
    done.result()
    assert set(outcome(whole)) == {STORED}
    assert set(outcome(again)) == {DUPLICATE}
    assert outcome(over) == [CONFLICT] * 1000 + [STORED] * 2000
    assert set(outcome(down)) == {STORED}
    chunks = list(store.reader.chunks(lot="L-0417"))
    assert sum(c.n for c in chunks) == sum(len(t.batch) for t in told) == 8000
    made = chunks[0].decode()[0]
    assert same_batch(made, first)
    assert {c.received_ms for c in chunks} == {NOW}
    assert outcome(submit(store.writer, batch_of(seqs=[5000, 5001, 13_001]))) == [
        CONFLICT, STORED, STORED]


def test_a_trickle_of_single_fruit_is_gathered(store: Store) -> None:
    for seq in range(1, 301):
        submit(store.writer, batch_of(seqs=[seq])).result()
    sizes = [c.n for c in store.reader.chunks(lot="L-0417")]
    assert sum(sizes) == 300
    assert len(sizes) <= 64 + 4
    assert outcome(submit(store.writer, batch_of(seqs=[1, 150, 300]))) == [DUPLICATE] * 3


def test_a_small_cache_changes_no_answer(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.store.keys.CACHE_CHUNKS", 1)
    for source in ("a", "b", "c"):
        submit(store.writer, batch_of(seqs=[1, 2], source=source)).result()
    for source in ("a", "b", "c", "a"):
        again = submit(store.writer, batch_of(seqs=[2, 1], source=source))
        assert outcome(again) == [DUPLICATE] * 2


def test_a_call_that_changes_no_row_is_kept(store: Store) -> None:
    store.writer.run(lambda c: c.execute("CREATE TABLE scratch (x)")).result()
    assert store.reader.query("SELECT * FROM scratch") == []
    assert store.writer.commit_no == 0


def test_reopening_knows_every_key(tmp_path: Path) -> None:
    batch = batch_of(seqs=[3, 1, 7, 2**53])
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    submit(store.writer, batch).result()
    store.close()
    again = open_store(data_dir=tmp_path, now_ms=NOW)
    try:
        assert again.writer.commit_no == 1
        assert outcome(submit(again.writer, batch)) == [DUPLICATE] * 4
        assert outcome(submit(again.writer, batch_of(seqs=[2, 3], salt=1))) == [STORED, CONFLICT]
    finally:
        again.close()


def test_on_commit_comes_before_the_answer_and_tells_only_new_fruit(store: Store) -> None:
    told: list[list[Stored]] = []
    order: list[str] = []
    store.writer.on_commit += [told.append, lambda _stored: order.append("told")]
    future = submit(store.writer, batch_of(seqs=[1, 2]))
    future.add_done_callback(lambda _f: order.append("answered"))
    future.result()
    submit(store.writer, batch_of(seqs=[2, 1])).result()
    assert outcome(submit(store.writer, batch_of(seqs=[2, 3]))) == [DUPLICATE, STORED]
    assert order[:2] == ["told", "answered"]
    assert [[s.batch.seq.tolist() for s in group] for group in told] == [[[1, 2]], [[3]]]


def test_a_failing_listener_does_not_unsay_a_commit(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(_stored: list[Stored]) -> None:
        raise RuntimeError("counter broke")

    store.writer.on_commit.append(fails)
    assert outcome(submit(store.writer, batch_of(seqs=[1]))) == [STORED]
    assert "counter broke" in caplog.text


def test_a_failing_call_undoes_only_itself(store: Store) -> None:
    def bad(conn: sqlite3.Connection) -> None:
        insert_lot(conn, lot=a_lot(id="L-2"))
        raise KeyError("no")

    go, _ = held(store.writer)
    before = submit(store.writer, batch_of(seqs=[1]))
    broken = store.writer.run(bad)
    seen = store.writer.run(lambda c: c.execute("SELECT sum(n) FROM chunk").fetchone()[0])
    go.set()
    assert outcome(before) == [STORED]
    assert isinstance(broken.exception(), KeyError)
    assert seen.result() == 1
    assert store.reader.query("SELECT * FROM lot") == []


def test_a_submission_that_cannot_be_written_fails_alone(store: Store) -> None:
    go, _ = held(store.writer)
    good = submit(store.writer, batch_of(seqs=[1, 2]))
    batch = batch_of(seqs=[10])
    broken = submit(store.writer, type(batch)(
        **{k: getattr(batch, k) for k in batch.__slots__} | {"judged": {0: object()}}))
    later = submit(store.writer, batch_of(seqs=[3]))
    go.set()
    assert isinstance(broken.exception(), TypeError)
    assert outcome(good) == [STORED, STORED]
    assert outcome(later) == [STORED]
    assert outcome(submit(store.writer, batch_of(seqs=[10]))) == [STORED]


def test_a_cancelled_submission_is_not_stored(store: Store) -> None:
    go, _ = held(store.writer)
    gone = submit(store.writer, batch_of(seqs=[1]))
    assert gone.cancel()
    kept = submit(store.writer, batch_of(seqs=[2]))
    go.set()
    assert outcome(kept) == [STORED]
    assert store.reader.fruit(source="line-1", run="r1", seq=1) is None


def test_the_queue_is_bounded(tmp_path: Path) -> None:
    store = open_store(data_dir=tmp_path, now_ms=NOW, queue_fruit=10)
    try:
        go, _ = held(store.writer)
        # One body larger than the whole queue gets through an empty one.
        large = submit(store.writer, batch_of(seqs=list(range(11))))
        assert store.writer.waiting_fruit == 11
        with pytest.raises(QueueFull, match="limit 10"):
            submit(store.writer, batch_of(seqs=[20]))
        go.set()
        large.result()
        assert outcome(submit(store.writer, batch_of(seqs=[20]))) == [STORED]
    finally:
        store.close()


def test_room_in_the_queue_that_is_left_to_others(tmp_path: Path) -> None:
    store = open_store(data_dir=tmp_path, now_ms=NOW, queue_fruit=10)
    try:
        go, _ = held(store.writer)

        def bulk(first: int) -> Future[Receipt]:
            batch = batch_of(seqs=[first, first + 1, first + 2])
            return store.writer.submit(
                lot="L-0417", kind=LINE, batch=batch, verdicts=verdicts_of(batch=batch, code=1),
                digest="d1", received_ms=NOW, leave=4)

        found = [bulk(0), bulk(10)]
        with pytest.raises(QueueFull):
            bulk(20)
        found.append(submit(store.writer, batch_of(seqs=[30, 31, 32, 33])))
        go.set()
        assert [outcome(f) for f in found] == [[STORED] * 3, [STORED] * 3, [STORED] * 4]
    finally:
        store.close()


def test_stopping_finishes_what_waits(tmp_path: Path) -> None:
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    go, _ = held(store.writer)
    waiting = [submit(store.writer, batch_of(seqs=[i])) for i in range(50)]
    go.set()
    store.close()
    assert [outcome(w) for w in waiting] == [[STORED]] * 50
    with pytest.raises(StoreClosed):
        submit(store.writer, batch_of(seqs=[60]))
    with pytest.raises(StoreClosed):
        store.reader.query("SELECT 1")
    with pytest.raises(StoreClosed):
        next(store.reader.chunks(lot="L"))
    assert not (tmp_path / f"{DATABASE}-wal").exists()


def test_a_full_disk_refuses_and_recovers(store: Store) -> None:
    """SQLite's own page limit gives the same SQLITE_FULL that a full volume does."""
    told: list[list[Stored]] = []
    store.writer.on_commit.append(told.append)
    submit(store.writer, packing_batch(n=100, first=1)).result()

    def limit(pages: int) -> Any:
        return store.writer.run(
            lambda c: c.execute(f"PRAGMA max_page_count = {pages}").fetchone()[0]).result()

    limit(1)  # SQLite raises this to the pages that there are
    large = packing_batch(n=8000, first=101)
    go, _ = held(store.writer)
    failing, innocent = submit(store.writer, large), submit(store.writer, batch_of(seqs=[90_000]))
    go.set()
    for future in (failing, innocent):
        with pytest.raises(StorageFull):
            future.result()
    assert isinstance(
        store.writer.run(lambda c: c.execute("CREATE TABLE t AS SELECT zeroblob(99999)"))
        .exception(), StorageFull)
    assert store.reader.counts(lot="L-0417") == {"line": 100}
    limit(2**30)
    assert outcome(submit(store.writer, large)) == [STORED] * 8000
    assert outcome(submit(store.writer, batch_of(seqs=[90_000]))) == [STORED]
    assert sum(len(s.batch) for group in told for s in group) == 8101


class Failing(sqlite3.Connection):
    """Raises a chosen storage error at a chosen statement."""

    at: str = ""
    code: int = 0

    def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
        if self.at and sql.startswith(self.at):
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = self.code
            error.sqlite_errorname = "SQLITE_IOERR_FSYNC"
            raise error
        return super().execute(sql, *args)


def failing_store(tmp_path: Path) -> tuple[Store, Failing, list[str]]:
    ended: list[str] = []
    store = open_store(data_dir=tmp_path, now_ms=NOW, fatal=ended.append, connect=Failing)
    conn = store._conn
    assert isinstance(conn, Failing)
    return store, conn, ended


def test_a_failed_sync_is_fatal_and_never_retried(tmp_path: Path) -> None:
    store, conn, ended = failing_store(tmp_path)
    submit(store.writer, batch_of(seqs=[1])).result()
    go, _ = held(store.writer)
    conn.code = sqlite3.SQLITE_IOERR_FSYNC
    lost = [submit(store.writer, batch_of(seqs=[i])) for i in (2, 3)]
    conn.at = "COMMIT"
    go.set()
    for future in lost:
        with pytest.raises(StorageFailed, match="storage failed"):
            future.result()
    assert ended == ["storage failed, stopping: disk I/O error (SQLITE_IOERR_FSYNC)"]
    with pytest.raises(StoreClosed):
        submit(store.writer, batch_of(seqs=[4]))
    store.close()


@pytest.mark.parametrize(
    ("code", "error"),
    [(sqlite3.SQLITE_IOERR_SHMSIZE, StorageFull), (sqlite3.SQLITE_BUSY, StorageFailed)],
)
def test_passing_troubles_are_not_fatal(
    tmp_path: Path, code: int, error: type[Exception]
) -> None:
    store, conn, ended = failing_store(tmp_path)
    conn.code, conn.at = code, "BEGIN"
    with pytest.raises(error):
        submit(store.writer, batch_of(seqs=[1])).result()
    conn.at = ""
    assert outcome(submit(store.writer, batch_of(seqs=[1]))) == [STORED]
    assert ended == []
    store.close()


@pytest.mark.parametrize(("code", "fatal"), [
    (sqlite3.SQLITE_IOERR_FSYNC, True), (sqlite3.SQLITE_FULL, False)])
def test_a_checkpoint_that_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, fatal: bool
) -> None:
    monkeypatch.setattr("service.store.writer.CHECKPOINT_BYTES", 1)
    store, conn, ended = failing_store(tmp_path)
    conn.code, conn.at = code, "PRAGMA wal_checkpoint"
    # The fruit are durable in the log, so they are acknowledged whatever the checkpoint does.
    assert outcome(submit(store.writer, batch_of(seqs=[1]))) == [STORED]
    store.writer.stop()
    assert bool(ended) == fatal
    store.close()
    assert verify(data_dir=tmp_path).fruit == 1


def test_a_log_left_by_a_kill_is_moved_after_the_next_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that is killed again and again, before it has written much, keeps a short log."""
    lives = [tmp_path / str(k) for k in range(3)]
    store = open_store(data_dir=lives[0], now_ms=NOW)
    outcome(submit(store.writer, packing_batch(n=1000, first=1)))
    shutil.copytree(lives[0], lives[1])  # as a kill leaves it
    store.close()
    left = log_bytes(path=lives[1] / DATABASE)
    assert left > 10_000
    monkeypatch.setattr("service.store.writer.CHECKPOINT_BYTES", left)
    store = open_store(data_dir=lives[1], now_ms=NOW)
    outcome(submit(store.writer, batch_of(seqs=[1001])))
    store.writer.stop()
    lives[2].mkdir()
    shutil.copy(lives[1] / DATABASE, lives[2])  # without the log
    store.close()
    assert verify(data_dir=lives[2]).fruit == 1001


def test_a_writer_that_breaks_ends_loudly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    store, _, ended = failing_store(tmp_path)

    def breaks(_self: Writer) -> None:
        raise MemoryError("no memory")

    monkeypatch.setattr(Writer, "_checkpoint", breaks)
    assert outcome(submit(store.writer, batch_of(seqs=[1]))) == [STORED]
    store.writer.stop()
    assert ended == ["the store's writer failed: MemoryError('no memory')"]
    assert "writer failed" in caplog.text
    store.close()
