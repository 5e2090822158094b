"""What a source's reference readings say of each lane: charts, offset and scale, the last pass.

An occasion is judged by how well the lane had repeated itself before it, so no later reading
changes a verdict; limits come from the first 25 readings of each lane and object. A reading
corrects nothing by itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import NormalDist, median
from typing import Final

from grading.drift.checks import CheckChart, LaneCheck, check_chart, check_lane
from grading.quantities import MEASURES
from service.context import Context
from service.sources import Source
from service.store.checks import CHECKS, CheckRow

TOLERANCES: Final = {
    "diameter": 0.3, "circumference": 1.0, "mass": 2.0, "hue": 1.5, "chroma": 2.0, "ground": 0.03,
    "blush": 0.03, "sugar": 0.3, "firmness": 2.0, "tip": 0.1, "pulp": 0.5}
"""Largest error accepted at a cut, in the measure's unit; common practice, no source."""
BASELINE: Final = 25
RANGES_LEAST: Final = 5
"""Differences between neighbouring readings that tell how well a lane repeats itself."""
MEDIAN_RANGE: Final = math.sqrt(2.0) * NormalDist().inv_cdf(0.75)
"""Median difference of two normal readings, 0.954 sd; an adjustment among them hardly moves it."""
BEYOND: Final = 0.1
"""Part of the span of the objects by which their line is trusted outside it."""


@dataclass(frozen=True, slots=True)
class Occasion:
    """A lane's readings of one check, judged. person: who made it; note: what they said;
    repeat_sd: of single readings of one object, from what was read before."""

    at_ms: int
    person: str
    note: str
    repeat_sd: float
    found: LaneCheck


@dataclass(frozen=True, slots=True)
class ObjectChart:
    """One object's errors in time. chart: None with a single reading."""

    object: str
    rows: tuple[CheckRow, ...]
    chart: CheckChart | None

    @property
    def errors(self) -> list[float]:
        return [r.reading - r.known for r in self.rows]


@dataclass(frozen=True, slots=True)
class LaneChart:
    """One lane and measure. last_good: the newest occasion that passed; None if none ever did.
    beyond: cuts too far from the newest occasion's objects to be told by them."""

    lane: int
    measure: str
    occasions: tuple[Occasion, ...]
    objects: tuple[ObjectChart, ...]
    beyond: tuple[float, ...]

    @property
    def last(self) -> Occasion:
        return self.occasions[-1]

    @property
    def last_good(self) -> Occasion | None:
        return next((o for o in reversed(self.occasions) if o.found.judgement == "pass"), None)


def check_charts(
    ctx: Context, *, source: Source, measure: str | None = None, tolerance: float | None = None,
    known_u: float = 0.0,
) -> tuple[LaneChart, ...]:
    """Every lane and measure that was ever checked, by measure and lane. tolerance: in place of
    the usual one; known_u: standard uncertainty of the known values. Reads the store."""
    with ctx.store.reader.connection() as conn:
        rows = CHECKS.select(conn, where="source = ? ORDER BY measure, lane, at_ms, id",
                             params=(source.id,))
    found = []
    for name, of_measure in groupby(rows, key=lambda r: r.measure):
        if measure in (None, name):
            found += list(_measure(
                list(of_measure), cuts=cuts_of(ctx, source, name), known_u=known_u,
                tolerance=TOLERANCES[name] if tolerance is None else tolerance))
    return tuple(found)


def cuts_of(ctx: Context, source: Source, measure: str) -> list[float]:
    """The cuts of the standard that the source's line packs under now; none without a line."""
    line = ctx.lines.get(source.is_.line or "")
    if line is None:
        return []
    used = ctx.lots.get(line.lot or line.row.holding).binding.compiled.decider.measures_used()
    return [MEASURES[measure].value(quanta=q) for q in used.get(measure, [])]


def last_good_of(charts: Sequence[LaneChart], *, lanes: int) -> int | None:
    """When the last of the source's lanes passed (Unix ms); None while one never did. charts:
    of one measure. A check without a lane speaks for all of them."""
    passed = {c.lane: None if c.last_good is None else c.last_good.at_ms for c in charts}
    if 0 in passed and len(passed) == 1:
        return passed[0]
    times = [passed.get(lane) for lane in range(1, lanes + 1)]
    known = [t for t in times if t is not None]
    return min(known) if len(known) == len(times) else None


def _measure(
    rows: list[CheckRow], *, cuts: list[float], tolerance: float, known_u: float
) -> Iterator[LaneChart]:
    lanes = {lane: list(mine) for lane, mine in groupby(rows, key=lambda r: r.lane)}
    ranges = {lane: _ranges(mine) for lane, mine in lanes.items()}
    every = sorted(r for mine in ranges.values() for r in mine)
    least = float(MEASURES[rows[0].measure].quantum)
    for lane, mine in lanes.items():
        def repeat_sd(at_ms: int, own: list[tuple[int, float]] = ranges[lane]) -> float:
            for known in (own, every):
                before = [size for at, size in known if at < at_ms]
                if len(before) >= RANGES_LEAST:
                    return max(median(before) / MEDIAN_RANGE, least)
            return tolerance / 4.0

        yield _lane(lane, mine, repeat_sd, cuts, tolerance, known_u)


def _by_object(rows: Sequence[CheckRow]) -> dict[str, list[CheckRow]]:
    found: dict[str, list[CheckRow]] = {}
    for row in rows:
        found.setdefault(row.object, []).append(row)
    return found


def _ranges(rows: Sequence[CheckRow]) -> list[tuple[int, float]]:
    """(when, difference) of neighbouring readings of one object, of the first ones only."""
    return sorted(
        (b.at_ms, abs((b.reading - b.known) - (a.reading - a.known)))
        for mine in _by_object(rows).values() for a, b in pairwise(mine[:BASELINE]))


def _lane(
    lane: int, rows: list[CheckRow], repeat_sd: Callable[[int], float], cuts: list[float],
    tolerance: float, known_u: float,
) -> LaneChart:
    measure = rows[0].measure
    occasions = []
    told: list[float] = []
    for _, readings in groupby(rows, key=lambda r: r.at_ms):
        now = list(readings)
        told = _near(cuts, now)
        sd = repeat_sd(now[0].at_ms)
        occasions.append(Occasion(now[0].at_ms, now[0].person, now[0].note, sd, check_lane(
            lane=lane, known=[r.known for r in now], reading=[r.reading for r in now], cuts=told,
            tolerance=tolerance, unit=MEASURES[measure].unit, repeat_sd=sd, known_u=known_u)))
    charts = [ObjectChart(name, tuple(mine), check_chart(
        errors=[r.reading - r.known for r in mine], tolerance=tolerance, known_u=2 * known_u,
        baseline=BASELINE) if len(mine) > 1 else None)
        for name, mine in sorted(_by_object(rows).items())]
    return LaneChart(lane, measure, tuple(occasions), tuple(charts),
                     tuple(c for c in cuts if c not in told))


def _near(cuts: Sequence[float], rows: Sequence[CheckRow]) -> list[float]:
    """The cuts among the objects, or little beyond the outermost."""
    low, high = min(r.known for r in rows), max(r.known for r in rows)
    reach = BEYOND * (high - low)
    return [c for c in cuts if low - reach <= c <= high + reach]
