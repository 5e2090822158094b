"""What the writer remembers of the chunks: which keys are taken, and which chunks are small.

Both are read from the chunk table at start and again after a rolled-back group, so the disk is
the only truth. Contents of chunks are fetched only to compare a repeated record with the first.
"""

from __future__ import annotations

import sqlite3
from collections import OrderedDict, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from grading.quantities import Integers
from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.store.chunks import decode, unpack_ranges
from service.store.seqs import SeqSet, ascending

SMALL_FRUIT: Final = 512
MERGED_FRUIT: Final = 4096
TINY_FRUIT: Final = 64
TINY_CHUNKS: Final = 64
CACHE_FRUIT: Final = 100_000
CACHE_CHUNKS: Final = 512


class ChunkKey(NamedTuple):
    """What all fruit of one chunk share."""

    source: str
    run: str
    lot: str
    kind: str
    digest: str


@dataclass(frozen=True, slots=True)
class Held:
    """Fruit that are stored, or will be with this commit, and the order of their seqs."""

    lot: str
    digest: str
    batch: FruitBatch
    verdicts: Verdicts
    order: Integers

    def find(self, *, seqs: Integers) -> tuple[Integers, Integers]:
        """Positions in `seqs` of those held here, and their rows here."""
        ordered = self.batch.seq[self.order]
        at = np.minimum(np.searchsorted(ordered, seqs), len(ordered) - 1)
        hits = np.flatnonzero(ordered[at] == seqs)
        return hits, self.order[at[hits]]


def held(*, key: ChunkKey, batch: FruitBatch, verdicts: Verdicts) -> Held:
    """Fruit made searchable by seq."""
    order = (np.arange(len(batch)) if ascending(seqs=batch.seq)
             else np.argsort(batch.seq, kind="stable"))
    return Held(key.lot, key.digest, batch, verdicts, order)


class Small(NamedTuple):
    """A chunk worth merging with its neighbours."""

    chunk_id: int
    n: int
    received_ms: int
    received_last_ms: int


class Keys:
    """Taken keys, small chunks, and a cache of decoded chunks; used by the writer thread only."""

    def __init__(self, *, conn: sqlite3.Connection) -> None:
        self._conn = conn
        self._seen: dict[tuple[str, str], SeqSet] = defaultdict(SeqSet)
        self._small: dict[ChunkKey, list[Small]] = defaultdict(list)
        self._cache: OrderedDict[int, Held] = OrderedDict()
        self._cached_fruit = 0
        self.next_id = 1
        self._load("", ())

    def seen(self, *, source: str, run: str) -> SeqSet:
        return self._seen[source, run]

    def reload(self, *, source: str, run: str) -> None:
        """Forgets what a rolled-back group believed about one run."""
        self._seen.pop((source, run), None)
        for key in [k for k in self._small if k[:2] == (source, run)]:
            del self._small[key]
        self._load(" WHERE source = ? AND run = ?", (source, run))

    def _load(self, where: str, params: Sequence[str]) -> None:
        rows = self._conn.execute(
            "SELECT id, source, run, lot, kind, digest, n, seq_low, seq_high,"
            f" received_ms, received_last_ms, ranges FROM chunk{where} ORDER BY id", params
        )
        for chunk_id, *key, n, low, high, first_ms, last_ms, ranges in rows:
            of_chunk = unpack_ranges(blob=ranges, low=low, high=high)
            self._seen[key[0], key[1]].add_ranges(ranges=of_chunk)
            if n < SMALL_FRUIT:
                self._small[ChunkKey(*key)].append(Small(chunk_id, n, first_ms, last_ms))
            self.next_id = max(self.next_id, chunk_id + 1)

    def due(self, *, key: ChunkKey, n: int) -> list[Small]:
        """The small chunks to merge with n new fruit of this key, now; often none.

        A trickle of single fruit is gathered in two steps, so that no merge reads many chunks.
        """
        small = self._small.get(key)
        if not small:
            return []
        if n + sum(s.n for s in small) >= MERGED_FRUIT:
            return list(small)
        tiny = [s for s in small if s.n < TINY_FRUIT]
        return tiny if len(tiny) >= TINY_CHUNKS else []

    def replace(self, *, key: ChunkKey, gone: Sequence[Small], new: Sequence[Small]) -> None:
        """Records that chunks were written and the small ones merged into them deleted."""
        kept = [s for s in self._small[key] if s not in gone]
        self._small[key] = kept + [s for s in new if s.n < SMALL_FRUIT]
        for s in gone:
            dropped = self._cache.pop(s.chunk_id, None)
            self._cached_fruit -= len(dropped.batch) if dropped else 0

    def lookup(self, *, source: str, run: str, seqs: Integers) -> Iterator[Held]:
        """The stored chunks that hold any of `seqs` (n,), n > 0."""
        wanted = np.unique(seqs)
        rows = self._conn.execute(
            "SELECT id, lot, kind, digest, seq_low, seq_high, ranges FROM chunk"
            " WHERE source = ? AND run = ? AND seq_low <= ? AND seq_high >= ?",
            (source, run, int(wanted[-1]), int(wanted[0])),
        ).fetchall()
        for chunk_id, lot, kind, digest, low, high, ranges in rows:
            spans = unpack_ranges(blob=ranges, low=low, high=high)
            at = np.searchsorted(spans[:, 1], wanted)
            inside = at < len(spans)
            if (spans[at[inside], 0] <= wanted[inside]).any():
                yield self.fetch(key=ChunkKey(source, run, lot, kind, digest), chunk_id=chunk_id)

    def fetch(self, *, key: ChunkKey, chunk_id: int) -> Held:
        """One stored chunk, decoded."""
        found = self._cache.get(chunk_id)
        if found is None:
            (body,) = self._conn.execute(
                "SELECT body FROM chunk WHERE id = ?", (chunk_id,)
            ).fetchone()
            batch, verdicts = decode(blob=body, source=key.source, run=key.run)
            found = held(key=key, batch=batch, verdicts=verdicts)
            self.remember(chunk_id=chunk_id, content=found)
        else:
            self._cache.move_to_end(chunk_id)
        return found

    def remember(self, *, chunk_id: int, content: Held) -> None:
        """Keeps a chunk at hand; ids are never used twice, so it cannot go stale."""
        self._cache[chunk_id] = content
        self._cached_fruit += len(content.batch)
        while self._cached_fruit > CACHE_FRUIT or len(self._cache) > CACHE_CHUNKS:
            self._cached_fruit -= len(self._cache.popitem(last=False)[1].batch)
