"""Reading beside the writer: every reader sees one committed state and blocks nobody."""

from __future__ import annotations

import sqlite3
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.store.chunks import decode, unpack_ranges
from service.store.errors import StoreClosed
from service.store.seqs import SeqSet

T = TypeVar("T")

BUSY_S: Final = 10.0
QUERY_S: Final = 10.0
QUERY_ROWS: Final = 100_000
_STEPS: Final = 20_000  # virtual machine steps between two looks at the clock


@dataclass(frozen=True, slots=True)
class ChunkRow:
    """One stored chunk; `received_ms` is when the first of its fruit came in."""

    id: int
    source: str
    run: str
    lot: str
    kind: str
    digest: str
    n: int
    seq_low: int
    seq_high: int
    received_ms: int
    body: bytes

    def decode(self) -> tuple[FruitBatch, Verdicts]:
        """Its fruit and their verdicts, n rows each. Raises ChunkDamaged."""
        return decode(blob=self.body, source=self.source, run=self.run)


@dataclass(frozen=True, slots=True)
class StoredFruit:
    """One fruit: a batch and verdicts of one row, and where they belong."""

    lot: str
    kind: str
    digest: str
    received_ms: int
    batch: FruitBatch
    verdicts: Verdicts


def open_read_only(*, path: Path) -> sqlite3.Connection:
    """A connection that cannot write; any one thread at a time may use it."""
    conn = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro",
        uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False,
    )
    conn.execute("PRAGMA query_only = ON")
    return conn


class Reader:
    """Committed data of one store. Thread-safe: each use has a connection to itself."""

    def __init__(self, *, path: Path) -> None:
        self._path = path
        self._idle: deque[sqlite3.Connection] = deque()
        self._closed = False

    def close(self) -> None:
        self._closed = True
        while self._idle:
            self._idle.pop().close()

    @contextmanager
    def connection(self) -> Iterator[sqlite3.Connection]:
        """A read-only connection for the time of the block, to pass to the row functions."""
        if self._closed:
            raise StoreClosed("the store is closed")
        try:
            conn = self._idle.pop()
        except IndexError:
            conn = open_read_only(path=self._path)
        try:
            yield conn
        finally:
            if conn.in_transaction:
                conn.execute("ROLLBACK")
            self._idle.append(conn)
            self._drop_if_closed()

    def _drop_if_closed(self) -> None:
        if self._closed:
            self.close()

    def read(self, fn: Callable[[sqlite3.Connection], T]) -> T:
        """fn on one committed state, whatever is written meanwhile."""
        with self.connection() as conn:
            conn.execute("BEGIN")
            return fn(conn)

    def query(
        self,
        sql: str,
        params: Sequence[Any] | Mapping[str, Any] = (),
        *,
        limit: int = QUERY_ROWS,
        timeout_s: float = QUERY_S,
    ) -> list[dict[str, Any]]:
        """Rows by column name, at most `limit`.

        sqlite3.OperationalError "interrupted" if it takes longer than `timeout_s`.
        """
        until = time.monotonic() + timeout_s
        with self.connection() as conn:
            conn.set_progress_handler(lambda: time.monotonic() > until, _STEPS)
            try:
                with closing(conn.execute(sql, params)) as cursor:
                    names = [column[0] for column in cursor.description]
                    return [dict(zip(names, r, strict=True)) for r in cursor.fetchmany(limit)]
            finally:
                conn.set_progress_handler(None, 0)

    def chunks(self, *, lot: str, kind: str | None = None) -> Iterator[ChunkRow]:
        """The chunks of a lot in order of storing, all of one committed state.

        Reads one at a time. Keep an iteration short: until it ends or is closed, the log cannot
        shrink below the state that it reads.
        """
        if self._closed:
            raise StoreClosed("the store is closed")
        with closing(open_read_only(path=self._path)) as conn:
            yield from chunk_rows(conn=conn, lot=lot, kind=kind)

    def fruit(self, *, source: str, run: str, seq: int) -> StoredFruit | None:
        """The fruit stored under a key."""
        with self.connection() as conn:
            rows = conn.execute(
                f"SELECT {_CHUNK_COLUMNS} FROM chunk"
                " WHERE source = ? AND run = ? AND seq_low <= ? AND seq_high >= ?",
                (source, run, seq, seq),
            )
            for chunk in map(_chunk_row, rows):
                batch, verdicts = chunk.decode()
                at = np.flatnonzero(batch.seq == seq)
                if len(at):
                    return StoredFruit(
                        chunk.lot, chunk.kind, chunk.digest, chunk.received_ms,
                        batch.take(rows=at), verdicts.take(rows=at),
                    )
        return None

    def batches(self, *, source: str, run: str, low: int, high: int) -> Iterator[FruitBatch]:
        """The chunks of a run that may hold fruit numbered low to high, whole."""
        with self.connection() as conn:
            for row in conn.execute(
                f"SELECT {_CHUNK_COLUMNS} FROM chunk"
                " WHERE source = ? AND run = ? AND seq_low <= ? AND seq_high >= ?",
                (source, run, high, low),
            ):
                yield _chunk_row(row).decode()[0]

    def seqs(self, *, source: str, run: str) -> SeqSet:
        """All stored sequence numbers of a run."""
        found = SeqSet()
        with self.connection() as conn:
            for low, high, ranges in conn.execute(
                "SELECT seq_low, seq_high, ranges FROM chunk"
                " WHERE source = ? AND run = ? ORDER BY seq_low", (source, run)
            ):
                found.add_ranges(ranges=unpack_ranges(blob=ranges, low=low, high=high))
        return found

    def gaps(self, *, source: str, run: str) -> list[tuple[int, int]]:
        """The missing ranges, ends included, between the lowest and highest stored seq."""
        return self.seqs(source=source, run=run).gaps()

    def counts(self, *, lot: str) -> dict[str, int]:
        """Fruit of a lot by kind."""
        rows = self.query("SELECT kind, sum(n) AS n FROM chunk WHERE lot = ? GROUP BY kind", (lot,))
        return {row["kind"]: row["n"] for row in rows}

    def fruit_by_lot(self, *, kind: str) -> dict[str, int]:
        """How many fruit of a kind each lot holds, without reading any of them."""
        rows = self.query("SELECT lot, sum(n) AS n FROM chunk WHERE kind = ? GROUP BY lot", (kind,))
        return {row["lot"]: row["n"] for row in rows}

    def sources(self, *, lot: str) -> list[dict[str, Any]]:
        """What sent a lot's fruit: source, run, kind, n, seq_low, seq_high."""
        return self.query(
            "SELECT source, run, kind, sum(n) AS n, min(seq_low) AS seq_low,"
            " max(seq_high) AS seq_high FROM chunk WHERE lot = ?"
            " GROUP BY source, run, kind ORDER BY source, run, kind", (lot,)
        )

    def conflicts(
        self, *, lot: str, after: int = 0, limit: int = 100
    ) -> list[dict[str, Any]]:
        """Refused records of a lot whose key was taken by other content, in the order they came."""
        return self.query(
            "SELECT id, received_ms, source, run, seq, lot, record FROM conflict"
            " WHERE lot = ? AND id > ? ORDER BY id LIMIT ?", (lot, after, limit)
        )


def chunk_rows(
    *, conn: sqlite3.Connection, lot: str, kind: str | None = None, digest: str | None = None
) -> Iterator[ChunkRow]:
    """The chunks of a lot in order of storing, on a connection of the caller's; digest: only
    those graded under that standard."""
    return map(_chunk_row, conn.execute(
        f"SELECT {_CHUNK_COLUMNS} FROM chunk WHERE lot = ?1"
        " AND (?2 IS NULL OR kind = ?2) AND (?3 IS NULL OR digest = ?3) ORDER BY id",
        (lot, kind, digest)
    ))


def chunks_past(
    *, conn: sqlite3.Connection, lot: str, kind: str, source: str, run: str, seq: int
) -> Iterator[ChunkRow]:
    """The chunks of a lot that hold fruit past a key, by source, run and lowest seq."""
    return map(_chunk_row, conn.execute(
        f"SELECT {_CHUNK_COLUMNS} FROM chunk WHERE lot = ?1 AND kind = ?2 AND"
        " ((source, run) > (?3, ?4) OR (source = ?3 AND run = ?4 AND seq_high > ?5))"
        " ORDER BY source, run, seq_low", (lot, kind, source, run, seq)
    ))


_CHUNK_COLUMNS: Final = (
    "id, source, run, lot, kind, digest, n, seq_low, seq_high, received_ms, body"
)


def _chunk_row(row: tuple[Any, ...]) -> ChunkRow:
    return ChunkRow(*row)
