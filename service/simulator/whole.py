"""A simulated shift: all its lines, and everything that happens in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from grading.kernel import Compiled
from grading.standard import PackStandard
from service.simulator.effects import Placed
from service.simulator.events import Cause, Event
from service.simulator.hand import Check, Pull, checks_of, pulls_of
from service.simulator.plan import Plan
from service.simulator.rules import compiled_under, standard_under
from service.simulator.shift import LineShift
from service.simulator.slices import Slice


@dataclass(frozen=True, slots=True)
class Happening:
    """One event as it took place.

    number: its place in the plan, and its bit in `Slice.acted`. size: as `meaning` says. start_s,
    end_s: seconds after the start of the shift, the end not included. first, after: the first
    fruit of the line inside and the first one after. lots: those it touches. bins: first and last,
    counted inside the lot, for events of bins.
    """

    number: int
    kind: str
    cause: Cause
    line: str
    lanes: tuple[int, ...]
    measure: str | None
    size: float
    meaning: str
    shape: str
    start_s: float
    end_s: float
    first: int
    after: int
    lots: tuple[str, ...]
    bins: tuple[int, int] | None
    cut_mm: float | None
    note: str


@dataclass(frozen=True, slots=True)
class Boundary:
    """Where other fruit begin: `fruit` is the number of the first, `bin` counts inside the lot."""

    kind: Literal["lot", "bin"]
    line: str
    lot: str
    block: str
    pick: int
    bin: int
    fruit: int
    seconds: float


class Shift:
    """A plan, played with a seed (the plan's own if none is given). Lines by id in `lines`."""

    def __init__(self, *, plan: Plan, seed: int | None = None) -> None:
        self.plan = plan
        self.seed = plan.seed if seed is None else seed
        self.start_ms = round(plan.start.timestamp() * 1000)
        self.end_s = 3600 * plan.hours
        self.lines: dict[str, LineShift] = {
            line.id: LineShift(shift=plan, number=number, seed=self.seed)
            for number, line in enumerate(plan.line)}

    @cached_property
    def events(self) -> tuple[Happening, ...]:
        """What took place, in the plan's order; events of lots that never ran are left out."""
        return tuple(sorted((_happening(line, placed) for line in self.lines.values()
                             for placed in line.placed), key=lambda e: e.number))

    @cached_property
    def boundaries(self) -> tuple[Boundary, ...]:
        """Where lots and bins begin on each line."""
        return tuple(b for line in self.lines.values() for b in _boundaries(line))

    @cached_property
    def pulls(self) -> tuple[Pull, ...]:
        """All hand pulls, by time."""
        return tuple(sorted((p for line in self.lines.values()
                             for p in pulls_of(line=line, end_s=self.end_s)),
                            key=lambda p: p.seconds))

    @cached_property
    def checks(self) -> tuple[Check, ...]:
        """All checks with reference objects, by time."""
        return tuple(sorted((c for line in self.lines.values()
                             for c in checks_of(line=line, end_s=self.end_s)),
                            key=lambda c: c.seconds))

    def changes(self, part: Slice) -> tuple[Event, ...]:
        """The changes of cut in force on a slice."""
        return tuple(p.event for p in self.lines[part.line].rule_of(rule=part.rule))

    def standard(self, part: Slice, *, as_opened: bool = False) -> PackStandard:
        """The pack standard in force on a slice; as_opened: the one without any change of cut."""
        return standard_under(standard=part.lot.standard,
                              changes=() if as_opened else self.changes(part))

    def compiled(self, part: Slice, *, as_opened: bool = False) -> Compiled:
        """`standard`, compiled for the slice's cultivar, sizes told by diameter."""
        return compiled_under(standard=part.lot.standard, cultivar=part.lot.cultivar,
                              changes=() if as_opened else self.changes(part))


def _happening(line: LineShift, placed: Placed) -> Happening:
    schedule, event = line.schedule, placed.event
    if placed.bins is None:
        first = schedule.next_at(seconds=placed.start_s)
        after = schedule.next_at(seconds=placed.end_s)
    else:
        first, after = schedule.bin_first[list(placed.bins)].tolist()
    about, bins = event.about(), None
    if placed.bins is not None:
        base = int(schedule.lot_bin[schedule.bin_lot[placed.bins[0]]])
        bins = (placed.bins[0] - base + 1, placed.bins[1] - base)
    touched = range(schedule.lot_of(fruit=min(first, len(line) - 1)),
                    schedule.lot_of(fruit=max(after - 1, first, 0)) + 1)
    return Happening(
        number=placed.number, kind=event.kind, cause=about.cause, line=line.id,
        lanes=tuple(np.flatnonzero(placed.lanes).tolist()), measure=event.measured(),
        size=event.size, meaning=about.size, shape=about.shape, start_s=placed.start_s,
        end_s=placed.end_s, first=first, after=after,
        lots=tuple(line.plan.lots[k].id for k in touched if k < len(line.lots)), bins=bins,
        cut_mm=event.cut_mm if event.kind == "cut_change" else None, note=event.note)


def _boundaries(line: LineShift) -> Iterator[Boundary]:
    schedule = line.schedule
    for place, fruit in enumerate(schedule.bin_first[:-1].tolist()):
        number = int(schedule.bin_lot[place])
        lot = line.plan.lots[number]
        within = place - int(schedule.lot_bin[number]) + 1
        yield Boundary(
            kind="bin" if within > 1 else "lot", line=line.id, lot=lot.id, block=lot.block,
            pick=lot.pick, bin=within, fruit=fruit, seconds=float(schedule.seconds(fruit=fruit)))
