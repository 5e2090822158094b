"""The list since the last good check: what was graded since, and what the error did to it.

When a check fails, every fruit since the lane last passed is in question: which lots, which
numbers, which time; and, with the error that the failing check found taken off again, how many
would have got another class and in which packs they lie.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grading.drift.undo import Offset, Undone, what_drift_did
from grading.quantities import Integers
from grading.record import FruitBatch
from service.check_chart import LaneChart, check_charts
from service.context import Context
from service.lots import LotState
from service.sources import Source
from service.store.group import LINE
from service.store.reader import chunk_rows

LATE_MS: Final = 86_400_000
"""Fruit are taken to come in no more than a day before their own time."""


@dataclass(slots=True)
class Part:
    """Fruit of one lot. runs: run to (first seq, last seq, fruit). graded: fruit by pack name.
    undone: the same fruit without the error, None where no check failed."""

    lot: LotState
    n: int = 0
    lanes: dict[int, int] = field(default_factory=dict)
    runs: dict[str, tuple[int, int, int]] = field(default_factory=dict)
    from_ms: int | None = None
    until_ms: int | None = None
    graded: Integers | None = None
    undone: Undone | None = None
    tolerance: float | None = None


@dataclass(frozen=True, slots=True)
class Since:
    """since: lane to its last pass (Unix ms), None where it never passed. offsets: lane to the
    error of its newest check, for lanes whose newest check did not pass."""

    measure: str
    since: dict[int, int | None]
    offsets: dict[int, Offset]
    charts: tuple[LaneChart, ...]
    parts: tuple[Part, ...]


def since_last_good(
    ctx: Context, *, source: Source, measure: str, lane: int | None = None
) -> Since:
    """Everything since the last good check of a source, or of one lane. Reads the store: call it
    on a worker thread."""
    charts = check_charts(ctx, source=source, measure=measure)
    by_lane = {c.lane: c for c in charts}
    whole = by_lane.get(0)  # a check without a lane speaks for all of them
    lanes = [lane] if lane is not None else [*range(1, source.is_.lanes + 1)]
    since: dict[int, int | None] = {}
    offsets: dict[int, Offset] = {}
    for one in lanes:
        chart = by_lane.get(one, whole)
        good = None if chart is None else chart.last_good
        since[one] = None if good is None else good.at_ms
        if chart is not None and chart.last.found.judgement != "pass":
            found = chart.last.found
            offsets[one] = Offset(found.offset, found.low, found.high)
    if source.is_.lanes == 1 and 1 in since:
        since[0] = since[1]  # its records need not say a lane
        offsets |= {0: offsets[1]} if 1 in offsets else {}
    parts = tuple(_parts(ctx, source, measure, since, offsets))
    return Since(measure, since, offsets, charts, parts)


def _parts(
    ctx: Context, source: Source, measure: str, since: dict[int, int | None],
    offsets: dict[int, Offset],
) -> Iterator[Part]:
    start = np.full(256, np.iinfo(np.int64).max)
    for lane, at in since.items():
        start[lane] = -1 if at is None else at
    earliest = int(start.min())

    def lots(conn: sqlite3.Connection) -> list[str]:
        return [row[0] for row in conn.execute(
            "SELECT lot FROM chunk WHERE source = ? AND kind = ? GROUP BY lot"
            " HAVING max(received_ms) >= ? ORDER BY min(id)",
            (source.id, LINE, earliest - LATE_MS))]

    for name in ctx.store.reader.read(lots):
        lot = ctx.lots.get(name)
        part = Part(lot, tolerance=_tolerance(lot, measure))
        with ctx.store.reader.connection() as conn:
            conn.execute("BEGIN")
            for chunk in chunk_rows(conn=conn, lot=name, kind=LINE):
                if chunk.source != source.id:
                    continue
                batch, verdicts = chunk.decode()
                times = np.where(batch.time_ms.present, batch.time_ms.values, chunk.received_ms)
                rows = np.flatnonzero(times > start[batch.lane])
                if len(rows):
                    _count(part, batch.take(rows=rows), times[rows], verdicts.pack[rows])
                    if offsets:
                        compiled = ctx.lots.under(lot=lot, digest=chunk.digest).compiled
                        done = what_drift_did(batch=batch.take(rows=rows), compiled=compiled,
                                              measure=measure, offsets=offsets)
                        part.undone = done if part.undone is None else part.undone.merge(done)
        if part.n:
            yield part


def _count(part: Part, batch: FruitBatch, times: Integers, pack: Integers) -> None:
    part.n += len(batch)
    for lane, n in enumerate(np.bincount(batch.lane).tolist()):
        if n:
            part.lanes[lane] = part.lanes.get(lane, 0) + n
    low, high, n = part.runs.get(batch.run, (int(batch.seq.min()), -1, 0))
    part.runs[batch.run] = (min(low, int(batch.seq.min())), max(high, int(batch.seq.max())),
                            n + len(batch))
    first, last = int(times.min()), int(times.max())
    part.from_ms = first if part.from_ms is None else min(part.from_ms, first)
    part.until_ms = last if part.until_ms is None else max(part.until_ms, last)
    counts = np.bincount(pack, minlength=len(part.lot.binding.compiled.pack_names))
    part.graded = counts if part.graded is None else part.graded + counts


def _tolerance(lot: LotState, measure: str) -> float | None:
    """The share that boxes may hold of what the error lets in: undersize for the measure that
    sizes go by; None for others."""
    compiled = lot.binding.compiled
    found = [t.percent for t in compiled.standard.tolerance if "undersize" in t.counts.groups]
    return float(min(found)) / 100.0 if found and measure == compiled.basis else None
