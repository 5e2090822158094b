"""Exact intervals and acceptance figures for counts: binomial and finite-lot (hypergeometric).

Clopper and Pearson, Biometrika 26:404 (1934); Wilson, JASA 22:209 (1927). No approximation by the
normal law: at 0 of 50 that interval has no width, the exact one reaches 7.1 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final, Literal

import numpy as np

from grading.quantities import Floats

LotRule = Literal["point", "aql", "confidence"]
_STEPS: Final = 200
_LARGE: Final = 3000.0
_NODES: Final = (np.polynomial.legendre.leggauss(60)[0] + 1.0) / 2.0
_WEIGHTS: Final = np.polynomial.legendre.leggauss(60)[1] / 2.0


@dataclass(frozen=True, slots=True)
class Interval:
    """Bounds of a share; `level` is the confidence of the interval (or of the one bound)."""

    low: float
    high: float
    level: float
    method: str


def _check(x: int, n: int) -> None:
    if not 0 <= x <= n:
        raise ValueError(f"{x} of {n} is not a count: it needs 0 <= x <= n")


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def binomial_pmf(*, k: int, n: int, p: float) -> float:
    """P(exactly k of n) at the share p."""
    _check(k, n)
    if p in (0.0, 1.0):
        return float(k == (n if p else 0))
    return math.exp(_log_choose(n, k) + k * math.log(p) + (n - k) * math.log1p(-p))


def binomial_cdf(*, k: int, n: int, p: float) -> float:
    """P(at most k of n) at the share p."""
    if k < 0:
        return 0.0
    if k >= n:
        return 1.0
    return 1.0 - float(_beta(np.array([p]), np.array([k + 1.0]), np.array([float(n - k)]))[0])


def hypergeometric_pmf(*, k: int, n: int, bad: int, lot: int) -> float:
    """P(exactly k bad in a sample of n) from a lot with `bad` among `lot` fruit."""
    if not (0 <= bad <= lot and 0 <= n <= lot):
        raise ValueError(f"a sample of {n} with {bad} bad does not fit a lot of {lot}")
    if k < max(0, n - (lot - bad)) or k > min(n, bad):
        return 0.0
    return math.exp(_log_choose(bad, k) + _log_choose(lot - bad, n - k) - _log_choose(lot, n))


def hypergeometric_cdf(*, k: int, n: int, bad: int, lot: int) -> float:
    """P(at most k bad in a sample of n)."""
    return min(1.0, math.fsum(
        hypergeometric_pmf(k=i, n=n, bad=bad, lot=lot) for i in range(min(k, n) + 1)))


def _continued(x: Floats, a: Floats, b: Floats) -> Floats:
    """Continued fraction of the incomplete beta function (Lentz; Numerical Recipes 6.4)."""
    tiny = 1e-300
    c = np.ones_like(x)
    d = 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / np.where(np.abs(d) < tiny, tiny, d)
    h = d.copy()
    for m in range(1, 10_000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / np.where(np.abs(d) < tiny, tiny, d)
            c = 1.0 + numerator / c
            c = np.where(np.abs(c) < tiny, tiny, c)
            step = c * d
            h = h * step
        if float(np.max(np.abs(step - 1.0))) < 1e-15:
            break
    return h


_lgamma: Callable[[Any], Any] = np.vectorize(math.lgamma, otypes=[float])


def _front(a: Floats, b: Floats) -> Floats:
    """Logarithm of 1 / B(a, b)."""
    return np.asarray(_lgamma(a + b) - _lgamma(a) - _lgamma(b))


def _by_fraction(x: Floats, a: Floats, b: Floats) -> Floats:
    inside = np.clip(x, 1e-300, 1.0 - 1e-16)
    front = np.exp(_front(a, b) + a * np.log(inside) + b * np.log1p(-inside))
    swap = inside > (a + 1.0) / (a + b + 2.0)
    aa, bb = np.where(swap, b, a), np.where(swap, a, b)
    part = front * _continued(np.where(swap, 1.0 - inside, inside), aa, bb) / aa
    return np.where(swap, 1.0 - part, part)


def _by_quadrature(x: Floats, a: Floats, b: Floats) -> Floats:
    """For large a and b the integrand is a narrow peak: integrate the tail beyond x over it."""
    mean = a / (a + b)
    sd = np.sqrt(mean * (1.0 - mean) / (a + b + 1.0))
    above = x > mean
    end = np.where(above, np.minimum(1.0, np.maximum(mean + 10 * sd, x + 5 * sd)),
                   np.maximum(0.0, np.minimum(mean - 10 * sd, x - 5 * sd)))
    t = x[:, None] + (end - x)[:, None] * _NODES
    log_mean, log_rest = np.log(mean), np.log1p(-mean)
    with np.errstate(divide="ignore"):
        height = np.exp((a - 1.0)[:, None] * (np.log(t) - log_mean[:, None])
                        + (b - 1.0)[:, None] * (np.log1p(-t) - log_rest[:, None]))
    peak = np.exp(_front(a, b) + (a - 1.0) * log_mean + (b - 1.0) * log_rest)
    tail = np.abs(end - x) * (height @ _WEIGHTS) * peak
    return np.where(above, 1.0 - tail, tail)


def _beta(x: Floats, a: Floats, b: Floats) -> Floats:
    """Regularised incomplete beta function I_x(a, b) for a, b > 0 (Numerical Recipes 6.4)."""
    value = np.empty_like(x)
    large = np.minimum(a, b) > _LARGE
    for chosen, method in ((large, _by_quadrature), (~large, _by_fraction)):
        if chosen.any():
            value[chosen] = method(x[chosen], a[chosen], b[chosen])
    return np.where(x <= 0.0, 0.0, np.where(x >= 1.0, 1.0, value))


def _beta_inverse(q: float, a: Floats, b: Floats) -> Floats:
    """x with I_x(a, b) = q: Newton's method inside a closing bracket."""
    mean = a / (a + b)
    sd = np.sqrt(mean * (1.0 - mean) / (a + b + 1.0))
    x = np.clip(mean + _normal_quantile(q) * sd, mean / 50, 1.0 - (1.0 - mean) / 50)
    low, high = np.zeros_like(a), np.ones_like(a)
    log_norm = _front(a, b)
    todo = np.arange(len(a))
    for _ in range(_STEPS):
        at, aa, bb = x[todo], a[todo], b[todo]
        value = _beta(at, aa, bb) - q
        low[todo] = np.where(value < 0, at, low[todo])
        high[todo] = np.where(value < 0, high[todo], at)
        inside = np.clip(at, 1e-300, 1.0 - 1e-16)
        slope = np.exp(np.clip(
            log_norm[todo] + (aa - 1) * np.log(inside) + (bb - 1) * np.log1p(-inside), -700, 700))
        newton = at - value / slope
        good = (newton > low[todo]) & (newton < high[todo])
        x[todo] = np.where(good, newton, (low[todo] + high[todo]) / 2)
        moved = np.abs(x[todo] - at) / np.maximum(x[todo], 1e-300)
        todo = todo[moved > 1e-13]
        if not len(todo):
            break
    return x


def clopper_pearson_many(*, x: Any, n: int, level: float = 0.95) -> tuple[Floats, Floats]:
    """Two-sided exact bounds for many counts of one n: arrays (low, high) like x."""
    counts = np.asarray(x, np.int64)
    if n == 0 or not counts.size:
        return np.zeros(counts.shape), np.ones(counts.shape)
    if counts.min() < 0 or counts.max() > n:
        raise ValueError(f"counts must lie between 0 and {n}")
    tail = (1.0 - level) / 2.0
    found, back = np.unique(counts, return_inverse=True)
    low, high = np.zeros(len(found)), np.ones(len(found))
    some = found > 0
    if some.any():
        low[some] = _beta_inverse(tail, found[some].astype(float), n - found[some] + 1.0)
    rest = found < n
    if rest.any():
        high[rest] = _beta_inverse(1.0 - tail, found[rest] + 1.0, (n - found[rest]).astype(float))
    return low[back].reshape(counts.shape), high[back].reshape(counts.shape)


def clopper_pearson(*, x: int, n: int, level: float = 0.95) -> Interval:
    """Two-sided exact interval of the share x/n; n = 0 gives (0, 1)."""
    _check(x, n)
    low, high = clopper_pearson_many(x=[x], n=n, level=level)
    return Interval(float(low[0]), float(high[0]), level, "exact")


def upper_bound(*, x: int, n: int, level: float = 0.95) -> float:
    """One-sided exact upper bound of the share."""
    return clopper_pearson(x=x, n=n, level=2 * level - 1).high


def lower_bound(*, x: int, n: int, level: float = 0.95) -> float:
    """One-sided exact lower bound of the share."""
    return clopper_pearson(x=x, n=n, level=2 * level - 1).low


def finite_lot_upper(*, x: int, n: int, lot: int, level: float = 0.95) -> int:
    """Most bad fruit a lot of `lot` can hold and still give at most x bad in n with a chance above
    1 - level. The sampled fruit are part of the lot."""
    _check(x, n)
    alpha = 1.0 - level
    low, high = x, lot - (n - x)
    while low < high:
        middle = (low + high + 1) // 2
        if hypergeometric_cdf(k=x, n=n, bad=middle, lot=lot) > alpha:
            low = middle
        else:
            high = middle - 1
    return low


def wilson(*, x: int, n: int, level: float = 0.95) -> Interval:
    """Wilson's score interval, for live boards; n = 0 gives (0, 1)."""
    _check(x, n)
    if n == 0:
        return Interval(0.0, 1.0, level, "wilson")
    z = _normal_quantile(0.5 + level / 2)
    share = x / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return Interval(max(0.0, middle - half) if x else 0.0,
                    min(1.0, middle + half) if x < n else 1.0, level, "wilson")


def _normal_quantile(q: float) -> float:
    low, high = -40.0, 40.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        low, high = (middle, high) if 0.5 * math.erfc(-middle / math.sqrt(2)) < q else (low, middle)
    return (low + high) / 2


def acceptance_chance(*, n: int, accept: int, p: float, lot: int | None = None) -> float:
    """P(a plan n / accept takes a lot) at share p; with `lot`, drawn without replacement."""
    if lot is None:
        return binomial_cdf(k=accept, n=n, p=p)
    return hypergeometric_cdf(k=accept, n=n, bad=round(p * lot), lot=lot)


def largest_accepted(
    *, rule: LotRule, n: int, tolerance: Fraction, level: Fraction = Fraction(95, 100)
) -> int:
    """Largest count that the named rule accepts; -1 when not even zero is accepted.

    point: x/n <= tolerance in exact arithmetic. aql: smallest c with P(x <= c) >= level at the
    tolerance. confidence: the one-sided upper bound does not exceed the tolerance.
    """
    if rule == "point":
        return int(n * tolerance)
    p = float(tolerance)
    if rule == "aql":
        return next(c for c in range(n + 1)
                    if c == n or binomial_cdf(k=c, n=n, p=p) >= float(level))
    best = -1
    while best < n and binomial_cdf(k=best + 1, n=n, p=p) <= 1 - float(level):
        best += 1
    return best


def sample_for_confidence(*, accept: int, tolerance: float, level: float = 0.95) -> int:
    """Smallest n at which `accept` defectives still show that the lot is inside the tolerance."""
    n = accept + 1
    while binomial_cdf(k=accept, n=n, p=tolerance) > 1 - level:
        n += 1
    return n


def interval_after(*, x: int, n: int, extra: int, level: float = 0.95) -> Interval:
    """The interval if `extra` more fruit are seen at the same share (rounded to whole fruit)."""
    _check(x, n)
    more = n + extra
    return clopper_pearson(x=round(Fraction(x * more, n)) if n else 0, n=more, level=level)


def fruit_needed(
    *, x: int, n: int, tolerance: Fraction, level: float = 0.95, most: int = 1_000_000
) -> int | None:
    """How many more fruit would tell, if the share stays as it was observed.

    The least number after which the two-sided interval lies on one side of the tolerance: 0 when
    it does already, None when the share equals the tolerance or `most` fruit would not tell.
    """
    _check(x, n)
    limit = float(tolerance)

    def tells(extra: int) -> bool:
        i = interval_after(x=x, n=n, extra=extra, level=level)
        return i.high <= limit or i.low > limit

    if tells(0):
        return 0
    if n == 0 or Fraction(x, n) == tolerance or not tells(most):
        return None
    low, high = 0, 1
    while not tells(high):
        low, high = high, high * 2
    while low + 1 < high:
        middle = (low + high) // 2
        low, high = (low, middle) if tells(middle) else (middle, high)
    return high
