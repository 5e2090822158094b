"""The road of a record: parse once, bind, classify, submit, commit, acknowledge.

An outline on purpose. Bodies, frames, messages, files and forms differ only before "parse";
nothing here knows about HTTP, and no rule or SQL lives here. Publishing to the live counts
happens on the commit itself (`lots.Lots.committed`), before anybody is answered.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading.columns import Parsed
from grading.errors import Finding
from grading.kernel import Compiled
from grading.quantities import Integers
from grading.record import FruitBatch
from service.binding import Bound, Notes, Origin, Part, known_lanes, notes_on
from service.clock import Clock
from service.ingest.parquet import unpacked_aside
from service.ingest.parse import Body
from service.ingest.parser import Parser
from service.lines import Arrivals, LastArrival, Lines, MovedCut, NoLot
from service.lots import Lots, LotState
from service.metrics import Metrics
from service.quarantine import Quarantine
from service.sources import Sources
from service.store.group import CONFLICT, DUPLICATE, LINE, LOT_CLOSED, STORED, Receipt
from service.store.writer import Writer

OUTCOMES: Final = {STORED: "stored", DUPLICATE: "duplicate", CONFLICT: "conflict",
                   LOT_CLOSED: "lot_closed"}


@dataclass(frozen=True, slots=True)
class Settled:
    """What became of the fruit of one part, row for row.

    rows: their positions in the batch, None = all. others: for repeats of fruit that were graded
    under another standard, that one.
    """

    lot: LotState
    rows: Integers | None
    receipt: Receipt
    others: Mapping[int, Compiled]


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What became of every record of a body, in its order.

    lot: where the newest of them went, or new ones would have gone. refused: findings by
    position of those that never reached the store; the others are at `parsed.kept`.
    """

    lot: LotState
    body: Body
    parsed: Parsed
    parts: tuple[Settled, ...]
    notes: Notes

    @property
    def refused(self) -> Mapping[int, tuple[Finding, ...]]:
        return self.parsed.refused

    @property
    def commit(self) -> int | None:
        return max((p.receipt.commit for p in self.parts), default=None)

    def counts(self) -> dict[int, int]:
        """How many records became each of OUTCOMES."""
        found = np.zeros(LOT_CLOSED + 1, np.int64)
        for part in self.parts:
            found += np.bincount(part.receipt.outcome, minlength=LOT_CLOSED + 1)
        return {code: int(found[code]) for code in OUTCOMES}


class Road:
    """Joins the parts; one instance for one app. Used from the event loop only."""

    def __init__(
        self, *, lots: Lots, sources: Sources, lines: Lines, arrivals: Arrivals, writer: Writer,
        parser: Parser, quarantine: Quarantine, metrics: Metrics, clock: Clock,
    ) -> None:
        self._lots = lots
        self._sources = sources
        self._lines = lines
        self._arrivals = arrivals
        self._writer = writer
        self._parser = parser
        self._quarantine = quarantine
        self._metrics = metrics
        self._clock = clock
        self.turns = asyncio.Lock()
        """For work of some size that comes for many senders at once."""

    def origin(
        self, *, source: str, run: str, lot_id: str | None = None, key: str | None = None
    ) -> Origin:
        """Who sends and where to. Without a lot, the source's line tells it.

        Raises sources.SourceRefused, lots.UnknownLot, lines.NoLot.
        """
        registered = self._sources.admit(source=source, key=key)
        lot = None if lot_id is None else self._lots.get(lot_id)
        line = None if registered is None else self._lines.get(registered.is_.line)
        if lot is None and line is None:
            raise NoLot(
                f"No lot is named, and source {source!r} stands on no registered line. Name the "
                "lot, or register the source with its line.")
        return Origin(source, run, lot, line, registered)

    def lot_for(self, *, origin: Origin, seq: int, time_ms: int | None = None) -> LotState:
        """The lot of one fruit."""
        if origin.lot is not None:
            return origin.lot
        assert origin.line is not None
        turn = origin.line.turn_of_one(
            source=origin.source, run=origin.run, seq=seq,
            time_ms=time_ms if origin.trusted else None, now_ms=self._clock.now_ms())
        return self._lots.get(origin.line.lot_at(turn))

    def lot_now(self, *, origin: Origin) -> LotState:
        """The lot of a fruit that would come next."""
        if origin.lot is not None:
            return origin.lot
        assert origin.line is not None
        return self._lots.get(origin.line.lot_at(len(origin.line.turns) - 1))

    def bind(self, *, origin: Origin, parsed: Parsed, received_ms: int) -> Bound:
        """Parsed records checked against their source, split by lot, and graded."""
        line = origin.line
        cut = None if line is None else line.cut_at(received_ms=received_ms)
        return self.bind_under(origin=origin, parsed=parsed, received_ms=received_ms, cut=cut)

    def bind_under(
        self, *, origin: Origin, parsed: Parsed, received_ms: int, cut: MovedCut | None
    ) -> Bound:
        """`bind` for records that were received, and answered, a moment ago. cut: the one moved on
        the line then."""
        if origin.registered is not None:
            parsed = known_lanes(parsed=parsed, lanes=origin.registered.is_.lanes)
        batch = parsed.batch
        if not len(batch):
            return Bound(parsed, (), Notes(), received_ms)
        notes = notes_on(
            batch=batch, received_ms=received_ms,
            highest=self._arrivals.highest(source=origin.source, run=origin.run))
        self._arrivals.saw(
            source=origin.source, run=origin.run, seq=int(batch.seq.max()),
            at=LastArrival(received_ms, notes.skew_ms))
        parts = self._parts(origin, batch, received_ms, cut)
        return Bound(parsed, tuple(parts), notes, received_ms)

    def _parts(
        self, origin: Origin, batch: FruitBatch, received_ms: int, cut: MovedCut | None
    ) -> list[Part]:
        if origin.lot is not None:
            return [_graded(origin.lot, cut, None, batch)]
        assert origin.line is not None
        turns = origin.line.turn_of(
            source=origin.source, run=origin.run, seqs=batch.seq, now_ms=received_ms,
            times=batch.time_ms if origin.trusted else None)
        lots: dict[str, list[int]] = {}
        for turn in np.unique(turns).tolist():
            lots.setdefault(origin.line.lot_at(turn), []).append(turn)
        if len(lots) == 1:
            lot = self._lots.get(next(iter(lots)))
            return [_graded(lot, cut, None, batch)]
        return [
            _graded(self._lots.get(lot_id), cut, rows, batch.take(rows=rows))
            for lot_id, of_lot in lots.items()
            for rows in [np.flatnonzero(np.isin(turns, of_lot))]
        ]

    def submit(self, *, bound: Bound, kind: str = LINE) -> list[Future[Receipt]]:
        """Hand the parts to the writer, in their order. Raises store.QueueFull, StoreClosed."""
        return [
            self._writer.submit(
                lot=part.lot.id, kind=kind, batch=part.batch, verdicts=part.verdicts,
                digest=part.rule.digest, received_ms=bound.received_ms)
            for part in bound.parts
        ]

    def settle(self, *, part: Part, receipt: Receipt) -> Settled:
        """A part with its receipt."""
        # Repeats of the same lot under another cut need no names of their own: they are the same.
        return Settled(part.lot, part.rows, receipt, {
            row: self._lots.under(lot=self._lots.get(receipt.lots[row]), digest=digest).compiled
            for row, digest in receipt.digests.items() if row in receipt.lots})

    async def accept(
        self, *, raw: bytes, media: str, origin: Origin, kind: str = LINE
    ) -> Outcomes:
        """Take a body of records all the way to the disk.

        Raises ingest.parse.BodyError, store.QueueFull, store.StorageFull.
        """
        if media == "parquet":
            raw, media = await unpacked_aside(body=raw), "arrow"
        body = await self._parser.parse(
            body=raw, media=media, source=origin.source, run=origin.run, tip_mm=origin.tip_mm)
        bound = self.bind(
            origin=origin, parsed=body.parsed, received_ms=self._clock.now_ms())
        futures = self.submit(bound=bound, kind=kind)
        lot = bound.parts[-1].lot if bound.parts else self.lot_now(origin=origin)
        kept = None
        if bound.parsed.refused:
            kept = self._quarantine.keep(
                body=body, refused=bound.parsed.refused, source=origin.source, run=origin.run,
                lot=lot.id, received_ms=bound.received_ms)
        receipts = [await asyncio.wrap_future(f) for f in futures]
        if kept is not None:
            await asyncio.wrap_future(kept)
        settled = tuple(self.settle(part=part, receipt=receipt)
                        for part, receipt in zip(bound.parts, receipts, strict=True))
        outcomes = Outcomes(lot, body, bound.parsed, settled, bound.notes)
        self.count(counts=outcomes.counts(), refused=len(outcomes.refused), notes=bound.notes)
        return outcomes

    def count(self, *, counts: Mapping[int, int], refused: int, notes: Notes) -> None:
        """Add what became of records to the metrics."""
        for code, n in counts.items():
            if n:
                self._metrics.records.labels(OUTCOMES[code]).inc(n)
        if refused:
            self._metrics.records.labels("refused").inc(refused)
        for name, n in notes.clock().items():
            self._metrics.clock_records.labels(name).inc(n)
        if notes.skipped is not None:
            self._metrics.seqs_skipped.inc(notes.skipped[1] - notes.skipped[0] + 1)


def _graded(
    lot: LotState, cut: MovedCut | None, rows: Integers | None, batch: FruitBatch
) -> Part:
    rule = lot.binding if cut is None else cut.rule(lot=lot)
    return Part(lot, rule, rows, batch, rule.compiled.grade(batch=batch))
