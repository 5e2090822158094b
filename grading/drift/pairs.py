"""The same fruit measured by line and by hand: bias, limits of agreement, and what they show.

Bland and Altman, Lancet 1986 i:307 and Statistical Methods in Medical Research 8:135 (1999).
Differences are line less hand throughout. A bias that is "not significant" is not agreement:
agreement is shown by an interval that lies inside a margin (two one-sided tests, Schuirmann,
Journal of Pharmacokinetics and Biopharmaceutics 15:657 (1987)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final, Literal

import numpy as np

from grading.drift.student import normal_quantile, t_quantile, two_sided_p

Decision = Literal["agrees", "disagrees", "undecided"]
LEAST: Final = 3


@dataclass(frozen=True, slots=True)
class Bias:
    """Paired differences, line less hand, in the unit of the measure.

    bias with se and interval, sd of the differences, t against no bias with its two-sided p.
    lower, upper: limits of agreement, each with an interval. slope: of the difference on the
    mean of both, with its p; a slope says that the error grows with the fruit.
    """

    n: int
    bias: float
    sd: float
    se: float
    low: float
    high: float
    t: float
    p: float
    lower: float
    lower_low: float
    lower_high: float
    upper: float
    upper_low: float
    upper_high: float
    slope: float
    slope_p: float
    level: float


def bias_of(*, n: int, mean: float, sd: float, level: float = 0.95) -> tuple[float, float, float]:
    """(standard error, low, high) of a bias from its mean, sd and number of pairs, n >= 2."""
    if n < 2 or sd < 0.0:
        raise ValueError(f"{n} pairs with sd {sd}: it needs 2 pairs and an sd of 0 or more")
    se = sd / math.sqrt(n)
    half = t_quantile(level=level, df=n - 1) * se
    return se, mean - half, mean + half


def bland_altman(
    *, line: Any, hand: Any, level: float = 0.95, factor: float = 1.96,
    line_repeats: int = 1, line_repeat_sd: float = 0.0,
    hand_repeats: int = 1, hand_repeat_sd: float = 0.0,
) -> Bias:
    """Bias and limits of agreement of paired readings, at least 3 pairs.

    line, hand: (n,), same fruit in the same place. factor: limits at bias ± factor x sd (the 1986
    paper uses 2, all software 1.96). Where line or hand is the mean of several readings of a
    fruit, say how many and the sd within a fruit: the limits are then those of single readings.
    """
    x, y = np.asarray(line, np.float64), np.asarray(hand, np.float64)
    n = len(x)
    if n < LEAST or n != len(y):
        raise ValueError(f"{n} line and {len(y)} hand readings: it needs {LEAST} or more pairs")
    d = x - y
    bias, raw_sd = float(d.mean()), float(d.std(ddof=1))
    se, low, high = bias_of(n=n, mean=bias, sd=raw_sd, level=level)
    sd = math.sqrt(raw_sd**2 + (1.0 - 1.0 / line_repeats) * line_repeat_sd**2
                   + (1.0 - 1.0 / hand_repeats) * hand_repeat_sd**2)
    t = bias / se if se > 0.0 else (math.copysign(math.inf, bias) if bias else 0.0)
    # The 1986 paper's standard error of a limit, sqrt(3) s / sqrt(n).
    limit_half = t_quantile(level=level, df=n - 1) * math.sqrt(3.0) * sd / math.sqrt(n)
    lower, upper = bias - factor * sd, bias + factor * sd
    slope, slope_p = _slope((x + y) / 2.0, d)
    return Bias(n, bias, sd, se, low, high, t, _p(t, n - 1), lower, lower - limit_half,
                lower + limit_half, upper, upper - limit_half, upper + limit_half, slope, slope_p,
                level)


def _p(t: float, df: int) -> float:
    return 0.0 if math.isinf(t) else two_sided_p(t=t, df=df)


def _slope(x: Any, y: Any) -> tuple[float, float]:
    """Least-squares slope and its two-sided p; (0, 1) where x does not vary."""
    dx, dy = x - x.mean(), y - y.mean()
    s_xx = float(dx @ dx)
    if s_xx == 0.0:
        return 0.0, 1.0
    slope = float(dx @ dy) / s_xx
    left = float(((dy - slope * dx) ** 2).sum())
    se = math.sqrt(left / (len(x) - 2) / s_xx)
    return slope, _p(slope / se if se else math.inf * bool(slope) or 0.0, len(x) - 2)


def judge(*, bias: float, se: float, df: int, margin: float, least: float) -> Decision:
    """Does the line agree with the hand?

    "agrees": the 90 % interval lies inside ±margin (both one-sided tests at 5 %). "disagrees": the
    95 % interval leaves 0 out and |bias| is over `least`. Otherwise "undecided": pull more fruit.
    """
    if margin <= 0.0 or least < 0.0:
        raise ValueError("the margin must be above 0 and the least bias 0 or more")
    narrow, wide = (t_quantile(level=k, df=df) * se for k in (0.90, 0.95))
    if abs(bias) + narrow < margin:
        return "agrees"
    return "disagrees" if abs(bias) > max(wide, least) else "undecided"


def pairs_needed(*, bias: float, sd: float, power: float = 0.90, level: float = 0.95) -> int:
    """Pairs that show a bias of this size with this chance, by the two-sided paired t test.

    Guenther's correction of the normal formula (American Statistician 35:243, 1981), within one
    pair of the noncentral t at 5 % and usual powers. bias not 0; sd of single differences.
    """
    if bias == 0.0 or sd <= 0.0 or not 0.0 < power < 1.0:
        raise ValueError("the bias must not be 0, the sd above 0, the power between 0 and 1")
    z = normal_quantile(level=level)
    n = ((z + NormalDist().inv_cdf(power)) * sd / bias) ** 2 + 0.5 * z * z
    return max(LEAST, math.ceil(n))


@dataclass(frozen=True, slots=True)
class Concordance:
    """Lin's coefficient (Biometrics 45:255, 1989) with Fisher's z interval. Shown, not judged by:
    it rises with the spread of the fruit."""

    value: float
    low: float
    high: float
    correlation: float
    accuracy: float


def concordance(*, line: Any, hand: Any, level: float = 0.95) -> Concordance:
    """Lin's concordance of paired readings (variances with divisor n), 4 or more that vary."""
    x, y = np.asarray(line, np.float64), np.asarray(hand, np.float64)
    n = len(x)
    if n < LEAST + 1 or n != len(y) or not np.ptp(x) or not np.ptp(y):
        raise ValueError("concordance needs 4 or more pairs and readings that vary")
    gap = float(x.mean() - y.mean())
    s_xx, s_yy = float(x.var()), float(y.var())
    s_xy = float(((x - x.mean()) * (y - y.mean())).mean())
    rho = 2.0 * s_xy / (s_xx + s_yy + gap * gap)
    r = s_xy / math.sqrt(s_xx * s_yy)
    if abs(rho) >= 1.0 or r == 0.0:
        return Concordance(rho, rho if r else -1.0, rho if r else 1.0, r, rho / r if r else 0.0)
    u2 = gap * gap / math.sqrt(s_xx * s_yy)
    variance = ((1 - r * r) * rho**2 / ((1 - rho**2) * r * r)
                + 2 * rho**3 * (1 - rho) * u2 / (r * (1 - rho**2) ** 2)
                - rho**4 * u2**2 / (2 * r * r * (1 - rho**2) ** 2)) / (n - 2)
    half = normal_quantile(level=level) * math.sqrt(max(variance, 0.0))
    z = math.atanh(rho)
    return Concordance(rho, math.tanh(z - half), math.tanh(z + half), r, rho / r)


def selection_bias(*, class_mean: float, lot_mean: float, sd: float, u: float) -> float:
    """Mean (line - hand) that a perfect line shows on fruit taken from one size class.

    The fruit were chosen by their reading, so their errors lean one way: u²/(sd² + u²) x (class
    mean - lot mean), with sd the true spread of the lot and u the error of one reading. Take it
    off the bias, or pull before the sorter.
    """
    if sd <= 0.0 or u < 0.0:
        raise ValueError("the spread must be above 0, the error 0 or more")
    return u * u / (sd * sd + u * u) * (class_mean - lot_mean)
