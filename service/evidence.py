"""What the store knows about two stretches of a line: windows, lanes, checks, hands.

Each fact of the three-way answer is gathered here from where it was kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

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
from grading.drift.swing import ordinary_sd
from grading.monitor.girth import Girth, girth_table
from grading.monitor.health import health
from grading.monitor.state import WindowState
from grading.quantities import MEASURES
from grading.reasons import Reason
from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.lane_views import LANE_LEAST, lane_table_of
from service.lots import MINUTE, LotState
from service.store.checks import CheckRow, checks_between
from service.store.group import LINE
from service.store.pulls import PULLS
from service.store.reader import chunk_rows
from service.watch.quantities import LEVELS, SHARES

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

ONSET_CHANCE: Final = 0.001
"""An onset that chance gives more often than this is not told; common practice, no source."""
DEFECTS: Final = [Reason.DEFECT, Reason.SERIOUS_DEFECT, Reason.DECAY, Reason.DEFECT_EXTENT_OPEN]
"""Marks of defects, counted among all fruit."""
UNSORTED: Final = ("receiving", "line_check")
"""Purposes of pulls whose fruit the line has not sorted yet."""
HOLDS_MS: Final = 12 * 3_600_000
"""How long before a stretch a check or paired pull may lie and still speak for its sensor, if the
stretch is the earlier one; common practice (checked once a shift), no source."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What matters in one measure, in its unit; common practice, no source.

    margin: smallest shift worth acting on. allowance: between lanes. paired_sd: of single
    differences of fruit measured both ways. checked_by: the measure whose reference objects and
    pulls speak for it. lanes_only: the whole line's level of it tells nothing.
    """

    margin: float
    allowance: float
    paired_sd: float
    checked_by: str = ""
    lanes_only: bool = False


MEASURED: Final = {
    "diameter": Asked(0.4, 0.15, 0.9), "hue": Asked(1.5, 1.0, 3.0),
    "girth": Asked(0.4, 0.1, 0.9, checked_by="diameter", lanes_only=True)}
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
class About:
    """What a comparison is about, where not everything of both stretches is asked for.

    lots: only their fruit; none for all. same_fruit: False where the fruit are known to differ
    or do not matter, so that the line's level tells nothing. outcome: the share that is explained,
    "culls" or "defects", or "" for none. rule: whether it is compared. holds_from_ms: checks and
    pulls before it do not speak for the earlier stretch any more.
    """

    lots: frozenset[str] = frozenset()
    same_fruit: bool = True
    outcome: str = "culls"
    rule: bool = True
    holds_from_ms: int = 0


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

    def minutes(self) -> list[int]:
        return sorted({minute for _, minute, _ in self.parts})

    def share(self, outcome: str) -> Share:
        """Culls, or marks of defects, of all fruit."""
        x = n = 0
        for lot, _, state in self.parts:
            x += counted(lot, state, outcome)
            n += state.fruit
        return Share(x=min(x, n), n=n)


def counted(lot: LotState, state: WindowState, outcome: str) -> int:
    """Fruit of a window that an outcome counts: culls, or those with marks of defects."""
    if outcome == "defects":
        return int(state.any_reason[:, :, DEFECTS].sum())
    return int(state.grade_pack[:, lot.cull].sum())


def window_of(ctx: Context, line: Line, stretch: Stretch, lots: frozenset[str] = frozenset()
              ) -> Window:
    """The windows of a line's lots, or of those named, in a stretch."""
    ids = lots or {t.lot for t in line.turns if t.lot is not None} | {line.row.holding}
    wanted = stretch.minutes()
    parts = []
    for lot_id in ids:
        lot = ctx.lots.get(lot_id)
        series = lot.windows(reader=ctx.store.reader)
        parts += [(lot, minute, series.windows[minute])
                  for minute, figures in series.figures.items()
                  if minute in wanted and figures.fruit]
    return Window(tuple(sorted(parts, key=lambda p: (p[1], p[0].id))))


Graded = tuple[str, FruitBatch, Verdicts]


def fruit_of(
    ctx: Context, lot: LotState, stretch: Stretch
) -> Iterator[tuple[FruitBatch, Verdicts]]:
    """The lot's line fruit whose own time lies in the stretch's whole minutes."""
    for _, batch, verdicts in graded_in(ctx, lot, stretch):
        yield batch, verdicts


def graded_in(ctx: Context, lot: LotState, stretch: Stretch) -> Iterator[Graded]:
    """The same with the digest of the rule that graded them."""
    minutes = stretch.minutes()
    low, high = minutes.start * MINUTE.size, minutes.stop * MINUTE.size
    with ctx.store.reader.connection() as conn:
        conn.execute("BEGIN")
        for chunk in chunk_rows(conn=conn, lot=lot.id, kind=LINE):
            batch, verdicts = chunk.decode()
            times = batch.time_ms
            rows = np.flatnonzero(times.present & (times.values >= low) & (times.values < high))
            if len(rows):
                yield chunk.digest, batch.take(rows=rows), verdicts.take(rows=rows)


def table_of(ctx: Context, w: Window, measure: str) -> LaneTable:
    """Lanes by minute of a window."""
    if measure != "girth":
        return lane_table_of(states=w.states(), measure=measure)
    minutes: dict[int, Girth] = {}
    for lot, minute, _ in w.parts:
        girth = lot.girth(reader=ctx.store.reader).minutes.get(minute)
        if girth is not None:
            minutes[minute] = girth.merge(minutes[minute]) if minute in minutes else girth
    return girth_table(minutes=minutes, least=LANE_LEAST)


def measure_facts(
    ctx: Context, line: Line, name: str, asked: Asked, a: Window, b: Window,
    stretches: tuple[Stretch, Stretch], sources: Sequence[str], about: About,
) -> MeasureFacts | None:
    """What is known of a measure in both stretches; None for one that only lanes tell, where no
    lane was read."""
    tables = [table_of(ctx, w, name) for w in (a, b)]
    if asked.lanes_only and not all(t.centre.size for t in tables):
        return None
    levels = [window_levels(table=t) if t.lanes and t.centre.size else (np.array([]),) * 2
              for t in tables]
    both = [np.concatenate([x[k] for x in levels]) for k in (0, 1)]
    before, after = stretches
    sides = []
    for w, table, stretch in ((a, tables[0], before), (b, tables[1], after)):
        back = max(stretch.from_ms - HOLDS_MS, about.holds_from_ms) if w is a else stretch.from_ms
        told = Stretch(min(back, stretch.from_ms), stretch.until_ms)
        checks = _checks(ctx, sources, told, asked.checked_by or name)
        paired, hand = (None, None) if asked.lanes_only else _hand(
            ctx, line, told, stretch, name, about.lots)
        sides.append(Side(lanes=_lane_levels(table), paired=paired, hand=hand, checks=checks,
                          flags=_flags(w, a if w is b else None, name)))
    swings = LEVELS.get(name)
    level = both[0][:len(levels[0][0])], both[1][:len(levels[0][0])]
    good = np.isfinite(level[0])
    ordinary = 0.0 if swings is None else ordinary_sd(
        values=level[0][good], se=level[1][good], at=np.array(a.minutes())[:len(good)][good],
        later=b.minutes(), swings=swings)
    return MeasureFacts(
        measure=name, unit=MEASURES[asked.checked_by or name].unit, a=sides[0], b=sides[1],
        margin=asked.margin, ordinary_sd=ordinary, allowance=asked.allowance,
        paired_sd=asked.paired_sd, onset=_sure(find_onset(values=both[0], se=both[1])),
        level=("lanes only" if asked.lanes_only else "compared" if about.same_fruit
               else "other fruit"))


def _sure(onset: Onset | None) -> Onset | None:
    return onset if onset is not None and onset.chance < ONSET_CHANCE else None


def _lane_levels(table: LaneTable) -> tuple[LaneLevel, ...]:
    """Every lane over all windows of a table: the line's level and the lane's own distance from
    it in the windows that it had fruit in. The se holds what its distance from the others does
    between windows, where that is more than its fruit explain."""
    if not table.lanes or not table.centre.size:
        return ()
    against = [against_others(centre=table.centre[:, w], se=table.se[:, w])
               for w in range(table.centre.shape[1])]
    effects = np.array([a.effect for a in against]).T
    common = np.array([a.common for a in against])
    level = float(common[np.isfinite(common)].mean()) if np.isfinite(common).any() else 0.0
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
        apart = float((weight * (table.centre[i] - common)[good]).sum())
        found.append(LaneLevel(lane=lane, centre=level + apart, se=max(own, between)))
    return tuple(found)


def share_sd(a: Window, b: Window, outcome: str) -> float:
    """Standard deviation of the difference of two stretches' shares that ordinary swings give."""
    x: dict[int, int] = {}
    n: dict[int, int] = {}
    for lot, minute, state in a.parts:
        x[minute] = x.get(minute, 0) + counted(lot, state, outcome)
        n[minute] = n.get(minute, 0) + state.fruit
    at = a.minutes()
    odds = np.array([(min(x[m], n[m]) + 0.5) / (n[m] - min(x[m], n[m]) + 0.5) for m in at])
    share = odds / (1.0 + odds)
    fruit = np.array([n[m] for m in at], np.float64)
    sd = ordinary_sd(values=np.log(odds), se=1.0 / np.sqrt(fruit * share * (1.0 - share)),
                     at=at, later=b.minutes(), swings=SHARES[outcome])
    p = float(share.mean()) if len(share) else 0.0
    return sd * p * (1.0 - p)


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
    return offsets_of(rows, measure)


def offsets_of(rows: Iterable[CheckRow], measure: str) -> tuple[LaneOffset, ...]:
    """Reading less known value of reference objects by lane."""
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
    ctx: Context, line: Line, told: Stretch, stretch: Stretch, measure: str, lots: frozenset[str]
) -> tuple[Estimate | None, Estimate | None]:
    """(bias, line less hand, of fruit measured both ways; level of fruit measured by hand). The
    bias of a sensor speaks for it longer than the level of fruit does for other fruit."""
    ours = {t.lot for t in line.turns if t.lot is not None} | {line.row.holding}
    with ctx.store.reader.connection() as conn:
        pulls = [p for p in PULLS.select(
            conn, where="drawn_ms >= ? AND drawn_ms < ?",
            params=(told.from_ms, told.until_ms)) if p.lot in ours]
    differences: list[float] = []
    levels: list[float] = []
    for pull in pulls:
        apart, read = ctx.watch.hands.of(pull).get(measure, ((), ()))
        differences += apart
        if pull.purpose in UNSORTED and pull.drawn_ms >= stretch.from_ms and (
                not lots or pull.lot in lots):
            levels += read
    return _estimate(differences), _estimate(levels)


def _estimate(values: Sequence[float]) -> Estimate | None:
    n = len(values)
    if n < 2:
        return None
    sd = float(np.std(values, ddof=1))
    return Estimate(value=float(np.mean(values)), se=sd / math.sqrt(n), n=n) if sd else None
