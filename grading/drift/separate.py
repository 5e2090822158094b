"""One measure, two windows: how much of its shift is the sensor's and how much the fruit's.

y(lane, window) = fruit + lane's own error + error common to all lanes. Line data give the lanes'
errors; the common error c only ever comes from outside, so each source there is gives one value
of it and they are averaged by precision:

    checks   reference objects in B less in A, centre over the lanes
    paired   bias (line less hand) in B less in A
    hand     shift of the line less shift of unsorted fruit measured by hand

The fruit's shift is what is left, f = D - c, with D the shift of the line. Where checks and paired
fruit contradict each other, paired fruit count alone: objects are not fruit, and a sensor can be
right on spheres and wrong on this cultivar.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from grading.drift.evidence import Estimate, LaneOffset, MeasureFacts
from grading.drift.lanes import against_others
from grading.drift.student import normal_quantile, t_quantile

LaneReading = Literal["sensor", "feed", "not checked"]


@dataclass(frozen=True, slots=True)
class Part:
    """An estimate with its interval at the level of the decision; moved: it is more than chance
    and more than the margin."""

    value: float
    se: float
    low: float
    high: float
    moved: bool


@dataclass(frozen=True, slots=True)
class LaneMoved:
    """A lane that moved against the others, and what the lane's own check makes of it."""

    lane: int
    effect: Part
    check: Part | None
    reading: LaneReading


@dataclass(frozen=True, slots=True)
class Split:
    """line: shift of all lanes together, None without lanes in both windows. sources: each
    outside value of the common error, by name. common: their average; fruit: what is left; None
    where there is nothing to tell. conflict: checks and paired fruit contradict each other.
    lanes: that moved. compared: lanes in both windows. diverge: half of the lanes or more moved
    (or there are two), so which are wrong cannot be told."""

    line: Part | None
    lanes: tuple[LaneMoved, ...]
    compared: int
    diverge: bool
    sources: dict[str, Part]
    common: Part | None
    fruit: Part | None
    conflict: bool

    @property
    def unexplained(self) -> bool:
        """The line moved, and neither sensor nor fruit is shown to have."""
        return bool(self.line is not None and self.line.moved
                    and not (self.common is not None and self.common.moved)
                    and not (self.fruit is not None and self.fruit.moved))


def _part(value: float, se: float, z: float, margin: float, ordinary: float = 0.0) -> Part:
    wide = z * math.hypot(se, ordinary)
    return Part(value, se, value - wide, value + wide,
                abs(value) > wide and abs(value) >= margin)


def _widened(e: Estimate, level: float) -> float:
    """The se that makes a normal interval as wide as the t interval of n readings."""
    if e.n < 2:
        raise ValueError(f"a mean of {e.n} readings has no standard error: it needs 2 or more")
    return e.se * t_quantile(level=level, df=e.n - 1) / normal_quantile(level=level)


def _difference(
    a: tuple[float, float] | None, b: tuple[float, float], standing_se: float
) -> tuple[float, float]:
    """B less A; without A the line is taken to have been right, as well as was known."""
    before = (0.0, standing_se) if a is None else a
    return b[0] - before[0], math.hypot(b[1], before[1])


def _check_shifts(facts: MeasureFacts) -> dict[int, tuple[float, float]]:
    def by_lane(offsets: tuple[LaneOffset, ...]) -> dict[int, tuple[float, float]]:
        return {o.lane: (o.offset, o.se) for o in offsets}

    a, b = by_lane(facts.a.checks), by_lane(facts.b.checks)
    return {lane: _difference(a.get(lane), value, facts.standing_se) for lane, value in b.items()}


def _lanes(
    facts: MeasureFacts, z_lane: float, checks: dict[int, tuple[float, float]], z: float
) -> tuple[float, float, tuple[LaneMoved, ...], int]:
    """(line shift, its se, lanes that moved, lanes compared)."""
    a = {level.lane: level for level in facts.a.lanes}
    both = [(a[b.lane], b) for b in facts.b.lanes if b.lane in a]
    shift = np.array([b.centre - before.centre for before, b in both])
    se = np.array([math.hypot(b.se, before.se) for before, b in both])
    against = against_others(centre=shift, se=se)
    found = []
    for i, (_, b) in enumerate(both):
        effect, error = float(against.effect[i]), float(against.se[i])
        if len(both) < 2 or abs(effect) - facts.allowance <= z_lane * error:
            continue
        part = Part(effect, error, effect - z_lane * error, effect + z_lane * error, True)
        check: Part | None = None
        reading: LaneReading = "not checked"
        if b.lane in checks:
            others = [v for lane, v in checks.items() if lane != b.lane]
            base = float(np.median([v[0] for v in others])) if others else 0.0
            value, check_se = checks[b.lane][0] - base, checks[b.lane][1]
            check = _part(value, check_se, z, 0.0)
            off_feed = abs(effect - value) > z * math.hypot(error, check_se)
            if check.moved and value * effect > 0.0:
                reading = "sensor"
            elif off_feed and not check.moved:
                reading = "feed"
        found.append(LaneMoved(b.lane, part, check, reading))
    return against.common, against.common_se, tuple(found), len(both)


def _sources(
    facts: MeasureFacts, line: tuple[float, float] | None, moved: tuple[LaneMoved, ...],
    compared: int, checks: dict[int, tuple[float, float]], level: float,
) -> dict[str, tuple[float, float]]:
    """Every outside value of the common error, with its se."""
    found: dict[str, tuple[float, float]] = {}
    effects = {m.lane: m.effect.value for m in moved if m.reading != "feed"}
    if checks:
        values = np.array([v - effects.get(lane, 0.0) for lane, (v, _) in checks.items()])
        against = against_others(centre=values, se=np.array([s for _, s in checks.values()]))
        found["checks"] = against.common, against.common_se
    # Paired fruit come from all lanes: a lane's own error is in their mean, in its proportion.
    own = sum(effects.values()) / max(compared, 1)
    if facts.b.paired is not None:
        before = facts.a.paired
        value, se = _difference(
            None if before is None else (before.value, _widened(before, level)),
            (facts.b.paired.value, _widened(facts.b.paired, level)), facts.standing_se)
        found["paired"] = value - own, se
    if facts.a.hand is not None and facts.b.hand is not None and line is not None:
        hand = facts.b.hand.value - facts.a.hand.value
        found["hand"] = line[0] - hand, math.hypot(
            line[1], math.hypot(_widened(facts.a.hand, level), _widened(facts.b.hand, level)))
    return found


def separate(*, facts: MeasureFacts, risk: float, measures: int = 1) -> Split:
    """Split the shift of one measure; see the module.

    risk: chance accepted of calling anything moved in one of `measures` measures when nothing
    did, spent once on the common parts and once on the lanes (Bonferroni over both). A standard
    error of 0 stands for an exact value.
    """
    if not 0.0 < risk < 1.0 or facts.margin <= 0.0:
        raise ValueError("the risk lies between 0 and 1, the margin above 0")
    level = 1.0 - risk / measures
    z = normal_quantile(level=level)
    lane_count = max(len(facts.b.lanes), 1)
    checks = _check_shifts(facts)
    shift, shift_se, moved, compared = _lanes(
        facts, normal_quantile(level=1.0 - risk / measures / lane_count), checks, z)
    line = (shift, shift_se) if compared and facts.level == "compared" else None
    raw = _sources(facts, line, moved, compared, checks, level)
    conflict = False
    if "checks" in raw and "paired" in raw:
        (c, c_se), (p, p_se) = raw["checks"], raw["paired"]
        conflict = abs(c - p) > max(z * math.hypot(c_se, p_se), facts.margin)
    used = {"paired": raw["paired"]} if conflict else raw
    common = fruit = None
    if used:
        weights = [1.0 / max(se, 1e-9) ** 2 for _, se in used.values()]
        value = sum(w * v for w, (v, _) in zip(weights, used.values(), strict=True)) / sum(weights)
        se = 1.0 / math.sqrt(sum(weights))
        common = _part(value, se, z, facts.margin)
        if line is not None:
            fruit = _part(shift - value, math.hypot(shift_se, se), z, facts.margin,
                          facts.ordinary_sd)
    return Split(
        None if line is None else _part(shift, shift_se, z, facts.margin, facts.ordinary_sd),
        moved, compared, bool(moved) and (compared < 3 or 2 * len(moved) >= compared),
        {k: _part(v, s, z, facts.margin) for k, (v, s) in raw.items()}, common, fruit, conflict)
