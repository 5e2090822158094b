"""Fruit, culls and their causes by source, minute and lane: small sums that every lot can keep.

A row is a minute of one lane; only what was ever seen in the lot is a column, so an hour of eight
lanes takes some ten thousand bytes and a whole season can be asked at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from grading.quantities import Integers
from grading.reasons import Reason
from grading.record import FruitBatch
from grading.verdicts import Verdicts

MINUTE_MS: Final = 60_000
NO_MINUTE: Final = -1
"""The minute of fruit that came without a time."""
FRUIT: Final = 0
CULLS: Final = 1
_ANY: Final = 100
_DECISIVE: Final = 200
_SPARSE: Final = 1 << 16


@dataclass(frozen=True, slots=True)
class Counts:
    """keys: int64 (rows,), rising, 256 x minute + lane. columns: what was counted to int32
    (rows,), see `any_column` and `decisive_column`."""

    keys: Integers
    columns: Mapping[int, Integers]

    @property
    def minutes(self) -> Integers:
        return self.keys >> 8

    @property
    def lanes(self) -> Integers:
        return self.keys & 255

    def column(self, code: int) -> Integers:
        found = self.columns.get(code)
        return np.zeros(len(self.keys), np.int32) if found is None else found

    def take(self, rows: Any) -> Counts:
        return Counts(self.keys[rows], {c: v[rows] for c, v in self.columns.items()})

    def merge(self, other: Counts) -> Counts:
        """Both together, row by row."""
        keys = np.union1d(self.keys, other.keys)
        columns = {c: np.zeros(len(keys), np.int32) for c in {**self.columns, **other.columns}}
        for part in (self, other):
            at = np.searchsorted(keys, part.keys)
            for code, values in part.columns.items():
                columns[code][at] += values
        return Counts(keys, columns)

    def any_n(self) -> dict[Reason, int]:
        """Culls by every reason they have."""
        return self._by_reason(_ANY)

    def decisive_n(self) -> dict[Reason, int]:
        """Culls by the reason that settled their grade."""
        return self._by_reason(_DECISIVE)

    def _by_reason(self, base: int) -> dict[Reason, int]:
        return {Reason(c - base): int(v.sum()) for c, v in self.columns.items()
                if base < c < base + 32 and v.any()}


NOTHING: Final = Counts(np.zeros(0, np.int64), {})


def any_column(reason: Reason) -> int:
    return _ANY + reason


def decisive_column(reason: Reason) -> int:
    return _DECISIVE + reason


def counts_of(*, batch: FruitBatch, verdicts: Verdicts, cull: int) -> Counts:
    """A graded batch counted; cull: the grade code of culls."""
    times = batch.time_ms
    minutes = np.where(times.present, times.values // MINUTE_MS, NO_MINUTE)
    keys, at = _rows(minutes * 256 + batch.lane)
    size = len(keys)

    def count(rows: Integers) -> Integers:
        return np.bincount(rows, minlength=size).astype(np.int32)

    culled = verdicts.grade == cull
    where, reasons, decisive = at[culled], verdicts.reasons[culled], verdicts.decisive[culled]
    columns = {FRUIT: count(at), CULLS: count(where)}
    seen = int(np.bitwise_or.reduce(reasons, initial=0))
    for reason in Reason:
        if reason is not Reason.NONE and seen & reason.bit:
            columns[any_column(reason)] = count(where[reasons & np.uint32(reason.bit) > 0])
    for code in np.flatnonzero(np.bincount(decisive)).tolist():
        if code:
            columns[decisive_column(Reason(code))] = count(where[decisive == code])
    return Counts(keys, columns)


def _rows(keys: Integers) -> tuple[Integers, Integers]:
    """(different keys in rising order, place of each); without sorting where they are near."""
    low = int(keys.min()) if len(keys) else 0
    if not len(keys) or int(keys.max()) - low > _SPARSE:
        found, at = np.unique(keys, return_inverse=True)
        return found, at
    seen = np.flatnonzero(np.bincount(keys - low))
    place = np.zeros(int(seen[-1]) + 1, np.intp)
    place[seen] = np.arange(len(seen))
    return seen + low, place[keys - low]


@dataclass(frozen=True, slots=True)
class CullTable:
    """The counts of a lot, by source."""

    by_source: Mapping[str, Counts] = field(default_factory=dict)

    def add(self, *, batch: FruitBatch, verdicts: Verdicts, cull: int) -> CullTable:
        """The table with a graded batch counted in."""
        new = counts_of(batch=batch, verdicts=verdicts, cull=cull)
        old = self.by_source.get(batch.source)
        return CullTable({**self.by_source,
                          batch.source: new if old is None else old.merge(new)})
