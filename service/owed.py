"""Fruit of a stream that were answered and are on their way to the disk.

`Owed` is one stream's account: what waits, what flies, and what its client is told once it has
landed.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import chain, repeat
from typing import Final, TypeVar

import msgspec
import numpy as np

from grading.columns import to_batch
from grading.errors import Finding
from grading.record import FruitRecord
from grading.walk import Outcome
from service.api.answers import tails_of
from service.binding import Bound, Origin
from service.clock import Clock
from service.ingest.frames import Sent
from service.ingest.parse import Texts
from service.lines import MovedCut
from service.lots import LotState
from service.metrics import Metrics
from service.outcomes import OUTCOMES
from service.problems import Problem
from service.quarantine import RAW_BYTES, Quarantine
from service.road import STREAM_FRUIT, Road
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import CONFLICT, LOT_CLOSED, STORED, Receipt
from service.told import Told
from service.trouble import storage_problem

T = TypeVar("T")

FLUSH_FRUIT: Final = STREAM_FRUIT
"""Fruit of one flush; making a batch of them holds up everybody's answers for half a ms."""
PAUSES_S: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
"""Between tries while the store takes nothing; the last one again and again."""
QUEUE_S: Final = 0.5
"""The longest of them while only the queue is full: a disk that writes makes room all the time."""
STORAGE: Final = (QueueFull, StorageFull, StorageFailed, StoreClosed)

_LOG: Final = logging.getLogger(__name__)
_CLOSED: Final = Finding("", "lot_closed", "The lot is closed.", "Send new fruit to an open lot.")
_ENCODE: Final = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True)
class _Flush:
    """Fruit sent off together, with what was answered. mark: the watermark once they landed."""

    records: Sequence[FruitRecord]
    given: Sequence[Outcome]
    lots: Sequence[LotState]
    refused: Sequence[Sent]
    mark: int | None
    bound: Bound

    def __len__(self) -> int:
        return len(self.records) + len(self.refused)


class Owed:
    """What one stream owes its client. Used from the event loop only.

    due: asks for a flush, at once if True. failed: why this stream cannot go on, if so.
    """

    def __init__(
        self, *, road: Road, quarantine: Quarantine, metrics: Metrics, clock: Clock,
        origin: Origin, due: Callable[[bool], None],
    ) -> None:
        self.failed: BaseException | None = None
        self._road, self._quarantine = road, quarantine
        self._metrics, self._clock = metrics, clock
        self._origin, self._due = origin, due
        self._records: list[FruitRecord] = []
        self._given: list[Outcome] = []
        self._lots: list[LotState] = []
        self._refused: list[Sent] = []
        self._latest: int | None = None
        self._cut: MovedCut | None = None
        self._turns: list[tuple[int, MovedCut | None]] = []
        self._flying: _Flush | None = None
        self._task: asyncio.Task[None] | None = None
        self._landed = asyncio.Event()
        self._ending = asyncio.Event()
        self._news = asyncio.Event()
        self._told = Told()
        self._trouble: Problem | None = None

    def hold(self, *, record: FruitRecord, given: Outcome, lot: LotState) -> None:
        """A fruit that was graded."""
        records = self._records
        records.append(record)
        self._given.append(given)
        self._lots.append(lot)
        self._latest = record.seq
        waiting = len(records)
        if waiting in (1, FLUSH_FRUIT):
            self._due(waiting > 1)

    def turn(self, *, cut: MovedCut | None) -> None:
        """Fruit from now on were received under this moved cut, or under none: they are stored
        under what was in force when they were answered."""
        self._turns.append((len(self._records), cut))

    def refuse(self, *, sent: Sent) -> None:
        """A record that was refused."""
        self._refused.append(Sent(sent.raw[:RAW_BYTES], sent.seq, None, sent.findings))
        if sent.seq is not None:
            self._latest = sent.seq
        self._due(False)

    def __len__(self) -> int:
        """How many records are not yet on the disk."""
        return len(self._records) + len(self._refused) + len(self._flying or ())

    @property
    def waits(self) -> bool:
        """Whether a flush would carry something."""
        return self._flying is None and self.failed is None and bool(
            self._records or self._refused)

    async def fall_below(self, *, limit: int) -> None:
        """Wait until fewer than `limit` records are owed. Raises what keeps that from coming."""
        while len(self) >= limit and self.failed is None:
            self._landed.clear()
            await self._landed.wait()
        if self.failed is not None:
            raise self.failed

    async def finish(self) -> None:
        """Bring everything to the disk. Raises what keeps it from getting there; nothing is tried
        for long any more."""
        self._ending.set()
        self._due(True)
        await self.fall_below(limit=1)

    async def wait_for_news(self) -> None:
        """Wait until there may be something to tell the client. Raises `failed`."""
        await self._news.wait()
        if self.failed is not None:
            raise self.failed

    def take_news(self) -> list[bytes]:
        """What the client is to be told next, as JSON."""
        self._news.clear()
        found = []
        if self._trouble is not None:
            found.append(error_frame(self._trouble))
            self._trouble = None
        if self._told.moved:
            found.append(self._told.frame())
            self._told = Told()
        return found

    def prepare(self) -> None:
        """Make a batch of what waits, up to where another cut was in force."""
        while self._turns and self._turns[0][0] == 0:
            self._cut = self._turns.pop(0)[1]
        n = min(FLUSH_FRUIT, self._turns[0][0]) if self._turns else FLUSH_FRUIT
        self._turns = [(at - n, cut) for at, cut in self._turns]
        records, self._records = self._records[:n], self._records[n:]
        given, self._given = self._given[:n], self._given[n:]
        lots, self._lots = self._lots[:n], self._lots[n:]
        refused, self._refused = self._refused, []
        try:
            bound = self._road.bind_under(
                origin=self._origin, received_ms=self._clock.now_ms(), cut=self._cut,
                parsed=to_batch(records=records, source=self._origin.source,
                                run=self._origin.run, tip_mm=self._origin.tip_mm))
        except Exception as error:
            self._fail(error)
            return
        # Whatever else was refused came after the last of them, or is with them.
        mark = records[-1].seq if self._records else self._latest
        self._flying = _Flush(records, given, lots, refused, mark, bound)

    def launch(self) -> None:
        """Send it off, if it could be made."""
        if self._flying is not None:
            self._task = asyncio.create_task(self._fly(self._flying))

    async def _fly(self, flush: _Flush) -> None:
        try:
            lot = self._road.lot_now(origin=self._origin).id
            await self._insist(partial(self._keep, flush.refused, lot))
            receipts = await self._insist(partial(self._road.submit, bound=flush.bound))
            async with self._road.turns:
                await asyncio.sleep(0)  # one commit carries many streams; answers go between them
                counts, closed = self._settle(flush, receipts)
            for lot, unstored in closed.items():
                await self._insist(partial(self._keep, unstored, lot))
            self._told.add(mark=flush.mark, counts=counts, refused=len(flush.refused),
                           notes=flush.bound.notes)
            self._road.count(
                counts=counts, refused=len(flush.refused), notes=[flush.bound.notes])
            self._metrics.stream_records.inc(len(flush))
        except Exception as error:
            self._fail(error)
        self._flying = None
        self._landed.set()
        self._news.set()
        if self.waits:
            self._due(len(self._records) >= FLUSH_FRUIT or self._ending.is_set())

    def _fail(self, error: Exception) -> None:
        if not isinstance(error, STORAGE):
            _LOG.error("a stream of %r failed", self._origin.source, exc_info=error)
        self.failed = error
        self._landed.set()
        self._news.set()

    async def _insist(self, send: Callable[[], Sequence[Future[T]]]) -> list[T]:
        """Until the store takes it, or the stream ends."""
        for pause_s in chain(PAUSES_S, repeat(PAUSES_S[-1])):
            try:
                return [await asyncio.wrap_future(future) for future in send()]
            except STORAGE as error:
                if self._ending.is_set() or isinstance(error, StoreClosed):
                    raise
                self._trouble = held_problem(error)
                self._news.set()
                most_s = QUEUE_S if isinstance(error, QueueFull) else pause_s
            with suppress(TimeoutError):
                async with asyncio.timeout(min(pause_s, most_s)):
                    await self._ending.wait()
        raise AssertionError("the pauses never end")

    def _keep(self, refused: Sequence[Sent], lot: str) -> list[Future[None]]:
        """Into quarantine."""
        if not refused:
            return []
        body = Texts(n=len(refused), raws=lambda: [s.raw for s in refused])
        return [self._quarantine.keep(
            body=body, refused={i: s.findings for i, s in enumerate(refused)}, lot=lot,
            source=self._origin.source, run=self._origin.run,
            received_ms=self._clock.now_ms())]

    def _settle(
        self, flush: _Flush, receipts: Sequence[Receipt]
    ) -> tuple[dict[int, int], dict[str, list[Sent]]]:
        """Counts by outcome; by lot the fruit that came after it was closed, which nobody else
        keeps. What differs from the answers given is put down to be told."""
        totals = np.zeros(LOT_CLOSED + 1, np.int64)
        closed: dict[str, list[Sent]] = {}
        for part, receipt in zip(flush.bound.parts, receipts, strict=True):
            rows = range(len(flush.records)) if part.rows is None else part.rows.tolist()
            outcomes = receipt.outcome.tolist()
            totals += np.bincount(receipt.outcome, minlength=len(totals))
            stored = list(zip(*(getattr(receipt.verdicts, name).tolist()
                                for name in Outcome._fields), strict=True))
            given = [flush.given[row] for row in rows]
            lots = [flush.lots[row] for row in rows]
            if (stored == given and lots.count(part.lot) == len(lots)
                    and outcomes.count(STORED) == len(lots)):
                continue
            tails = tails_of(self._road.settle(part=part, receipt=receipt))
            for k, row in enumerate(rows):
                if outcomes[k] == LOT_CLOSED:
                    closed.setdefault(part.lot.id, []).append(
                        Sent(_ENCODE(flush.records[row]), None, None, (_CLOSED,)))
                elif (outcomes[k] != CONFLICT and stored[k] == given[k] and lots[k] is part.lot
                      and k not in receipt.lots and k not in receipt.digests):
                    continue
                tail = tails[k]
                if lots[k] is not part.lot and k not in receipt.lots:
                    tail = tail[:-1] + b',"lot":' + _ENCODE(part.lot.id) + b"}"
                self._told.changed.append(b'{"seq":%d%b' % (flush.records[row].seq, tail))
        return {code: int(totals[code]) for code in OUTCOMES}, closed


def held_problem(error: Exception) -> Problem:
    """Why fruit are not on the disk yet, for a stream that holds them and tries again."""
    told = storage_problem(error)
    return Problem(status=told.status, code=told.code, extra={"retry_after_s": told.retry_after_s},
                   detail=f"{error}. Fruit sent so far are held and tried again by themselves.")


def error_frame(problem: Problem) -> bytes:
    return _ENCODE({"error": problem.body()})
