"""What the store knows about two stretches of a line: windows, lanes, checks, hands.

Each fact of the three-way answer is gathered here from where it was kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading.drift.cells import LaneTable
from grading.drift.evidence import (
    Estimate,
    LaneLevel,
    LaneOffset,
    MeasureFacts,
    SensorFlag,
    SensorState,
    Share,
    Side,
)
from grading.drift.lanes import against_others, window_levels
from grading.drift.onset import Onset, find_onset
from grading.monitor.health import health
from grading.monitor.state import WindowState
from grading.quantities import MEASURES
from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.board import lane_table_of
from service.context import Context
from service.lines import Line
from service.lots import MINUTE, LotState
from service.store.checks import CheckRow, checks_between
from service.store.group import LINE
from service.store.pulls import PULLS, Pull
from service.store.reader import chunk_rows

ONSET_CHANCE: Final = 0.001
"""An onset that chance gives more often than this is not told; common practice, no source."""
UNSORTED: Final = ("receiving", "line_check")
"""Purposes of pulls whose fruit the line has not sorted yet."""
CHECK_HOLDS_MS: Final = 12 * 3_600_000
"""How long before a stretch a check may lie and still speak for its sensor, if the stretch is
the earlier one; common practice (checked once a shift), no source."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What matters in one measure, in its unit; common practice, no source.

    margin: smallest shift worth acting on. allowance: between lanes. paired_sd: of single
    differences of fruit measured both ways. standing_se: how well a line is known to be right
    when nobody checked.
    """

    margin: float
    allowance: float
    paired_sd: float


MEASURED: Final = {"diameter": Asked(0.4, 0.15, 0.9), "hue": Asked(1.5, 1.0, 3.0)}
SIGNS: Final[dict[str, SensorState]] = {
    "silent": "silent", "frozen": "frozen", "repeated": "duplicated", "too_even": "smoothed",
    "impossible": "impossible"}


@dataclass(frozen=True, slots=True)
class Stretch:
    """Half-open stretch of time in Unix milliseconds."""

    from_ms: int
    until_ms: int

    def minutes(self) -> range:
        """Numbers of the whole minutes in it."""
        return range(-(-self.from_ms // MINUTE.size), self.until_ms // MINUTE.size)


@dataclass(frozen=True, slots=True)
class Window:
    """The windows of one stretch: (lot, minute, state), oldest first."""

    parts: tuple[tuple[LotState, int, WindowState], ...]

    def lots(self) -> list[LotState]:
        return list({lot.id: lot for lot, _, _ in self.parts}.values())

    def states(self) -> dict[int, list[WindowState]]:
        found: dict[int, list[WindowState]] = {}
        for _, minute, state in self.parts:
            found.setdefault(minute, []).append(state)
        return found

    def culls(self) -> Share:
        x = n = 0
        for lot, _, state in self.parts:
            x += int(state.grade_pack[:, len(lot.binding.compiled.grade_names) - 1].sum())
            n += state.fruit
        return Share(x=x, n=n)


def window_of(ctx: Context, line: Line, stretch: Stretch) -> Window:
    ids = {t.lot for t in line.turns if t.lot is not None} | {line.row.holding}
    wanted = stretch.minutes()
    parts = []
    for lot_id in ids:
        lot = ctx.lots.get(lot_id)
        series = lot.windows(reader=ctx.store.reader)
        parts += [(lot, m, s) for m, s in series.windows.items() if m in wanted and s.fruit]
    return Window(tuple(sorted(parts, key=lambda p: (p[1], p[0].id))))


def fruit_of(
    ctx: Context, lot: LotState, stretch: Stretch
) -> Iterator[tuple[FruitBatch, Verdicts]]:
    """The lot's line fruit whose own time lies in the stretch's whole minutes."""
    minutes = stretch.minutes()
    low, high = minutes.start * MINUTE.size, minutes.stop * MINUTE.size
    with ctx.store.reader.connection() as conn:
        conn.execute("BEGIN")
        for chunk in chunk_rows(conn=conn, lot=lot.id, kind=LINE):
            batch, verdicts = chunk.decode()
            times = batch.time_ms
            rows = np.flatnonzero(times.present & (times.values >= low) & (times.values < high))
            if len(rows):
                yield batch.take(rows=rows), verdicts.take(rows=rows)


def measure_facts(
    ctx: Context, line: Line, name: str, asked: Asked, a: Window, b: Window,
    stretches: tuple[Stretch, Stretch], sources: Sequence[str],
) -> MeasureFacts:
    tables = [lane_table_of(states=w.states(), measure=name) for w in (a, b)]
    levels = [window_levels(table=t) if t.lanes and t.centre.size else (np.array([]),) * 2
              for t in tables]
    both = [np.concatenate([x[k] for x in levels]) for k in (0, 1)]
    before, after = stretches
    sides = []
    for w, table, stretch in ((a, tables[0], before), (b, tables[1], after)):
        back = CHECK_HOLDS_MS if w is a else 0
        checks = _checks(ctx, sources, Stretch(stretch.from_ms - back, stretch.until_ms), name)
        paired, hand = _hand(ctx, line, stretch, name)
        sides.append(Side(lanes=_lane_levels(table), paired=paired, hand=hand, checks=checks,
                          flags=_flags(w, a if w is b else None, name)))
    return MeasureFacts(
        measure=name, unit=MEASURES[name].unit, a=sides[0], b=sides[1], margin=asked.margin,
        ordinary_sd=_ordinary(levels[0][0], levels[1][0]), allowance=asked.allowance,
        paired_sd=asked.paired_sd, onset=_sure(find_onset(values=both[0], se=both[1])))


def _sure(onset: Onset | None) -> Onset | None:
    return onset if onset is not None and onset.chance < ONSET_CHANCE else None


def _lane_levels(table: LaneTable) -> tuple[LaneLevel, ...]:
    """Every lane over all windows of a table; the se holds what its distance from the others
    does between windows, where that is more than its fruit explain."""
    if not table.lanes or not table.centre.size:
        return ()
    effects = np.array([against_others(centre=table.centre[:, w], se=table.se[:, w]).effect
                        for w in range(table.centre.shape[1])]).T
    found = []
    for i, lane in enumerate(table.lanes):
        good = np.isfinite(table.centre[i]) & np.isfinite(table.se[i])
        k = int(good.sum())
        if not k:
            continue
        weight = table.n[i][good] / table.n[i][good].sum()
        own = math.sqrt(float((weight**2 * table.se[i][good] ** 2).sum()))
        scatter = effects[i][np.isfinite(effects[i])]
        between = float(scatter.std(ddof=1)) / math.sqrt(len(scatter)) if len(scatter) > 2 else 0.0
        found.append(LaneLevel(lane=lane, centre=float((weight * table.centre[i][good]).sum()),
                               se=max(own, between)))
    return tuple(found)


def _ordinary(a: np.ndarray, b: np.ndarray) -> float:
    """Standard deviation of the difference of two stretches' levels that quiet running gives,
    from how the earlier one swings about itself: neighbours alike (AR(1)) count for less."""
    level = a[np.isfinite(a)]
    if len(level) < 4 or not len(b):
        return 0.0
    centred = level - level.mean()
    variance = float((centred**2).sum()) / (len(level) - 1)
    if variance == 0.0:
        return 0.0
    phi = float((centred[1:] * centred[:-1]).sum() / (centred**2).sum())
    phi = min(max(phi + (1 + 4 * phi) / len(level), 0.0), 0.9)  # Kendall's correction of its bias
    longer = (1 + phi) / (1 - phi)
    return math.sqrt(variance * longer * (1 / len(level) + 1 / len(b)))


def share_sd(a: Window, b: Window) -> float:
    """The same of the cull share."""
    shares = []
    for states in (a.states(), b.states()):
        by_minute = {m: sum(s.fruit for s in listed) for m, listed in states.items()}
        culls = {m: 0 for m in states}
        for lot, m, state in (a.parts if states == a.states() else b.parts):
            culls[m] += int(state.grade_pack[:, len(lot.binding.compiled.grade_names) - 1].sum())
        shares.append(np.array([culls[m] / n for m, n in sorted(by_minute.items()) if n]))
    return _ordinary(shares[0], shares[1])


def _flags(window: Window, before: Window | None, measure: str) -> tuple[SensorFlag, ...]:
    """Sensor states in the newest minutes that no fruit explains."""
    found = set()
    for lot in window.lots():
        mine = [s for other, _, s in window.parts if other is lot]
        earlier = [s for other, _, s in before.parts if other is lot] if before else []
        together = mine[0]
        for state in mine[1:]:
            together = together.merge(state)
        old = None
        for state in earlier:
            old = state if old is None else old.merge(state)
        for sign in health(state=together, before=old):
            if sign.sign in SIGNS and sign.measure in ("", measure):
                found.add(SensorFlag(lane=sign.lane, state=SIGNS[sign.sign]))
    return tuple(sorted(found, key=lambda f: (f.lane, f.state)))


def _checks(
    ctx: Context, sources: Sequence[str], stretch: Stretch, measure: str
) -> tuple[LaneOffset, ...]:
    """Reference objects passed in a stretch, by lane: mean of reading less known value. A single
    reading has no spread of its own; it is given that of all lanes."""
    rows: list[CheckRow] = []
    with ctx.store.reader.connection() as conn:
        for source in sources:
            rows += checks_between(conn, source=source, from_ms=stretch.from_ms,
                                   until_ms=stretch.until_ms)
    lanes: dict[int, list[float]] = {}
    for row in rows:
        if row.measure == measure:
            lanes.setdefault(row.lane, []).append(row.reading - row.known)
    inside = [np.array(v) - np.mean(v) for v in lanes.values() if len(v) > 1]
    quantum = float(MEASURES[measure].quantum)
    if inside:
        df = sum(len(v) - 1 for v in inside)
        spread = math.sqrt(sum(float((v**2).sum()) for v in inside) / df)
    else:
        spread = MEASURED[measure].margin / 4
    return tuple(
        LaneOffset(lane=lane, offset=float(np.mean(v)),
                   se=max(spread, quantum) / math.sqrt(len(v)))
        for lane, v in sorted(lanes.items()))


def _hand(
    ctx: Context, line: Line, stretch: Stretch, measure: str
) -> tuple[Estimate | None, Estimate | None]:
    """(bias, line less hand, of fruit measured both ways; level of fruit measured by hand)."""
    lots = {t.lot for t in line.turns if t.lot is not None} | {line.row.holding}
    with ctx.store.reader.connection() as conn:
        pulls = [p for p in PULLS.select(
            conn, where="drawn_ms >= ? AND drawn_ms < ?",
            params=(stretch.from_ms, stretch.until_ms)) if p.lot in lots]
    differences: list[float] = []
    levels: list[float] = []
    for pull in pulls:
        for k, value in _values(ctx, pull, measure):
            if pull.purpose in UNSORTED:
                levels.append(value)
            twin = pull.body["fruit"][k].get("line_fruit")
            read = None if twin is None else _line_reading(ctx, twin, measure)
            if read is not None:
                differences.append(_apart(read, value, measure))
    return _estimate(differences), _estimate(levels)


def _values(ctx: Context, pull: Pull, measure: str) -> Iterator[tuple[int, float]]:
    """(position, value) of the pull's fruit that were read."""
    for k in range(len(pull.body["fruit"])):
        found = ctx.store.reader.fruit(source=f"pull:{pull.id}", run="1", seq=k)
        column = None if found is None else found.batch.measures.get(measure)
        if column is not None and column.present[0]:
            yield k, MEASURES[measure].value(quanta=int(column.values[0]))


def _line_reading(ctx: Context, twin: dict[str, object], measure: str) -> float | None:
    found = ctx.store.reader.fruit(
        source=str(twin["source"]), run=str(twin["run"]), seq=int(str(twin["seq"])))
    column = None if found is None else found.batch.measures.get(measure)
    if column is None or not column.present[0]:
        return None
    return MEASURES[measure].value(quanta=int(column.values[0]))


def _apart(line: float, hand: float, measure: str) -> float:
    """Line less hand; hues the short way round."""
    gap = line - hand
    return (gap + 180.0) % 360.0 - 180.0 if measure == "hue" else gap


def _estimate(values: Sequence[float]) -> Estimate | None:
    n = len(values)
    if n < 2:
        return None
    sd = float(np.std(values, ddof=1))
    return Estimate(value=float(np.mean(values)), se=sd / math.sqrt(n), n=n) if sd else None
