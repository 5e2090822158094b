"""Charts of shares in windows of unequal size: binomial, and with the spread that windows have.

At thousands of fruit a window the binomial limits cry wolf: windows differ by more than chance
among fruit. Laney (Quality Engineering 14:531 (2002)) widens them by sigma_z, estimated from
neighbouring windows. Neighbours that are alike (they come from the same bins) make that estimate
too small, so the long-term spread is kept beside it and the larger one used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.monitor.charts import D2
from grading.monitor.special import chi_square_tails
from grading.quantities import Flags, Floats

FRUIT_MIN: Final = 200
"""Windows with fewer fruit are shown with their own limits but not used for anything."""
PHI_MAX: Final = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How much more windows differ than binomial chance says; sums, so that lots can be pooled.

    moving, df: sum of |z_i - z_(i-1)| and how many, never across a lot change. squares: sum of
    squared z about each lot's mean, whose degrees of freedom are as many. lots: lots behind it.
    """

    moving: float = 0.0
    squares: float = 0.0
    df: int = 0
    lots: int = 0

    def merge(self, other: Spread) -> Spread:
        return Spread(moving=self.moving + other.moving, squares=self.squares + other.squares,
                      df=self.df + other.df, lots=self.lots + other.lots)

    @property
    def sigma_z(self) -> float | None:
        """Laney's: mean moving range of z over d2(2). 1 = binomial; under 1: smoothed data?"""
        return self.moving / self.df / D2 if self.df else None

    @property
    def sigma_long(self) -> float | None:
        """Long-term sd of z about the means of the lots."""
        return math.sqrt(self.squares / self.df) if self.df else None

    @property
    def phi(self) -> float:
        """Lag-1 autocorrelation (AR(1)) that explains the two together, 0 to 0.9.

        The moving range sees (1 - phi) of the variance; the squares about the mean of a lot of
        m windows see 1 less the mean correlation between two of its windows.
        """
        if not self.df or self.sigma_z == 0.0:
            return 0.0
        seen = (self.moving / self.df / D2) ** 2 / (self.squares / self.df)
        low, high = 0.0, PHI_MAX
        if seen >= 1.0:
            return 0.0
        while high - low > 1e-9:
            middle = (low + high) / 2.0
            expected = (1.0 - middle) / (1.0 - self._alike(middle))
            low, high = (middle, high) if expected > seen else (low, middle)
        return low

    def _alike(self, phi: float) -> float:
        """Mean correlation between two windows of a lot of average length."""
        m = self.df / self.lots + 1.0
        rest = (1.0 - math.pow(phi, m)) / (1.0 - phi)
        return 2.0 * phi / (1.0 - phi) * (m - rest) / (m * (m - 1.0))

    @property
    def used(self) -> float:
        """The larger of the two, for lots without end; never below 1, which is chance alone."""
        long = (self.sigma_long or 0.0) / math.sqrt(1.0 - self._alike(self.phi)) if self.df else 0.0
        return max(1.0, self.sigma_z or 0.0, long)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareChart:
    """Windows of a share against their limits; every array has shape (windows,).

    sd: binomial sd of each window at the centre. z: distance from the centre in sd. low and
    high: limits, cut at 0 and 1. outside: share strictly beyond a limit.
    """

    share: Floats
    sd: Floats
    z: Floats
    low: Floats
    high: Floats
    outside: Flags
    centre: float
    sigma: float
    spread: Spread


def _chart(x: Any, n: Any, centre: float | None, sigma: float | None, width: float) -> ShareChart:
    bad, total = np.asarray(x, np.float64), np.asarray(n, np.float64)
    if not len(total) or (total < 1).any() or (bad < 0).any() or (bad > total).any():
        raise ValueError("a chart of shares needs windows with 0 <= x <= n and n at least 1")
    middle = float(bad.sum() / total.sum()) if centre is None else centre
    share = bad / total
    sd = np.sqrt(middle * (1.0 - middle) / total)
    z = np.divide(share - middle, sd, out=np.zeros_like(sd), where=sd > 0)
    spread = Spread(moving=float(np.abs(np.diff(z)).sum()), df=len(z) - 1, lots=1,
                    squares=float(((z - z.mean()) ** 2).sum()))
    scale = (spread.sigma_z or 1.0) if sigma is None else sigma
    low, high = middle - width * scale * sd, middle + width * scale * sd
    return ShareChart(
        share=share, sd=sd, z=z, low=np.clip(low, 0.0, 1.0), high=np.clip(high, 0.0, 1.0),
        outside=(share < low) | (share > high), centre=middle, sigma=scale, spread=spread)


def p_chart(*, x: Any, n: Any, centre: float | None = None, width: float = 3.0) -> ShareChart:
    """Binomial (Shewhart) chart. For thousands of fruit a window use `laney_chart`.

    x, n: counts (windows,), n at least 1. centre: a known share, or the pooled share of the
    windows.
    """
    return _chart(x, n, centre, 1.0, width)


def laney_chart(*, x: Any, n: Any, centre: float | None = None, width: float = 3.0) -> ShareChart:
    """Laney's p' chart: the binomial limits times sigma_z, no screening of large ranges.

    `spread.sigma_long` is to be shown beside it; `rejects.RejectChart` uses the larger.
    """
    return _chart(x, n, centre, None, width)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dispersion:
    """Test of binomial spread: ratio 1 expected; chances of one so small, and so large."""

    ratio: float
    statistic: float
    df: int
    chance_under: float
    chance_over: float


def dispersion_test(*, x: Sequence[int] | Any, n: Sequence[int] | Any) -> Dispersion | None:
    """Chi-square test of equal shares in all windows, any n.

    With equal n it is D = (k-1) s^2 / sigma^2 of Wetherill and Brown, Statistical Process Control
    (1991). None with fewer than 2 windows or a pooled share of 0 or 1.
    """
    bad, total = np.asarray(x, np.float64), np.asarray(n, np.float64)
    if len(total) < 2 or not 0 < bad.sum() < total.sum():
        return None
    p = float(bad.sum() / total.sum())
    df = len(total) - 1
    statistic = float(((bad - total * p) ** 2 / (total * p * (1.0 - p))).sum())
    under, over = chi_square_tails(x=statistic, df=df)
    return Dispersion(ratio=statistic / df, statistic=statistic, df=df, chance_under=under,
                      chance_over=over)
