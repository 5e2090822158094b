"""The lanes of one measure followed from minute to minute, with what each has done so far."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grading.drift.cells import LaneTable
from grading.drift.follow import Accepted, LaneState, accept, start, step
from grading.drift.lanes import against_others
from grading.drift.onset import Onset, find_onset
from grading.quantities import Floats
from service.watch.quantities import LEARN, OVER, rules_of

REACH: Final = 240
"""Minutes in which the beginning of a lane's finding is looked for."""


@dataclass(frozen=True, slots=True)
class Calling:
    """A lane that calls for action. since: minute in which it first did; quiet: minutes in a row
    that it has not."""

    since: int
    quiet: int = 0


@dataclass(slots=True)
class Lanes:
    """One measure. learn: whether standing distances are learned and taken off first."""

    measure: str
    learn: bool
    numbers: tuple[int, ...] = ()
    calling: dict[int, Calling] = field(default_factory=dict)
    ratio: dict[int, float] = field(default_factory=dict)
    diverge: bool = False
    _state: LaneState | None = None
    _accepted: Accepted | None = None
    _learned: list[LaneTable] = field(default_factory=list)
    _minutes: list[int] = field(default_factory=list)
    _effects: list[tuple[Floats, Floats]] = field(default_factory=list)
    _offsets: dict[int, float] = field(default_factory=dict)
    _scatter: float = 1.0

    def step(self, *, index: int, table: LaneTable) -> None:
        """One minute more; a table of one column."""
        if not set(table.lanes) <= set(self.numbers):
            self._widen(tuple(sorted({*self.numbers, *table.lanes})))
        centre, se = (self._spread(table, x) for x in (table.centre, table.se))
        against = against_others(centre=centre, se=se)
        self._minutes = [*self._minutes[1 - REACH:], index]
        self._effects = [*self._effects[1 - REACH:], (against.effect, against.se)]
        if self.learn and self._accepted is None:
            self._learned.append(table)
            if len(self._learned) >= LEARN:
                self._accept()
            return
        assert self._state is not None
        rules = rules_of(lanes=max(len(self.numbers), 2), measure=self.measure)
        self._state, reading = step(
            state=self._state, rules=rules, centre=centre, se=se, accepted=self._accepted)
        self.diverge, self._scatter = reading.diverge, reading.scatter
        for row, lane in enumerate(self.numbers):
            self.ratio[lane] = float(reading.beyond[row]) / rules.act
            self._offsets[lane] = float(reading.offset[row])
            self._call(lane, int(reading.level[row]), index)

    def _call(self, lane: int, level: int, index: int) -> None:
        known = self.calling.get(lane)
        if known is None:
            if level == 2:
                self.calling[lane] = Calling(index)
        elif level:
            self.calling[lane] = Calling(known.since)
        elif known.quiet + 1 < OVER:
            self.calling[lane] = Calling(known.since, known.quiet + 1)
        else:
            del self.calling[lane]

    def _widen(self, numbers: tuple[int, ...]) -> None:
        """Lanes that were never seen before: all begin anew, once, at the start of a day."""
        self.numbers = numbers
        self._state = start(lanes=len(numbers))
        self._accepted = None
        self._learned, self._minutes, self._effects = [], [], []
        self.calling, self.ratio, self._offsets = {}, {}, {}

    def _spread(self, table: LaneTable, values: Floats) -> Floats:
        found = np.full(len(self.numbers), np.nan)
        found[[self.numbers.index(lane) for lane in table.lanes]] = values[:, 0]
        return found

    def _accept(self) -> None:
        shape = len(self.numbers), len(self._learned)
        centre, se = np.full(shape, np.nan), np.full(shape, np.nan)
        for k, table in enumerate(self._learned):
            centre[:, k] = self._spread(table, table.centre)
            se[:, k] = self._spread(table, table.se)
        self._accepted = accept(table=LaneTable(
            self.measure, self.numbers, np.zeros(shape, np.int64), centre, se))
        self._learned = []

    def offset(self, lane: int) -> float:
        """Its followed distance from the others, standing distance taken off."""
        return self._offsets.get(lane, 0.0)

    def onset(self, lane: int) -> tuple[Onset, list[int]] | None:
        """When a lane began to differ, and the minutes that its windows are counted in."""
        row = self.numbers.index(lane)
        found = find_onset(values=[e[row] for e, _ in self._effects],
                           se=[s[row] * self._scatter for _, s in self._effects])
        return None if found is None else (found, self._minutes)
