"""Which lot a fruit belongs to, told by the line it ran on.

A line packs one lot at a time. A clean break, said by a person when the belt is empty, ends one
lot and begins the next, and remembers the last fruit that every source of the line had sent by
then. So fruit that are sent again after a cable was out go to the lot they were packed in. A
source whose clock is trusted goes further: fruit that it sends late for the first time go by
their own time. Fruit between lots go to the line's holding lot, never to the last one.

A cut moved for a time changes the rule and not the lot: it holds for fruit of the lot that the
line packs, as long as it is in force when they are received for the first time.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grading.quantities import Integers
from grading.record import Column
from service.clock import Clock
from service.lots import Binding, LotState
from service.store.sources import AssignmentRow, LineRow

RUNS_KEPT: Final = 16
"""Runs of a source whose last fruit is remembered; older ones have long been sent in full."""
AHEAD_MS: Final = 5_000
"""A clock further ahead than this is not believed; common practice, no source."""


PAUSE_MS: Final = 3_600_000
"""A longer pause says nothing of a source's pace: nobody worked."""
PACED_OVER: Final = 16
"""Pauses that a pace is told by. One in eight may be longer: the belt stood."""


class NoLot(Exception):
    """Records name no lot, and no line says which."""


@dataclass(frozen=True, slots=True)
class LastArrival:
    """received_ms: when a source's last fruit came. skew_ms: by how much the newest time among
    them was ahead of that (behind: negative); None if they told none."""

    received_ms: int
    skew_ms: int | None


class Arrivals:
    """The highest seq that has come in of each run of each source, stored or not yet, and when
    each source was last heard since the start."""

    def __init__(
        self, *, clock: Clock, heights: Mapping[str, Mapping[str, int]] | None = None
    ) -> None:
        self._clock = clock
        self._runs: dict[str, OrderedDict[str, int]] = {}
        self._last: dict[str, LastArrival] = {}
        self._heard_ms: dict[str, int] = {}
        self._pauses_ms: dict[str, deque[int]] = {}
        for source, runs in (heights or {}).items():
            for run, high in runs.items():
                self.saw(source=source, run=run, seq=high)

    def highest(self, *, source: str, run: str) -> int | None:
        runs = self._runs.get(source)
        return None if runs is None else runs.get(run)

    def saw(self, *, source: str, run: str, seq: int, at: LastArrival | None = None) -> None:
        if at is not None:
            steady_ms = self._clock.steady_ms()
            pause_ms = steady_ms - self._heard_ms.get(source, steady_ms - PAUSE_MS)
            if pause_ms < PAUSE_MS:
                self._pauses_ms.setdefault(source, deque(maxlen=PACED_OVER)).append(pause_ms)
            self._last[source] = at
            self._heard_ms[source] = steady_ms
        runs = self._runs.setdefault(source, OrderedDict())
        if seq > runs.get(run, -1):
            runs[run] = seq
        if len(runs) > RUNS_KEPT:
            runs.popitem(last=False)

    def last(self, source: str) -> LastArrival | None:
        return self._last.get(source)

    def heard_ms(self, source: str) -> int | None:
        """When a source was last heard, by the steady clock."""
        return self._heard_ms.get(source)

    def pace_ms(self, source: str) -> int:
        """How long a source usually pauses at most between two of its messages; 0 while unknown.
        Of one that sends several at a time it is the pause between those times."""
        pauses_ms = sorted(self._pauses_ms.get(source, ()))
        return pauses_ms[7 * (len(pauses_ms) - 1) // 8] if pauses_ms else 0

    def of(self, source: str) -> dict[str, int]:
        return dict(self._runs.get(source, {}))


@dataclass(frozen=True, slots=True)
class _Turns:
    """All assignments of a line for one run: fruit above `after[k]` are past the k-th break."""

    after: Integers
    at_ms: Integers


@dataclass(frozen=True, slots=True)
class MovedCut:
    """The change of cut `id` as the road needs it: for fruit of `lot` received before
    `until_ms`."""

    id: int
    lot: str
    binding: Binding
    until_ms: int

    def rule(self, *, lot: LotState) -> Binding:
        """What new fruit of a lot on the line are graded under."""
        return self.binding if lot.id == self.lot else lot.binding


@dataclass(slots=True, eq=False)
class Line:
    """A line and its assignments, oldest first. cut: the cut moved for a time, if one is."""

    row: LineRow
    turns: list[AssignmentRow] = field(default_factory=list)
    cut: MovedCut | None = None
    _cache: dict[tuple[str, str], _Turns] = field(default_factory=dict)

    @property
    def lot(self) -> str | None:
        """The lot being packed now; None between lots."""
        return self.turns[-1].lot if self.turns else None

    def add(self, turn: AssignmentRow) -> None:
        self.turns.append(turn)
        self._cache.clear()

    def remove(self, turn: AssignmentRow) -> None:
        """Take back a turn that could not be stored."""
        self.turns = [t for t in self.turns if t is not turn]
        self._cache.clear()

    def cut_at(self, *, received_ms: int) -> MovedCut | None:
        """The moved cut in force for fruit that are received now."""
        cut = self.cut
        return None if cut is None or received_ms >= cut.until_ms else cut

    def lot_at(self, turn: int) -> str:
        lot = self.turns[turn].lot if turn >= 0 else None
        return self.row.holding if lot is None else lot

    def turn_of(
        self, *, source: str, run: str, seqs: Integers, times: Column | None, now_ms: int
    ) -> Integers:
        """For each fruit (n,) the number of its turn, -1 before the first.

        times: the fruit's own, of a source whose clock is trusted; else None.
        """
        turns = self._turns(source, run)
        found: Integers = np.searchsorted(turns.after, seqs, side="left") - 1
        if times is not None:
            believed = times.present & (times.values <= now_ms + AHEAD_MS)
            own = np.searchsorted(turns.at_ms, times.values, side="right") - 1
            found = np.where(believed, own, found)
        return found

    def turn_of_one(
        self, *, source: str, run: str, seq: int, time_ms: int | None, now_ms: int
    ) -> int:
        """`turn_of` for a single fruit, cheaply. time_ms: None unless the clock is trusted."""
        if not self.turns:
            return -1
        last = len(self.turns) - 1
        turns = self._turns(source, run)
        if time_ms is not None and time_ms <= now_ms + AHEAD_MS:
            if time_ms >= self.turns[-1].at_ms:
                return last
            return int(np.searchsorted(turns.at_ms, time_ms, side="right")) - 1
        if seq > turns.after[-1]:
            return last
        return int(np.searchsorted(turns.after, seq, side="left")) - 1

    def _turns(self, source: str, run: str) -> _Turns:
        known = self._cache.get((source, run))
        if known is None:
            marks = np.array([t.marks.get(source, {}).get(run, -1) for t in self.turns], np.int64)
            known = self._cache[source, run] = _Turns(
                # A run forgotten by later marks was ended before them.
                np.maximum.accumulate(marks) if len(marks) else marks,
                np.array([t.at_ms for t in self.turns], np.int64))
        return known


class Lines:
    """Every registered line by id; changed by the event loop only."""

    def __init__(self) -> None:
        self._lines: dict[str, Line] = {}

    def load(self, *, rows: Iterable[LineRow], turns: Iterable[AssignmentRow]) -> None:
        for row in rows:
            self.add(row)
        for turn in turns:
            self._lines[turn.line].add(turn)

    def add(self, row: LineRow) -> Line:
        line = self._lines[row.id] = Line(row)
        return line

    def get(self, line_id: str | None) -> Line | None:
        return None if line_id is None else self._lines.get(line_id)

    def all(self) -> list[Line]:
        return sorted(self._lines.values(), key=lambda line: line.row.id)

    def packing(self, lot_id: str) -> list[Line]:
        """The lines that pack a lot now."""
        return [line for line in self.all() if line.lot == lot_id]

    def holding(self, lot_id: str) -> Line | None:
        """The line whose holding lot this is."""
        return next((line for line in self.all() if line.row.holding == lot_id), None)
