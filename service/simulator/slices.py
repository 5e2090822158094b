"""A stretch of one line: the records as they were read, and the truth beside them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np

from grading.quantities import MEASURES, Flags, Floats, Integers
from grading.record import Column, Defect, FruitBatch
from service.simulator.events import READ
from service.simulator.fruit import DEFECTS
from service.simulator.plan import Lot
from service.simulator.sensors import Readings
from service.simulator.truth import Truth

TIP_MM: Final = 8
PER_UNIT: Final = {m: MEASURES[m].quantum.denominator for m in READ}
"""Quanta in one unit of each measure that is read."""
DIAMETER_MAX_Q: Final = MEASURES["diameter"].high_q


@dataclass(frozen=True)
class Slice:
    """Fruit (n,) of one line, one lot, one run and one rule, in the order they passed.

    first: number of the first fruit on its line. run: 1, 2 ... inside the shift. rule: how many
    changes of cut have come into force in the shift so far. seq: of the record, 0 where a fruit
    gave none. seconds: when it passed, after the start of the shift. ahead_s: what the source's
    clock was ahead. bin: from 1 inside the lot. acted: bit k is set where event k of the plan
    acted on the fruit or its record. start_ms: Unix milliseconds of the start of the shift.
    """

    line: str
    source: str
    lot: Lot
    run: int
    rule: int
    first: int
    start_ms: int
    seq: Integers
    lane: Integers
    bin: Integers
    seconds: Floats
    ahead_s: Floats
    acted: Integers
    truth: Truth
    readings: Readings = field(repr=False)

    def __len__(self) -> int:
        return len(self.seq)

    @cached_property
    def sent(self) -> Flags:
        """Fruit that gave a record."""
        return self.seq > 0

    @cached_property
    def impossible(self) -> Flags:
        """Fruit whose record the service has to refuse: two seen as one, over 150 mm."""
        return np.asarray(self.sent & (self.readings.quanta["diameter"] > DIAMETER_MAX_Q))

    @cached_property
    def rows(self) -> Integers:
        """Rows of `batch` in this slice: fruit with a record that can be used."""
        return np.flatnonzero(self.sent & ~self.impossible)

    @cached_property
    def batch(self) -> FruitBatch:
        """The usable records as the service has them once their bodies are read."""
        return self.batch_of()

    def time_ms(self, *, start_ms: int | None = None, speed: float = 1.0) -> Integers:
        """(n,) what the records say as Unix milliseconds, in a shift that starts at `start_ms` and
        passes `speed` times faster."""
        begin = self.start_ms if start_ms is None else start_ms
        return begin + np.rint(1000 * (self.seconds / speed + self.ahead_s)).astype(np.int64)

    def batch_of(
        self, *, run: str = "", start_ms: int | None = None, speed: float = 1.0
    ) -> FruitBatch:
        """`batch`, sent in a shift of another start and speed, under another name of its run."""
        rows = self.rows
        n, whole = len(rows), slice(None) if len(rows) == len(self) else rows
        said = np.ones(n, np.bool_)
        measures = {}
        for name, quanta in self.readings.quanta.items():
            here = self.readings.present.get(name)
            values = quanta[whole]
            here = said if here is None else here[whole]
            if here.any():
                measures[name] = Column(
                    np.where(here, values, 0).astype(MEASURES[name].dtype), here)
        if "firmness" in measures:
            here = measures["firmness"].present
            measures["tip"] = Column(np.where(here, TIP_MM * 100, 0).astype(np.uint16), here)
        times = self.time_ms(start_ms=start_ms, speed=speed)[whole]
        return FruitBatch(
            source=self.source, run=run or f"r{self.run}", seq=self.seq[whole].astype(np.int64),
            lane=self.lane[whole], time_ms=Column(times, said), measures=measures,
            defects=self.defects_of(rows=rows))

    def defects_of(self, *, rows: Integers) -> Mapping[int, tuple[Defect, ...]]:
        """The defects that the cameras found on given rows, by place in `rows`."""
        found = np.flatnonzero((self.truth.defect[rows] > 0) & self.readings.seen[rows])
        kinds = self.truth.defect[rows[found]].tolist()
        circles = self.truth.circle_mm[rows[found]].tolist()
        return {at: _defect(kind, circle)
                for at, kind, circle in zip(found.tolist(), kinds, circles, strict=True)}


_KNOWN: Final[dict[tuple[int, float], tuple[Defect, ...]]] = {}


def _defect(kind: int, circle_mm: float) -> tuple[Defect, ...]:
    """One defect; equal ones are one object, as there are only some hundreds."""
    key = (kind, circle_mm if circle_mm == circle_mm else 0.0)
    if key not in _KNOWN:
        _KNOWN[key] = (Defect(kind=DEFECTS[kind - 1][0], circle_mm=key[1] or None),)
    return _KNOWN[key]
