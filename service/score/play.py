"""A simulated shift through the service: every fruit, pull, check, turn and moved cut at its time.

Fruit take the road of a registered source without being written as JSON first; everything else is
posted to the API. Each line is looked at now and then; what is found, and when, follows from the
fruit alone and not from when somebody looked.
"""

from __future__ import annotations

import asyncio
import heapq
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import numpy as np

from grading.columns import Parsed
from service.rows import utc
from service.score.house import House
from service.simulator import LineShift, Shift
from service.simulator.events import Event
from service.simulator.hand import moment
from service.simulator.plan import Lot
from service.simulator.script import Cut, Drawn, Send, Step, Turn, script_of
from service.watch.finding import Answered, Key
from service.watch.watch import View

PERSON: Final = "Shift lead"
HOLDS_MS: Final = 20 * 3_600_000


@dataclass(slots=True)
class Seen:
    """What the watch said of one line. first: when each finding first called for action, in Unix
    milliseconds. last: how the line stood at the end."""

    first: dict[Key, int] = field(default_factory=dict)
    ever: dict[Key, Answered] = field(default_factory=dict)
    last: View = field(default_factory=View)

    def note(self, view: View, now_ms: int) -> None:
        self.last = view
        for one in view.findings:
            self.ever[one.finding.key] = one
            if one.level == "act":
                self.first.setdefault(one.finding.key, now_ms)


@dataclass(slots=True)
class _Belt:
    line: LineShift
    key: str
    packing: str = ""
    cut: int | None = None
    changes: tuple[Event, ...] = ()


def play(
    shift: Shift, *, body_fruit: int = 9_600, every_s: float = 1_800.0,
    each: Callable[[House], Any] | None = None,
) -> dict[str, Seen]:
    """What the watch said of each line. each: called after every `every_s` of the shift, awaited
    if it can be."""
    with tempfile.TemporaryDirectory(prefix="drupe-score-") as folder:
        house = House(folder=Path(folder), now_ms=shift.start_ms)
        try:
            return asyncio.run(_played(house, shift, body_fruit, every_s, each))
        finally:
            house.close()


async def _played(
    house: House, shift: Shift, body_fruit: int, every_s: float,
    each: Callable[[House], Any] | None,
) -> dict[str, Seen]:
    belts = {line.id: _Belt(line, await _set_up(house, line)) for line in shift.lines.values()}
    seen = {line_id: Seen() for line_id in belts}
    next_s = every_s
    for due_s, line_id, step in _in_order(shift, body_fruit):
        while next_s <= due_s:
            await _look(house, shift, seen, next_s, each)
            next_s += every_s
        house.now_ms = max(house.now_ms, shift.start_ms + round(1000 * due_s))
        await _do(house, shift, belts[line_id], step)
    last_s = next_s + 180.0
    while next_s <= last_s:
        await _look(house, shift, seen, next_s, each)
        next_s += every_s
    return seen


def _in_order(shift: Shift, body_fruit: int) -> Iterator[tuple[float, str, Step]]:
    """The steps of all lines by time."""
    def of(line: LineShift) -> Iterator[tuple[float, str, int, Step]]:
        for number, step in enumerate(script_of(shift=shift, line=line, body_fruit=body_fruit)):
            yield step.due_s, line.id, number, step

    for due_s, line_id, _, step in heapq.merge(*map(of, shift.lines.values())):
        yield due_s, line_id, step


async def _look(
    house: House, shift: Shift, seen: dict[str, Seen], at_s: float,
    each: Callable[[House], Any] | None,
) -> None:
    house.now_ms = max(house.now_ms, shift.start_ms + round(1000 * at_s))
    if at_s % 60.0 == 0.0:
        for line_id, own in seen.items():
            line = house.ctx.lines.get(line_id)
            assert line is not None
            own.note(house.ctx.watch.look(house.ctx, line), house.now_ms)
    if each is not None:
        told = each(house)
        if asyncio.iscoroutine(told):
            await told


async def _set_up(house: House, line: LineShift) -> str:
    """Line, source and lots; the source's key."""
    first = line.plan.lots[0]
    await house.call("POST", "/v1/lines", {"id": line.id, "holding": {
        "standard": first.standard, "cultivar": first.cultivar}})
    _, answer = await house.call("POST", "/v1/sources", {
        "id": line.source, "line": line.id, "lanes": line.plan.lanes, "tip_mm": 8.0})
    for lot in line.lots:
        await house.call("POST", "/v1/lots", lot.opening(line=line.id, standard=lot.standard))
    return str(answer["key"])


async def _do(house: House, shift: Shift, belt: _Belt, step: Step) -> None:
    if isinstance(step, Send):
        await _send(house, belt, step)
    elif isinstance(step, Cut):
        await _send(house, belt, step.send)
    elif isinstance(step, Turn):
        await _turn(house, belt, step)
    elif isinstance(step, Drawn):
        at = moment(start_ms=shift.start_ms, seconds=step.pull.seconds)
        body = step.pull.body(drawn_at=at, run=f"r{step.pull.run}")
        await house.call("POST", f"/v1/lots/{quote(step.pull.lot.id)}/pulls", body)
    elif step.check.lane.size:
        at = moment(start_ms=shift.start_ms, seconds=step.check.seconds)
        await house.call("POST", f"/v1/sources/{quote(belt.line.source)}/checks",
                         step.check.body(at=at))


async def _send(house: House, belt: _Belt, send: Send) -> None:
    part, road = send.part, house.ctx.road
    usable = send.rows[~part.impossible[send.rows]]
    if not len(usable):
        return
    batch = part.batch
    rows = np.searchsorted(part.rows, usable)
    if len(rows) < len(batch) or (rows[1:] < rows[:-1]).any():
        batch = batch.take(rows=rows)
    bound = road.bind(
        origin=road.origin(source=belt.line.source, run=batch.run, key=belt.key),
        parsed=Parsed(batch, np.arange(len(batch)), {}), received_ms=house.now_ms)
    for future in road.submit(bound=bound):
        await asyncio.wrap_future(future)


async def _turn(house: House, belt: _Belt, turn: Turn) -> None:
    path = f"/v1/lines/{quote(belt.line.id)}"
    if turn.lot is None:
        await house.call("POST", f"{path}/break", {"person": PERSON}, allowed=(409,))
        belt.packing, belt.cut, belt.changes = "", None, ()
        return
    if turn.lot.id != belt.packing:
        await house.call("POST", f"{path}/lot", {"lot": turn.lot.id, "person": PERSON})
        belt.packing, belt.cut, belt.changes = turn.lot.id, None, ()
    if turn.changes != belt.changes:
        await _recut(house, belt, path, turn.lot, turn.changes)


async def _recut(
    house: House, belt: _Belt, path: str, lot: Lot, changes: tuple[Event, ...]
) -> None:
    if belt.cut is not None:
        await house.call("POST", f"{path}/cuts/{belt.cut}/revert", {"person": PERSON})
        belt.cut = None
    if changes:
        status, answer = await house.call("POST", f"{path}/cuts", {
            "person": PERSON, "reason": changes[0].note or f"To finish the order of {lot.id}",
            "until": utc(house.now_ms + HOLDS_MS),
            "moves": [{"measure": "diameter", "at": f"{e.cut_mm:g}",
                       "to": f"{e.cut_mm + e.size:g}"} for e in changes]}, allowed=(422,))
        belt.cut = int(answer["id"]) if status == 201 else None
    belt.changes = changes
