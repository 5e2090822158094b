"""The road of a record: parse once, bind, classify, submit, commit, acknowledge.

An outline on purpose. Bodies, files, forms and messages differ only before "parse"; nothing here
knows about HTTP, and no rule or SQL lives here. Publishing to the live counts happens on the
commit itself (`lots.Lots.committed`), before anybody is answered.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from grading.errors import Finding
from grading.kernel import Compiled
from grading.quantities import Integers
from service.clock import Clock
from service.ingest.parse import Body, parse_body
from service.lots import Lots, LotState
from service.metrics import Metrics
from service.quarantine import Quarantine
from service.store.group import CONFLICT, DUPLICATE, LINE, LOT_CLOSED, STORED, Receipt
from service.store.writer import Writer

OUTCOMES = {STORED: "stored", DUPLICATE: "duplicate", CONFLICT: "conflict",
            LOT_CLOSED: "lot_closed"}


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What became of every record of a body, in its order.

    kept: positions of the records that reached the store, with `receipt` row for row.
    refused: findings of every other position. others: for repeats of fruit that lie in another
    lot, the standard their codes belong to.
    """

    lot: LotState
    body: Body
    kept: Integers
    receipt: Receipt | None
    refused: Mapping[int, tuple[Finding, ...]]
    others: Mapping[int, Compiled]

    @property
    def compiled(self) -> Compiled:
        return self.lot.binding.compiled

    def counts(self) -> dict[int, int]:
        """How many records became each of OUTCOMES."""
        if self.receipt is None:
            return dict.fromkeys(OUTCOMES, 0)
        found = np.bincount(self.receipt.outcome, minlength=LOT_CLOSED + 1)
        return {code: int(found[code]) for code in OUTCOMES}


class Road:
    """Joins the parts; one instance for one app."""

    def __init__(
        self, *, lots: Lots, writer: Writer, quarantine: Quarantine, metrics: Metrics, clock: Clock
    ) -> None:
        self._lots = lots
        self._writer = writer
        self._quarantine = quarantine
        self._metrics = metrics
        self._clock = clock

    async def accept(
        self, *, raw: bytes, media: str, source: str, run: str, lot_id: str, kind: str = LINE
    ) -> Outcomes:
        """Take a body of records all the way to the disk.

        Raises UnknownLot, ingest.parse.BodyError, store.QueueFull, store.StorageFull.
        """
        lot = self._lots.get(lot_id)
        body = parse_body(body=raw, media=media, source=source, run=run)
        batch = body.parsed.batch
        receipt = None
        waiting: list[Any] = []
        if len(batch):
            verdicts = lot.binding.compiled.grade(batch=batch)
            waiting.append(self._writer.submit(
                lot=lot.id, kind=kind, batch=batch, verdicts=verdicts, digest=lot.binding.digest,
                received_ms=self._clock.now_ms()))
        if body.parsed.refused:
            waiting.append(self._quarantine.keep(
                body=body, source=source, run=run, lot=lot.id, received_ms=self._clock.now_ms()))
        for done in [await asyncio.wrap_future(w) for w in waiting]:
            receipt = done if isinstance(done, Receipt) else receipt
        others = {} if receipt is None else {
            row: self._lots.get(receipt.lots[row]).binding.compiled for row in receipt.digests}
        outcomes = Outcomes(lot, body, body.parsed.kept, receipt, body.parsed.refused, others)
        self._count(outcomes)
        return outcomes

    def _count(self, outcomes: Outcomes) -> None:
        records = self._metrics.records
        for code, n in outcomes.counts().items():
            if n:
                records.labels(OUTCOMES[code]).inc(n)
        if outcomes.refused:
            records.labels("refused").inc(len(outcomes.refused))
        self._metrics.queue_records.set(self._writer.waiting_fruit)
