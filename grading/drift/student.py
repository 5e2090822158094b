"""Student's t for whole degrees of freedom, from its finite series.

Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4: exact for whole
numbers of degrees of freedom, no more than rounding error away up to a million of them.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np


def normal_quantile(*, level: float) -> float:
    """z with P(-z < Z < z) = level, level inside 0 to 1."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"confidence level {level} must lie between 0 and 1")
    return NormalDist().inv_cdf(0.5 + level / 2.0)


def central_chance(*, t: float, df: int) -> float:
    """P(-t < T < t) for t >= 0 and df >= 1."""
    if df < 1:
        raise ValueError(f"{df} degrees of freedom: it needs at least 1")
    cos2 = df / (df + t * t)
    sine = t / math.sqrt(df + t * t)
    if df % 2 == 0:
        i = np.arange(1, df // 2)
        return sine * (1.0 + float(np.cumprod((2 * i - 1) / (2 * i) * cos2).sum()))
    theta = math.atan(t / math.sqrt(df))
    if df == 1:
        return 2.0 * theta / math.pi
    i = np.arange(1, (df - 1) // 2)
    inner = 1.0 + float(np.cumprod(2 * i / (2 * i + 1) * cos2).sum())
    return 2.0 / math.pi * (theta + sine * math.sqrt(cos2) * inner)


def t_quantile(*, level: float, df: int) -> float:
    """t with P(-t < T < t) = level: the factor of a two-sided interval."""
    low, high = 0.0, normal_quantile(level=level)
    while central_chance(t=high, df=df) < level:
        low, high = high, 2.0 * high
    while high - low > 1e-13 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if central_chance(t=middle, df=df) < level else (low, middle)
    return 0.5 * (low + high)


def two_sided_p(*, t: float, df: int) -> float:
    """P(|T| > |t|); absolute error about 1e-15."""
    return max(0.0, 1.0 - central_chance(t=abs(t), df=df))
