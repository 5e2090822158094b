"""When which fruit passes: lots and bins in turn, gaps between lots, stops of the belt.

Fruit of a line are numbered 0, 1, 2 ... in the order they pass. All times are seconds after the
start of the shift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from grading.quantities import Floats, Integers
from service.simulator.chance import BINS, stream
from service.simulator.plan import Line

BIN_FRUIT_SD = 0.04
"""Relative spread of the fruit in a bin; invented."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """Which fruit pass when.

    fruit: how many pass in all. lot_first: (lots + 1,) the first fruit of each lot, and the end.
    bin_first: (bins + 1,) the same of all bins of the line. bin_lot: (bins,) lot of each bin.
    lot_bin: (lots + 1,) the first bin of each lot, and the end. bin_effects: (bins, 3) standard
    normal effects on size, ripeness and defects. piece_first, piece_s: first fruit and its time of
    each piece in which the belt runs without a pause.
    """

    rate: float
    fruit: int
    lot_first: Integers
    bin_first: Integers
    bin_lot: Integers
    lot_bin: Integers
    bin_effects: Floats
    piece_first: Integers
    piece_s: Floats

    def seconds(self, *, fruit: Any) -> Floats:
        """When fruit (whole numbers, any shape) pass."""
        numbers = np.asarray(fruit)
        piece = np.searchsorted(self.piece_first, numbers, side="right") - 1
        passed: Floats = self.piece_s[piece] + (numbers - self.piece_first[piece]) / self.rate
        return passed

    def next_at(self, *, seconds: float) -> int:
        """The first fruit that passes at or after a time; `fruit` if none does."""
        piece = max(int(np.searchsorted(self.piece_s, seconds, side="right")) - 1, 0)
        begun = int(self.piece_first[piece])
        end = int(self.piece_first[piece + 1]) if piece + 1 < len(self.piece_s) else self.fruit
        ahead = math.ceil((seconds - float(self.piece_s[piece])) * self.rate)
        # Rounding may be one off; what `seconds` says of a fruit decides.
        near = range(max(begun + ahead - 1, begun), end)[:3]
        return next((k for k in near if float(self.seconds(fruit=k)) >= seconds), end)

    def lot_of(self, *, fruit: int) -> int:
        """Number of the lot that a fruit belongs to."""
        return int(np.searchsorted(self.lot_first, fruit, side="right")) - 1


def schedule_of(*, line: Line, number: int, hours: float, seed: int) -> Schedule:
    """The schedule of line number `number` (0 up) of a shift."""
    draws = stream(seed=seed, line=number, purpose=BINS).standard_normal(
        (sum(lot.bins for lot in line.lots), 4))
    wanted = np.repeat([lot.bin_fruit for lot in line.lots], [lot.bins for lot in line.lots])
    sizes = np.maximum(np.rint(wanted * (1 + BIN_FRUIT_SD * draws[:, 0])), 1).astype(np.int64)
    lot_bin = np.cumsum([0, *(lot.bins for lot in line.lots)])
    bin_first = np.concatenate([[0], np.cumsum(sizes)])
    lot_first = bin_first[lot_bin]
    firsts, starts, fruit = _pieces(line, lot_first.tolist(), 3600 * hours)
    kept = int(np.searchsorted(bin_first, fruit, side="left"))  # bins that reach the belt
    lots = int(np.searchsorted(lot_first, fruit, side="left"))
    return Schedule(
        rate=line.rate, fruit=fruit,
        lot_first=np.minimum(lot_first[:lots + 1], fruit),
        bin_first=np.minimum(bin_first[:kept + 1], fruit),
        bin_lot=np.repeat(np.arange(len(line.lots)), np.diff(lot_bin))[:kept],
        lot_bin=np.minimum(lot_bin[:lots + 1], kept), bin_effects=draws[:kept, 1:],
        piece_first=np.array(firsts, np.int64), piece_s=np.array(starts))


def _pieces(
    line: Line, lot_first: list[int], end_s: float
) -> tuple[list[int], list[float], int]:
    """First fruit and time of each piece, and how many fruit pass before the shift ends."""
    stops = sorted((60 * stop.at_min, stop.seconds) for stop in line.stops)
    firsts, starts, now_s, fruit = [], [], 0.0, 0
    for lot, end in enumerate(lot_first[1:]):
        now_s += line.gap_s if lot else 0.0
        while fruit < end and now_s < end_s:
            while stops and stops[0][0] <= now_s:
                now_s += stops.pop(0)[1]
            if now_s >= end_s:
                break
            until_s = min(stops[0][0] if stops else end_s, end_s)
            ran = min(end - fruit, max(int(np.ceil((until_s - now_s) * line.rate)), 1))
            firsts.append(fruit)
            starts.append(now_s)
            fruit += ran
            now_s += ran / line.rate
    return firsts, starts, fruit
