"""A lane against the other lanes of the same lot: is its sensor off?

Fruit, bins and the weather reach every lane of a line alike, so a lane's distance from the other
lanes in the same window carries none of them; what is left is the lane's own sensor (or its
feed). Three forms: per window (`against_others`), over a lot (`lane_effects`, median polish) and
followed through the day (`LaneRules`, `step`: an EWMA of each lane's distance).

Fewer than half of the lanes may move at once: if half of them do, the data cannot say which half
is wrong, and with two lanes never.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading.drift.cells import LaneTable
from grading.drift.polish import median_polish
from grading.drift.student import normal_quantile
from grading.quantities import Flags, Floats

HUBER: Final = 1.5
"""Lanes this many standard errors away from the others weigh less in the others' centre."""
SWEEPS: Final = 8


@dataclass(frozen=True, slots=True)
class Against:
    """Each lane against the others, arrays of length L in the unit of the measure.

    effect: the lane less the robust centre of the other lanes; se: its standard error; common:
    robust centre of all lanes, common_se its standard error. NaN: the lane, or all others, empty.
    """

    effect: Floats
    se: Floats
    common: float
    common_se: float


def _centres(values: Floats, se: Floats, use: Flags) -> tuple[Floats, Floats]:
    """Huber's centre of the lanes marked in each row of `use`, and its standard error.

    values, se: (L,). use: (rows, L). Weighted by precision, begun from the weighted median, so
    that it holds as long as the lanes in agreement carry more than half of the fruit.
    """
    order = np.argsort(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = np.where(use, 1.0 / (se * se), 0.0)
        running = np.cumsum(weight[:, order], axis=1)
        total = running[:, -1:]
        place = (running < 0.5 * total).sum(axis=1)
        # Exactly half on either side: halfway between the two lanes.
        beyond = (running <= 0.5 * total).sum(axis=1)
        last = len(values) - 1
        ordered = values[order]
        centre = 0.5 * (ordered[np.minimum(place, last)] + ordered[np.minimum(beyond, last)])
        pull = weight
        for _ in range(SWEEPS):
            away = np.abs(values - centre[:, None]) / se
            pull = weight * np.minimum(1.0, HUBER / np.maximum(away, HUBER))
            centre = (pull * np.where(use, values, 0.0)).sum(axis=1) / pull.sum(axis=1)
        return centre, 1.0 / np.sqrt(pull.sum(axis=1))


def against_others(*, centre: Floats, se: Floats) -> Against:
    """One window: every lane against the robust centre of the others.

    centre, se: (L,), NaN where a lane had no fruit or too few.
    """
    lanes = len(centre)
    effect, error = np.full(lanes, np.nan), np.full(lanes, np.nan)
    there = np.isfinite(centre) & np.isfinite(se) & (se > 0.0)
    rows = np.flatnonzero(there)
    if not len(rows):
        return Against(effect, error, math.nan, math.nan)
    x, s = centre[rows], se[rows]
    use = np.ones((len(rows) + 1, len(rows)), np.bool_)
    use[np.arange(len(rows)), np.arange(len(rows))] = False
    if len(rows) == 1:
        return Against(effect, error, float(x[0]), float(s[0]))
    middle, middle_se = _centres(x, s, use)
    effect[rows] = x - middle[:-1]
    error[rows] = np.sqrt(s * s + middle_se[:-1] ** 2)
    return Against(effect, error, float(middle[-1]), float(middle_se[-1]))


@dataclass(frozen=True, slots=True)
class LaneEffect:
    """One lane over a lot, in the unit of the measure; `windows` that it had fruit in."""

    lane: int
    effect: float
    se: float
    low: float
    high: float
    windows: int


def lane_effects(*, table: LaneTable, level: float = 0.95) -> tuple[LaneEffect, ...]:
    """Lane effects of a lot by median polish, each with a standard error and interval.

    The standard error is 1.253 sd / sqrt(windows) of the lane's own residuals (1.4826 x their
    median size), never less than the fruit in the lane allow, and the zero's own: it is a median
    of the lanes. Lanes without fruit are left out.
    """
    if np.isnan(table.centre).all():
        return ()
    polish = median_polish(table=table.centre)
    z, found = normal_quantile(level=level), []
    there = int((~np.isnan(table.centre)).any(axis=1).sum())
    zero = math.sqrt(1.0 + math.pi / 2.0 / there)
    for i, lane in enumerate(table.lanes):
        kept = ~np.isnan(table.centre[i])
        windows = int(kept.sum())
        if not windows:
            continue
        spread = 1.4826 * float(np.median(np.abs(polish.residuals[i][kept])))
        least = float(np.median(table.se[i][kept]))
        se = 1.2533 * zero * max(spread, least) / math.sqrt(windows)
        effect = float(polish.rows[i])
        found.append(LaneEffect(lane, effect, se, effect - z * se, effect + z * se, windows))
    return tuple(found)


def window_levels(*, table: LaneTable) -> tuple[Floats, Floats]:
    """The line's own level in each window, all lanes together, and its standard error: (W,)."""
    rows = [against_others(centre=table.centre[:, w], se=table.se[:, w])
            for w in range(table.centre.shape[1])]
    return np.array([r.common for r in rows]), np.array([r.common_se for r in rows])
