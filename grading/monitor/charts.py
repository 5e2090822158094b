"""Control charts of one measured quantity: individuals, subgroups, EWMA, CUSUM.

Each moving chart is a rule (frozen) and a small state of plain numbers that `step` carries on,
so a chart stopped and restarted from its stored state goes on as if nothing had happened.

No run rules ("2 of 3 beyond 2 sigma" and the like): each one added multiplies the false alarms
(Champ and Woodall, Technometrics 29:393 (1987): ARL 370 falls to 225 with that one alone); the
EWMA finds the same slow changes within a stated false-alarm rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np

from grading.monitor.special import normal_cdf
from grading.quantities import Floats

Side = Literal["up", "down"]
D2: Final = 2.0 / math.sqrt(math.pi)
"""Mean range of two standard normal values, 1.128379 (books print 1.128)."""
D3: Final = math.sqrt(2.0 - D2 * D2)
"""Standard deviation of that range, 0.852502."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Centre line and control limits, in the unit of the quantity."""

    centre: float
    low: float
    high: float
    sigma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Individuals:
    """Individuals chart and the upper limit of its moving range."""

    values: Limits
    range_centre: float
    range_high: float


def individuals(*, values: Any, width: float = 3.0) -> Individuals:
    """Chart of single values (window medians, reference readings), at least 2, in time order.

    sigma is the mean moving range over d2(2). It misses what neighbours share: for a series with
    autocorrelation phi it sees sqrt(1 - phi) of the true sd (see `shares.Spread`).
    """
    x = np.asarray(values, np.float64)
    if len(x) < 2:
        raise ValueError("an individuals chart needs at least 2 values")
    centre, moving = float(x.mean()), float(np.abs(np.diff(x)).mean())
    sigma = moving / D2
    return Individuals(
        values=Limits(centre=centre, low=centre - width * sigma, high=centre + width * sigma,
                      sigma=sigma),
        range_centre=moving, range_high=moving * (1.0 + width * D3 / D2))


@lru_cache(maxsize=64)
def range_constants(*, size: int) -> tuple[float, float]:
    """d2 and d3: mean and standard deviation of the range of `size` standard normal values.

    Tippett, Biometrika 17:364 (1925), by Gauss-Legendre quadrature on -9 to 9; size 2 to 100.
    """
    if not 2 <= size <= 100:
        raise ValueError(f"subgroups of {size}: the size must lie from 2 to 100")
    x, w = np.polynomial.legendre.leggauss(240)
    x, w = 9.0 * x, 9.0 * w
    below, above = normal_cdf(x=x), normal_cdf(x=-x)
    mean = float(w @ (1.0 - below**size - above**size))
    # E[R^2] = 2 x the double integral over x < y; the inner one on its own nodes from -9 to y.
    inner = (x[:, None] + 9.0) / 2.0 * (np.polynomial.legendre.leggauss(240)[0] + 1.0) - 9.0
    tail, top = normal_cdf(x=-inner), below[:, None]
    part = 1.0 - top**size - tail**size + (top - normal_cdf(x=inner)) ** size
    square = 2.0 * float(w @ ((x + 9.0) / 18.0 * (part @ w)))
    return mean, math.sqrt(square - mean * mean)


@dataclass(frozen=True, slots=True, kw_only=True)
class Subgroups:
    """Chart of subgroup means and of their ranges."""

    means: Limits
    ranges: Limits


def subgroups(*, values: Any, width: float = 3.0) -> Subgroups:
    """Charts of repeated readings of a reference object: values (groups, readings in each).

    Only for a handful of readings taken together. For windows of hundreds of fruit use
    `individuals` on the window medians: fruit between windows vary by more than sigma/sqrt n.
    """
    x = np.asarray(values, np.float64)
    size = x.shape[1]
    d2, d3 = range_constants(size=size)
    centre, spread = float(x.mean()), float(np.ptp(x, axis=1).mean())
    sigma = spread / d2
    half, ratio = width * sigma / math.sqrt(size), width * d3 / d2
    return Subgroups(
        means=Limits(centre=centre, low=centre - half, high=centre + half, sigma=sigma),
        ranges=Limits(centre=spread, low=spread * max(0.0, 1.0 - ratio),
                      high=spread * (1.0 + ratio), sigma=d3 * sigma))


# --- EWMA --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaState:
    """Where an EWMA stands after `t` values.

    variance, covariance: of the EWMA, and of the EWMA with the last value, in sigma squared.
    faded: (1 - weight)^t, what is left of the start.
    """

    value: float
    variance: float = 0.0
    covariance: float = 0.0
    faded: float = 1.0
    t: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ewma:
    """Exponentially weighted moving average with exact, time-varying limits.

    weight: lambda. phi: lag-1 autocorrelation of the values (AR(1)), 0 for independent ones; then
    the variance is sigma^2 x lambda/(2-lambda) x [1 - (1-lambda)^2t]. centre_variance: variance
    of the target itself, in sigma squared, when it is an average of a few baseline windows; it
    grows into the limits as the EWMA forgets its start.
    """

    target: float
    sigma: float
    weight: float = 0.2
    phi: float = 0.0
    centre_variance: float = 0.0

    def start(self) -> EwmaState:
        return EwmaState(value=self.target)

    def step(self, *, state: EwmaState, x: float) -> EwmaState:
        """The state after one more value."""
        new, old = self.weight, 1.0 - self.weight
        shared = self.phi * state.covariance  # covariance of the old EWMA with the new value
        return EwmaState(
            value=new * x + old * state.value,
            variance=new * new + 2.0 * new * old * shared + old * old * state.variance,
            covariance=new + old * shared,
            faded=state.faded * old, t=state.t + 1)

    def run(self, *, values: Iterable[float]) -> tuple[EwmaState, ...]:
        """The state after each value, from the start."""
        states, state = [], self.start()
        for x in values:
            state = self.step(state=state, x=x)
            states.append(state)
        return tuple(states)

    def sd(self, *, state: EwmaState) -> float:
        """Standard deviation of the EWMA's distance from the target."""
        drawn = (1.0 - state.faded) ** 2 * self.centre_variance
        return self.sigma * math.sqrt(state.variance + drawn)

    def limits(self, *, state: EwmaState, width: float = 3.0) -> Limits:
        half = width * self.sd(state=state)
        return Limits(centre=self.target, low=self.target - half, high=self.target + half,
                      sigma=self.sigma)

    def asymptotic_limits(self, *, width: float = 3.0) -> Limits:
        """Limits after very many independent values, for a known target."""
        half = width * self.sigma * math.sqrt(self.weight / (2.0 - self.weight))
        return Limits(centre=self.target, low=self.target - half, high=self.target + half,
                      sigma=self.sigma)


# --- CUSUM -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumState:
    """Both sums in sigma, and how many values since each was last 0: it dates the onset."""

    up: float
    down: float
    n_up: int = 0
    n_down: int = 0
    t: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Tabular CUSUM of standardised values.

    reference: k, half the shift to catch; decision: h; head_start: fast initial response, 0 or
    usually h/2 (Lucas and Crosier 1982). All in sigma.
    """

    target: float
    sigma: float
    reference: float = 0.5
    decision: float = 5.0
    head_start: float = 0.0

    def start(self) -> CusumState:
        return CusumState(up=self.head_start, down=self.head_start)

    def step(self, *, state: CusumState, x: float) -> CusumState:
        """The state after one more value; the sums go on after a signal until restarted."""
        z = (x - self.target) / self.sigma
        up = max(0.0, state.up + z - self.reference)
        down = max(0.0, state.down - z - self.reference)
        return CusumState(
            up=up, down=down, n_up=state.n_up + 1 if up else 0,
            n_down=state.n_down + 1 if down else 0, t=state.t + 1)

    def run(self, *, values: Iterable[float]) -> tuple[CusumState, ...]:
        """The state after each value, from the start."""
        states, state = [], self.start()
        for x in values:
            state = self.step(state=state, x=x)
            states.append(state)
        return tuple(states)

    def signal(self, *, state: CusumState) -> Side | None:
        """The side whose sum lies beyond the decision interval; a sum equal to it does not."""
        if max(state.up, state.down) <= self.decision:
            return None
        return "up" if state.up >= state.down else "down"


def first_signal(*, chart: Cusum, states: Iterable[CusumState]) -> int | None:
    """Index of the first state that signals."""
    return next((i for i, s in enumerate(states) if chart.signal(state=s)), None)


def ewma_signals(*, chart: Ewma, states: Iterable[EwmaState], width: float = 3.0) -> list[int]:
    """Indexes of the states beyond the exact limits."""
    return [i for i, s in enumerate(states)
            if abs(s.value - chart.target) > width * chart.sd(state=s)]


def standardised(*, values: Any, limits: Limits) -> Floats:
    """Values as distances from the centre in sigma."""
    return np.asarray((np.asarray(values, np.float64) - limits.centre) / limits.sigma)
