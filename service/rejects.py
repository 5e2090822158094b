"""The reject chart of a line: cull share window by window, through its lots, as of any time.

The chart is `grading.monitor.tracks.Track`: every lot starts its own baseline, the spread between
windows is pooled within lots, each window is judged by itself (Laney's p' limits) and by the EWMA
of its distance. It runs from the beginning of each lot whatever stretch is shown, so a past board
is drawn again as it was.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from grading.monitor.budget import Budget, levels_for
from grading.monitor.series import Span
from grading.monitor.shares import FRUIT_MIN, Dispersion, Spread, dispersion_test, p_chart
from grading.monitor.tracks import Track, TrackPoint, TrackWindow
from grading.quantities import Integers
from service.context import Context
from service.cull_table import CULLS, FRUIT, MINUTE_MS, NO_MINUTE, NOTHING
from service.culls import by_line, line_of
from service.evidence import Stretch
from service.lines import Line
from service.lots import WEEK_WINDOWS, LotState
from service.store.group import LINE
from service.store.reader import chunk_rows

BEFORE: Final = 6
"""Lots before the stretch whose spread between windows is known to the chart."""
WINDOWS_MOST: Final = 5_000
LATE_MS: Final = 86_400_000
"""Fruit are taken to come in no more than a day before their own time."""
UNSURE: Final = 0.01
"""Windows more alike than chance does this often call for a look at the data."""


class TooManyWindows(Exception):
    """More windows than an answer holds."""


@dataclass(frozen=True, slots=True)
class Counted:
    """Fruit and culls of one window. from_ms, until_ms: the window itself, or by fruit count the
    times of its first and last fruit (None where they told none). closed: no more will come."""

    lot: str
    index: int
    n: int
    culls: int
    from_ms: int | None
    until_ms: int | None
    closed: bool
    run: str = ""


@dataclass(frozen=True, slots=True)
class LotChart:
    """What the windows of one lot say together, as far as they are used (200 fruit or more).

    pbar: pooled share. spread: Laney's sigma_z and the long-term one. dispersion: the test of
    both against chance; alike: they differ less than chance allows.
    """

    lot: str
    windows: int
    used: int
    pbar: float | None
    spread: Spread
    dispersion: Dispersion | None

    @property
    def alike(self) -> bool:
        return self.dispersion is not None and self.dispersion.chance_under < UNSURE


@dataclass(frozen=True, slots=True)
class Rejects:
    """points: (window, how it is judged) inside the stretch; None where it is still open."""

    stretch: Stretch
    span: Span
    points: tuple[tuple[Counted, TrackPoint | None], ...]
    lots: tuple[LotChart, ...]
    track: Track
    undated: int


@lru_cache(maxsize=64)
def track_for(*, windows_per_week: int) -> Track:
    """The chart whose window and trend together give one false alarm a week."""
    return Track(levels=levels_for(budget=Budget(charts=2, windows_per_week=windows_per_week)))


def rejects(ctx: Context, *, line: Line, stretch: Stretch | None, span: Span) -> Rejects:
    """The chart. Without a stretch: the newest eight hours. Reads the store: call it on a worker
    thread. Raises TooManyWindows."""
    if stretch is None:
        newest = _newest(ctx, line)
        stretch = Stretch(newest - 8 * 3_600_000, newest)
    lots = _lots(ctx, line, stretch.from_ms)
    windows: list[Counted] = []
    undated = 0
    for lot in lots:
        live = lot.id == (line.lot or line.row.holding) and not lot.closed
        if span.kind == "time":
            found, without = _by_time(ctx, lot, line.row.id, span, live)
            undated += without
        else:
            found = _by_fruit(ctx, lot, line.row.id, span, live)
        windows += found
    windows.sort(key=lambda w: (w.from_ms is None, w.from_ms or 0, w.lot, w.index))
    track = track_for(windows_per_week=_per_week(windows, span))
    _, points = track.run(windows=[TrackWindow(
        index=w.index, lot=w.lot, n=w.n, value=w.culls / w.n) for w in windows if w.closed])
    judged = iter(points)
    every = [(w, next(judged) if w.closed else None) for w in windows]
    shown = [(w, p) for w, p in every if w.from_ms is None or (
        w.from_ms < stretch.until_ms and (w.until_ms or 0) > stretch.from_ms)]
    if len(shown) > WINDOWS_MOST:
        raise TooManyWindows
    inside = {w.lot for w, _ in shown}
    return Rejects(stretch, span, tuple(shown), tuple(
        _lot_chart(name, [w for w in windows if w.lot == name and w.closed])
        for name in dict.fromkeys(w.lot for w in windows) if name in inside), track, undated)


def _lot_chart(lot: str, windows: list[Counted]) -> LotChart:
    used = [w for w in windows if w.n >= FRUIT_MIN]
    x, n = [w.culls for w in used], [w.n for w in used]
    return LotChart(
        lot, len(windows), len(used), sum(x) / sum(n) if used else None,
        p_chart(x=x, n=n).spread if len(used) > 1 else Spread(), dispersion_test(x=x, n=n))


def _per_week(windows: list[Counted], span: Span) -> int:
    """Windows a week of running, to two digits, from which the limits follow."""
    if span.kind == "time":
        per_minute = MINUTE_MS / span.size
    else:
        timed = [w for w in windows if w.from_ms is not None and w.until_ms is not None]
        minutes = sum((w.until_ms or 0) - (w.from_ms or 0) for w in timed) / MINUTE_MS
        per_minute = len(timed) / max(minutes, 1.0)
    return max(int(float(f"{WEEK_WINDOWS * per_minute:.2g}")), 1)


def _newest(ctx: Context, line: Line) -> int:
    """The end of the newest minute with fruit of the line's latest lots."""
    for lot in reversed(_lots(ctx, line, None)):
        minutes = [int(c.minutes[-1]) for c in lot.culls(
            reader=ctx.store.reader).by_source.values() if len(c.keys)]
        if minutes and max(minutes) != NO_MINUTE:
            return (max(minutes) + 1) * MINUTE_MS
    return ctx.clock.now_ms()


def _lots(ctx: Context, line: Line, from_ms: int | None) -> list[LotState]:
    """The line's lots whose fruit can be of that time or later, and some before them, in the
    order in which their fruit last came in."""
    wanted = {t.lot for t in line.turns if t.lot is not None} | {line.row.holding}

    def read(conn: sqlite3.Connection) -> list[tuple[str, int]]:
        rows = conn.execute("SELECT lot, max(received_ms) FROM chunk WHERE kind = ? GROUP BY lot"
                            " ORDER BY max(id)", (LINE,)).fetchall()
        return [(lot, last) for lot, last in rows if lot in wanted]

    found = ctx.store.reader.read(read)
    if from_ms is not None:
        first = next((i for i, (_, last) in enumerate(found) if last >= from_ms - LATE_MS),
                     len(found))
        found = found[max(first - BEFORE, 0):]
    return [ctx.lots.get(lot) for lot, _ in found]


def _by_time(
    ctx: Context, lot: LotState, line: str, span: Span, live: bool
) -> tuple[list[Counted], int]:
    """(windows of whole minutes, fruit without a time)."""
    counts = dict(by_line(ctx, lot)).get(line, NOTHING)
    dated = counts.minutes != NO_MINUTE
    without = int(counts.column(FRUIT)[~dated].sum())
    counts = counts.take(dated)
    index, at = np.unique(counts.minutes * MINUTE_MS // span.size, return_inverse=True)
    n, culls = (np.bincount(at, weights=counts.column(c), minlength=len(index)).astype(np.int64)
                for c in (FRUIT, CULLS))
    now = ctx.clock.now_ms()
    return [Counted(
        lot.id, i, int(n[k]), int(culls[k]), i * span.size, (i + 1) * span.size,
        not live or (i + 1) * span.size <= now) for k, i in enumerate(index.tolist())], without


def _by_fruit(
    ctx: Context, lot: LotState, line: str, span: Span, live: bool
) -> list[Counted]:
    """Windows of so many numbers of one run; the newest of each run of a live lot is open."""
    sums: dict[tuple[str, str, int], list[int]] = {}
    of_line = line_of(ctx, lot)
    with ctx.store.reader.connection() as conn:
        conn.execute("BEGIN")
        for chunk in chunk_rows(conn=conn, lot=lot.id, kind=LINE):
            if of_line(chunk.source) != line:
                continue
            batch, verdicts = chunk.decode()
            culled = verdicts.grade == lot.cull
            times = np.where(batch.time_ms.present, batch.time_ms.values, -1)
            for index, rows in _seq_windows(batch.seq, span.size):
                key = (chunk.source, chunk.run, index)
                now = sums.setdefault(key, [0, 0, -1, -1])
                now[0] += len(rows)
                now[1] += int(culled[rows].sum())
                told = times[rows][times[rows] >= 0]
                if len(told):
                    now[2] = min(int(told.min()), now[2]) if now[2] >= 0 else int(told.min())
                    now[3] = max(int(told.max()) + 1, now[3])
    newest: dict[tuple[str, str], int] = {}
    for source, run, index in sums:
        newest[source, run] = max(index, newest.get((source, run), -1))
    return [Counted(
        lot.id, index, n, culls, None if first < 0 else first, None if last < 0 else last,
        not live or index < newest[source, run], f"{source} {run}")
        for (source, run, index), (n, culls, first, last) in sorted(sums.items())]


def _seq_windows(seq: Integers, size: int) -> Iterator[tuple[int, Integers]]:
    index = seq // size
    order = np.argsort(index, kind="stable")
    edges = [0, *(np.flatnonzero(np.diff(index[order])) + 1).tolist(), len(order)]
    for start, stop in itertools.pairwise(edges):
        yield int(index[order[start]]), order[start:stop]
