"""The road of a record: parse once, bind, classify, submit, commit, acknowledge.

An outline on purpose. Bodies, frames, messages, files and forms differ only before "parse";
nothing here knows about HTTP, and no rule or SQL lives here. Publishing to the live counts
happens on the commit itself (`lots.Lots.committed`), before anybody is answered.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future
from typing import Final

import numpy as np

from grading.columns import Parsed
from grading.quantities import Integers
from grading.record import FruitBatch
from service.binding import Bound, Notes, Origin, Part, known_lanes, notes_on
from service.clock import Clock
from service.convoy import Convoys, Load
from service.ingest.parquet import unpacked_aside
from service.ingest.parse import BodyError, Texts, parse_body
from service.ingest.parser import APART_BYTES, Packing, Parser
from service.ingest.together import Together, parse_bodies
from service.lines import Arrivals, LastArrival, Lines, MovedCut, NoLot
from service.lots import Lots, LotState
from service.metrics import Metrics
from service.outcomes import OUTCOMES, Outcomes, Sent, SentBody, Settled, counts_of
from service.quarantine import Quarantine
from service.sources import Sources
from service.store.chunks import encode, whole_chunk
from service.store.group import LINE, Receipt
from service.store.writer import Writer

STREAM_FRUIT: Final = 512
"""Room in the writer's queue that is kept for streams: who sends bodies is told to wait and tries
again, but a stream's grades end when its fruit find no room for long."""


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
        self._convoys = Convoys(parser=parser, carrier=self)
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
        return self.bind_under(origin=origin, parsed=parsed, received_ms=received_ms,
                               cut=_cut(origin, received_ms))

    def bind_under(
        self, *, origin: Origin, parsed: Parsed, received_ms: int, cut: MovedCut | None
    ) -> Bound:
        """`bind` for records that were received, and answered, a moment ago. cut: the one moved on
        the line then."""
        parsed = self._of_known_lanes(origin, parsed)
        batch = parsed.batch
        notes = self._noted(origin, batch, slice(0, len(batch)), received_ms)
        return Bound(parsed, self._parts(origin, batch, received_ms, cut), notes, received_ms)

    def _of_known_lanes(self, origin: Origin, parsed: Parsed) -> Parsed:
        if origin.registered is None:
            return parsed
        return known_lanes(parsed=parsed, lanes=origin.registered.is_.lanes)

    def _noted(
        self, origin: Origin, batch: FruitBatch, rows: slice, received_ms: int
    ) -> Notes:
        """What is odd about the fruit of some rows, which have now arrived."""
        seqs = batch.seq[rows]
        if not len(seqs):
            return Notes()
        notes = notes_on(
            seqs=seqs, times=batch.time_ms.take(rows), received_ms=received_ms,
            highest=self._arrivals.highest(source=origin.source, run=origin.run))
        self._arrivals.saw(
            source=origin.source, run=origin.run, seq=int(seqs.max()),
            at=LastArrival(received_ms, notes.skew_ms))
        return notes

    def _parts(
        self, origin: Origin, batch: FruitBatch, received_ms: int, cut: MovedCut | None
    ) -> tuple[Part, ...]:
        if not len(batch):
            return ()
        if origin.lot is not None:
            return (_graded(origin.lot, cut, None, batch),)
        assert origin.line is not None
        turns = origin.line.turn_of(
            source=origin.source, run=origin.run, seqs=batch.seq, now_ms=received_ms,
            times=batch.time_ms if origin.trusted else None)
        lots: dict[str, list[int]] = {}
        for turn in np.unique(turns).tolist():
            lots.setdefault(origin.line.lot_at(turn), []).append(turn)
        if len(lots) == 1:
            lot = self._lots.get(next(iter(lots)))
            return (_graded(lot, cut, None, batch),)
        return tuple(
            _graded(self._lots.get(lot_id), cut, rows, batch.take(rows=rows))
            for lot_id, of_lot in lots.items()
            for rows in [np.flatnonzero(np.isin(turns, of_lot))])

    def submit(
        self, *, bound: Bound, kind: str = LINE, chunk: bytes | None = None, leave: int = 0
    ) -> list[Future[Receipt]]:
        """Hand the parts to the writer, in their order. chunk: of the only part, if it was made
        already. leave: as in `Writer.submit`. Raises store.QueueFull, StoreClosed."""
        return [
            self._writer.submit(
                lot=part.lot.id, kind=kind, batch=part.batch, verdicts=part.verdicts,
                digest=part.rule.digest, received_ms=bound.received_ms,
                chunk=chunk, leave=leave)
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
        load = Load(origin, media, kind)
        if len(raw) >= APART_BYTES:
            return await self._convoys.join(load=load, body=raw)
        found = parse_bodies(
            bodies=[raw], media=media, source=origin.source, run=origin.run, tip_mm=origin.tip_mm)
        assert found is not None
        sent = await self.send(load=load, bodies=[raw], found=found, pack=None)
        (outcomes,) = await self.settle_all(sent=sent)
        if isinstance(outcomes, BodyError):
            raise BodyError(findings=outcomes.findings)
        return outcomes

    async def send(
        self, *, load: Load, bodies: Sequence[bytes], found: Together, pack: Packing | None
    ) -> Sent:
        """Bind, grade and submit bodies that were taken apart together. Raises store.QueueFull,
        StoreClosed."""
        origin, received_ms = load.origin, self._clock.now_ms()
        parsed = self._of_known_lanes(origin, found.parsed)
        rows = found.rows(kept=parsed.kept)
        # As if they had come one after another, the lowest numbers first.
        notes = {k: self._noted(origin, parsed.batch, rows[k], received_ms)
                 for k in sorted(range(len(rows)), key=lambda k: found.places[k].first)}
        bound = Bound(parsed, self._parts(origin, parsed.batch, received_ms, _cut(
            origin, received_ms)), Notes(), received_ms)
        chunk = None
        if len(bound.parts) == 1 and whole_chunk(n=len(parsed.batch)):
            (part,) = bound.parts
            if pack is None:
                chunk = encode(batch=part.batch, verdicts=part.verdicts)
            elif parsed.batch is found.parsed.batch:
                chunk = await pack(part.verdicts)
        futures = self.submit(bound=bound, kind=load.kind, chunk=chunk, leave=STREAM_FRUIT)
        refused = [place.own(by_position=parsed.refused) for place in found.places]
        lots = [bound.lot_of(rows=own) or self.lot_now(origin=origin) for own in rows]
        texts = [found.texts.get(k) or _texts(load, body, found.places[k].n)
                 for k, body in enumerate(bodies)]
        kept = [
            self._quarantine.keep(
                body=of_body, refused=wrong, source=origin.source, run=origin.run, lot=lot.id,
                received_ms=received_ms)
            for of_body, wrong, lot in zip(texts, refused, lots, strict=True) if wrong]
        own_bodies = [
            SentBody(place, own, texts[k], lots[k], refused[k], notes[k])
            for k, (place, own) in enumerate(zip(found.places, rows, strict=True))]
        return Sent(origin, bound, own_bodies, futures, kept)

    async def settle_all(self, *, sent: Sent) -> list[Outcomes | BodyError]:
        """Once they are on the disk: by body what became of it."""
        receipts = [await asyncio.wrap_future(f) for f in sent.futures]
        for waiting in sent.kept:
            await asyncio.wrap_future(waiting)
        parsed = sent.bound.parsed
        settled = [self.settle(part=part, receipt=receipt)
                   for part, receipt in zip(sent.bound.parts, receipts, strict=True)]
        told: list[Outcomes | BodyError] = []
        for body in sent.bodies:
            if body.place.wrong:
                told.append(BodyError(findings=body.place.wrong))
                continue
            parts = tuple(filter(None, (part.within(rows=body.rows) for part in settled)))
            told.append(Outcomes(
                body.lot, sent.origin.source, sent.origin.run, body.texts,
                parsed.batch.seq[body.rows], parsed.kept[body.rows] - body.place.first,
                body.refused, parts, counts_of(parts=parts), body.notes))
        self.count(counts=counts_of(parts=settled), refused=len(parsed.refused),
                   notes=[body.notes for body in sent.bodies])
        return told

    def count(
        self, *, counts: Mapping[int, int], refused: int, notes: Iterable[Notes]
    ) -> None:
        """Add what became of records to the metrics."""
        for code, n in counts.items():
            if n:
                self._metrics.records.labels(OUTCOMES[code]).inc(n)
        if refused:
            self._metrics.records.labels("refused").inc(refused)
        for one in notes:
            for name, n in one.clock().items():
                self._metrics.clock_records.labels(name).inc(n)
            if one.skipped is not None:
                self._metrics.seqs_skipped.inc(one.skipped[1] - one.skipped[0] + 1)


def _cut(origin: Origin, received_ms: int) -> MovedCut | None:
    """The one that is moved on the line now."""
    return None if origin.line is None else origin.line.cut_at(received_ms=received_ms)


def _texts(load: Load, body: bytes, n: int) -> Texts:
    """Of a body that was taken apart elsewhere."""
    def raws() -> Sequence[bytes]:
        # Only a refused record is asked for again, which is rare enough to read the body twice.
        try:
            return parse_body(body=body, media=load.media, source=load.origin.source,
                              run=load.origin.run).raws
        except BodyError:
            return [body] * n  # nested just so deeply that it could be read a few calls higher up

    return Texts(n=n, raws=raws)


def _graded(
    lot: LotState, cut: MovedCut | None, rows: Integers | None, batch: FruitBatch
) -> Part:
    rule = lot.binding if cut is None else cut.rule(lot=lot)
    return Part(lot, rule, rows, batch, rule.compiled.grade(batch=batch))
