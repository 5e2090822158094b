"""Is a sensor still a sensor? Signs in a window that no fruit can give.

Each sign has a chance: an upper bound of how often healthy, independent fruit would show as much.
It is reported only below `chance_max`, and where the lanes' other evidence makes it large enough
to matter. What a lane is compared with are the other lanes of the window and, where given, a
window of before. Fruit that are fed to the lanes by size or colour break that comparison.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from grading.chances import binomial_cdf
from grading.monitor.assemble import RUN_MIN
from grading.monitor.shares import FRUIT_MIN
from grading.monitor.special import normal_tail
from grading.monitor.state import WindowState, exact_m2, no_fruit, stacked_measure
from grading.quantities import Floats, Integers

CHANCE_MAX: Final = 1e-6
"""48 windows x 5 shifts x 8 lanes x 6 measures x 4 signs = 46,000 looks a week: 0.05 false."""
LESS: Final = 0.5
"""A lane that reads on less than this part of what it should is worth a finding."""
SD_RATIO: Final = 0.7
"""So is a standard deviation below this part of the others', or above its inverse."""

Sign = Literal["silent", "reads_less", "frozen", "too_even", "too_noisy", "repeated", "impossible"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthFinding:
    """One sign. measure: empty where it is about whole fruit (a lane that sends none: silent).

    seen, expected: share read (silent, reads_less), length of the run and its longest likely
    length (frozen), standard deviation in the measure's quanta (too_even, too_noisy), share of
    fruit (repeated, impossible). chance: upper bound under health; None: nothing to compare
    with, yet all readings of the window are one value.
    """

    sign: Sign
    lane: int
    measure: str
    n: int
    seen: float
    expected: float
    chance: float | None


def health(
    *, state: WindowState, before: WindowState | None = None, chance_max: float = CHANCE_MAX
) -> tuple[HealthFinding, ...]:
    """Signs of every lane and measure of a window; before: fruit of the same kind, earlier."""
    earlier = no_fruit(shape=state.shape) if before is None else before.together()
    contrasts = [
        _Contrast(state, earlier, name) for name in sorted({*state.measures, *earlier.measures})]
    found: list[HealthFinding | None] = []
    for row in range(len(state.lanes)):
        found.append(_repeated(state, row, contrasts, chance_max))
        for contrast in contrasts:
            found.extend((_silent(contrast, row, chance_max), _frozen(contrast, row, chance_max),
                          _spread(contrast, row, chance_max)))
    if before is not None:
        found.extend(_no_fruit(lane, state.fruit, before, chance_max)
                     for lane in before.lanes if lane not in state.lanes)
    return tuple(f for f in found if f is not None)


class _Contrast:
    """One measure of a window: each lane, and all the others with the earlier fruit, by row."""

    def __init__(self, state: WindowState, earlier: WindowState, name: str) -> None:
        lanes = len(state.lanes)
        both = stacked_measure(name=name, parts=(state, earlier))
        self.name, self.lanes = name, state.lanes
        self.fruit = state.n
        self.fruit_there = state.fruit + earlier.fruit - state.n
        self.run, self.n, self.bins = both.run[:lanes], both.n[:lanes], both.bins[:lanes]
        self.n_there = both.n.sum() - self.n
        self.bins_there = both.bins.sum(axis=0) - self.bins
        total, squares = both.total[:lanes], both.squares[:lanes]
        here = exact_m2(n=self.n, total=total, squares=squares)
        there = exact_m2(n=self.n_there, total=both.total.sum() - total,
                         squares=both.squares.sum() - squares)
        self.sd = np.sqrt(here / np.maximum(1, self.n - 1))
        self.sd_there = np.sqrt(there / np.maximum(1, self.n_there - 1))

    def shares(self, row: int) -> Floats | None:
        """Shares of the others' bins; None where too few of them were read."""
        return _shares(self.bins_there[row]) if self.n_there[row] >= FRUIT_MIN else None


def _shares(bins: Integers) -> Floats:
    return np.asarray(bins[bins > 0] / bins.sum())


def _no_fruit(
    lane: int, fruit: int, before: WindowState, chance_max: float
) -> HealthFinding | None:
    """A lane that sent fruit before and none now, while the line ran."""
    usual = before.lane(number=lane).fruit / (before.fruit + 1)
    chance = binomial_cdf(k=0, n=fruit, p=usual)
    if chance > chance_max:
        return None
    return HealthFinding(sign="silent", lane=lane, measure="", n=fruit, seen=0.0, expected=usual,
                         chance=chance)


def _silent(c: _Contrast, row: int, chance_max: float) -> HealthFinding | None:
    """Readings against the share of fruit that is read elsewhere: binomial."""
    read, fruit = int(c.n[row]), int(c.fruit[row])
    usual = int(c.n_there[row]) / (int(c.fruit_there[row]) + 1)
    if read >= LESS * usual * fruit:
        return None
    chance = binomial_cdf(k=read, n=fruit, p=usual)
    if chance > chance_max:
        return None
    return HealthFinding(sign="reads_less" if read else "silent", lane=c.lanes[row],
                         measure=c.name, n=fruit, seen=read / fruit, expected=usual, chance=chance)


def _frozen(c: _Contrast, row: int, chance_max: float) -> HealthFinding | None:
    """A run of r equal readings in n: chance at most (n - r + 1) x sum of share^r over bins.

    A bin's share is at least that of each value in it, so the bound also holds for a sensor that
    reads in coarse steps.
    """
    run, n = int(c.run[row]), int(c.n[row])
    if not run:
        return None
    others = c.shares(row)
    shares = _shares(c.bins[row]) if others is None else others
    if len(shares) == 1:  # of others: everybody reads this one value
        if others is not None or run < n:
            return None
        return HealthFinding(sign="frozen", lane=c.lanes[row], measure=c.name, n=n, seen=run,
                             expected=RUN_MIN, chance=None)
    chance = min(1.0, (n - run + 1) * float((shares**run).sum()))
    if chance > chance_max:
        return None
    likely = math.log(chance_max / n) / math.log(float(shares.max()))
    return HealthFinding(sign="frozen", lane=c.lanes[row], measure=c.name, n=n, seen=run,
                         expected=likely, chance=chance)


def _spread(c: _Contrast, row: int, chance_max: float) -> HealthFinding | None:
    """Standard deviation against the others', by logs with the kurtosis of the fruit.

    Layard, JASA 68:195 (1973); two-sided. Too even: readings smoothed, averaged or made up.
    """
    n, n_there = int(c.n[row]), int(c.n_there[row])
    mine, usual = float(c.sd[row]), float(c.sd_there[row])
    if min(n, n_there) < FRUIT_MIN or SD_RATIO * usual <= mine <= usual / SD_RATIO:
        return None
    at, weight = np.arange(c.bins.shape[1]), c.bins_there[row] / n_there
    off = at - float(weight @ at)
    square = float(weight @ off**2)
    if not square:  # the others all lie in one bin: nothing to measure a spread by
        return None
    peaked = max(1e-9, float(weight @ off**4) / square**2 - 1.0)  # 0 for two values, half each
    error = math.sqrt(peaked * (1.0 / n + 1.0 / n_there))
    far = abs(2.0 * math.log(mine / usual)) / error if mine else math.inf
    chance = 2.0 * normal_tail(z=far)
    if chance > chance_max:
        return None
    return HealthFinding(sign="too_even" if mine < usual else "too_noisy", lane=c.lanes[row],
                         measure=c.name, n=n, seen=mine, expected=usual, chance=chance)


def _repeated(
    state: WindowState, row: int, contrasts: Sequence[_Contrast], chance_max: float
) -> HealthFinding | None:
    """Fruit that read like the fruit before in everything: sent twice, or made up.

    Two fruit share all readings at most as often as they share the bin of the one measure that
    tells fruit apart best.
    """
    n, repeats = int(state.n[row]), int(state.repeats[row])
    together = [float((_shares(c.bins[row]) ** 2).sum()) for c in contrasts
                if repeats and c.n[row] >= FRUIT_MIN]
    if not together:
        return None
    expected = min(together)
    chance = _at_least(repeats, n, expected)
    if chance > chance_max:
        return None
    return HealthFinding(sign="repeated", lane=state.lanes[row], measure="", n=n,
                         seen=repeats / n, expected=expected, chance=chance)


def impossible_share(
    *, refused: int, fruit: int, usual: float, lane: int = 0, measure: str = "",
    chance_max: float = CHANCE_MAX,
) -> HealthFinding | None:
    """Readings that no peach can give (refused when they came in) against their usual share.

    fruit: all that came, refused ones included. usual: share above 0 and below 1.
    """
    if not 0.0 < usual < 1.0:
        raise ValueError(f"usual share {usual} must lie between 0 and 1")
    chance = _at_least(refused, fruit, usual)
    if refused <= usual * fruit or chance > chance_max:
        return None
    return HealthFinding(sign="impossible", lane=lane, measure=measure, n=fruit,
                         seen=refused / fruit, expected=usual, chance=chance)


def _at_least(x: int, n: int, p: float) -> float:
    """P(at least x of n), digits kept however small it is."""
    return binomial_cdf(k=n - x, n=n, p=1.0 - p)


# --- one lane's readings in order, on demand ---------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceTest:
    """Successive readings of one lane: ratio 2 for independent fruit, less when smoothed.

    ratio: mean square successive difference over the variance. z: its distance below 2 in
    standard errors; chance_smoothed: of as small a ratio.
    """

    n: int
    ratio: float
    z: float
    chance_smoothed: float


def sequence_test(*, values: Sequence[float] | Any) -> SequenceTest | None:
    """von Neumann's ratio, Annals of Mathematical Statistics 12:367 (1941); error by Young,
    ibid. 12:293. At least 20 readings; None when they are fewer or all equal."""
    x = np.asarray(values, np.float64)
    n = len(x)
    if n < RUN_MIN or np.ptp(x) == 0:
        return None
    ratio = float((np.diff(x) ** 2).sum() / ((x - x.mean()) ** 2).sum())
    z = (1.0 - ratio / 2.0) * math.sqrt((n * n - 1.0) / (n - 2.0))
    return SequenceTest(n=n, ratio=ratio * n / (n - 1), z=z, chance_smoothed=normal_tail(z=z))
