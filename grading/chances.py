"""Chances of counts: binomial and hypergeometric, one at a time.

Binomial terms after Loader, "Fast and accurate computation of binomial probabilities" (2000);
tails by the continued fraction of Didonato and Morris, ACM TOMS 18:360 (1992), algorithm 708.
The smaller tail is the one computed, so a chance of 1e-200 is as exact as one of 0.4: about 12
digits for n up to 10 million.
"""

from __future__ import annotations

import math
from typing import Final

_HALF_LOG_2PI: Final = math.log(2.0 * math.pi) / 2.0


def check_count(*, x: int, n: int) -> None:
    """Raise ValueError unless x of n is a count."""
    if not 0 <= x <= n:
        raise ValueError(f"{x} of {n} is not a count: it needs 0 <= x <= n")


def check_lot(*, n: int, bad: int, lot: int) -> None:
    """Raise ValueError unless a sample of n and `bad` fruit both fit the lot."""
    if not (0 <= bad <= lot and 0 <= n <= lot):
        raise ValueError(f"a sample of {n} with {bad} bad does not fit a lot of {lot}")


def _check_share(*, p: float) -> None:
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"share {p} must lie from 0 to 1")


def stirling_error(n: float) -> float:
    """log n! less Stirling's formula, n > 0; the series is good to 1e-16 from 16 on."""
    if n < 16.0:
        return math.lgamma(n + 1.0) - (n + 0.5) * math.log(n) + n - _HALF_LOG_2PI
    s = 1.0 / (n * n)
    return (1/12 - s * (1/360 - s * (1/1260 - s * (1/1680 - s / 1188)))) / n


def log_term(k: float, m: float, p: float, q: float) -> float:
    """log of the binomial term of k > 0 and m > 0 failures and passes; q = 1 - p."""
    n = k + m
    delta = k * q - m * p
    spread = k * math.log1p(delta / (n * p)) + m * math.log1p(-delta / (n * q))
    errors = stirling_error(n) - stirling_error(k) - stirling_error(m)
    return errors - spread - _HALF_LOG_2PI + 0.5 * math.log(n / (k * m))


def tail_fraction(a: float, b: float, p: float, q: float) -> float:
    """Continued fraction r of I_p(a, b) = r p^a q^b / B(a, b), for p up to the mean."""
    lam = a * q - b * p
    c, c0, c1 = 1.0 + lam, b / a, 1.0 + 1.0 / a
    before_up, before_down, up, down = 0.0, 1.0, 1.0, c / c1
    r, last, i, s, back = c1 / c, 0.0, 0, a + 1.0, 1.0
    while abs(r - last) > 1e-15 * r:
        i += 1
        t, w, e = i / a, i * (b - i) * p, a / s
        alpha = back * (back + c0) * e * e * w * p
        e = (1.0 + t) / (c1 + t + t)
        beta = i + w / s + e * (c + i * (1.0 + q))
        back, s = 1.0 + t, s + 2.0
        new_up, new_down = alpha * before_up + beta * up, alpha * before_down + beta * down
        last, r = r, new_up / new_down
        before_up, before_down, up, down = up / new_down, down / new_down, r, 1.0
    return r


def _beta_tail(a: float, b: float, p: float, q: float) -> float:
    """I_p(a, b) for p up to the mean, a and b at least 1."""
    log_height = math.log(a * b / (a + b)) + log_term(a, b, p, q)
    return math.exp(log_height) * tail_fraction(a, b, p, q)


def binomial_pmf(*, k: int, n: int, p: float) -> float:
    """P(exactly k of n) at the share p."""
    check_count(x=k, n=n)
    _check_share(p=p)
    if p in (0.0, 1.0):
        return float(k == (n if p else 0))
    if k == 0:
        return math.exp(n * math.log1p(-p))
    if k == n:
        return math.exp(n * math.log(p))
    return math.exp(log_term(k, n - k, p, 1.0 - p))


def binomial_cdf(*, k: int, n: int, p: float) -> float:
    """P(at most k of n) at the share p; k may lie outside 0 to n."""
    check_count(x=0, n=n)
    _check_share(p=p)
    if k < 0 or k >= n or p in (0.0, 1.0):
        return float(k >= n or (p == 0.0 and k >= 0))
    q = 1.0 - p
    if (k + 1) * q > (n - k) * p:
        return 1.0 - _beta_tail(k + 1.0, float(n - k), p, q)
    return _beta_tail(float(n - k), k + 1.0, q, p)


def hypergeometric_pmf(*, k: int, n: int, bad: int, lot: int) -> float:
    """P(exactly k bad in a sample of n) from a lot with `bad` among `lot` fruit."""
    check_lot(n=n, bad=bad, lot=lot)
    if k < max(0, n - (lot - bad)) or k > min(n, bad):
        return 0.0
    p = n / lot if lot else 0.0
    return (binomial_pmf(k=k, n=bad, p=p) * binomial_pmf(k=n - k, n=lot - bad, p=p)
            / binomial_pmf(k=n, n=lot, p=p))


def _hypergeometric_sum(k: int, n: int, bad: int, lot: int) -> float:
    """P(at most k) summed downwards from k until the terms no longer count."""
    term = hypergeometric_pmf(k=k, n=n, bad=bad, lot=lot)
    total = term
    while term > 1e-17 * total:
        term *= k * (lot - bad - n + k) / ((bad - k + 1) * (n - k + 1))
        total += term
        k -= 1
    return total


def hypergeometric_cdf(*, k: int, n: int, bad: int, lot: int) -> float:
    """P(at most k bad in a sample of n) from a lot with `bad` among `lot` fruit."""
    check_lot(n=n, bad=bad, lot=lot)
    if k < max(0, n - (lot - bad)) or k >= min(n, bad):
        return float(k >= min(n, bad))
    if k * lot > n * bad:  # At least k + 1 bad is at most n - k - 1 sound.
        return 1.0 - _hypergeometric_sum(n - k - 1, n, lot - bad, lot)
    return _hypergeometric_sum(k, n, bad, lot)


def acceptance_chance(*, n: int, accept: int, p: float, lot: int | None = None) -> float:
    """OC of a single plan: P(at most `accept` of n are bad) at the share p.

    Without `lot` for a stream of lots (binomial, type B); with it for that lot alone, which
    holds p x lot bad fruit to the nearest whole one (hypergeometric, type A).
    """
    if lot is None:
        return binomial_cdf(k=accept, n=n, p=p)
    _check_share(p=p)
    return hypergeometric_cdf(k=accept, n=n, bad=round(p * lot), lot=lot)
