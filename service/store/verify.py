"""Reading back everything that is stored and naming the first thing that is wrong."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from service.store.chunks import decode, unpack_ranges
from service.store.errors import ChunkDamaged, Refused
from service.store.group import chunk_digest
from service.store.keys import ChunkKey
from service.store.open import DATABASE
from service.store.reader import open_read_only
from service.store.schema import version
from service.store.seqs import SeqSet, ranges_of
from service.store.standards import PROFILES, STANDARDS, texts

CUTS_SINCE: Final = 4
"""The schema from which cuts may be moved for a time."""
Progress = Callable[[int, int], object]


@dataclass(frozen=True, slots=True)
class Verified:
    """What was read. bad: the first thing wrong, or None when all is well."""

    fruit: int
    chunks: int
    lots: int
    pulls: int
    commit: int
    schema: int
    bad: str | None

    @property
    def ok(self) -> bool:
        return self.bad is None


def verify(*, data_dir: Path, progress: Progress | None = None) -> Verified:
    """Checks a data folder, of a running service as well; progress: chunks done, chunks in all."""
    path = data_dir / DATABASE
    if not path.is_file():
        raise Refused(f"data folder {data_dir} holds no {DATABASE}; choose another --data")
    return verify_file(path=path, progress=progress)


def verify_file(*, path: Path, progress: Progress | None = None) -> Verified:
    """Checks one database file."""
    counts = {"fruit": 0, "chunks": 0, "lots": 0, "pulls": 0, "commit": 0, "schema": 0}
    bad: str | None = None
    with closing(open_read_only(path=path)) as conn:
        try:
            conn.execute("BEGIN")
            bad = _integrity(conn)
            counts |= count(conn=conn)
            bad = bad or _texts(conn)
            if bad is None:
                bad = _chunks(conn, counts, progress)
        except sqlite3.DatabaseError as e:
            bad = f"database: {e}"
    return Verified(**counts, bad=bad)


def count(*, conn: sqlite3.Connection) -> dict[str, int]:
    """Rows and fruit as the tables tell them."""
    (fruit, chunks, lots, pulls, commit) = conn.execute(
        "SELECT (SELECT coalesce(sum(n), 0) FROM chunk), (SELECT count(*) FROM chunk),"
        " (SELECT count(*) FROM lot), (SELECT count(*) FROM pull),"
        " (SELECT commit_no FROM position)"
    ).fetchone()
    return {
        "fruit": fruit, "chunks": chunks, "lots": lots, "pulls": pulls, "commit": commit,
        "schema": version(conn=conn),
    }


def _integrity(conn: sqlite3.Connection) -> str | None:
    (answer,) = conn.execute("PRAGMA integrity_check(1)").fetchone()
    return None if answer == "ok" else f"database: {answer}"


def _texts(conn: sqlite3.Connection) -> str | None:
    try:
        texts(conn, table=STANDARDS)
        texts(conn, table=PROFILES)
    except Refused as why:
        return str(why).removesuffix("; restore a backup")
    return None


def _chunks(
    conn: sqlite3.Connection, counts: dict[str, int], progress: Progress | None
) -> str | None:
    seen: dict[tuple[str, str], SeqSet] = defaultdict(SeqSet)
    rules = _rules(conn, counts["schema"])
    rows = conn.execute(
        "SELECT id, source, run, lot, kind, digest, n, seq_low, seq_high, ranges, commit_no,"
        " sha256, body FROM chunk ORDER BY id"
    )
    for done, row in enumerate(rows, start=1):
        wrong = _chunk(row, counts["commit"], seen) or _foreign(row, rules)
        if wrong is not None:
            return f"chunk {row[0]} ({row[1]}, run {row[2]}, lot {row[3]}): {wrong}"
        if progress is not None:
            progress(done, counts["chunks"])
    return None


def _rules(conn: sqlite3.Connection, schema: int) -> dict[str, set[str]]:
    """By lot the standards that its fruit may be graded under: its own, and those made of it by
    moving cuts for a time."""
    found: dict[str, set[str]] = defaultdict(set)
    listed = "SELECT id, standard_digest FROM lot"
    if schema >= CUTS_SINCE:
        listed += " UNION SELECT lot, digest FROM cut_change"
    for lot, digest in conn.execute(listed):
        found[lot].add(digest)
    return found


def _foreign(row: tuple[Any, ...], rules: dict[str, set[str]]) -> str | None:
    lot, digest = row[3], row[5]
    if lot in rules and digest not in rules[lot]:
        return f"its fruit are graded under {digest}, which was never in force on its lot"
    return None


def _chunk(
    row: tuple[Any, ...], commit: int, seen: dict[tuple[str, str], SeqSet]
) -> str | None:
    _, source, run, lot, kind, digest, n, low, high, ranges, commit_no, sha256, body = row
    key = ChunkKey(source, run, lot, kind, digest)
    if chunk_digest(key=key, body=body) != sha256:
        return "its SHA-256 differs from the stored one"
    try:
        batch, verdicts = decode(blob=body, source=source, run=run)
    except ChunkDamaged as e:
        return str(e)
    if not len(batch) == len(verdicts) == n:
        return f"it holds {len(batch)} fruit and {len(verdicts)} verdicts, its row says {n}"
    real = ranges_of(seqs=batch.seq)
    if (low, high) != (real[0, 0], real[-1, 1]):
        return f"its seqs are {real[0, 0]} to {real[-1, 1]}, its row says {low} to {high}"
    if not np.array_equal(real, unpack_ranges(blob=ranges, low=low, high=high)):
        return "its seqs are not the ranges that its row says"
    if seen[source, run].add_ranges(ranges=real) != n:
        return "a key in it is stored twice"
    if commit_no > commit:
        return f"it is of commit {commit_no}, the last commit is {commit}"
    return None
