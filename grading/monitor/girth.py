"""Diameter at a reference mass, by lane and minute: lanes compared without the size of the fruit.

A lane that reads 0.5 mm too much hides among fruit that differ by 4 mm. What is left of the
diameter once the fruit's own mass is taken out differs by under 1 mm, so the same offset stands
out some 20 times as fast. It answers "size sensor or scale of this lane", never what a line as a
whole does: another shape of fruit moves all lanes alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grading.drift.cells import REFERENCE_MASS_G, LaneTable, trimmed
from grading.monitor.kept import Kept
from grading.monitor.packed import packed, unpacked
from grading.quantities import MEASURES, Floats, Integers
from grading.record import FruitBatch

BIN_MM: Final = 0.1
LOW_MM: Final = 40.0
BINS: Final = 600
"""40 to 100 mm at 150 g; what lies outside counts in the first or last bin and is trimmed."""
MINUTE_MS: Final = 60_000


def _factors() -> Floats:
    """By mass in quanta: bins that one quantum of diameter is worth at the reference mass."""
    grams = float(MEASURES["mass"].quantum) * np.arange(MEASURES["mass"].high_q + 1)
    grams[0] = grams[1]
    step = float(MEASURES["diameter"].quantum) / BIN_MM
    return np.asarray(step * np.cbrt(REFERENCE_MASS_G / grams), np.float32)


_BINS_PER_Q: Final = _factors()


@dataclass(frozen=True, slots=True)
class Girth:
    """Counts of one minute: lane number to (BINS,) fruit, lanes without fruit left out."""

    counts: Mapping[int, Integers]

    def merge(self, other: Girth) -> Girth:
        both = dict(self.counts)
        for lane, counts in other.counts.items():
            both[lane] = both[lane] + counts if lane in both else counts
        return Girth(both)


def _packed(girth: Girth) -> bytes:
    lanes = np.array([len(girth.counts), *girth.counts], np.int64)
    return packed(values=np.concatenate([lanes, *girth.counts.values()]))


def _unpacked(data: bytes) -> Girth:
    values = unpacked(data=data)
    first = 1 + int(values[0])
    counts = values[first:].astype(np.int32).reshape(-1, BINS)
    return Girth(dict(zip(values[1:first].tolist(), counts, strict=True)))


@dataclass(frozen=True, slots=True)
class GirthSeries:
    """Minutes by number (Unix milliseconds // 60,000), each its lanes' counts."""

    minutes: Kept[Girth] = field(
        default_factory=lambda: Kept(pack=_packed, unpack=_unpacked))

    def add(self, *, batch: FruitBatch) -> GirthSeries:
        """The series with a batch's fruit counted in; those without time, lane, diameter or mass
        are left out."""
        size, mass = batch.measures.get("diameter"), batch.measures.get("mass")
        if size is None or mass is None or not len(batch):
            return self
        at = batch.time_ms.values // MINUTE_MS
        good = batch.time_ms.present & size.present & mass.present & (batch.lane > 0)
        whole = bool(good.all())
        lane = batch.lane if whole else batch.lane[good]
        if not len(lane):
            return self
        q, grams = (c.values if whole else c.values[good] for c in (size, mass))
        at = at if whole else at[good]
        index = (q * _BINS_PER_Q[grams] - LOW_MM / BIN_MM).astype(np.int64)
        np.clip(index, 0, BINS - 1, out=index)
        first = int(at.min())
        minutes, lanes = int(at.max()) - first + 1, int(lane.max()) + 1
        if minutes > len(lane):  # clocks that jumped: minute by minute
            found = self
            for minute in np.unique(at).tolist():
                mine = at == minute
                found = found._with(minute, 1, lanes, np.zeros(int(mine.sum()), np.int64),
                                    lane[mine], index[mine])
            return found
        return self._with(first, minutes, lanes, at - first, lane, index)

    def _with(
        self, first: int, minutes: int, lanes: int, at: Integers, lane: Integers, index: Integers
    ) -> GirthSeries:
        index += BINS * (lane + lanes * at)
        table = np.bincount(index, minlength=minutes * lanes * BINS).reshape(minutes, lanes, BINS)
        fruit = table.sum(axis=2)
        changed = {}
        for k in range(minutes):
            mine = {n: table[k, n].astype(np.int32) for n in np.flatnonzero(fruit[k]).tolist()}
            if mine:
                here = self.minutes.get(first + k)
                changed[first + k] = Girth(mine) if here is None else here.merge(Girth(mine))
        return GirthSeries(self.minutes.changed(changed))


def girth_table(*, minutes: Mapping[int, Girth], least: int) -> LaneTable:
    """Trimmed means by lane (mm at the reference mass) and minute, minutes in rising order.

    Lanes with under `least` fruit in a minute stay empty there.
    """
    lanes = tuple(sorted({lane for g in minutes.values() for lane in g.counts}))
    shape = len(lanes), len(minutes)
    n, centre, se = np.zeros(shape, np.int64), np.full(shape, np.nan), np.full(shape, np.nan)
    middles: Floats = LOW_MM + BIN_MM * (np.arange(BINS, dtype=np.float64) + 0.5)
    for column, minute in enumerate(sorted(minutes)):
        for lane, counts in minutes[minute].counts.items():
            row, fruit = lanes.index(lane), int(counts.sum())
            n[row, column] = fruit
            if fruit >= max(least, 2):
                rows = np.flatnonzero(counts)
                centre[row, column], se[row, column] = trimmed(
                    values=middles[rows], weights=counts[rows])
    return LaneTable("girth", lanes, n, centre, se)
