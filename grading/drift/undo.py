"""What the drift did: fruit graded again with the estimated offset taken off.

The readings stay as they were stored; a corrected copy is graded and the two verdicts compared.
Done at the estimate and at both ends of its interval, so that the count carries its doubt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

import numpy as np

from grading.kernel import Compiled
from grading.quantities import MEASURES, Flags, Integers
from grading.record import Column, FruitBatch
from grading.verdicts import Verdicts

FULL_TURN: Final = 36000
"""Hue is an angle: a correction past 0 or 360 degrees comes round."""


@dataclass(frozen=True, slots=True)
class Offset:
    """How much too large a lane reads, in the measure's unit, with the interval's ends."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Undone:
    """Fruit whose class would have been another one.

    n fruit looked at. changed: whose size, maturity, grade or pack changes at the estimate;
    changed_low, changed_high: fewest and most over the estimate and both ends of the interval.
    size, maturity, grade, pack: by part. pack_moves: int64 (packs, packs), rows as graded,
    columns as corrected. affected: fruit by pack code that should not be there; missed: that
    should be there and are not.
    """

    n: int
    changed: int
    changed_low: int
    changed_high: int
    size: int
    maturity: int
    grade: int
    pack: int
    pack_moves: Integers
    affected: Integers
    missed: Integers

    def merge(self, other: Undone) -> Undone:
        """Both sets of fruit together, under the same standard."""
        return Undone(*(getattr(self, k) + getattr(other, k) for k in self.__slots__))


def corrected(
    *, batch: FruitBatch, measure: str, offsets: Mapping[int, float], since_seq: int | None = None
) -> FruitBatch:
    """The batch with an offset by lane taken off one measure, rounded to its quantum.

    offsets: lane to the measure's unit; other lanes stay. since_seq: only fruit from this seq on.
    Values stay inside the measure's plausible range; hue comes round.
    """
    column = batch.measures.get(measure)
    if column is None:
        return batch
    about = MEASURES[measure]
    off = np.zeros(256, np.int64)
    for lane, value in offsets.items():
        off[lane] = round(Fraction(value) / about.quantum)
    shift = off[batch.lane]
    if since_seq is not None:
        shift = np.where(batch.seq >= since_seq, shift, 0)
    values = column.values.astype(np.int64) - shift
    values = (values % FULL_TURN if measure == "hue"
              else np.clip(values, about.low_q, about.high_q))
    kept = np.where(column.present & (shift != 0), values, column.values)
    fresh = Column(kept.astype(column.values.dtype), column.present)
    return replace(batch, measures={**batch.measures, measure: fresh})


def differs(a: Verdicts, b: Verdicts) -> Flags:
    """Which fruit have another size, maturity, grade or pack."""
    found: Flags = ((a.size != b.size) | (a.maturity != b.maturity) | (a.grade != b.grade)
                      | (a.pack != b.pack))
    return found


def what_drift_did(
    *, batch: FruitBatch, compiled: Compiled, measure: str, offsets: Mapping[int, Offset],
    since_seq: int | None = None,
) -> Undone:
    """Regrade a batch without the drift and count what changes.

    compiled: the standard that the fruit were graded under. Batches of one drift are merged.
    """
    def regrade(end: str) -> Verdicts:
        values = {lane: getattr(o, end) for lane, o in offsets.items()}
        return compiled.grade(batch=corrected(
            batch=batch, measure=measure, offsets=values, since_seq=since_seq))

    before = compiled.grade(batch=batch)
    after = regrade("value")
    packs = len(compiled.pack_names)
    index = before.pack.astype(np.int64) * packs + after.pack
    moves = np.bincount(index, minlength=packs * packs).reshape(packs, packs)
    stay = np.diagonal(moves)
    counts = [int(differs(before, v).sum()) for v in (after, regrade("low"), regrade("high"))]
    return Undone(
        len(batch), counts[0], min(counts), max(counts),
        int((before.size != after.size).sum()), int((before.maturity != after.maturity).sum()),
        int((before.grade != after.grade).sum()), int((before.pack != after.pack).sum()),
        moves, moves.sum(axis=1) - stay, moves.sum(axis=0) - stay)
