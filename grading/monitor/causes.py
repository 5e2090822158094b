"""Why fruit were culled, and whether two shares really differ.

Culls are counted twice: by every cause that a fruit has ("any", sums past 100 %) and by the one
that settled its grade ("decisive", sums to 100 %). Differences carry the interval of Newcombe,
Statistics in Medicine 17:873 (1998), method 10, in the general form of Zou and Donner, Statistics
in Medicine 27:1693 (2008), which takes each share's own interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

from grading.intervals import Interval, clopper_pearson
from grading.monitor.state import WindowState
from grading.reasons import Reason

PULL_MOST: Final = 100_000
Origin = Literal["added_here", "came_in", "fewer_than_came_in", "cannot_tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A share with the interval it was given, all 0 to 1; n: fruit looked at."""

    share: float
    low: float
    high: float
    n: int
    level: float = 0.95

    def scaled(self, *, by: float) -> Estimate:
        """Share of a larger whole, of which this one's whole is the known part `by`, 0 to 1."""
        if not 0.0 <= by <= 1.0:
            raise ValueError(f"part {by} must lie from 0 to 1")
        return Estimate(share=self.share * by, low=self.low * by, high=self.high * by, n=self.n,
                        level=self.level)


def estimate(*, x: float, n: int, level: float = 0.95, spread: float = 1.0) -> Estimate:
    """Share x/n with Wilson's interval; n = 0 gives (0, 1).

    spread: how much more such counts vary than binomial chance says (`shares.Spread.used`), at
    least 1; the fruit count as n / spread^2 of them, the design effect.
    """
    if not 0 <= x <= n or spread < 1.0 or not 0.0 < level < 1.0:
        raise ValueError(f"{x} of {n}, spread {spread}, level {level}: not a share")
    if n == 0:
        return Estimate(share=0.0, low=0.0, high=1.0, n=0, level=level)
    worth, p = n / spread**2, x / n
    z2 = NormalDist().inv_cdf(0.5 + level / 2.0) ** 2
    middle, scale = p + z2 / (2.0 * worth), 1.0 + z2 / worth
    half = math.sqrt(z2 * (p * (1.0 - p) / worth + z2 / (4.0 * worth * worth)))
    return Estimate(share=p, low=(middle - half) / scale if x else 0.0,
                    high=(middle + half) / scale if x < n else 1.0, n=n, level=level)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """First share less the second, with its interval; `sure` when it leaves 0 out."""

    value: float
    low: float
    high: float
    level: float

    @property
    def sure(self) -> bool:
        return self.low > 0.0 or self.high < 0.0


def difference(*, first: Estimate, second: Estimate) -> Difference:
    """first - second of two independent shares. Raises ValueError for unequal levels."""
    if first.level != second.level:
        raise ValueError(f"levels {first.level} and {second.level} differ")
    value = first.share - second.share
    down = math.hypot(first.share - first.low, second.high - second.share)
    up = math.hypot(first.high - first.share, second.share - second.low)
    return Difference(value=value, low=value - down, high=value + up, level=first.level)


# --- causes ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause among the culls. any_share, decisive_share: exact intervals, of the culls."""

    reason: Reason
    any_n: int
    any_share: Interval
    decisive_n: int
    decisive_share: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Causes:
    """Culls by cause, the most decisive first. marks: sum of `any_n`, may exceed `culls`.

    Intervals say what the counted culls tell of a steady stream. Between windows and lots the
    shares vary more; compare those with a `spread`.
    """

    fruit: int
    culls: int
    marks: int
    causes: tuple[Cause, ...]


def causes_of(
    *, state: WindowState, grades: Sequence[int], level: float = 0.95
) -> Causes:
    """Causes of the fruit with one of the grade codes (the culls), all lanes of the state.

    Every lot, block, pick, grower, line, lane or hour: merge its windows (`state.merged`,
    `WindowState.lane`) and ask again.
    """
    codes = list(grades)
    culls = int(state.decisive[:, codes].sum())
    any_n = state.any_reason[:, codes].sum(axis=(0, 1)).tolist()
    decisive_n = state.decisive[:, codes].sum(axis=(0, 1)).tolist()
    return counted_causes(
        fruit=state.fruit, culls=culls, level=level,
        any_n={r: any_n[r] for r in Reason if r is not Reason.NONE and (any_n[r] or decisive_n[r])},
        decisive_n={r: decisive_n[r] for r in Reason if decisive_n[r]})


def counted_causes(
    *, fruit: int, culls: int, any_n: dict[Reason, int], decisive_n: dict[Reason, int],
    level: float = 0.95,
) -> Causes:
    """The same from counts, for instance of 100 culls looked at by hand."""
    found = [
        Cause(reason=r, any_n=n, any_share=clopper_pearson(x=n, n=culls, level=level),
              decisive_n=decisive_n.get(r, 0), decisive_share=clopper_pearson(
                  x=decisive_n.get(r, 0), n=culls, level=level))
        for r, n in any_n.items()]
    found.sort(key=lambda c: (-c.decisive_n, -c.any_n, c.reason))
    return Causes(fruit=fruit, culls=culls, marks=sum(c.any_n for c in found),
                  causes=tuple(found))


# --- came in or added here ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class CameIn:
    """A fault at receiving against the same fault on the line.

    added: line less receiving. fruit_for_answer: receiving fruit that would tell if the shares
    stayed as seen; None when the answer is there, or no number up to 100,000 would do.
    """

    origin: Origin
    received: Estimate
    line: Estimate
    added: Difference
    fruit_for_answer: int | None


def came_in(
    *, received_x: int, received_n: int, line: Estimate, margin: float = 0.02
) -> CameIn:
    """Did it come in with the fruit, or was it added here?

    received: fruit with the fault in the receiving pull of the same lot. line: share on the line
    (`estimate`, `Estimate.scaled`). margin: what may be added without being worth a search, as a
    share. The answer is "came_in" only if the interval shows that at most the margin was added, and
    receiving saw the fault: what nobody saw there is not said to have come from there.
    """
    if margin <= 0.0:
        raise ValueError(f"margin {margin} must be above 0")
    received = estimate(x=received_x, n=received_n, level=line.level)
    added = difference(first=line, second=received)
    origin = _origin(added, margin, received_x > 0)
    needed = None
    if origin == "cannot_tell" and received_n:
        share, n = received_x / received_n, received_n
        while needed is None and n < PULL_MOST:
            n = math.ceil(n * 1.1)
            more = estimate(x=share * n, n=n, level=line.level)
            if _origin(difference(first=line, second=more), margin, share > 0) != "cannot_tell":
                needed = math.ceil(n / 10) * 10
    return CameIn(origin=origin, received=received, line=line, added=added,
                  fruit_for_answer=needed)


def _origin(added: Difference, margin: float, seen: bool) -> Origin:
    if added.low > 0.0:
        return "added_here"
    if added.high < 0.0:
        return "fewer_than_came_in"
    return "came_in" if seen and added.high <= margin else "cannot_tell"
