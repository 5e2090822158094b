"""What a line's board shows, from the windows of its lots. Only what follows from closed minutes is
kept, for as long as they stay as they are.

A board is made from the fruit's one-minute windows of the lot that the line packs now and of
those before it on the same day, so any past one can be made again from the store.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final
from weakref import WeakKeyDictionary

from grading.intervals import clopper_pearson
from grading.monitor.budget import Budget, levels_for
from grading.monitor.series import NO_TIME, WindowSeries
from grading.monitor.state import WindowState, merged
from grading.monitor.tracks import Track, TrackPoint, TrackState, TrackWindow
from service.earlier import as_they_were, newest, still_kept
from service.lane_views import LANE_MEASURES, Followed, LaneView, followed
from service.lots import MINUTE, WEEK_WINDOWS, LotState
from service.priority import let_fruit_pass
from service.store.sources import AssignmentRow

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

RECENT: Final = 10
TREND: Final = 120
BEFORE: Final = 6


@lru_cache(maxsize=1)
def reject_track() -> Track:
    """The chart of a line's cull share: two charts (window, trend), one false act a week."""
    return Track(levels=levels_for(budget=Budget(charts=2, windows_per_week=WEEK_WINDOWS)))


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
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
    let_fruit_pass()
    end = None if at_ms is None else at_ms // MINUTE.size
    dated = [i for i in series.windows
             if i != NO_TIME // MINUTE.size and (end is None or i < end)]
    cull = len(lot.binding.compiled.grade_names) - 1
    closed = dated[:-1] if end is None else dated
    fruit = {i: series.figures[i].fruit for i in closed}
    settled = _settled(series, fruit) if end is not None else _kept(lot, series, fruit)
    let_fruit_pass()
    recent = merged(states=[settled.recent, *(series.windows[i] for i in dated[len(closed):])],
                    shape=series.shape)
    let_fruit_pass()
    counted = {i: series.figures[i].fruit for i in (series.figures if end is None else dated)}
    return Board(
        line=line.row.id, lot=lot, between=not turns or turns[-1].lot is None,
        since_ms=turns[-1].at_ms if turns else None, person=turns[-1].person if turns else "",
        fruit=sum(counted.values()), undated=counted.get(NO_TIME // MINUTE.size, 0),
        per_s=series.figures[closed[-1]].fruit / (MINUTE.size / 1000) if closed else None,
        latest_ms=(dated[-1] + 1) * MINUTE.size if dated else None,
        recent=recent, culls=culls_of(recent, cull=cull), trend=trend(ctx, turns, lot, end),
        lanes=tuple(one.view for one in settled.lanes))


_Counts = dict[str, dict[int, int]]
"""By lot, the fruit of each of its dated minutes."""


@dataclass(frozen=True, slots=True)
class _Settled:
    """What follows from a lot's closed minutes alone. fruit: by minute. recent: the newest nine
    together, or on a past board ten."""

    fruit: dict[int, int]
    lanes: tuple[Followed, ...]
    recent: WindowState


@dataclass(frozen=True, slots=True)
class _Judged:
    """The trend of a line's closed minutes. counts: their fruit. points: of every window. states:
    by how many windows they come after."""

    counts: _Counts
    trend: Trend
    points: tuple[TrackPoint, ...]
    states: dict[int, TrackState]


_KEPT: WeakKeyDictionary[LotState, _Settled] = WeakKeyDictionary()
_JUDGED: WeakKeyDictionary[LotState, _Judged] = WeakKeyDictionary()


def _kept(lot: LotState, series: WindowSeries, fruit: dict[int, int]) -> _Settled:
    """The same as long as no fruit come late: a board asks every second, of hours of minutes."""
    found = _KEPT.get(lot)
    if found is None or found.fruit != fruit:
        found = _KEPT[lot] = _settled(
            series, fruit, recent=RECENT - 1, before=found.lanes if found else None)
    return found


def forget(lot: LotState) -> None:
    """Let go of what was kept of a lot; it is made again when its board is asked for."""
    _KEPT.pop(lot, None)
    _JUDGED.pop(lot, None)


def _settled(
    series: WindowSeries, fruit: dict[int, int], *, recent: int = RECENT,
    before: tuple[Followed, ...] | None = None,
) -> _Settled:
    return _Settled(
        fruit,
        tuple(followed(series=series, fruit=fruit, measure=name, before=found)
              for name, found in zip(LANE_MEASURES, before or (None,) * len(LANE_MEASURES),
                                   strict=True)),
        merged(states=[series.windows[i] for i in list(fruit)[-recent:]], shape=series.shape))


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
    if known is not None and known.counts == counts:
        return known.trend
    windows = [w for one in lots
               for w in series[one.id].share_windows(
                   grades=[len(one.binding.compiled.grade_names) - 1])
               if w.index in counts[one.id]]
    windows.sort(key=lambda w: w.index)
    judged = _judged(windows, counts, known)
    if end is None:
        _JUDGED[lot] = judged
    return judged.trend


def _judged(windows: Sequence[TrackWindow], counts: _Counts, before: _Judged | None) -> _Judged:
    """Gone on from what is known of the windows that are as they were."""
    base, points, states = 0, [], {}
    if before is not None:
        base = newest(before.states, upto=as_they_were((p.window for p in before.points), windows))
        points = list(before.points[:base])
        states = {k: state for k, state in before.states.items() if k <= base}
    track = reject_track()
    state = states[base] if base else track.start()
    for window in windows[base:]:
        let_fruit_pass()
        state, point = track.step(state=state, window=window)
        points.append(point)
        states[len(points)] = state
    shown = tuple(points[-TREND:])
    starts = tuple((p.window.index, p.window.lot) for k, p in enumerate(shown)
                   if not k or p.window.lot != shown[k - 1].window.lot)
    return _Judged(counts, Trend(shown, starts), tuple(points),
                   still_kept(states, steps=len(points)))


def status_of(points: Iterable[TrackPoint]) -> str:
    """What the newest judged window says: quiet, look, act, or learning."""
    return next((p.status for p in reversed(list(points))
                 if p.status in ("quiet", "look", "act", "learning")), "learning")

