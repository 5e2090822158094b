"""Lanes followed through the day: an EWMA of each lane's distance from the other lanes.

Limits are exact from the first window, hold for windows of unequal fruit (each weighs by its
precision) and for fruit that come in bins (the scatter seen replaces the scatter predicted where
it is larger), and are set from a budget of false alarms of all lanes and measures together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from grading.drift.cells import LaneTable
from grading.drift.lanes import Against, against_others, lane_effects
from grading.monitor.budget import Budget, levels_for
from grading.monitor.charts import D2
from grading.quantities import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneRules:
    """How the lanes of one measure are followed.

    memory: weight lambda of the newest window. look, act: limits in standard deviations of the
    EWMA. allowance: distance from the other lanes that nobody would act on, in the unit of the
    measure; a lane whose true distance is within it keeps the false-alarm rate. settle: lane
    windows before the scatter seen replaces the scatter that the fruit's spread predicts.
    """

    memory: float = 0.2
    look: float
    act: float
    allowance: float = 0.0
    settle: int = 40

    def __post_init__(self) -> None:
        if not 0.0 < self.memory < 1.0 or not 0.0 < self.look <= self.act:
            raise ValueError("lambda lies between 0 and 1, and look at or under act, above 0")
        if self.allowance < 0.0 or self.settle < 1:
            raise ValueError("the allowance is 0 or more and at least one window settles")


def lane_rules(
    *, lanes: int, measures: int, windows_per_week: float, memory: float = 0.2,
    allowance: float = 0.0, act_per_week: float = 1.0, look_arl0: float = 500.0,
) -> LaneRules:
    """Rules that keep false "act" findings of a line to `act_per_week`, all lanes and measures."""
    levels = levels_for(weight=memory, budget=Budget(
        charts=lanes * measures, windows_per_week=windows_per_week, act_per_week=act_per_week,
        look_arl0=look_arl0))
    return LaneRules(memory=memory, look=levels.look_ewma, act=levels.act_ewma,
                     allowance=allowance)


@dataclass(frozen=True, slots=True)
class LaneState:
    """All that is kept between windows, for L lanes; plain arrays of length L.

    total, weight, noise: decayed sums of precision x effect, precision, and precision² x
    variance. last, runs: last standardised effect and how many were seen. mean, m2: Welford's sums
    of the standardised effects. ranges, ranged: sum and number of moving ranges, all lanes.
    level: 0 quiet, 1 look, 2 act, as last reported.
    """

    total: Floats
    weight: Floats
    noise: Floats
    last: Floats
    runs: Floats
    mean: Floats
    m2: Floats
    level: Floats
    ranges: float = 0.0
    ranged: int = 0


def start(*, lanes: int) -> LaneState:
    """The state before the first window."""
    zero = np.zeros(lanes)
    return LaneState(zero, zero, zero, zero, zero, zero, zero, zero)


@dataclass(frozen=True, slots=True)
class LaneReading:
    """What the lanes say after a window; arrays of length L in the unit of the measure.

    offset: EWMA of the lane's distance from the others (what was accepted taken off), se its
    standard error, scatter included;
    beyond: how many se it lies outside the allowance (0 inside). level: 0 quiet, 1 look, 2 act.
    scatter: observed over predicted scatter of the distances, at least 1. diverge: two lanes
    only, or half of all lanes beyond the look limit: which of them is wrong cannot be told.
    """

    offset: Floats
    se: Floats
    beyond: Floats
    level: Floats
    scatter: float
    diverge: bool
    common: float = field(default=math.nan)
    common_se: float = field(default=math.nan)


def _scatter(state: LaneState, settle: int) -> float:
    """Observed over predicted scatter of the lanes' distances: the larger of two estimates.

    Moving ranges miss what neighbouring windows share, the long-run sd sees it; of the lanes'
    own sds the lower median is taken, so that a lane which really moved does not hide itself.
    Both are mixed with `settle` windows of the predicted scatter.
    """
    if state.ranged == 0:
        return 1.0
    moving = state.ranges / state.ranged / D2
    long_run = moving
    enough = state.runs >= 8
    if enough.any():
        variances = np.sort(state.m2[enough] / (state.runs[enough] - 1.0))
        long_run = math.sqrt(float(variances[(len(variances) - 1) // 2]))
    seen = max(moving, long_run) ** 2
    return max(1.0, math.sqrt((settle + state.ranged * seen) / (settle + state.ranged)))


@dataclass(frozen=True, slots=True)
class Accepted:
    """Standing distances of the lanes from the others, and their standard errors: (L,)."""

    offset: Floats
    se: Floats


def accept(*, table: LaneTable) -> Accepted:
    """Standing distances from windows that a person accepts, for instance after a passed check.

    Lanes never agree exactly; what was there when all was well is no drift. A lane without fruit
    in these windows stands at 0. To be done at declared times, never silently.
    """
    offset, se = np.zeros(len(table.lanes)), np.zeros(len(table.lanes))
    for found in lane_effects(table=table):
        offset[table.lanes.index(found.lane)] = found.effect
        se[table.lanes.index(found.lane)] = found.se
    return Accepted(offset, se)


def step(
    *, state: LaneState, rules: LaneRules, centre: Floats, se: Floats,
    accepted: Accepted | None = None,
) -> tuple[LaneState, LaneReading]:
    """One window more.

    centre, se: (L,) of the window, NaN where a lane had too few fruit; such a lane keeps its
    EWMA. accepted: the distances that count as none; their own doubt widens the limits.
    """
    against = against_others(centre=centre, se=se)
    seen = np.isfinite(against.effect)
    effect = np.where(seen, against.effect, 0.0)
    if accepted is not None:
        effect = effect - np.where(seen, accepted.offset, 0.0)
    error = np.where(seen, against.se, 1.0)
    precision = np.where(seen, 1.0 / (error * error), 0.0)
    keep = np.where(seen, 1.0 - rules.memory, 1.0)
    total = keep * state.total + precision * effect
    weight = keep * state.weight + precision
    noise = keep * keep * state.noise + precision  # precision² x variance = precision
    z = effect / error
    runs = state.runs + seen
    moved = seen & (state.runs > 0)
    jump = np.where(seen, z - state.mean, 0.0)
    mean = state.mean + jump / np.maximum(runs, 1.0)
    m2 = state.m2 + jump * np.where(seen, z - mean, 0.0)
    fresh = LaneState(
        total, weight, noise, np.where(seen, z, state.last), runs, mean, m2, state.level,
        state.ranges + float(np.abs(z - state.last)[moved].sum()),
        state.ranged + int(moved.sum()))
    return _report(fresh, rules, against, 0.0 if accepted is None else accepted.se)


def _report(
    state: LaneState, rules: LaneRules, against: Against, doubt: Floats | float
) -> tuple[LaneState, LaneReading]:
    known = state.weight > 0.0
    weight = np.where(known, state.weight, 1.0)
    scatter = _scatter(state, rules.settle)
    offset = np.where(known, state.total / weight, np.nan)
    error = np.where(known, np.hypot(scatter * np.sqrt(state.noise) / weight, doubt), np.nan)
    beyond = np.where(
        known, np.maximum(0.0, np.abs(np.where(known, offset, 0.0)) - rules.allowance)
        / np.where(known, error, 1.0), 0.0)
    level = np.where(beyond > rules.act, 2.0, np.where(beyond > rules.look, 1.0, 0.0))
    # "Act" stays until the lane is back under "look": a lane on the limit is one finding.
    level = np.where((state.level == 2.0) & (level == 1.0), 2.0, level)
    lanes = int(known.sum())
    off = int((level > 0.0).sum())
    diverge = off > 0 and (lanes < 3 or 2 * off >= lanes)
    return replace(state, level=level), LaneReading(offset, error, beyond, level, scatter, diverge,
                                                    against.common, against.common_se)


def follow(
    *, table: LaneTable, rules: LaneRules, accepted: Accepted | None = None
) -> tuple[LaneReading, ...]:
    """Every window of a table in turn, from a fresh state: what `step` says after each."""
    state, found = start(lanes=len(table.lanes)), []
    for w in range(table.centre.shape[1]):
        state, reading = step(state=state, rules=rules, centre=table.centre[:, w],
                              se=table.se[:, w], accepted=accepted)
        found.append(reading)
    return tuple(found)
