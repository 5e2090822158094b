"""When and where the events of a plan act on one line."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.quantities import Flags, Floats
from service.simulator.chance import stream
from service.simulator.events import Event
from service.simulator.plan import Line
from service.simulator.schedule import Schedule

FADING: Final = math.log(50.0)
"""A fading event is at a fiftieth of its size when it ends."""


@dataclass(frozen=True, slots=True)
class Placed:
    """An event with its place in time.

    number: its position in the plan, and its bit in `acted`. start_s, end_s: seconds after the
    start of the shift, the end not included. lanes: (lanes + 1,) flag for each lane number.
    bins: first bin of the line and the one after the last, for events of bins.
    """

    number: int
    event: Event
    start_s: float
    end_s: float
    lanes: Flags
    bins: tuple[int, int] | None = None

    def overlaps(self, *, from_s: float, until_s: float) -> bool:
        return self.start_s <= until_s and self.end_s > from_s

    def acts(self, *, seconds: Any, lane: Any) -> Flags:
        """On which of the fruit (n,), told by time and lane, it acts."""
        acting: Flags = (seconds >= self.start_s) & (seconds < self.end_s)
        if not self.lanes[1:].all():
            acting &= self.lanes[lane]
        return acting

    def level(self, *, seconds: Any) -> Floats:
        """Its size at times inside it, as its shape goes."""
        shape, size = self.event.about().shape, self.event.size
        if shape == "step":
            return np.full(np.shape(seconds), size)
        gone = (np.asarray(seconds) - self.start_s) / (self.end_s - self.start_s)
        if shape == "ramp":
            return np.asarray(size * gone)
        return np.asarray(size * np.exp(-FADING * gone))


@dataclass(frozen=True, slots=True)
class Belt:
    """One line as everything that makes its fruit has to know it."""

    line: Line
    number: int
    seed: int
    schedule: Schedule
    placed: tuple[Placed, ...]

    def stream(self, *, purpose: int, block: int = 0) -> np.random.Generator:
        """The line's chance for one purpose (`chance`) and one block."""
        return stream(seed=self.seed, line=self.number, purpose=purpose, block=block)


def place(*, events: tuple[Event, ...], line: Line, schedule: Schedule, end_s: float
          ) -> tuple[Placed, ...]:
    """The events of one line, in the plan's order; those of lots that never run are left out."""
    return tuple(_placed(events, line, schedule, end_s))


def _placed(
    events: tuple[Event, ...], line: Line, schedule: Schedule, end_s: float
) -> Iterator[Placed]:
    for number, event in enumerate(events):
        if event.line != line.id:
            continue
        lanes = np.zeros(line.lanes + 1, np.bool_)
        lanes[list(event.lanes) or slice(1, None)] = True
        start_s = 60 * event.start_min
        until_s = end_s if event.end_min is None else min(60 * event.end_min, end_s)
        bins = None
        if event.about().of_bins:
            bins = _bins(event, line, schedule)
            if bins is None:
                continue
            first, after = schedule.bin_first[list(bins)].tolist()
            start_s = float(schedule.seconds(fruit=first))
            until_s = float(schedule.seconds(fruit=after - 1)) + 1 / schedule.rate
        if start_s < until_s:
            yield Placed(number, event, start_s, until_s, lanes, bins)


def _bins(event: Event, line: Line, schedule: Schedule) -> tuple[int, int] | None:
    """First bin of the line and the one after the last, of those that reach the belt."""
    lot = [lot.id for lot in line.lots].index(event.lot or "")
    if lot + 1 >= len(schedule.lot_bin):
        return None
    base, end = int(schedule.lot_bin[lot]), int(schedule.lot_bin[lot + 1])
    first = base + event.from_bin - 1
    after = end if event.to_bin is None else min(base + event.to_bin, end)
    return (first, after) if first < after else None
