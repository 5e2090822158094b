"""Did a line's level move inside a lot by more than fruit of one lot ordinarily swing?

Fruit of a lot are never quite alike: bins differ, and the level wanders while they are dumped.
Thousands of fruit a window make the sampling error tiny beside that, so limits from the fruit's
own spread, and limits from some quiet windows alone, cry wolf. Here a window's level is

    lot + wander (first-order autoregression, sd `wander_sd`, `memory` windows)
        + own (independent, sd `own_sd`, and the window's standard error)

and every split of the lot into before and after is tested: mean after less mean before over the
exact standard deviation that the model gives it. The spreads start from what the house takes for
ordinary and are widened where the windows before the split show more, never narrowed: a dozen
windows cannot show that a lot does not wander.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.drift.student import normal_quantile
from grading.quantities import Floats

SPLITS: Final = 3
"""Independent looks that the splits of a lot's windows are worth, for limits: by simulation of
the model with lots of 100 windows, on the safe side."""
OWN_WEIGHT: Final = 20.0
WANDER_WEIGHT: Final = 4.0
"""Windows, and memories of the wander, that the ordinary spreads count for."""
ALIKE: Final = 7.352
"""-2 ln(1 - sqrt(0.95)): splits whose likelihood ratio to the best is under it stay possible
(Hansen, Econometrica 68:575 (2000))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swings:
    """Ordinary swings of a quantity inside a lot, in its unit, per window.

    memory: windows after which the wander has 1/e of itself left. margin: smallest change worth
    a look. base, least: windows before and after that a split needs. far: windows looked back.
    """

    own_sd: float
    wander_sd: float
    margin: float
    memory: float = 8.0
    base: int = 6
    least: int = 3
    far: int = 240

    def __post_init__(self) -> None:
        if min(self.own_sd, self.wander_sd, self.margin, self.memory) <= 0.0:
            raise ValueError("spreads, memory and margin must be above 0")
        if self.base < 2 or self.least < 1 or self.far < self.base + self.least:
            raise ValueError("a split needs 2 windows before it and 1 after, within its reach")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """z beyond which a change is worth a look, and worth acting on."""

    look: float
    act: float


def limits_for(
    *, charts: int, windows_per_week: float, act_per_week: float = 1.0, look_arl0: float = 500.0
) -> Limits:
    """Limits that keep false findings of a line to `act_per_week` in all its charts together
    (Bonferroni), and false looks of one chart to one in `look_arl0` windows."""
    act = normal_quantile(level=1.0 - act_per_week / (charts * windows_per_week * SPLITS))
    look = normal_quantile(level=1.0 - 1.0 / (look_arl0 * SPLITS))
    return Limits(look=min(look, act), act=act)


@dataclass(frozen=True, slots=True)
class Moved:
    """The likeliest split. window: position of the first window after it; low, high: the
    positions that it may have as well, inclusive. before, after: mean levels; size their
    difference, sd what ordinary swings give it, z the one over the other."""

    window: int
    low: int
    high: int
    before: float
    after: float
    size: float
    sd: float
    z: float


def _spreads(y: Floats, own2: Floats, s: Swings) -> tuple[Floats, Floats]:
    """Variances (own, wander) by split, from the windows before it; [k] for k windows."""
    n = len(y)
    count = np.arange(1, n + 1)
    shift = y - y[0]
    total = np.cumsum(shift)
    squares = np.cumsum(shift * shift)
    spread = np.maximum(squares - total * total / count, 0.0) / np.maximum(count - 1, 1)
    moving = np.concatenate(([0.0], np.cumsum(np.diff(y) ** 2))) / np.maximum(count - 1, 1)
    keep = math.exp(-1.0 / s.memory)
    least_own = s.own_sd**2 + np.cumsum(own2) / count
    own = np.maximum(moving / 2.0 - s.wander_sd**2 * (1.0 - keep), 0.0)
    own = (OWN_WEIGHT * least_own + (count - 1) * own) / (OWN_WEIGHT + count - 1)
    # A mean of neighbours that are alike takes part of the wander with it.
    alike = (count + 2.0 * np.cumsum(np.concatenate(
        ([0.0], (keep - keep ** count[1:]) / (1.0 - keep))))) / count**2
    wander = np.maximum(spread - own, 0.0) / np.maximum(1.0 - alike, 0.05)
    memories = count / (2.0 * s.memory)
    wander = (WANDER_WEIGHT * s.wander_sd**2 + memories * wander) / (WANDER_WEIGHT + memories)
    return np.maximum(own, least_own), np.maximum(wander, s.wander_sd**2)


def _alike(at: Floats, memory: float) -> tuple[Floats, Floats]:
    """Sums over i, j <= k of rho^|t_i - t_j| (all pairs), and over i <= k of rho^(t_k - t_i)."""
    sums, reach = np.zeros(len(at)), np.zeros(len(at))
    held = both = 0.0
    for k, left in enumerate(np.exp(-np.diff(at, prepend=at[0]) / memory).tolist()):
        before = held * left if k else 0.0
        held = before + 1.0
        both += 1.0 + 2.0 * before
        sums[k], reach[k] = both, held
    return sums, reach


def _variances(at: Floats, memory: float) -> Floats:
    """Wander's part in the variance of (mean after - mean before), by split k = 1 ... n - 1, for
    a wander of unit variance."""
    n = len(at)
    front, near = _alike(at, memory)
    back, far = (x[::-1] for x in _alike(-at[::-1], memory))
    k = np.arange(1, n)
    across = near[:-1] * far[1:] * np.exp(-np.diff(at) / memory)
    return np.asarray(front[:-1] / k**2 + back[1:] / (n - k) ** 2 - 2.0 * across / (k * (n - k)))


def find_move(*, values: Any, se: Any, at: Any, swings: Swings) -> Moved | None:
    """The likeliest change of level in the windows of one lot so far; None while it has too few.

    values, se: (W,) levels and their own standard errors. at: (W,) window numbers, rising; a gap
    lets the wander go on. Whether it is more than chance: `z` against `limits_for`; whether it
    matters: `size` against the margin.
    """
    y, own2 = (np.asarray(x, np.float64)[-swings.far:] for x in (values, se))
    where = np.asarray(at, np.float64)[-swings.far:]
    n, skipped = len(y), max(len(values) - swings.far, 0)
    if n < swings.base + swings.least:
        return None
    own2 = own2 * own2
    own, wander = _spreads(y, own2, swings)
    k = np.arange(swings.base, n - swings.least + 1)
    total = np.cumsum(y)
    before, after = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    variance = own[k - 1] * (1.0 / k + 1.0 / (n - k)) + wander[k - 1] * _variances(
        where, swings.memory)[k - 1]
    z = (after - before) / np.sqrt(variance)
    best = int(np.abs(z).argmax())
    near = np.flatnonzero(z * z >= z[best] ** 2 - ALIKE)
    return Moved(
        int(k[best]) + skipped, int(k[near[0]]) + skipped, int(k[near[-1]]) + skipped,
        float(before[best]), float(after[best]), float(after[best] - before[best]),
        math.sqrt(float(variance[best])), float(z[best]))


def ordinary_sd(*, values: Any, se: Any, at: Any, later: Any, swings: Swings) -> float:
    """Standard deviation that ordinary swings give the difference of two stretches' mean levels.

    values, se, at: (W,) of the earlier one, two windows or more; later: window numbers of the
    other one. With fewer, the ordinary spreads alone.
    """
    y, when = np.asarray(values, np.float64), np.asarray(at, np.float64)
    after = np.asarray(later, np.float64)
    if not len(after) or not len(when):
        return math.hypot(swings.own_sd, swings.wander_sd) * math.sqrt(2.0)
    own, wander = (x[-1] for x in _spreads(y, np.asarray(se, np.float64) ** 2, swings))
    both = np.concatenate((when, after))
    k, n = len(when), len(both)
    alike = _variances(both, swings.memory)[k - 1]
    return math.sqrt(float(own * (1.0 / k + 1.0 / (n - k)) + wander * alike))
