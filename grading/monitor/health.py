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
from grading.monitor.state import MeasureState, WindowState, merged
from grading.quantities import Floats

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
    names = sorted({*state.measures, *(before.measures if before else ())})
    found: list[HealthFinding | None] = []
    for lane in state.lanes:
        mine = state.lane(number=lane)
        peers = [state.lane(number=other) for other in state.lanes if other != lane]
        usual = merged(states=[*peers, *([before] if before else [])], shape=state.shape).together()
        found.append(_repeated(mine, lane, chance_max))
        for name in names:
            here, there = mine.measures.get(name), usual.measures.get(name)
            found.append(_silent(name, lane, mine.fruit, here, usual.fruit, there, chance_max))
            if here is not None and here.n[0]:
                found.append(_frozen(lane, here, there, chance_max))
                found.append(_spread(lane, here, there, chance_max))
    if before is not None:
        found.extend(_no_fruit(lane, state.fruit, before, chance_max)
                     for lane in before.lanes if lane not in state.lanes)
    return tuple(f for f in found if f is not None)


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


def _silent(
    name: str, lane: int, fruit: int, here: MeasureState | None, fruit_there: int,
    there: MeasureState | None, chance_max: float,
) -> HealthFinding | None:
    """Readings against the share of fruit that is read elsewhere: binomial."""
    if there is None or not there.n[0]:
        return None
    usual, read = int(there.n[0]) / (fruit_there + 1), 0 if here is None else int(here.n[0])
    chance = binomial_cdf(k=read, n=fruit, p=usual)
    if read >= LESS * usual * fruit or chance > chance_max:
        return None
    return HealthFinding(sign="reads_less" if read else "silent", lane=lane, measure=name, n=fruit,
                         seen=read / fruit, expected=usual, chance=chance)


def _shares(state: MeasureState | None, least: int) -> Floats | None:
    """Shares of the bins of all lanes; None with fewer readings than `least`."""
    if state is None or int(state.n.sum()) < least:
        return None
    bins = state.bins.sum(axis=0)
    return np.asarray(bins[bins > 0] / bins.sum())


def _frozen(
    lane: int, here: MeasureState, there: MeasureState | None, chance_max: float
) -> HealthFinding | None:
    """A run of r equal readings in n: chance at most (n - r + 1) x sum of share^r over bins.

    A bin's share is at least that of each value in it, so the bound also holds for a sensor that
    reads in coarse steps.
    """
    run, n = int(here.run[0]), int(here.n[0])
    if not run:
        return None
    shares = _shares(there, FRUIT_MIN)
    if shares is None:
        shares = _shares(here, 1)
    assert shares is not None  # a run has readings
    if len(shares) == 1:
        if there is not None and int(there.n.sum()) >= FRUIT_MIN:
            return None  # everybody reads this one value
        if run < n:
            return None
        return HealthFinding(sign="frozen", lane=lane, measure=here.name, n=n, seen=run,
                             expected=RUN_MIN, chance=None)
    chance = min(1.0, (n - run + 1) * float((shares**run).sum()))
    if chance > chance_max:
        return None
    likely = math.log(chance_max / n) / math.log(float(shares.max()))
    return HealthFinding(sign="frozen", lane=lane, measure=here.name, n=n, seen=run,
                         expected=likely, chance=chance)


def _spread(
    lane: int, here: MeasureState, there: MeasureState | None, chance_max: float
) -> HealthFinding | None:
    """Standard deviation against the others', by logs with the kurtosis of the fruit.

    Layard, JASA 68:195 (1973); two-sided. Too even: readings smoothed, averaged or made up.
    """
    shares = _shares(there, FRUIT_MIN)
    if there is None or shares is None or len(shares) < 2 or here.n[0] < FRUIT_MIN:
        return None
    mine, usual = float(here.sd()[0]), float(there.sd()[0])
    middle = np.flatnonzero(there.bins[0]) - float(there.bins[0] @ np.arange(
        there.bins.shape[1])) / float(there.n[0])
    kurtosis = float(shares @ middle**4 / (shares @ middle**2) ** 2)
    error = math.sqrt((kurtosis - 1.0) * (1.0 / int(here.n[0]) + 1.0 / int(there.n[0])))
    ratio = mine / usual
    far = math.inf if ratio == 0.0 else abs(2.0 * math.log(ratio)) / error
    chance = 2.0 * normal_tail(z=far)
    if SD_RATIO <= ratio <= 1.0 / SD_RATIO or chance > chance_max:
        return None
    return HealthFinding(sign="too_even" if ratio < 1.0 else "too_noisy", lane=lane,
                         measure=here.name, n=int(here.n[0]), seen=mine, expected=usual,
                         chance=chance)


def _repeated(state: WindowState, lane: int, chance_max: float) -> HealthFinding | None:
    """Fruit that read like the fruit before in everything: sent twice, or made up.

    Two fruit share all readings at most as often as they share the bin of the one measure that
    tells fruit apart best.
    """
    n, repeats = state.fruit, int(state.repeats.sum())
    together = [float((s**2).sum()) for s in map(
        lambda m: _shares(m, FRUIT_MIN), state.measures.values()) if s is not None]
    if not repeats or not together:
        return None
    expected = min(together)
    chance = _at_least(repeats, n, expected)
    if chance > chance_max:
        return None
    return HealthFinding(sign="repeated", lane=lane, measure="", n=n, seen=repeats / n,
                         expected=expected, chance=chance)


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
