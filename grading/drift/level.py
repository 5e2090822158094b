"""The line's own level: all lanes together, lot by lot, bin by bin.

Fruit changes where a bin or lot begins; a sensor common to all lanes changes whenever it likes.
So each segment between known boundaries keeps a level of its own and only what happens inside
segments speaks against the fruit. Line data alone never tell the two apart for certain: a common
error and a change of fruit look the same (see `separate`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from grading.drift.student import t_quantile, two_sided_p


@dataclass(frozen=True, slots=True)
class SegmentLevel:
    """One lot (or bin) against the baseline, in the unit of the measure.

    difference: its level less the baseline; low, high: interval that allows for the ordinary
    spread between segments. beyond: the interval leaves 0 out.
    """

    segment: int
    windows: int
    level: float
    difference: float
    low: float
    high: float
    beyond: bool


def against_baseline(
    *, levels: Any, segment: Any, baseline: float, ordinary_sd: float, confidence: float = 0.95
) -> tuple[SegmentLevel, ...]:
    """Each segment's mean level against the baseline.

    levels: (W,) line level of each window, NaN skipped. segment: int (W,). ordinary_sd: sd between
    segments of the same kind of fruit in quiet running, known from at least 30 of them. A segment
    of several windows is not known better than that: its windows share their fruit.
    """
    y, where = np.asarray(levels, np.float64), np.asarray(segment)
    if not 0.0 < confidence < 1.0 or ordinary_sd < 0.0:
        raise ValueError("the confidence lies between 0 and 1, the ordinary sd at 0 or above")
    half = t_quantile(level=confidence, df=29) * ordinary_sd
    found = []
    for s in np.unique(where).tolist():
        mine = y[(where == s) & np.isfinite(y)]
        if len(mine):
            level = float(mine.mean())
            d = level - baseline
            found.append(SegmentLevel(int(s), len(mine), level, d, d - half, d + half,
                                      abs(d) > half))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class InsideDrift:
    """Common drift inside segments, known fruit steps taken out; unit of the measure per window.

    slope with its interval; p: chance of as steep a slope, either way, where there is no drift.
    """

    slope: float
    low: float
    high: float
    p: float
    windows: int
    segments: int


def drift_inside(
    *, levels: Any, segment: Any, position: Any = None, confidence: float = 0.95
) -> InsideDrift | None:
    """One slope for all segments, each with a level of its own.

    levels, segment: as above. position: (W,) time of each window, the window's number when left
    out; the slope is per unit of it. None when fewer than 3 windows are left over to judge by.
    """
    y, where = np.asarray(levels, np.float64), np.asarray(segment)
    at = np.arange(len(y), dtype=np.float64) if position is None else np.asarray(
        position, np.float64)
    good = np.isfinite(y)
    y, where, at = y[good], where[good], at[good]
    names = np.unique(where)
    df = len(y) - len(names) - 1
    if df < 2:
        return None
    for s in names:
        mine = where == s
        y[mine] -= y[mine].mean()
        at[mine] -= at[mine].mean()
    s_tt = float(at @ at)
    slope = float(at @ y) / s_tt
    left = y - slope * at
    se = math.sqrt(float(left @ left) / df / s_tt)
    half = t_quantile(level=confidence, df=df) * se
    p = two_sided_p(t=slope / se, df=df) if se > 0.0 else float(slope == 0.0)
    return InsideDrift(slope, slope - half, slope + half, p, len(y), len(names))


def ordinary_sd(*, levels: Any, segment: Any, windows: int) -> float | None:
    """Ordinary difference between neighbouring stretches of one lot, as an sd.

    levels, segment: (W,) line level and lot of each window, in time order, quiet running, NaN
    allowed. windows: how many make a stretch. From the median size of the differences, so that a
    few real changes inside do no harm; None when fewer than 8 pairs of stretches are there. For
    windows A and B further apart than neighbours it is a little small, for those of different lots
    far too small: compare inside a lot, or take the spread between lots.
    """
    y, where = np.asarray(levels, np.float64), np.asarray(segment)
    if windows < 1:
        raise ValueError("a stretch has at least one window")
    differences = []
    for s in np.unique(where):
        mine = y[(where == s) & np.isfinite(y)]
        means = mine[:len(mine) // windows * windows].reshape(-1, windows).mean(axis=1)
        differences.append(np.diff(means))
    gaps = np.abs(np.concatenate(differences)) if differences else np.zeros(0)
    return 1.4826 * float(np.median(gaps)) if len(gaps) >= 8 else None
