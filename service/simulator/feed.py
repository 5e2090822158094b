"""How fruit come along a line: time, lane and bin of each, and which of them give no record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grading.quantities import Flags, Floats, Integers
from service.simulator.chance import BLOCK, FEED, LANES
from service.simulator.effects import Belt


@dataclass(frozen=True, slots=True)
class Fed:
    """A block of fruit (n,) on the belt.

    first: number of the first one. lane from 1. lot: number of the lot, one for all where all are
    of one. bin: number of the bin on the line. seconds: after the start of the shift. partner: row
    of the fruit that is seen as one with it, or -1. hidden: passes without a record.
    """

    first: int
    lane: Integers
    lot: Integers | int
    bin: Integers
    seconds: Floats
    partner: Integers | None
    hidden: Flags | None

    def __len__(self) -> int:
        return len(self.lane)


class Feed:
    """The belt of one line; blocks of it by number."""

    def __init__(self, *, belt: Belt) -> None:
        self._belt, self._line, self._schedule = belt, belt.line, belt.schedule
        self._hiding = [p for p in belt.placed if p.event.kind in ("silent_lane", "double_fruit")]
        z = belt.stream(purpose=LANES, block=1).standard_normal(belt.line.lanes)
        loads = np.maximum(1 + belt.line.uneven * z, 0.1)
        self._edges = (np.cumsum(loads) / loads.sum())[:-1]
        self._sent = [0]

    def block(self, number: int) -> Fed:
        """Block `number` (0 up); the last one is cut off where the shift ends."""
        schedule, first = self._schedule, number * BLOCK
        n = min(BLOCK, schedule.fruit - first)
        chance = self._belt.stream(purpose=FEED, block=number).random((3, BLOCK))[:, :n]
        fruit = np.arange(first, first + n)
        lane = np.searchsorted(self._edges, chance[0], side="right") + 1
        lots = (schedule.lot_of(fruit=first), schedule.lot_of(fruit=first + n - 1))
        lot: Integers | int = lots[0]
        if lots[0] != lots[1]:
            lot = np.searchsorted(schedule.lot_first, fruit, side="right") - 1
        seconds = schedule.seconds(fruit=fruit)
        partner, hidden = self._hide(lane, seconds, chance[2])
        return Fed(first, lane.astype(np.uint8), lot, self._bins(fruit, lot, chance[1]), seconds,
                   partner, hidden)

    def _bins(self, fruit: Integers, lot: Integers | int, chance: Floats) -> Integers:
        """Bins mingle on the belt, but never with those of another lot."""
        schedule = self._schedule
        at = fruit + self._line.mixing_fruit * (chance - 0.5)
        low = np.searchsorted(schedule.bin_first, at[0] - self._line.mixing_fruit)
        high = np.searchsorted(schedule.bin_first, at[-1] + self._line.mixing_fruit, "right")
        base = max(int(low) - 1, 0)
        found = np.searchsorted(schedule.bin_first[base:int(high)], at, side="right") + (base - 1)
        return np.clip(found, schedule.lot_bin[lot], schedule.lot_bin[lot + 1] - 1)

    def _hide(
        self, lane: Integers, seconds: Floats, chance: Floats
    ) -> tuple[Integers | None, Flags | None]:
        acting = [p for p in self._hiding
                  if p.overlaps(from_s=float(seconds[0]), until_s=float(seconds[-1]))]
        if not acting:
            return None, None
        hidden = np.zeros(len(lane), np.bool_)
        partner = np.full(len(lane), -1)
        for placed in acting:
            acts = placed.acts(seconds=seconds, lane=lane)
            if placed.event.kind == "silent_lane":
                hidden |= acts
            else:
                self._pair(acts & (chance < placed.event.size), lane, partner)
        lost = partner[(partner >= 0) & ~hidden]
        hidden[lost] = True
        return partner, hidden

    @staticmethod
    def _pair(first: Flags, lane: Integers, partner: Integers) -> None:
        """Join each chosen fruit with the next one of its lane; no fruit is in two pairs."""
        taken = partner >= 0
        taken[partner[taken]] = True
        for one in np.unique(lane[first]).tolist():
            rows = np.flatnonzero(lane == one)
            for at in np.flatnonzero(first[rows[:-1]]).tolist():
                here, then = rows[at], rows[at + 1]
                if not taken[here] and not taken[then]:
                    partner[here] = then
                    taken[here] = taken[then] = True

    def sent_before(self, *, fruit: int) -> int:
        """How many fruit before this one have given a record."""
        if not self._hiding:
            return fruit
        block, rest = divmod(fruit, BLOCK)
        while len(self._sent) <= block:
            fed = self.block(len(self._sent) - 1)
            lost = 0 if fed.hidden is None else int(fed.hidden.sum())
            self._sent.append(self._sent[-1] + len(fed) - lost)
        if not rest:
            return self._sent[block]
        hidden = self.block(block).hidden
        return self._sent[block] + rest - (0 if hidden is None else int(hidden[:rest].sum()))
