"""One commit group: which of its fruit are new, and what is written for them.

Runs on the writer thread inside one transaction. Nothing here commits.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from grading import verdicts as verdict_columns
from grading.quantities import Flags, Integers
from grading.record import FruitBatch, concat
from grading.verdicts import Verdicts
from service.store.chunks import CHUNK_FRUIT, VERDICT_DTYPES, encode, pack_ranges
from service.store.content import record_of, same_content
from service.store.keys import ChunkKey, Held, Keys, Small, held
from service.store.seqs import ascending, ranges_of

STORED: Final = 1
DUPLICATE: Final = 2
CONFLICT: Final = 3
LOT_CLOSED: Final = 4

LINE: Final = "line"
PULL: Final = "pull"


@dataclass(frozen=True, slots=True)
class Submission:
    """Graded fruit of one source, run and lot, on their way to the disk. chunk: how they are
    encoded, if that was done already."""

    lot: str
    kind: str
    batch: FruitBatch
    verdicts: Verdicts
    digest: str
    received_ms: int
    chunk: bytes | None = None

    def key(self) -> ChunkKey:
        return ChunkKey(self.batch.source, self.batch.run, self.lot, self.kind, self.digest)


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of each fruit of a submission, durable when it is handed out.

    outcome: uint8 (n,), STORED, DUPLICATE, CONFLICT or LOT_CLOSED (a new line record for a lot
    that is closed). verdicts: (n,), for a key that was taken already those stored the first
    time. lots, digests: for such rows the lot it is in and the standard its codes belong to,
    where they are not the submitted ones. commit: number of the commit that holds it all.
    """

    outcome: Integers
    verdicts: Verdicts
    lots: Mapping[int, str]
    digests: Mapping[int, str]
    commit: int


@dataclass(frozen=True, slots=True)
class Stored:
    """Fruit that one commit added; never the repeats."""

    lot: str
    kind: str
    digest: str
    batch: FruitBatch
    verdicts: Verdicts


@dataclass(frozen=True, slots=True)
class _Fresh:
    content: Held
    received_ms: int
    received_last_ms: int


def chunk_digest(*, key: ChunkKey, body: bytes) -> bytes:
    """SHA-256 over what a chunk belongs to and its bytes."""
    return hashlib.sha256("\0".join(key).encode() + b"\0" + body).digest()


class Group:
    """Judges submissions in order and writes what is new of them."""

    def __init__(self, *, conn: sqlite3.Connection, keys: Keys, commit: int) -> None:
        self._conn = conn
        self._keys = keys
        self._commit = commit
        self._fresh: dict[ChunkKey, list[_Fresh]] = {}
        self.touched: set[tuple[str, str]] = set()
        self.stored: list[Stored] = []
        self.written_bytes = 0

    def judge(self, *, submission: Submission) -> Receipt:
        """Tells new fruit from repeats and conflicts, and takes the new ones in."""
        batch, n = submission.batch, len(submission.batch)
        if n == 0:
            return Receipt(np.zeros(0, np.uint8), submission.verdicts, {}, {}, self._commit)
        seen = self._keys.seen(source=batch.source, run=batch.run)
        new = LOT_CLOSED if self._closed(submission) else STORED
        low, high = int(batch.seq[0]), int(batch.seq[-1])
        if ascending(seqs=batch.seq) and not seen.overlaps(low=low, high=high):
            if new == STORED:
                self._take_in(submission, None)
            outcome = np.full(n, new, np.uint8)
            return Receipt(outcome, submission.verdicts, {}, {}, self._commit)
        outcome = np.zeros(n, np.uint8)
        unseen = ~seen.contains(seqs=batch.seq)
        if new == LOT_CLOSED:
            outcome[unseen] = LOT_CLOSED
        else:
            first = np.zeros(n, np.bool_)
            first[np.unique(batch.seq, return_index=True)[1]] = True
            outcome[unseen & first] = STORED
            if (outcome == STORED).any():
                self._take_in(submission, np.flatnonzero(outcome == STORED))
        return self._compare(submission, outcome)

    def _closed(self, submission: Submission) -> bool:
        """Pulls may follow a closing (packed boxes are drawn after it); line fruit may not."""
        row = self._conn.execute(
            "SELECT closed_ms FROM lot WHERE id = ?", (submission.lot,)
        ).fetchone()
        return submission.kind == LINE and row is not None and row[0] is not None

    def _take_in(self, submission: Submission, rows: Integers | None) -> None:
        batch, verdicts, key = submission.batch, submission.verdicts, submission.key()
        whole = rows is None or len(rows) == len(batch)
        if rows is not None and not whole:
            batch, verdicts = batch.take(rows=rows), verdicts.take(rows=rows)
        self.touched.add((key.source, key.run))
        seen = self._keys.seen(source=key.source, run=key.run)
        ranges = ranges_of(seqs=batch.seq)
        seen.add_ranges(ranges=ranges)
        if whole and submission.chunk is not None:
            self.stored.append(Stored(key.lot, key.kind, key.digest, batch, verdicts))
            self._insert(key, batch, verdicts, submission.chunk, ranges,
                         submission.received_ms, submission.received_ms)
            return
        fresh = _Fresh(
            held(key=key, batch=batch, verdicts=verdicts),
            submission.received_ms, submission.received_ms,
        )
        self._fresh.setdefault(key, []).append(fresh)

    def _compare(self, submission: Submission, outcome: Integers) -> Receipt:
        """Settles the rows whose key is taken, against what was stored under it."""
        batch, received_ms = submission.batch, submission.received_ms
        codes = {name: getattr(submission.verdicts, name).copy() for name in VERDICT_DTYPES}
        lots: dict[int, str] = {}
        digests: dict[int, str] = {}
        open_rows = np.flatnonzero(outcome == 0)
        waiting = [
            fresh.content
            for key, parts in self._fresh.items() if key[:2] == (batch.source, batch.run)
            for fresh in parts
        ]
        for content in waiting:
            open_rows = self._settle(submission, content, open_rows, outcome, codes, lots, digests)
        if len(open_rows):
            for content in self._keys.lookup(
                source=batch.source, run=batch.run, seqs=batch.seq[open_rows]
            ):
                open_rows = self._settle(
                    submission, content, open_rows, outcome, codes, lots, digests
                )
        if len(open_rows):
            raise RuntimeError(f"seq {batch.seq[open_rows[0]]} is taken, but no chunk holds it")
        self._conn.executemany(
            "INSERT INTO conflict (received_ms, source, run, seq, lot, record)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            [
                (received_ms, batch.source, batch.run, int(batch.seq[row]), submission.lot,
                 msgspec.json.encode(record_of(batch=batch, row=row)).decode())
                for row in np.flatnonzero(outcome == CONFLICT).tolist()
            ],
        )
        return Receipt(outcome, Verdicts(**codes), lots, digests, self._commit)

    def _settle(
        self,
        submission: Submission,
        content: Held,
        open_rows: Integers,
        outcome: Integers,
        codes: dict[str, Integers],
        lots: dict[int, str],
        digests: dict[int, str],
    ) -> Integers:
        hits, theirs = content.find(seqs=submission.batch.seq[open_rows])
        if not len(hits):
            return open_rows
        mine = open_rows[hits]
        same: Flags = same_content(
            left=submission.batch, left_rows=mine, right=content.batch, right_rows=theirs
        )
        outcome[mine] = np.where(same, DUPLICATE, CONFLICT)
        for name, values in codes.items():
            values[mine] = getattr(content.verdicts, name)[theirs]
        if content.lot != submission.lot:
            lots.update(dict.fromkeys(mine.tolist(), content.lot))
        if content.digest != submission.digest:
            digests.update(dict.fromkeys(mine.tolist(), content.digest))
        return np.delete(open_rows, hits)

    def write(self) -> None:
        """Writes what was taken in so far as chunks, together with small ones that are due."""
        for key, parts in self._fresh.items():
            batch = concat(batches=[p.content.batch for p in parts])
            verdicts = verdict_columns.concat(parts=[p.content.verdicts for p in parts])
            self.stored.append(Stored(key.lot, key.kind, key.digest, batch, verdicts))
            first_ms = min(p.received_ms for p in parts)
            last_ms = max(p.received_last_ms for p in parts)
            gone = self._keys.due(key=key, n=len(batch))
            if gone:
                old = [self._keys.fetch(key=key, chunk_id=s.chunk_id) for s in gone]
                batch = concat(batches=[*(h.batch for h in old), batch])
                verdicts = verdict_columns.concat(parts=[*(h.verdicts for h in old), verdicts])
                first_ms = min(first_ms, *(s.received_ms for s in gone))
                last_ms = max(last_ms, *(s.received_last_ms for s in gone))
            new = [
                self._encoded(key, batch, verdicts, slice(at, at + CHUNK_FRUIT), first_ms, last_ms)
                for at in range(0, len(batch), CHUNK_FRUIT)
            ]
            self._conn.executemany(
                "DELETE FROM chunk WHERE id = ?", [(s.chunk_id,) for s in gone]
            )
            self._keys.replace(key=key, gone=gone, new=new)
        self._fresh = {}

    def _encoded(
        self, key: ChunkKey, batch: FruitBatch, verdicts: Verdicts, part: slice,
        first_ms: int, last_ms: int,
    ) -> Small:
        if len(batch) > CHUNK_FRUIT:
            batch, verdicts = batch.take(rows=part), verdicts.take(rows=part)
        return self._insert(
            key, batch, verdicts, encode(batch=batch, verdicts=verdicts),
            ranges_of(seqs=batch.seq), first_ms, last_ms)

    def _insert(
        self, key: ChunkKey, batch: FruitBatch, verdicts: Verdicts, body: bytes,
        ranges: Integers, first_ms: int, last_ms: int,
    ) -> Small:
        chunk_id = self._keys.next_id
        self._keys.next_id += 1
        self._conn.execute(
            "INSERT INTO chunk VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (chunk_id, *key, len(batch), int(ranges[0, 0]), int(ranges[-1, 1]), first_ms, last_ms,
             self._commit, chunk_digest(key=key, body=body), pack_ranges(ranges=ranges), body),
        )
        self.written_bytes += len(body)
        if len(batch) < CHUNK_FRUIT:
            self._keys.remember(
                chunk_id=chunk_id, content=held(key=key, batch=batch, verdicts=verdicts)
            )
        return Small(chunk_id, len(batch), first_ms, last_ms)
