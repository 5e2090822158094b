"""What a moved cut did: the fruit stored under it, graded once more under their lot's own standard.

Nothing stored is altered; the same question gets the same answer months later.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from grading.drift.counterfactual import (
    Band,
    Counterfactual,
    Mark,
    band_of,
    counterfactual,
    marked,
    marks_of,
    no_fruit,
    tolerance_for,
)
from grading.lot_rules import Tolerance
from grading.quantities import Flags
from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.cuts import moves_of
from service.store.cuts import CutRow
from service.store.group import LINE
from service.store.reader import chunk_rows

if TYPE_CHECKING:
    from service.context import Context


@dataclass(slots=True)
class Where:
    """Fruit of one run in another class: their lowest and highest number, how many, and the
    times of the first and the last one where they told any."""

    source: str
    run: str
    changed: int = 0
    seq_low: int | None = None
    seq_high: int | None = None
    first_ms: int | None = None
    last_ms: int | None = None

    def add(self, batch: FruitBatch, changed: Flags) -> None:
        if not changed.any():
            return
        seqs = batch.seq[changed]
        self.changed += len(seqs)
        self.seq_low = _least(self.seq_low, int(seqs.min()))
        self.seq_high = _most(self.seq_high, int(seqs.max()))
        told = changed & batch.time_ms.present
        if told.any():
            times = batch.time_ms.values[told]
            self.first_ms = _least(self.first_ms, int(times.min()))
            self.last_ms = _most(self.last_ms, int(times.max()))


def _least(a: int | None, b: int) -> int:
    return b if a is None else min(a, b)


def _most(a: int | None, b: int) -> int:
    return b if a is None else max(a, b)


@dataclass(slots=True)
class Marked:
    """Boxes that keep a mark. n: fruit in them; wrong: those outside it. tolerance: None where
    the standard has none."""

    mark: Mark
    tolerance: Tolerance | None
    wrong: int = 0
    n: int = 0

    @property
    def band(self) -> Band | None:
        if self.tolerance is None:
            return None
        return band_of(wrong=self.wrong, n=self.n, percent=self.tolerance.percent)


@dataclass(slots=True)
class Effect:
    """What a change did so far."""

    counts: Counterfactual
    marks: tuple[Marked, ...]
    where: dict[tuple[str, str], Where] = field(default_factory=dict)

    @property
    def over(self) -> bool:
        """Whether boxes that keep a mark would be over its tolerance."""
        return any(m.band in ("serious", "very_serious") for m in self.marks)


def effect(ctx: Context, row: CutRow, *, upper: Fraction | None = None) -> Effect:
    """upper: where the closed range ends that boxes are marked with (mm, g), if not at the next
    cut. Reads the store: call it on a worker thread."""
    lot = ctx.lots.get(row.lot)
    own = lot.binding.compiled
    found = Effect(no_fruit(own=own), tuple(
        Marked(mark, tolerance_for(standard=own.standard, side=mark.side))
        for move in moves_of(row)
        for mark in marks_of(standard=own.standard, move=move, basis=own.basis, upper=upper)))
    for batch, verdicts in fruit_under(ctx, lot=row.lot, digest=row.digest):
        counts, changed = counterfactual(batch=batch, verdicts=verdicts, own=own)
        found.counts = found.counts.merge(counts)
        for one in found.marks:
            wrong, n = marked(batch=batch, verdicts=verdicts, mark=one.mark, own=own)
            one.wrong, one.n = one.wrong + wrong, one.n + n
        key = batch.source, batch.run
        found.where.setdefault(key, Where(*key)).add(batch, np.asarray(changed))
    return found


def fruit_under(
    ctx: Context, *, lot: str, digest: str
) -> Iterator[tuple[FruitBatch, Verdicts]]:
    """The line fruit of a lot that were graded under a standard."""
    with ctx.store.reader.connection() as conn:
        conn.execute("BEGIN")
        for chunk in chunk_rows(conn=conn, lot=lot, kind=LINE, digest=digest):
            yield chunk.decode()
