"""What pulls and checks show of a line's error in the course of time: did it move, and when?

Each pull of fruit measured both ways, and each passing of reference objects, gives one value of
the line's common error. A change shows as a later group of them that differs from the earlier
ones, or, where there are no earlier ones, from none at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from grading.drift.student import normal_quantile, t_quantile

CHANCE: Final = 4e-4
"""Of a false step in one look: 240 pulls and checks a week then give 0.1 false ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One value of the line's error (reading less truth), with n readings behind its se."""

    at_ms: int
    value: float
    se: float
    n: int


@dataclass(frozen=True, slots=True)
class Step:
    """The likeliest step: between `good_ms`, the last value before it (None: there is none), and
    `bad_ms`, the first one after. size: after less before. ratio: size over what chance explains,
    or over the margin, whichever is less: above 1 the step is found."""

    good_ms: int | None
    bad_ms: int
    size: float
    ratio: float


def _mean(values: Sequence[Told], level: float) -> tuple[float, float]:
    """Mean by precision and its standard error, widened as t widens it."""
    weights = [1.0 / v.se**2 for v in values]
    total = math.fsum(weights)
    df = sum(v.n - 1 for v in values)
    wide = t_quantile(level=level, df=max(df, 1)) / normal_quantile(level=level)
    return (math.fsum(w * v.value for w, v in zip(weights, values, strict=True)) / total,
            wide / math.sqrt(total))


def find_step(*, told: Sequence[Told], margin: float, chance: float = CHANCE) -> Step | None:
    """The likeliest step in values in time order; None where there are none.

    margin: smallest step worth acting on, above 0. The first value by itself is held against 0: a
    line that nobody has checked is taken to have been right. se and n of each value above 0.
    """
    level = 1.0 - chance
    z = normal_quantile(level=level)
    found: list[Step] = []
    for k in range(len(told)):
        after, se = _mean(told[k:], level)
        before, before_se = _mean(told[:k], level) if k else (0.0, 0.0)
        size = after - before
        ratio = abs(size) / max(z * math.hypot(se, before_se), margin)
        found.append(Step(told[k - 1].at_ms if k else None, told[k].at_ms, size, ratio))
    return max(found, key=lambda s: s.ratio, default=None)
