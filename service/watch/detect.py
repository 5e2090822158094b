"""What moves on a line, minute by minute: pure, and the same however the minutes were split up.

Lanes are followed through the day, since fruit reach all of them alike; levels and shares inside
one lot only, since another lot is other fruit. A minute of a cold line, or with too few fruit, is
not judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from grading.drift.onset import Shape
from grading.drift.swing import Moved, Swings, find_move
from grading.monitor.shares import FRUIT_MIN
from service.watch.dating import Level
from service.watch.finding import MINUTE_MS, Finding, Kind
from service.watch.lanes import Lanes
from service.watch.minutes import Minute
from service.watch.quantities import (
    ASKED,
    COLD_AFTER,
    LANES,
    LEVELS,
    OVER,
    SHARES,
    UNITS,
    WARM_UP,
    limits,
)

KEPT: Final = 2_000
"""Judged minutes kept."""
OF_LANE: Final = {"girth": "diameter", "diameter": "diameter", "hue": "hue"}
"""The measure that is off when lanes differ in another."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One window of a level or share: where it stands, as it is compared and as it is told."""

    index: int
    value: float
    se: float
    told: float


@dataclass(slots=True)
class Series:
    """A level or share through one lot. moved: the change that calls for action, if one does."""

    kind: Kind
    what: str
    swings: Swings
    readings: list[Reading] = field(default_factory=list)
    moved: Moved | None = None
    look: Moved | None = None

    def told(self, moved: Moved) -> tuple[float, float]:
        """(before, after) in the unit that people read."""
        values = [r.told for r in self.readings]
        return (float(np.mean(values[:moved.window])), float(np.mean(values[moved.window:])))

    def find(self) -> Moved | None:
        return find_move(
            values=[r.value for r in self.readings], se=[r.se for r in self.readings],
            at=[r.index for r in self.readings], swings=self.swings)

    def matters(self, moved: Moved, z: float) -> bool:
        before, after = self.told(moved)
        return abs(moved.z) > z and abs(after - before) >= self.swings.margin

    def back(self) -> bool:
        """Is it where it was before it moved?"""
        assert self.moved is not None
        if len(self.readings) - self.moved.window < 2 * OVER:
            return False
        now = float(np.mean([r.value for r in self.readings[-OVER:]]))
        return abs(now - self.moved.before) < abs(now - self.moved.after)


@dataclass(slots=True)
class Detector:
    """One line since its day began. found: everything that called for action within a day, by its
    key's first three parts and the minute in which it did."""

    lanes: dict[str, Lanes] = field(default_factory=lambda: {
        m: Lanes(m, learn=m == "girth") for m in LANES})
    series: dict[str, Series] = field(default_factory=dict)
    lot: str = ""
    rule: int = 0
    last: int | None = None
    warm_from: int = 0
    judged: list[tuple[int, str]] = field(default_factory=list)
    levels: dict[str, list[Level]] = field(default_factory=lambda: {m: [] for m in LEVELS})
    found: list[Finding] = field(default_factory=list)

    def step(self, minute: Minute) -> None:
        """One closed minute more, in time order."""
        if self.last is None or minute.index - self.last > COLD_AFTER:
            self.warm_from = minute.index + WARM_UP
            self._end(minute.index, "lane", "level", "share")
            self.lanes = {m: Lanes(m, learn=m == "girth") for m in LANES}
        self.last = max(minute.index, self.last or 0)
        if minute.lot != self.lot:
            self._next_lot(minute)
        elif minute.rule != self.rule:
            self._next_rule(minute)
        self.rule = minute.rule
        if minute.index < self.warm_from or minute.n < FRUIT_MIN:
            return
        self.judged = [*self.judged[-KEPT:], (minute.index, minute.lot)]
        for measure, table in minute.lanes.items():
            self.lanes[measure].step(index=minute.index, table=table)
        self._lane_findings(minute)
        for name, known in self.levels.items():
            value = minute.levels.get(name, (np.nan, np.nan))[0]
            if np.isfinite(value):
                self.levels[name] = [*known[-KEPT:], Level(minute.index, minute.lot, value)]
        for name, series in self.series.items():
            reading = _reading(name, minute)
            if reading is not None:
                series.readings.append(reading)
                self._judge(series, minute)

    def forget(self, *, before_ms: int) -> None:
        """Findings that were over by then."""
        self.found = [f for f in self.found if f.ended_ms is None or f.ended_ms >= before_ms]

    def _next_lot(self, minute: Minute) -> None:
        """Another lot is other fruit: what was found on the whole line ends with the old one."""
        self._end(minute.index, "level", "share")
        self.lot = minute.lot
        self.series = {name: Series("level", name, s) for name, s in LEVELS.items()} | _shares()

    def _next_rule(self, minute: Minute) -> None:
        """Another rule gives the same fruit other shares."""
        self._end(minute.index, "share")
        self.series |= _shares()

    def _end(self, index: int, *kinds: Kind) -> None:
        self.found = [replace(f, ended_ms=index * MINUTE_MS)
                      if f.open and f.kind in kinds else f for f in self.found]

    def _put(self, finding: Finding) -> None:
        """A finding in its newest form."""
        for place, known in enumerate(self.found):
            if known.key == finding.key:
                self.found[place] = finding
                return
        self.found.append(finding)

    def _open(self, kind: Kind, what: str, lane: int = 0) -> Finding | None:
        return next((f for f in self.found if f.open
                     and (f.kind, f.what, f.lane) == (kind, what, lane)), None)

    # --- lanes ----------------------------------------------------------------------------------

    def _lane_findings(self, minute: Minute) -> None:
        end_ms = (minute.index + 1) * MINUTE_MS
        calling: dict[tuple[str, int], Lanes] = {}
        for measure in LANES:
            for lane in self.lanes[measure].calling:
                calling.setdefault((OF_LANE[measure], lane), self.lanes[measure])
        for (what, lane), lanes in calling.items():
            known = self._open("lane", what, lane)
            if known is None or _asked(known, end_ms):
                self._put(self._lane_finding(what, lane, lanes, minute, end_ms, known))
            else:
                self._put(replace(known, ratio=lanes.ratio.get(lane, 0.0)))
        for f in self.found:
            if f.open and f.kind == "lane" and (f.what, f.lane) not in calling:
                self._put(replace(f, ended_ms=end_ms))

    def _lane_finding(
        self, what: str, lane: int, lanes: Lanes, minute: Minute, end_ms: int,
        known: Finding | None,
    ) -> Finding:
        # Girth dates a change of diameter far better than the diameter does.
        best = self.lanes["girth"] if what == "diameter" and lane in self.lanes[
            "girth"].numbers else lanes
        dated = best.onset(lane)
        low = high = at = minute.index
        shape: Shape = "step"
        size = lanes.offset(lane)
        if dated is not None and dated[0].chance < 1e-3:
            onset, minutes = dated
            at, shape = minutes[onset.window], onset.shape
            low, high = minutes[max(onset.low - 1, 0)], minutes[onset.high] + 1
            size = onset.size
        elif known is not None:
            at, low, high = (ms // MINUTE_MS for ms in (
                known.best_ms, known.from_ms, known.until_ms))
            shape = known.shape
        return Finding(
            kind="lane", what=what, lane=lane, lot=minute.lot if known is None else known.lot,
            best_ms=at * MINUTE_MS, from_ms=low * MINUTE_MS, until_ms=high * MINUTE_MS,
            shape=shape, size=size, unit=UNITS[what],
            ratio=lanes.ratio.get(lane, 0.0), found_ms=end_ms if known is None else known.found_ms)

    # --- levels and shares ----------------------------------------------------------------------

    def _judge(self, series: Series, minute: Minute) -> None:
        moved, level = series.find(), limits()
        series.look = moved if moved is not None and series.matters(moved, level.look) else None
        end_ms = (minute.index + 1) * MINUTE_MS
        if series.moved is None:
            if moved is not None and series.matters(moved, level.act):
                series.moved = moved
                self._put(self._finding(series, moved, minute.lot, end_ms))
            return
        known = self._open(series.kind, series.what)
        assert known is not None
        if series.back():
            self._put(replace(known, ended_ms=end_ms))
            series.readings, series.moved = series.readings[-OVER:], None
        elif moved is not None and _asked(known, end_ms) and (
                _near(moved, series.moved) or abs(moved.z) > abs(series.moved.z)):
            series.moved = moved
            self._put(self._finding(series, moved, minute.lot, known.found_ms))

    def _finding(self, series: Series, moved: Moved, lot: str, found_ms: int) -> Finding:
        before, after = series.told(moved)
        at = [r.index * MINUTE_MS for r in series.readings]
        return Finding(
            kind=series.kind, what=series.what, lot=lot, best_ms=at[moved.window],
            from_ms=at[max(moved.low - 1, 0)], until_ms=at[moved.high] + MINUTE_MS,
            size=after - before, unit=UNITS[series.what], ratio=abs(moved.z) / limits().act,
            found_ms=found_ms)

    def looks(self) -> Mapping[str, Moved]:
        """Levels and shares that are worth a look now."""
        return {name: s.look for name, s in self.series.items()
                if s.look is not None and s.moved is None}


def _near(a: Moved, b: Moved) -> bool:
    """Do two splits mean one change?"""
    return a.low <= b.high + OVER and a.high >= b.low - OVER


def _asked(finding: Finding, end_ms: int) -> bool:
    """Is it time to date a finding anew?"""
    return (end_ms - finding.found_ms) // MINUTE_MS in ASKED


def _shares() -> dict[str, Series]:
    return {name: Series("share", name, s) for name, s in SHARES.items()}


def _reading(name: str, minute: Minute) -> Reading | None:
    if name in SHARES:
        x, n = minute.shares[name], minute.n
        odds = (min(x, n) + 0.5) / (n - min(x, n) + 0.5)
        share = odds / (1.0 + odds)
        return Reading(minute.index, float(np.log(odds)),
                       1.0 / float(np.sqrt(n * share * (1.0 - share))), x / n)
    value, se = minute.levels.get(name, (np.nan, np.nan))
    return Reading(minute.index, value, se, value) if np.isfinite(value) else None
