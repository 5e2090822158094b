"""One line of a simulated shift: its fruit, slice by slice."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np

from grading.quantities import Floats, Integers
from service.simulator import plan as plans
from service.simulator.chance import BLOCK
from service.simulator.effects import Belt, Placed, place
from service.simulator.events import READ
from service.simulator.feed import Fed, Feed
from service.simulator.schedule import Schedule, schedule_of
from service.simulator.sensors import Readings, Sensors
from service.simulator.slices import Slice
from service.simulator.truth import Fruit, Truth

BLOCKS_KEPT: Final = 2


@dataclass(frozen=True, slots=True)
class Block:
    """Everything about one block of fruit."""

    fed: Fed
    truth: Truth
    readings: Readings
    acted: Integers


class LineShift:
    """One line of a shift. Any stretch of it can be made alone.

    plan: the line's part of the plan. schedule: when which fruit pass. placed: its events.
    """

    def __init__(self, *, shift: plans.Plan, number: int, seed: int) -> None:
        self.plan, self.number, self.seed = shift.line[number], number, seed
        self.id, self.source = self.plan.id, self.plan.source
        self.start_ms = round(shift.start.timestamp() * 1000)
        self.schedule: Schedule = schedule_of(
            line=self.plan, number=number, hours=shift.hours, seed=seed)
        self.placed: tuple[Placed, ...] = place(
            events=shift.event, line=self.plan, schedule=self.schedule, end_s=3600 * shift.hours)
        belt = Belt(self.plan, number, seed, self.schedule, self.placed)
        self.feed, self.fruit, self.sensors = Feed(belt=belt), Fruit(belt=belt), Sensors(belt=belt)
        self._blocks: OrderedDict[int, Block] = OrderedDict()

    def __len__(self) -> int:
        """Fruit that pass in the shift."""
        return self.schedule.fruit

    @property
    def lots(self) -> tuple[plans.Lot, ...]:
        """The lots that reach the belt."""
        return self.plan.lots[:len(self.schedule.lot_first) - 1]

    @cached_property
    def offsets(self) -> dict[str, Floats]:
        """The lanes' fixed offsets, (lanes,) in the measure's unit, by measure."""
        return {m: self.sensors.offsets[m][1:] for m in READ}

    @cached_property
    def run_first(self) -> list[int]:
        """The first fruit of each run."""
        return self._firsts("sensor_restart")

    @cached_property
    def rule_first(self) -> list[int]:
        """The first fruit under each rule; a change that has an end is taken back there."""
        return self._firsts("cut_change")

    def _firsts(self, kind: str) -> list[int]:
        moments = {0.0}
        for placed in self.placed:
            if placed.event.kind == kind:
                moments.add(placed.start_s)
                if kind == "cut_change" and placed.event.end_min is not None:
                    moments.add(placed.end_s)
        at = {0, *(self.schedule.next_at(seconds=m) for m in moments)}
        return sorted(first for first in at if first < len(self) or not first)

    def rule_of(self, *, rule: int) -> tuple[Placed, ...]:
        """The changes of cut in force under rule number `rule` of this line."""
        at = float(self.schedule.seconds(fruit=self.rule_first[rule]))
        return tuple(p for p in self.placed
                     if p.event.kind == "cut_change" and p.start_s <= at < p.end_s)

    def slices(
        self, *, fruit: int = 19_200, start: int = 0, stop: int | None = None
    ) -> Iterator[Slice]:
        """Fruit `start` to `stop` (not included), at most `fruit` in a slice.

        A slice ends where a lot, a run or a rule ends, so each is of one. 1,920 fruit are a minute
        of a line of eight lanes at 4 fruit a second.
        """
        end = len(self) if stop is None else min(stop, len(self))
        cuts = {*self.schedule.lot_first.tolist(), *self.run_first, *self.rule_first,
                *range(start, end, fruit), end}
        marks = sorted(cut for cut in cuts if start <= cut <= end)
        for first, after in pairwise(marks):
            yield self._slice(first, after)

    def _slice(self, first: int, after: int) -> Slice:
        blocks = [self.block(b) for b in range(first // BLOCK, (after - 1) // BLOCK + 1)]
        cut = [slice(max(first - b.fed.first, 0), after - b.fed.first) for b in blocks]
        both = list(zip(blocks, cut, strict=True))
        lot = self.schedule.lot_of(fruit=first)
        run = int(np.searchsorted(self.run_first, first, side="right"))
        rule = int(np.searchsorted(self.rule_first, first, side="right")) - 1
        seconds = np.concatenate([b.fed.seconds[c] for b, c in both])
        before = (self.feed.sent_before(fruit=first)
                  - self.feed.sent_before(fruit=self.run_first[run - 1]))
        sent = np.concatenate([
            np.ones(len(b.fed), np.bool_)[c] if b.fed.hidden is None else ~b.fed.hidden[c]
            for b, c in both])
        return Slice(
            line=self.id, source=self.source, lot=self.plan.lots[lot], run=run, rule=rule,
            first=first, start_ms=self.start_ms, seq=np.where(sent, before + np.cumsum(sent), 0),
            lane=np.concatenate([b.fed.lane[c] for b, c in both]),
            bin=np.concatenate([b.fed.bin[c] for b, c in both])
            - (int(self.schedule.lot_bin[lot]) - 1),
            seconds=seconds, ahead_s=self._ahead(seconds),
            acted=np.concatenate([b.acted[c] for b, c in both]),
            truth=_joined([b.truth.take(c) for b, c in both]),
            readings=_read([b.readings.take(c) for b, c in both]))

    def _ahead(self, seconds: Floats) -> Floats:
        ahead = np.zeros(len(seconds))
        for placed in self.placed:
            if placed.event.kind in ("clock_skew", "clock_jump"):
                inside = (seconds >= placed.start_s) & (seconds < placed.end_s)
                ahead += np.where(inside, placed.level(seconds=seconds), 0.0)
        return ahead

    def block(self, number: int) -> Block:
        """Block `number` of this line, kept for the next question."""
        if number not in self._blocks:
            fed = self.feed.block(number)
            truth = self.fruit.of(fed=fed)
            self._blocks[number] = Block(
                fed, truth, self.sensors.read(fed=fed, truth=truth), self._acted(fed))
            while len(self._blocks) > BLOCKS_KEPT:
                self._blocks.popitem(last=False)
        return self._blocks[number]

    def _acted(self, fed: Fed) -> Integers:
        acted = np.zeros(len(fed), np.uint64)
        for placed in self.placed:
            bit = np.uint64(1 << placed.number)
            if placed.bins is not None:
                acted[self.fruit.changed(change=placed, bins=fed.bin)] |= bit
            elif placed.overlaps(from_s=float(fed.seconds[0]), until_s=float(fed.seconds[-1])):
                acts = placed.acts(seconds=fed.seconds, lane=fed.lane)
                if placed.event.kind == "double_fruit":
                    acts = _paired(fed) & acts
                acted[acts] |= bit
        return acted


def _paired(fed: Fed) -> Integers:
    rows = np.zeros(len(fed), np.bool_)
    if fed.partner is not None:
        first = np.flatnonzero(fed.partner >= 0)
        rows[first] = rows[fed.partner[first]] = True
    return rows


def _joined(parts: list[Truth]) -> Truth:
    if len(parts) == 1:
        return parts[0]
    return Truth(*(np.concatenate([getattr(p, name) for p in parts])
                   for name in Truth.__dataclass_fields__))


def _read(parts: list[Readings]) -> Readings:
    if len(parts) == 1:
        return parts[0]
    return Readings(
        {m: np.concatenate([p.quanta[m] for p in parts]) for m in parts[0].quanta},
        {m: np.concatenate([p.present[m] for p in parts]) for m in parts[0].present},
        np.concatenate([p.seen for p in parts]))
