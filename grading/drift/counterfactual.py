"""What a cut moved by hand did: fruit graded under it against what their lot's own standard says.

Every fruit was read, so these are counts of the fruit themselves and no estimate from a sample:
what is open is how far the readings are right (`cuts.normal_at_cut` says that of a bias).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

import numpy as np

from grading.drift.undo import differs
from grading.kernel import Compiled
from grading.lot_rules import Tolerance
from grading.quantities import Flags, Integers
from grading.record import FruitBatch
from grading.recut import Move
from grading.standard import PackStandard, SizeTable
from grading.thresholds import Comparison, threshold
from grading.verdicts import Verdicts

Side = Literal["undersize", "oversize"]
Band = Literal["within", "serious", "very_serious"]

SIZES: Final = frozenset({"undersize", "oversize"})
VERY_SERIOUS: Final = 2
"""Over its tolerance a mark is a serious violation, over twice it a very serious one (7 CFR 46.45,
misbranding, United States)."""


@dataclass(frozen=True, slots=True)
class Counterfactual:
    """Fruit graded under a moved cut, against the lot's own standard.

    n fruit. changed: whose size, maturity, grade or pack is another one; size, maturity, grade,
    pack: by part. moves: int64 (packs, packs), rows as graded, columns under the own standard.
    """

    n: int
    changed: int
    size: int
    maturity: int
    grade: int
    pack: int
    moves: Integers

    def merge(self, other: Counterfactual) -> Counterfactual:
        """Both sets of fruit together, under the same two standards."""
        return Counterfactual(*(getattr(self, k) + getattr(other, k) for k in self.__slots__))


def counterfactual(
    *, batch: FruitBatch, verdicts: Verdicts, own: Compiled
) -> tuple[Counterfactual, Flags]:
    """The counts, and which of the fruit are in another class. verdicts: as graded under the
    moved cut, whose classes are those of `own`."""
    other = own.grade(batch=batch)
    packs = len(own.pack_names)
    index = verdicts.pack.astype(np.int64) * packs + other.pack
    moved = differs(verdicts, other)
    return Counterfactual(
        len(batch), int(moved.sum()), int((verdicts.size != other.size).sum()),
        int((verdicts.maturity != other.maturity).sum()),
        int((verdicts.grade != other.grade).sum()), int((verdicts.pack != other.pack).sum()),
        np.bincount(index, minlength=packs * packs).reshape(packs, packs)), moved


def no_fruit(*, own: Compiled) -> Counterfactual:
    packs = len(own.pack_names)
    return Counterfactual(0, 0, 0, 0, 0, 0, np.zeros((packs, packs), np.int64))


@dataclass(frozen=True, slots=True)
class Mark:
    """A size mark that boxes keep while the cut behind it is moved: fruit from `low` up to `high`
    (None: and up) in SI units, of which those outside it count as `side`.

    into: readings that are put into such boxes under the moved cut, [first, second).
    """

    measure: str
    side: Side
    low: Fraction | None
    high: Fraction | None
    into: tuple[Fraction | None, Fraction | None]


def marks_of(
    *, standard: PackStandard, move: Move, basis: str, upper: Fraction | None = None
) -> tuple[Mark, ...]:
    """The marks that a moved size cut makes untrue; none unless the measure is the basis.

    Lowered: the original minimum "and up", and the closed range from it to the next cut, or to
    `upper` (SI unit). Raised: the closed range that ends at the cut.
    """
    table = standard.table(basis)
    if table is None or move.measure != table.basis:
        return ()
    bounds = sorted({b for band in table.bands for b in table.bounds_si(band) if b is not None})
    at, to = move.at_si, move.to_si
    if to < at:
        high = upper if upper is not None else min((b for b in bounds if b > at), default=None)
        closed = () if high is None or high <= at else (
            Mark(move.measure, "undersize", at, high, (to, high)),)
        return (Mark(move.measure, "undersize", at, None, (to, None)), *closed)
    low = max((b for b in bounds if b < at), default=None)
    return (Mark(move.measure, "oversize", low, at, (low, to)),)


def marked(
    *, batch: FruitBatch, verdicts: Verdicts, mark: Mark, own: Compiled
) -> tuple[int, int]:
    """(fruit outside their mark, fruit in such boxes); culls and undecided fruit are in none."""
    column = batch.measures.get(mark.measure)
    if column is None:
        return 0, 0
    table = own.standard.table(own.basis)
    assert table is not None
    boxed = column.present & (verdicts.grade > 0) & (verdicts.grade < len(own.grade_names) - 1)
    inside = boxed & _between(column.values, mark.into, table, own.standard)
    wrong = inside & ~_between(column.values, (mark.low, mark.high), table, own.standard)
    return int(wrong.sum()), int(inside.sum())


def _between(
    values: Integers, ends: tuple[Fraction | None, Fraction | None], table: SizeTable,
    standard: PackStandard,
) -> Flags:
    comparison: Comparison = "at_least" if table.closed == "low" else "above"
    found = np.ones(len(values), np.bool_)
    for end, upward in zip(ends, (True, False), strict=True):
        if end is not None:
            cut, _ = threshold(limit=end, measure=table.basis, comparison=comparison,
                               nearest=standard.rounding.limits == "nearest")
            found &= (values >= cut) == upward
    return found


def tolerance_for(*, standard: PackStandard, side: Side) -> Tolerance | None:
    """The standard's tolerance for fruit outside a size mark, where it has one."""
    return next((t for t in standard.tolerance if side in t.counts.groups
                 and SIZES.issuperset(t.counts.groups)), None)


def band_of(*, wrong: int, n: int, percent: Fraction) -> Band:
    """Where a share stands against its tolerance; exactly at a limit is not over it."""
    if wrong * 100 <= percent * n:
        return "within"
    return "serious" if wrong * 100 <= VERY_SERIOUS * percent * n else "very_serious"
