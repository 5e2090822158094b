"""The lanes of a line against each other, followed through the closed minutes of a lot.

Only minutes that are new, or not as they were, are looked at: a board asks every second, of hours
of minutes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np

from grading.drift.cells import LaneTable, trimmed
from grading.drift.follow import LaneReading, LaneRules, LaneState, lane_rules, start, step
from grading.monitor.series import WindowSeries
from grading.monitor.state import WindowState
from grading.quantities import MEASURES
from service.earlier import as_they_were, newest, still_kept
from service.lots import WEEK_WINDOWS
from service.priority import let_fruit_pass

LANE_LEAST: Final = 20
LANE_MEASURES: Final = {"diameter": 0.15, "hue": 1.0}
"""Measures compared between lanes, and the distance (mm, degrees) that nobody would act on;
common practice, no source."""
_ACT: Final = 2


@lru_cache(maxsize=64)
def rules_for(*, lanes: int, allowance: float) -> LaneRules:
    return lane_rules(lanes=lanes, measures=len(LANE_MEASURES), windows_per_week=WEEK_WINDOWS,
                      allowance=allowance)


@dataclass(frozen=True, slots=True)
class LaneFinding:
    """One lane against the others, in the unit of the measure. level: 0 quiet, 1 look, 2 act."""

    lane: int
    offset: float | None
    se: float | None
    level: int


@dataclass(frozen=True, slots=True, eq=False)
class LaneView:
    """The lanes of one measure, newest window included. diverge: half of them or more differ,
    so which are wrong cannot be told. since: the window in which a lane first called for action
    and did until now."""

    measure: str
    lanes: tuple[LaneFinding, ...]
    diverge: bool
    since: dict[int, int]


@dataclass(frozen=True, slots=True)
class _Mark:
    """What is gone on from after a window."""

    state: LaneState
    since: dict[int, int]


@dataclass(frozen=True, slots=True)
class Followed:
    """One measure as far as it was followed. fruit: of every window looked at, in rising order.
    lanes: every lane that sent fruit in one of them. marks: by how many windows they come after."""

    view: LaneView
    lanes: tuple[int, ...] = ()
    fruit: Mapping[int, int] = field(default_factory=dict)
    marks: Mapping[int, _Mark] = field(default_factory=dict)


def followed(
    *, series: WindowSeries, fruit: Mapping[int, int], measure: str,
    before: Followed | None = None,
) -> Followed:
    """A measure followed through closed windows. fruit: of each of them, in rising order. before:
    what was found of fewer, or of less fruit; it is gone on from unless the lanes have changed."""
    if before is not None and before.fruit == fruit:
        return before
    before = before or Followed(LaneView(measure, (), False, {}))
    base = newest(before.marks, upto=min(
        as_they_were(before.fruit.items(), fruit.items()), len(fruit) - 1))
    new = list(fruit)[base:]
    states = {i: series.windows[i] for i in new}
    lanes = tuple(sorted({n for s in states.values() for n in s.lanes if n} | {*before.lanes}))
    if base and lanes != before.lanes:
        return followed(series=series, fruit=fruit, measure=measure)
    mark = before.marks[base] if base else _Mark(start(lanes=len(lanes)), {})
    marks = {k: known for k, known in before.marks.items() if k <= base}
    if len(lanes) < 2:
        marks |= {base + n: mark for n in range(1, len(new) + 1)}
        return Followed(LaneView(measure, (), False, {}), lanes, fruit,
                        still_kept(marks, steps=len(fruit)))
    table = lane_table_of(
        states={i: (state,) for i, state in states.items()}, measure=measure, lanes=lanes)
    rules = rules_for(lanes=len(lanes), allowance=LANE_MEASURES[measure])
    for column, index in enumerate(new):
        let_fruit_pass()
        state, reading = step(state=mark.state, rules=rules, centre=table.centre[:, column],
                              se=table.se[:, column])
        acting = {lane for lane, level in zip(lanes, reading.level, strict=True) if level == _ACT}
        mark = _Mark(state, {n: mark.since.get(n, index) for n in lanes if n in acting})
        marks[base + column + 1] = mark
    return Followed(_view(table, reading, mark.since), lanes, fruit,
                    still_kept(marks, steps=len(fruit)))


def _view(table: LaneTable, reading: LaneReading, since: dict[int, int]) -> LaneView:
    return LaneView(table.measure, tuple(
        LaneFinding(lane, _number(reading.offset[i]), _number(reading.se[i]), int(reading.level[i]))
        for i, lane in enumerate(table.lanes)), reading.diverge, since)


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def lane_table_of(
    *, states: Mapping[int, Sequence[WindowState]], measure: str,
    lanes: tuple[int, ...] | None = None,
) -> LaneTable:
    """Trimmed means of each lane and window from the windows' bins, windows in rising order.

    states: window number to its state, or states of several lots that shared it. lanes: those to
    be listed, in rising order; those that sent fruit if left out.
    """
    if lanes is None:
        lanes = tuple(sorted(
            {n for listed in states.values() for s in listed for n in s.lanes if n}))
    shape = (len(lanes), len(states))
    n, centre = np.zeros(shape, np.int64), np.full(shape, np.nan)
    se = np.full(shape, np.nan)
    kind = MEASURES[measure]
    quantum = float(kind.quantum)
    for column, index in enumerate(sorted(states)):
        let_fruit_pass()
        for state in states[index]:
            found = state.measures.get(measure)
            if found is None:
                continue
            # The mean of a bin's whole quanta, its least and its greatest included.
            middles = quantum * np.asarray(kind.low_q + (kind.bin_q - 1) / 2 + kind.bin_q * (
                found.first + np.arange(found.bins.shape[1])), np.float64)
            for row, lane in enumerate(state.lanes):
                # Where two lots share a minute, the one with more fruit of the lane speaks.
                if lane and found.n[row] >= max(LANE_LEAST, n[lanes.index(lane), column]):
                    at = lanes.index(lane)
                    n[at, column] = found.n[row]
                    centre[at, column], se[at, column] = trimmed(
                        values=middles, weights=found.bins[row])
    return LaneTable(measure, lanes, n, centre, se)
