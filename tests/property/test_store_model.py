"""The store against a plain dictionary: repeats, conflicts, groups, full disks, reopening."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import threading
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from grading.record import FruitBatch, concat
from service.store.errors import StorageFull
from service.store.group import CONFLICT, DUPLICATE, LINE, STORED
from service.store.open import Store, open_store
from service.store.verify import verify
from tests.support.store_batches import batch_of, verdicts_of

NOW = 1_785_153_600_000
Key = tuple[str, int]

RECORDS = st.lists(
    st.tuples(st.integers(0, 25), st.sampled_from([0, 0, 0, 1])), min_size=1, max_size=8)
SUBMISSIONS = st.lists(
    st.tuples(
        st.sampled_from(["r1", "r2"]), st.sampled_from(["L-1", "L-2"]), st.integers(1, 2), RECORDS),
    min_size=1, max_size=4)


def batch_from(run: str, records: list[tuple[int, int]]) -> FruitBatch:
    return concat(batches=[batch_of(seqs=[seq], salt=salt, run=run) for seq, salt in records])


class StoreModel(RuleBasedStateMachine):
    """`first`: key to (salt, lot, code) as first stored."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="store-model-"))
        self.first: dict[Key, tuple[int, str, int]] = {}
        self.conflicts = 0
        self.told: list[Key] = []
        self.open()

    def open(self) -> None:
        self.store: Store = open_store(data_dir=self.folder, now_ms=NOW)
        self.store.writer.on_commit.append(lambda stored: self.told.extend(
            (s.batch.run, seq) for s in stored for seq in s.batch.seq.tolist()))

    def send(self, submissions: list[Any]) -> list[Any]:
        """All of them in one commit group."""
        entered, go = threading.Event(), threading.Event()

        def wait(_conn: sqlite3.Connection) -> None:
            entered.set()
            go.wait()

        self.store.writer.run(wait)
        entered.wait()
        futures = []
        for run, lot, code, records in submissions:
            batch = batch_from(run, records)
            futures.append(self.store.writer.submit(
                lot=lot, kind=LINE, batch=batch, verdicts=verdicts_of(batch=batch, code=code),
                digest=f"d{code}", received_ms=NOW))
        go.set()
        return futures

    @rule(submissions=SUBMISSIONS)
    def submit(self, submissions: list[Any]) -> None:
        futures = self.send(submissions)
        for (run, lot, code, records), future in zip(submissions, futures, strict=True):
            receipt = future.result()
            for row, (seq, salt) in enumerate(records):
                known = self.first.setdefault((run, seq), (salt, lot, code))
                stored = receipt.outcome[row] == STORED
                if not stored:
                    wanted = DUPLICATE if known[0] == salt else CONFLICT
                    assert receipt.outcome[row] == wanted
                    self.conflicts += wanted == CONFLICT
                assert receipt.lots.get(row, lot) == known[1]
                assert receipt.digests.get(row, f"d{code}") == f"d{known[2]}"
                assert receipt.verdicts.reasons[row] == seq % 1000 * known[2]

    @rule(submissions=SUBMISSIONS)
    def submit_on_a_full_disk(self, submissions: list[Any]) -> None:
        def limit(pages: int) -> None:
            self.store.writer.run(
                lambda c: c.execute(f"PRAGMA max_page_count = {pages}").fetchone()).result()

        def fill(conn: sqlite3.Connection) -> None:
            conn.execute("CREATE TABLE filler AS SELECT zeroblob(1000000) AS x")

        limit(1)
        futures = self.send(submissions)
        with pytest.raises(StorageFull):
            self.store.writer.run(fill).result()
        answers = [future.exception() for future in futures]
        limit(2**30)
        # What shared a group with the failure failed too; what did not may have found room.
        assert all(error is None or isinstance(error, StorageFull) for error in answers)
        for (run, lot, code, records), future in zip(submissions, futures, strict=True):
            if future.exception() is None:
                outcomes = future.result().outcome.tolist()
                for (seq, salt), outcome in zip(records, outcomes, strict=True):
                    if outcome == STORED:
                        assert (run, seq) not in self.first
                        self.first[run, seq] = (salt, lot, code)
                    self.conflicts += outcome == CONFLICT

    @rule()
    def reopen(self) -> None:
        self.store.close()
        self.open()

    @invariant()
    def everything_first_sent_is_there_once(self) -> None:
        reader = self.store.reader
        stored = {}
        for lot in ("L-1", "L-2"):
            for chunk in reader.chunks(lot=lot):
                for seq in chunk.decode()[0].seq.tolist():
                    assert (chunk.run, seq) not in stored
                    stored[chunk.run, seq] = lot
        assert stored == {key: known[1] for key, known in self.first.items()}
        assert sorted(self.told) == sorted(self.first)
        (row,) = reader.query("SELECT count(*) AS n FROM conflict")
        assert row["n"] == self.conflicts
        for run in ("r1", "r2"):
            seqs = {seq for r, seq in self.first if r == run}
            missing = {k for a, b in reader.gaps(source="line-1", run=run)
                       for k in range(a, b + 1)}
            assert missing == (set(range(min(seqs), max(seqs))) - seqs if seqs else set())

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self.store.close()
            assert verify(data_dir=self.folder).bad is None
            shutil.rmtree(self.folder)


TestStoreModel = StoreModel.TestCase
TestStoreModel.settings = settings(max_examples=40, stateful_step_count=15, deadline=None)
