"""Straight lines where both readings err: Deming, and Passing and Bablok.

Least squares on the hand reading takes its error for slope; these do not. Deming needs the ratio
of the two error variances and is exact for normal errors; Passing and Bablok (Journal of Clinical
Chemistry 21:709, 1983) need none and shrug off outliers, but read scale only where neither
reading is much noisier than the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.drift.student import normal_quantile, t_quantile
from grading.quantities import Floats

SWEEP: Final = 181


@dataclass(frozen=True, slots=True)
class Fit:
    """line = intercept + slope x hand, with intervals; n pairs used.

    scale_off: the interval of the slope leaves 1 out; offset_off: that of the intercept leaves 0
    out. Both quiet: no scale or offset error shown.
    """

    n: int
    intercept: float
    slope: float
    intercept_low: float
    intercept_high: float
    slope_low: float
    slope_high: float
    level: float

    @property
    def scale_off(self) -> bool:
        return not self.slope_low <= 1.0 <= self.slope_high

    @property
    def offset_off(self) -> bool:
        return not self.intercept_low <= 0.0 <= self.intercept_high

    def error_at(self, *, hand: float) -> float:
        """Line less hand that the fit expects of a fruit of this size."""
        return self.intercept + (self.slope - 1.0) * hand


def _pairs(line: Any, hand: Any) -> tuple[Floats, Floats]:
    y, x = np.asarray(line, np.float64), np.asarray(hand, np.float64)
    if len(x) < 4 or len(x) != len(y) or not np.ptp(x):
        raise ValueError("a line needs 4 or more pairs and hand readings that vary")
    return x, y


def _deming(x: Floats, y: Floats, ratio: float) -> tuple[float, float]:
    dx, dy = x - x.mean(), y - y.mean()
    s_xx, s_yy, s_xy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if s_xy == 0.0:
        raise ValueError("line and hand readings do not go together at all: no slope")
    lean = s_yy - ratio * s_xx
    slope = (lean + math.sqrt(lean * lean + 4.0 * ratio * s_xy * s_xy)) / (2.0 * s_xy)
    return float(y.mean()) - slope * float(x.mean()), slope


def deming(*, line: Any, hand: Any, error_ratio: float, level: float = 0.95) -> Fit:
    """Deming's line, with jackknife intervals (Linnet, Clinical Chemistry 36:1463, 1990).

    error_ratio: error variance of the line's reading divided by error variance of the hand's
    (many programs take it the other way up). line, hand: (n,), 4 or more pairs.
    """
    if error_ratio <= 0.0:
        raise ValueError(f"error ratio {error_ratio} must be above 0")
    x, y = _pairs(line, hand)
    n = len(x)
    intercept, slope = _deming(x, y, error_ratio)
    rows = np.arange(n)
    without = np.array([_deming(x[rows != i], y[rows != i], error_ratio) for i in rows])
    pseudo = n * np.array((intercept, slope)) - (n - 1) * without
    se = pseudo.std(axis=0, ddof=1) / math.sqrt(n)
    half = t_quantile(level=level, df=n - 2) * se
    return Fit(n, intercept, slope, intercept - float(half[0]), intercept + float(half[0]),
               slope - float(half[1]), slope + float(half[1]), level)


def deming_known_errors(
    *, line: Any, hand: Any, line_sd: Any, hand_sd: Any
) -> tuple[float, float]:
    """(intercept, slope) when every reading has its own error sd.

    Ripley and Thompson, Analyst 112:377 (1987): the least of sum w (y - a - b x)², with
    w = 1/(line_sd² + b² hand_sd²). All arrays (n,); no pair with both sds 0.
    """
    x, y = _pairs(line, hand)
    v_y, v_x = np.asarray(line_sd, np.float64) ** 2, np.asarray(hand_sd, np.float64) ** 2
    if not ((v_y + v_x) > 0.0).all():
        raise ValueError("every pair needs an error sd above 0 for line or hand")

    def fit(angle: float) -> tuple[float, float]:
        slope = math.tan(angle)
        # Scaled by cos², so that a slope without end does no harm.
        w = 1.0 / (v_y * math.cos(angle) ** 2 + v_x * math.sin(angle) ** 2 + 1e-300)
        intercept = float((w * (y - slope * x)).sum() / w.sum())
        return float((w * (y - intercept - slope * x) ** 2).sum()) * math.cos(angle) ** 2, intercept

    angles = np.linspace(-math.pi / 2, math.pi / 2, SWEEP + 2)[1:-1]
    best = min(angles.tolist(), key=lambda a: fit(a)[0])
    step = float(angles[1] - angles[0])
    low, high = best - step, best + step
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    while high - low > 1e-10:
        a, b = high - golden * (high - low), low + golden * (high - low)
        low, high = (low, b) if fit(a)[0] <= fit(b)[0] else (a, high)
    middle = 0.5 * (low + high)
    return fit(middle)[1], math.tan(middle)


def passing_bablok(*, line: Any, hand: Any, level: float = 0.95) -> Fit:
    """Passing and Bablok's line: shifted median of all pair slopes, interval by ranks.

    Two fruit alike in both readings give no slope and a slope of exactly -1 is left out; with an
    even number of slopes the two in the middle are averaged. line, hand: (n,), 4 or more pairs.
    """
    x, y = _pairs(line, hand)
    n = len(x)
    i, j = np.triu_indices(n, 1)
    dx, dy = x[j] - x[i], y[j] - y[i]
    use = (dx != 0.0) | (dy != 0.0)
    dx, dy = dx[use], dy[use]
    with np.errstate(divide="ignore"):
        slopes = np.sort((dy / dx)[dy != -dx])
    count = len(slopes)
    shift = int((slopes < -1.0).sum())

    def ranked(rank: int) -> float:
        return float(slopes[min(max(rank + shift, 1), count) - 1])

    slope = 0.5 * (ranked((count + 1) // 2) + ranked(count // 2 + 1))
    c = normal_quantile(level=level) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    first = round((count - c) / 2.0)
    low, high = ranked(first), ranked(count - first + 1)
    intercept = float(np.median(y - slope * x))
    return Fit(n, intercept, slope, float(np.median(y - high * x)),
               float(np.median(y - low * x)), low, high, level)
