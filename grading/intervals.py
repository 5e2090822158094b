"""Exact intervals for shares, and the rules that turn a count into a verdict on a lot.

Clopper and Pearson, Biometrika 26:404 (1934); Wilson, JASA 22:209 (1927). Nothing here leans on
the normal law except Wilson's own interval: at 0 of 50 a normal interval has no width, the exact
one reaches 7.1 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from statistics import NormalDist
from typing import Any, Final, Literal

import numpy as np

from grading.chances import (
    binomial_cdf,
    check_count,
    check_lot,
    hypergeometric_cdf,
    log_term,
    stirling_error,
    tail_fraction,
)
from grading.quantities import Floats

LotRule = Literal["point", "aql", "confidence"]
Level = float | Fraction

_CLOSE: Final = 1e-9
"""Chances nearer than this (relative) to a level are compared again in whole numbers."""
_SMALL_STIRLING: Final = np.array([0.0, *(stirling_error(float(i)) for i in range(1, 16))])


@dataclass(frozen=True, slots=True)
class Interval:
    """Bounds of a share, 0 to 1; `level` is the confidence of the pair of bounds."""

    low: float
    high: float
    level: float
    method: str


def _check_level(*, level: Level) -> None:
    if not 0 < level < 1:
        raise ValueError(f"confidence level {level} must lie between 0 and 1")


def _beta_quantile(alpha: float, a: float, b: float) -> tuple[float, float]:
    """p with I_p(a, b) = alpha, and 1 - p; a and b at least 1.

    Newton's method on log I in the log odds w of p. log I is concave in w, so it comes in from
    below and cannot diverge; its slope there is 1 over the continued fraction.
    """
    if b == 1.0:
        return alpha ** (1.0 / a), -math.expm1(math.log(alpha) / a)
    if a == 1.0:
        return -math.expm1(math.log1p(-alpha) / b), math.exp(math.log1p(-alpha) / b)
    w = math.log(a / b) + NormalDist().inv_cdf(alpha) * math.sqrt(1.0 / a + 1.0 / b)
    log_alpha, log_front, step = math.log(alpha), math.log(a * b / (a + b)), 1.0
    while abs(step) > 1e-13:
        p, q = 1.0 / (1.0 + math.exp(-w)), 1.0 / (1.0 + math.exp(w))
        r = tail_fraction(a, b, p, q)
        step = r * (log_alpha - log_front - log_term(a, b, p, q) - math.log(r))
        w += step
    return 1.0 / (1.0 + math.exp(-w)), 1.0 / (1.0 + math.exp(w))


def _lower(x: float, n: float, alpha: float) -> float:
    return _beta_quantile(alpha, x, n - x + 1.0)[0] if x else 0.0


def _upper(x: float, n: float, alpha: float) -> float:
    return _beta_quantile(alpha, n - x, x + 1.0)[1] if x < n else 1.0


def clopper_pearson(*, x: int, n: int, level: Level = 0.95) -> Interval:
    """Two-sided exact interval of the share x/n; n = 0 gives (0, 1)."""
    return interval_after(x=x, n=n, extra=0, level=level)


def clopper_pearson_many(*, x: Any, n: int, level: Level = 0.95) -> tuple[Floats, Floats]:
    """Two-sided exact bounds for many whole counts of one n: arrays (low, high) shaped like x.

    n = 0 gives (0, 1). Agrees with `clopper_pearson` to 1e-12.
    """
    counts = np.asarray(x)
    _check_level(level=level)
    if counts.size and counts.dtype.kind not in "iu":
        raise ValueError(f"counts must be whole numbers, not {counts.dtype}")
    if n < 0 or (counts.size and not 0 <= counts.min() <= counts.max() <= n):
        raise ValueError(f"counts must lie from 0 to {n}")
    if n == 0 or not counts.size:
        return np.zeros(counts.shape), np.ones(counts.shape)
    seen, back = np.unique(counts, return_inverse=True)
    back = back.reshape(counts.shape)
    bad = seen.astype(np.float64)
    good = n - bad
    some, rest = bad > 0, good > 0
    a = np.concatenate((bad[some], good[rest]))
    w = _log_odds(alpha=(1.0 - float(level)) / 2.0, a=a, total=n + 1)
    low, high = np.zeros(len(seen)), np.ones(len(seen))
    low[some] = 1.0 / (1.0 + np.exp(-w[: some.sum()]))
    high[rest] = 1.0 / (1.0 + np.exp(w[some.sum():]))
    return low[back], high[back]


def _log_odds(*, alpha: float, a: Floats, total: int) -> Floats:
    """`_beta_quantile` for arrays of whole a, with a + b = total: the log odds of p."""
    b = total - a
    front = (np.log(a * b / total) + stirling_error(total) - _stirling_errors(a)
             - _stirling_errors(b) + 0.5 * np.log(total / (2.0 * math.pi * a * b)))
    w = np.log(a / b) + NormalDist().inv_cdf(alpha) * np.sqrt(1.0 / a + 1.0 / b)
    todo = np.arange(len(a))
    while len(todo):
        aa, bb = a[todo], b[todo]
        p, q = 1.0 / (1.0 + np.exp(-w[todo])), 1.0 / (1.0 + np.exp(w[todo]))
        delta = aa * q - bb * p
        spread = aa * np.log1p(delta / (total * p)) + bb * np.log1p(-delta / (total * q))
        r = _tail_fractions(aa, bb, p, q)
        step = r * (math.log(alpha) - front[todo] + spread - np.log(r))
        w[todo] += step
        todo = todo[np.abs(step) > 1e-13]
    return w


def _stirling_errors(n: Floats) -> Floats:
    s = 1.0 / (n * n)
    series = (1/12 - s * (1/360 - s * (1/1260 - s * (1/1680 - s / 1188)))) / n
    return np.where(n < 16.0, _SMALL_STIRLING[np.minimum(n, 15.0).astype(np.intp)], series)


def _tail_fractions(a: Floats, b: Floats, p: Floats, q: Floats) -> Floats:
    """`tail_fraction` for arrays."""
    lam = a * q - b * p
    c, c0, c1 = 1.0 + lam, b / a, 1.0 + 1.0 / a
    before_up, before_down, up, down = np.zeros_like(a), np.ones_like(a), np.ones_like(a), c / c1
    r, last, i, s, back = c1 / c, np.zeros_like(a), 0, a + 1.0, np.ones_like(a)
    while (np.abs(r - last) > 1e-14 * r).any():
        i += 1
        t, w, e = i / a, i * (b - i) * p, a / s
        alpha = back * (back + c0) * e * e * w * p
        e = (1.0 + t) / (c1 + t + t)
        beta = i + w / s + e * (c + i * (1.0 + q))
        back, s = 1.0 + t, s + 2.0
        new_up, new_down = alpha * before_up + beta * up, alpha * before_down + beta * down
        last, r = r, new_up / new_down
        before_up, before_down, up, down = up / new_down, down / new_down, r, np.ones_like(a)
    return r


def upper_bound(*, x: int, n: int, level: Level = 0.95) -> float:
    """One-sided exact upper bound of the share; level above one half."""
    return clopper_pearson(x=x, n=n, level=2 * level - 1).high


def lower_bound(*, x: int, n: int, level: Level = 0.95) -> float:
    """One-sided exact lower bound of the share; level above one half."""
    return clopper_pearson(x=x, n=n, level=2 * level - 1).low


def wilson(*, x: int, n: int, level: Level = 0.95) -> Interval:
    """Wilson's score interval, for live boards; n = 0 gives (0, 1)."""
    check_count(x=x, n=n)
    _check_level(level=level)
    if n == 0:
        return Interval(0.0, 1.0, float(level), "wilson")
    z2 = NormalDist().inv_cdf(0.5 + float(level) / 2.0) ** 2
    share = x / n
    middle = share + z2 / (2 * n)
    half = math.sqrt(z2 * (share * (1.0 - share) / n + z2 / (4.0 * n * n)))
    scale = 1.0 + z2 / n
    return Interval((middle - half) / scale if x else 0.0,
                    (middle + half) / scale if x < n else 1.0, float(level), "wilson")


def finite_lot_upper(*, x: int, n: int, lot: int, level: Level = 0.95) -> int:
    """Most bad fruit that a lot of `lot` may well hold when x of n were bad.

    The largest number D for which P(at most x in n) is above 1 - level; the n sampled fruit are
    part of the lot. D / lot is the exact one-sided upper bound of the lot's share.
    """
    check_count(x=x, n=n)
    check_lot(n=n, bad=0, lot=lot)
    risk = 1 - _exact(level)

    def unlikely(bad: int) -> bool:
        def whole() -> Fraction:
            ways = sum(math.comb(bad, i) * math.comb(lot - bad, n - i) for i in range(x + 1))
            return Fraction(ways, math.comb(lot, n))

        about = hypergeometric_cdf(k=x, n=n, bad=bad, lot=lot)
        return _compare(about=about, level=risk, whole=whole) <= 0

    return _first(low=x, high=lot - n + x + 1, holds=unlikely) - 1


# --- lot rules ---------------------------------------------------------------------------------


def _exact(level: Level) -> Fraction:
    """A level as people write it: 0.95 is 95/100, not the nearest binary fraction."""
    _check_level(level=level)
    return Fraction(str(level))


def _compare(*, about: float, level: Fraction, whole: Callable[[], Fraction]) -> int:
    """Sign of chance - level; a chance too near to call in floats is worked out exactly."""
    if abs(about - level) > _CLOSE * level:
        return 1 if about > level else -1
    exact = whole()
    return (exact > level) - (exact < level)


def _compare_cdf(*, k: int, n: int, tolerance: Fraction, level: Fraction) -> int:
    """Sign of P(at most k of n at the tolerance) - level, exactly."""

    def whole() -> Fraction:
        bad, lot = tolerance.numerator, tolerance.denominator
        ways = sum(math.comb(n, i) * bad**i * (lot - bad) ** (n - i) for i in range(k + 1))
        return Fraction(ways, lot**n)

    about = binomial_cdf(k=k, n=n, p=float(tolerance))
    return _compare(about=about, level=level, whole=whole)


def _first(*, low: int, high: int, holds: Callable[[int], bool]) -> int:
    """Smallest number in low..high where `holds`, which once true stays true; it is at high."""
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low


def largest_accepted(
    *, rule: LotRule, n: int, tolerance: Fraction, level: Level = Fraction(95, 100)
) -> int:
    """Largest count of bad fruit in n >= 1 that the named rule accepts; -1: not even zero.

    point: x/n <= tolerance, what marketing standards literally say. aql: the smallest c with
    P(x <= c) >= level at the tolerance, which protects the packer. confidence: the one-sided
    exact upper bound is at most the tolerance, which protects the buyer. All decided exactly.
    """
    check_count(x=1, n=n)
    if not 0 <= tolerance <= 1:
        raise ValueError(f"tolerance {tolerance} must lie from 0 to 1")
    sure = _exact(level)
    if rule == "point" or tolerance == 1:
        return math.floor(n * tolerance)
    if rule == "aql":
        return _first(low=0, high=n, holds=lambda c: _compare_cdf(
            k=c, n=n, tolerance=tolerance, level=sure) >= 0)
    return _first(low=0, high=n, holds=lambda c: _compare_cdf(
        k=c, n=n, tolerance=tolerance, level=1 - sure) > 0) - 1


def sample_for_confidence(
    *, accept: int, tolerance: Fraction, level: Level = Fraction(95, 100)
) -> int:
    """Smallest n at which `accept` bad fruit still show that the share is within the tolerance."""
    if accept < 0 or not 0 < tolerance < 1:
        raise ValueError(f"accept {accept} must be 0 or more, tolerance {tolerance} inside 0 to 1")
    risk = 1 - _exact(level)

    def shows(n: int) -> bool:
        return _compare_cdf(k=accept, n=n, tolerance=tolerance, level=risk) <= 0

    high = accept + 1
    while not shows(high):
        high *= 2
    return _first(low=accept + 1, high=high, holds=shows)


# --- how much more fruit -----------------------------------------------------------------------


def interval_after(*, x: int, n: int, extra: int, level: Level = 0.95) -> Interval:
    """The two-sided exact interval if `extra` more fruit are seen at the same share.

    The count then expected need not be whole; the interval is continued smoothly between whole
    counts. n = 0 gives (0, 1).
    """
    check_count(x=x, n=n)
    _check_level(level=level)
    if extra < 0:
        raise ValueError(f"{extra} more fruit: it must be 0 or more")
    if n == 0:
        return Interval(0.0, 1.0, float(level), "exact")
    more = float(n + extra)
    then = x * (n + extra) / n
    alpha = (1.0 - float(level)) / 2.0
    return Interval(_lower(then, more, alpha), _upper(then, more, alpha), float(level), "exact")


def fruit_needed(
    *, x: int, n: int, tolerance: Fraction, level: Level = 0.95, most: int = 10**12
) -> int | None:
    """How many more fruit would tell, if the share stays as it was observed.

    The least number after which the two-sided interval lies on one side of the tolerance: 0 when
    it does already; None when no number would do (no fruit seen, or the share equals the
    tolerance) or it would take over `most`.
    """

    def tells(extra: int) -> bool:
        after = interval_after(x=x, n=n, extra=extra, level=level)
        return after.high <= tolerance or after.low > tolerance

    if tells(0):
        return 0
    if n == 0 or Fraction(x, n) == tolerance or not tells(most):
        return None
    high = 1
    while not tells(high):
        high *= 2
    return _first(low=high // 2 + 1, high=high, holds=tells)
