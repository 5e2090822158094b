"""What a line's board shows, from the windows of its lots. Only what follows from closed minutes is
kept, for as long as they stay as they are.

A board is made from the fruit's one-minute windows of the lot that the line packs now and of
those before it on the same day, so any past one can be made again from the store.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final
from weakref import WeakKeyDictionary

import numpy as np

from grading.drift.cells import LaneTable, trimmed
from grading.drift.follow import LaneReading, LaneRules, follow, lane_rules
from grading.intervals import clopper_pearson
from grading.monitor.budget import Budget, levels_for
from grading.monitor.series import NO_TIME, WindowSeries
from grading.monitor.state import WindowState, merged
from grading.monitor.tracks import Track, TrackPoint
from grading.quantities import MEASURES
from service.lots import MINUTE, LotState
from service.store.sources import AssignmentRow

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

WEEK_WINDOWS: Final = 5 * 8 * 60
"""One-minute windows of a week of single shifts; common practice, no source."""
RECENT: Final = 10
TREND: Final = 120
BEFORE: Final = 6
LANE_LEAST: Final = 20
LANE_MEASURES: Final = {"diameter": 0.15, "hue": 1.0}
"""Measures compared between lanes, and the distance (mm, degrees) that nobody would act on;
common practice, no source."""


@lru_cache(maxsize=1)
def reject_track() -> Track:
    """The chart of a line's cull share: two charts (window, trend), one false act a week."""
    return Track(levels=levels_for(budget=Budget(charts=2, windows_per_week=WEEK_WINDOWS)))


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


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """The cull share of a line's closed windows through its lots. starts: window in which a lot
    began. The same object until a minute closes or fruit come late."""

    points: tuple[TrackPoint, ...]
    starts: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Board:
    """A line at a glance. fruit: of the lot, as of now. per_s: fruit a second in the last full
    minute. recent: the last ten minutes together."""

    line: str
    lot: LotState
    between: bool
    since_ms: int | None
    person: str
    fruit: int
    undated: int
    per_s: float | None
    latest_ms: int | None
    recent: WindowState
    culls: dict[str, Any]
    trend: Trend
    lanes: tuple[LaneView, ...]


def board(ctx: Context, line: Line, *, at_ms: int | None = None) -> Board:
    """The board of a line as its fruit stand now, or as those of the minutes before `at_ms` stood
    then. Reads the store: call it on a worker thread."""
    turns = [t for t in line.turns if at_ms is None or t.at_ms < at_ms]
    lot = ctx.lots.get(line.lot_at(len(turns) - 1))
    series = lot.windows(reader=ctx.store.reader)
    end = None if at_ms is None else at_ms // MINUTE.size
    dated = [i for i in series.windows
             if i != NO_TIME // MINUTE.size and (end is None or i < end)]
    cull = len(lot.binding.compiled.grade_names) - 1
    closed = dated[:-1] if end is None else dated
    settled = _settled(series, closed) if end is not None else _kept(lot, series, closed)
    recent = merged(states=[settled.recent, *(series.windows[i] for i in dated[len(closed):])],
                    shape=series.shape)
    fruit = {i: series.figures[i].fruit for i in (series.figures if end is None else dated)}
    return Board(
        line=line.row.id, lot=lot, between=not turns or turns[-1].lot is None,
        since_ms=turns[-1].at_ms if turns else None, person=turns[-1].person if turns else "",
        fruit=sum(fruit.values()), undated=fruit.get(NO_TIME // MINUTE.size, 0),
        per_s=series.figures[closed[-1]].fruit / (MINUTE.size / 1000) if closed else None,
        latest_ms=(dated[-1] + 1) * MINUTE.size if dated else None,
        recent=recent, culls=culls_of(recent, cull=cull), lanes=settled.lanes,
        trend=trend(ctx, turns, lot, end))


_Counts = dict[str, dict[int, int]]
"""By lot, the fruit of each of its dated minutes."""


@dataclass(frozen=True, slots=True)
class _Settled:
    """What follows from a lot's closed minutes alone. fruit: by minute. recent: the newest nine
    together, or on a past board ten."""

    fruit: dict[int, int]
    lanes: tuple[LaneView, ...]
    recent: WindowState


_KEPT: WeakKeyDictionary[LotState, _Settled] = WeakKeyDictionary()
_JUDGED: WeakKeyDictionary[LotState, tuple[_Counts, Trend]] = WeakKeyDictionary()


def _kept(lot: LotState, series: WindowSeries, closed: Sequence[int]) -> _Settled:
    """The same as long as no fruit come late: a board asks every second, of hours of minutes."""
    found = _KEPT.get(lot)
    if found is None or found.fruit != {i: series.figures[i].fruit for i in closed}:
        found = _KEPT[lot] = _settled(series, closed, recent=RECENT - 1)
    return found


def forget(lot: LotState) -> None:
    """Let go of what was kept of a lot; it is made again when its board is asked for."""
    _KEPT.pop(lot, None)
    _JUDGED.pop(lot, None)


def _settled(series: WindowSeries, closed: Sequence[int], *, recent: int = RECENT) -> _Settled:
    states = {i: series.windows[i] for i in closed}
    return _Settled(
        {i: state.fruit for i, state in states.items()},
        tuple(lane_view(states=states, measure=name, allowance=allowance)
              for name, allowance in LANE_MEASURES.items()),
        merged(states=[states[i] for i in closed[-recent:]], shape=series.shape))


def culls_of(state: WindowState, *, cull: int) -> dict[str, Any]:
    """count, n, share and exact 95 % interval of the culls of a window."""
    n = state.fruit
    x = int(state.grade_pack[:, cull].sum())
    interval = clopper_pearson(x=x, n=n) if n else None
    return {"count": x, "n": n, "share": x / n if n else None,
            "low": interval.low if interval else None, "high": interval.high if interval else None}


def trend(
    ctx: Context, turns: Sequence[AssignmentRow], lot: LotState, end: int | None = None
) -> Trend:
    """Of the last lots together. end: only windows before this one."""
    ids = [t.lot for t in turns[-BEFORE:] if t.lot is not None]
    lots = [ctx.lots.get(i) for i in dict.fromkeys(ids)]
    if lot not in lots:
        lots.append(lot)
    series = {one.id: one.windows(reader=ctx.store.reader) for one in lots}
    counts = {name: {i: found.fruit for i, found in one.figures.items()
                     if i != NO_TIME // MINUTE.size and (end is None or i < end)}
              for name, one in series.items()}
    if end is None and counts[lot.id]:
        counts[lot.id].popitem()  # the minute that still fills
    known = _JUDGED.get(lot) if end is None else None
    if known is not None and known[0] == counts:
        return known[1]
    windows = [w for one in lots
               for w in series[one.id].share_windows(
                   grades=[len(one.binding.compiled.grade_names) - 1])
               if w.index in counts[one.id]]
    windows.sort(key=lambda w: w.index)
    shown = reject_track().run(windows=windows)[1][-TREND:]
    found = Trend(shown, tuple(
        (p.window.index, p.window.lot) for k, p in enumerate(shown)
        if not k or p.window.lot != shown[k - 1].window.lot))
    if end is None:
        _JUDGED[lot] = counts, found
    return found


def lane_table_of(*, states: Mapping[int, Sequence[WindowState]], measure: str) -> LaneTable:
    """Trimmed means of each lane and window from the windows' bins, windows in rising order.

    states: window number to its state, or states of several lots that shared it.
    """
    lanes = tuple(sorted({n for listed in states.values() for s in listed for n in s.lanes if n}))
    shape = (len(lanes), len(states))
    n, centre = np.zeros(shape, np.int64), np.full(shape, np.nan)
    se = np.full(shape, np.nan)
    kind = MEASURES[measure]
    quantum = float(kind.quantum)
    for column, index in enumerate(sorted(states)):
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


def lane_view(
    *, states: Mapping[int, WindowState], measure: str, allowance: float
) -> LaneView:
    """The lanes of a measure followed through the lot's closed windows, in rising order."""
    table = lane_table_of(states={i: (state,) for i, state in states.items()}, measure=measure)
    if len(table.lanes) < 2 or not states:
        return LaneView(measure, (), False, {})
    readings = follow(table=table, rules=rules_for(lanes=len(table.lanes), allowance=allowance))
    last = readings[-1]
    return LaneView(measure, tuple(
        LaneFinding(lane, _number(last.offset[i]), _number(last.se[i]), int(last.level[i]))
        for i, lane in enumerate(table.lanes)), last.diverge, _since(readings, table, list(states)))


def _since(
    readings: Sequence[LaneReading], table: LaneTable, indexes: Sequence[int]
) -> dict[int, int]:
    found = {}
    for i, lane in enumerate(table.lanes):
        acts = [r.level[i] == 2 for r in readings]
        if acts[-1]:
            quiet = max((k for k, act in enumerate(acts) if not act), default=-1)
            found[lane] = indexes[quiet + 1]
    return found


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def status_of(points: Iterable[TrackPoint]) -> str:
    """What the newest judged window says: quiet, look, act, or learning."""
    return next((p.status for p in reversed(list(points))
                 if p.status in ("quiet", "look", "act", "learning")), "learning")

