"""In which order the things of one line reach the service, and when: sending, breaks, repeats.

While a cable is out the source keeps its fruit; what was on the way when it broke may or may not
have arrived. Afterwards the last fruit before the break are sent once more, then all that waited.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading.quantities import Integers
from service.simulator.chance import ORDER, stream
from service.simulator.events import Event
from service.simulator.hand import Check, Pull
from service.simulator.plan import Lot
from service.simulator.shift import LineShift
from service.simulator.slices import Slice
from service.simulator.whole import Shift

NEAR_GAP: Final = 0.1
"""A lot is ended and begun so far inside its gaps, as a part of the gap."""


@dataclass(frozen=True, slots=True)
class Send:
    """Records of a slice, `rows` in the order of sending. again: the service has had them."""

    due_s: float
    part: Slice
    rows: Integers
    again: bool = False


@dataclass(frozen=True, slots=True)
class Cut:
    """The connection breaks while `send` is on its way; nobody learns whether it arrived."""

    due_s: float
    send: Send


@dataclass(frozen=True, slots=True)
class Turn:
    """A clean break, or the same lot with other cuts. lot: what the line packs from now on, None
    for nothing. changes: changes of cut in force on it."""

    due_s: float
    lot: Lot | None
    changes: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Drawn:
    due_s: float
    pull: Pull


@dataclass(frozen=True, slots=True)
class Checked:
    due_s: float
    check: Check


Step = Send | Cut | Turn | Drawn | Checked


def script_of(*, shift: Shift, line: LineShift, body_fruit: int) -> Iterator[Step]:
    """The steps of a line with never decreasing `due_s`, at most `body_fruit` fruit in a send.

    Every fruit that gave a record is in exactly one send that is not `again`. Pulls come after
    the records of their fruit, checks after the fruit before them.
    """
    pulls = [p for p in shift.pulls if p.line == line.id]
    checks = [c for c in shift.checks if c.line == line.id]
    latest = 0.0
    for step in _delivered(shift, line, body_fruit):
        latest = step.due_s
        while checks and isinstance(step, Send) and checks[0].seconds <= step.due_s:
            yield Checked(step.due_s, checks.pop(0))
        yield step
        if isinstance(step, Send) and not step.again:
            passed = step.part.first + len(step.part)
            while pulls and pulls[0].fruit[-1] < passed:
                yield Drawn(step.due_s, pulls.pop(0))
    for check in checks:
        yield Checked(max(check.seconds, latest), check)


def _delivered(shift: Shift, line: LineShift, body_fruit: int) -> Iterator[Send | Cut | Turn]:
    """Sends and turns, with those of a break held back until it is over."""
    breaks = sorted((p.start_s, p.end_s, int(p.event.size)) for p in line.placed
                    if p.event.kind == "network_break")
    held_until, repeats = 0.0, 0
    for step in _plain(shift, line, body_fruit):
        due_s = max(step.due_s, held_until)
        while breaks and breaks[0][0] <= due_s and isinstance(step, Send):
            start_s, end_s, repeats = breaks.pop(0)
            yield Cut(max(start_s, held_until), step)
            held_until = max(end_s, held_until)
            due_s = max(due_s, held_until)
            yield from _again(line, step, repeats, due_s, body_fruit)
        yield _at(step, due_s)


def _again(
    line: LineShift, step: Send, fruit: int, due_s: float, body_fruit: int
) -> Iterator[Send]:
    first = step.part.first
    for part in line.slices(start=max(first - fruit, 0), stop=first, fruit=body_fruit):
        yield Send(due_s, part, np.flatnonzero(part.sent), again=True)


def _at(step: Send | Turn, due_s: float) -> Send | Turn:
    if isinstance(step, Send):
        return Send(due_s, step.part, step.rows)
    return Turn(due_s, step.lot, step.changes)


def _plain(shift: Shift, line: LineShift, body_fruit: int) -> Iterator[Send | Turn]:
    """Sends and turns as if nothing ever broke."""
    now: tuple[Lot, tuple[Event, ...]] | None = None
    ended_s = 0.0
    for part in line.slices(fruit=body_fruit):
        wanted = (part.lot, shift.changes(part))
        begun_s = float(part.seconds[0])
        if wanted != now:
            gap = begun_s - ended_s
            if now is not None and wanted[0] != now[0] and gap > 2 / line.plan.rate:
                yield Turn(ended_s + NEAR_GAP * gap, None)
            yield Turn(begun_s - NEAR_GAP * gap if now else begun_s, *wanted)
            now = wanted
        ended_s = float(part.seconds[-1])
        yield Send(ended_s, part, _order(line, part))
    if now is not None:
        yield Turn(ended_s, None)


def _order(line: LineShift, part: Slice) -> Integers:
    """Rows with a record; where delivery is out of order, each up to so many places late."""
    rows = np.flatnonzero(part.sent)
    place = np.arange(len(rows), dtype=np.float64)
    for placed in line.placed:
        if placed.event.kind != "out_of_order":
            continue
        late = placed.acts(seconds=part.seconds[rows], lane=part.lane[rows])
        if late.any():
            rng = stream(seed=line.seed, line=line.number, purpose=ORDER, block=part.first)
            place += late * rng.uniform(0, placed.event.size, len(rows))
    return rows[np.argsort(place, kind="stable")]
