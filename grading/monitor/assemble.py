"""Fruit and their verdicts counted into a window, a few passes over each column.

Each measure is counted once at full resolution (lane x quantum, between the least and greatest
reading of the part); sums, bins, extremes and suspicious repeats are all read off that table.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from grading.monitor.state import MeasureState, Shape, WindowState, no_fruit, nothing_measured
from grading.quantities import MEASURES, Integers
from grading.record import Column, FruitBatch
from grading.tally import HUE_CUT, SHOWN
from grading.verdicts import Verdicts

RUN_MIN: Final = 20
"""Equal readings in a row worth writing down: 5 s of a lane at 4 fruit/s."""
_BITS: Final = ((np.arange(256)[:, None] >> np.arange(8)) & 1).astype(np.float64)


def window_of(
    *, batch: FruitBatch, verdicts: Verdicts, shape: Shape, rows: Any = slice(None)
) -> WindowState:
    """The window state of the given rows of a graded batch.

    rows: slice or row numbers in the order the fruit came; runs of equal readings and repeats
    are looked for inside one call only, so feed at least some seconds of fruit at a time.
    """
    lane, given = batch.lane[rows], verdicts.take(rows=rows)
    if not len(lane):
        return no_fruit(shape=shape)
    n = np.bincount(lane, minlength=256)
    lanes = np.flatnonzero(n)
    place = np.zeros(256, np.intp)
    place[lanes] = np.arange(len(lanes))
    at = np.take(place, lane)
    columns = {name: batch.measures[name].take(rows) for name in SHOWN if name in batch.measures}
    grade = _joined(at, given.grade, shape.grades)
    by_grade = (len(lanes), shape.grades)
    return WindowState(
        lanes=tuple(lanes.tolist()), n=n[lanes], repeats=_repeats(columns, at, len(lanes)),
        size_maturity=_table(_joined(at, given.size, shape.sizes), given.maturity,
                             (len(lanes), shape.sizes, shape.maturities)),
        grade_pack=_table(grade, given.pack, (*by_grade, shape.packs)),
        decisive=_table(grade, given.decisive, (*by_grade, 32)),
        any_reason=_any_reason(grade, given.reasons, by_grade),
        measures={name: _measure(name, column, lane, lanes) for name, column in columns.items()})


def _joined(index: Integers, code: Integers, radix: int) -> Integers:
    """One number for an index and a code below `radix`."""
    both = index * radix
    both += code
    return both


def _table(index: Integers, code: Integers, shape: tuple[int, ...]) -> Integers:
    """Counts by index and code, the last axis being the code's."""
    return np.bincount(_joined(index, code, shape[-1]),
                       minlength=int(np.prod(shape))).reshape(shape)


def _any_reason(grade: Integers, reasons: Integers, by_grade: tuple[int, int]) -> Integers:
    """Counts (lanes, grades, 32) of every reason, eight bits of the sets at a time."""
    found = np.zeros((*by_grade, 32), np.int64)
    seen = int(np.bitwise_or.reduce(reasons))
    for first in range(0, 32, 8):
        if seen >> first & 0xFF:
            byte = (reasons >> np.uint32(first)).astype(np.uint8)
            counts = _table(grade, byte, (*by_grade, 256)).astype(np.float64)
            found[..., first:first + 8] = np.rint(counts @ _BITS)  # whole below 2^53: exact
    return found


def _repeats(columns: dict[str, Column], at: Integers, lanes: int) -> Integers:
    """Fruit by lane that read exactly like the fruit before them, in 2 measures or more."""
    same = np.ones(len(at) - 1, np.bool_)
    for c in columns.values():
        np.logical_and(same, c.values[1:] == c.values[:-1], out=same)
        np.logical_and(same, c.present[1:] == c.present[:-1], out=same)
    rows = np.flatnonzero(same) + 1
    read = np.zeros(len(rows), np.int64)
    for c in columns.values():
        read += c.present[rows]
    return np.bincount(at[rows[read > 1]], minlength=lanes)


def _measure(name: str, column: Column, lane: Integers, lanes: Integers) -> MeasureState:
    values = column.values
    if not column.present.all():
        values, lane = values[column.present], lane[column.present]
    if not len(values):
        return nothing_measured(name=name, lanes=len(lanes))
    measure, size = MEASURES[name], MEASURES[name].bin_q
    if name == "hue" and int(values.max()) >= HUE_CUT:
        values = values.astype(np.int32)
        values[values >= HUE_CUT] -= 36000
    first = (int(values.min()) - measure.low_q) // size
    bins = (int(values.max()) - measure.low_q) // size - first + 1
    start, width = measure.low_q + first * size, bins * size
    place = np.zeros(256, np.intp)
    place[lanes] = np.arange(len(lanes)) * width - start
    index = np.take(place, lane)
    index += values
    table = np.bincount(index, minlength=len(lanes) * width)
    # Per bin: readings, and sums of the steps inside the bin and of their squares; all exact.
    step = np.arange(size)
    inside = table.astype(np.float64).reshape(-1, size) @ np.stack(
        [np.ones(size), step, step * step], axis=1)
    count, ones, squares = np.rint(inside.T).astype(np.int64).reshape(3, len(lanes), bins)
    q = start + size * np.arange(bins)
    blank = nothing_measured(name=name, lanes=len(lanes))
    n, run, run_q = count.sum(axis=1), blank.run.copy(), blank.run_q.copy()
    if table.max() >= RUN_MIN:
        for i in np.flatnonzero(table.reshape(len(lanes), -1).max(axis=1) >= RUN_MIN):
            run[i], run_q[i] = _longest_run(values[lane == lanes[i]])
    seen = table.reshape(len(lanes), width) > 0
    low, high = start + seen.argmax(axis=1), start + width - 1 - seen[:, ::-1].argmax(axis=1)
    return MeasureState(
        name=name, n=n, total=count @ q + ones.sum(axis=1),
        squares=count @ (q * q) + 2 * (ones @ q) + squares.sum(axis=1), run=run, run_q=run_q,
        low=np.where(n > 0, low, blank.low), high=np.where(n > 0, high, blank.high),
        first=first, bins=count)


def _longest_run(values: Integers) -> tuple[int, int]:
    """Longest run of equal readings, where it is long enough, and the greatest such reading."""
    edges = np.concatenate(([0], np.flatnonzero(values[1:] != values[:-1]) + 1, [len(values)]))
    lengths = np.diff(edges)
    most = int(lengths.max())
    return (most, int(values[edges[:-1][lengths == most]].max())) if most >= RUN_MIN else (0, -1)
