"""The few functions of the normal and chi-square laws that monitoring needs, in plain numpy."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from grading.quantities import Floats

_ROOT_2: Final = math.sqrt(2.0)
_erfc = np.vectorize(math.erfc, otypes=[np.float64])


def normal_cdf(*, x: Any) -> Floats:
    """Chance of at most x, any shape; the lower tail keeps its digits."""
    cdf: Floats = 0.5 * _erfc(-np.asarray(x, np.float64) / _ROOT_2)
    return cdf


def normal_pdf(*, x: Any) -> Floats:
    """Density of the standard normal law at x, any shape."""
    at = np.asarray(x, np.float64)
    return np.asarray(np.exp(-0.5 * at * at) / math.sqrt(2.0 * math.pi))


def normal_tail(*, z: float) -> float:
    """Chance of more than z."""
    return 0.5 * math.erfc(z / _ROOT_2)


def chi_square_tails(*, x: float, df: int) -> tuple[float, float]:
    """(chance of at most x, chance of more than x), df at least 1.

    Series below the mean, continued fraction (Lentz) above it: Abramowitz and Stegun 6.5.29 and
    6.5.31.
    """
    if df < 1 or x < 0:
        raise ValueError(f"chi-square {x} with {df} degrees of freedom: need x >= 0 and df >= 1")
    if x == 0:
        return 0.0, 1.0
    a, y = df / 2.0, x / 2.0
    front = math.exp(a * math.log(y) - y - math.lgamma(a))
    if y < a + 1.0:
        term = total = 1.0 / a
        n = a
        while term > 1e-17 * total:
            n += 1.0
            term *= y / n
            total += term
        return front * total, 1.0 - front * total
    b = y + 1.0 - a
    c, d = math.inf, 1.0 / b
    fraction, i, change = d, 0, 0.0
    while abs(change - 1.0) > 1e-15:
        i += 1
        step = -i * (i - a)
        b += 2.0
        d = 1.0 / (step * d + b)
        c = b + step / c
        change = d * c
        fraction *= change
    return 1.0 - front * fraction, front * fraction
