"""What became of the records of a body, as every answer is made of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np

from grading.errors import Finding
from grading.kernel import Compiled
from grading.quantities import Integers
from service.binding import Bound, Notes, Origin
from service.ingest.parse import Texts
from service.ingest.together import Place
from service.lots import LotState
from service.store.group import CONFLICT, DUPLICATE, LOT_CLOSED, STORED, Receipt

T = TypeVar("T")

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

    def within(self, *, rows: slice) -> Settled | None:
        """Of consecutive rows of the batch alone; None if it holds none of them."""
        start, stop = rows.start, rows.stop
        if self.rows is None:
            own = None
        else:
            start, stop = np.searchsorted(self.rows, (start, stop)).tolist()
            own = self.rows[start:stop] - rows.start
            if len(own) == rows.stop - rows.start:
                own = None
        if start == stop:
            return None
        whole = self.receipt
        return Settled(self.lot, own, Receipt(
            whole.outcome[start:stop], whole.verdicts.take(rows=slice(start, stop)),
            _between(whole.lots, start, stop), _between(whole.digests, start, stop),
            whole.commit), _between(self.others, start, stop))


def _between(by_row: Mapping[int, T], start: int, stop: int) -> dict[int, T]:
    return {row - start: what for row, what in by_row.items() if start <= row < stop}


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What became of every record of a body, in its order.

    lot: where the newest of them went, or new ones would have gone. refused: findings by
    position of those that never reached the store. seqs: of the others, which are at `kept`.
    counts: how many became each of OUTCOMES.
    """

    lot: LotState
    source: str
    run: str
    texts: Texts
    seqs: Integers
    kept: Integers
    refused: Mapping[int, tuple[Finding, ...]]
    parts: tuple[Settled, ...]
    counts: Mapping[int, int]
    notes: Notes

    @property
    def commit(self) -> int | None:
        return max((p.receipt.commit for p in self.parts), default=None)


@dataclass(frozen=True, slots=True)
class SentBody:
    """A body on its way to the disk. rows: of the batch, its own. lot: as in Outcomes."""

    place: Place
    rows: slice
    texts: Texts
    lot: LotState
    refused: Mapping[int, tuple[Finding, ...]]
    notes: Notes


@dataclass(frozen=True, slots=True)
class Sent:
    """Bodies on their way to the disk together. futures: by part of `bound`. kept: of what went
    to quarantine."""

    origin: Origin
    bound: Bound
    bodies: Sequence[SentBody]
    futures: Sequence[Future[Receipt]]
    kept: Sequence[Future[None]]


def counts_of(*, parts: Sequence[Settled]) -> dict[int, int]:
    """How many records became each of OUTCOMES."""
    outcomes = b"".join(part.receipt.outcome.tobytes() for part in parts)
    return {code: outcomes.count(code) for code in OUTCOMES}
