"""One quantity followed window by window through the lots of a line: is it still what it was?

A lot change is a known cause, no signal: every lot starts its own baseline (its centre), while
the spread between windows, a property of the line, is pooled from within the lots. A window is
judged twice: by itself (Laney's p' limits, Quality Engineering 14:531 (2002)) and by the EWMA of
its distance from the baseline in units of the spread.

Three things that would make limits a fiction are in them: the long-term spread where it is wider
than the moving range says, autocorrelation in the variance of the EWMA (AR(1)), and the error of
a centre that is the mean of a few baseline windows only.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import msgspec
import numpy as np

from grading.monitor.budget import Levels
from grading.monitor.charts import Ewma, EwmaState, Side
from grading.monitor.shares import FRUIT_MIN, Spread

Status = Literal["too_few", "excluded", "learning", "quiet", "look", "act"]
Found = Literal["window", "trend"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackWindow:
    """One window's figure: a share (sd None: binomial) or a level, such as a median.

    n: fruit. sd: standard error of a level from its own fruit (median: 1.2533 s / sqrt n), above
    0. excluded: who kept the window out of the baseline and why; empty if nobody did.
    """

    index: int
    lot: str
    n: int
    value: float
    sd: float | None = None
    excluded: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What a lot's windows are judged against; set once a lot, never silently recomputed.

    weight: fruit behind the centre of a share; windows behind that of a level. windows: how
    many windows it comes from. Spread figures as they were when it was set.
    """

    centre: float
    weight: float
    windows: int
    sigma: float
    sigma_z: float | None
    sigma_long: float | None
    phi: float

    @property
    def sharing(self) -> float:
        """How much less independent windows tell when neighbours are alike."""
        return (1.0 + self.phi) / (1.0 - self.phi)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSpread:
    """Running spread of the standardised windows of one lot (Welford for the squares)."""

    last: float = 0.0
    mean: float = 0.0
    squares: float = 0.0
    moving: float = 0.0
    windows: int = 0

    def add(self, *, z: float) -> LotSpread:
        n = self.windows + 1
        d = z - self.mean
        mean = self.mean + d / n
        return LotSpread(
            last=z, mean=mean, squares=self.squares + d * (z - mean), windows=n,
            moving=self.moving + (abs(z - self.last) if self.windows else 0.0))

    def spread(self) -> Spread:
        steps = max(0, self.windows - 1)
        return Spread(moving=self.moving, squares=self.squares, df=steps, lots=1 if steps else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackState:
    """All that a track remembers: plain data, see `to_plain` and `from_plain`.

    pooled: spread within the lots before this one. learning: baseline windows of this lot so
    far; emptied when the baseline is set.
    """

    lot: str = ""
    pooled: Spread = field(default_factory=Spread)
    learning: tuple[TrackWindow, ...] = ()
    baseline: Baseline | None = None
    ewma: EwmaState | None = None
    now: LotSpread = field(default_factory=LotSpread)

    def to_plain(self) -> dict[str, Any]:
        plain: dict[str, Any] = msgspec.to_builtins(self)
        return plain

    @staticmethod
    def from_plain(plain: Any) -> TrackState:
        """Raises msgspec.ValidationError for anything that `to_plain` did not write."""
        return msgspec.convert(plain, TrackState)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackPoint:
    """One window as the chart shows it; None where there is no baseline yet.

    z: distance from the centre in units of the spread. look, act: half-widths around the centre
    in the quantity's own unit, for this window's n; trend, trend_look, trend_act: EWMA of z and
    its half-widths. found: which of the two charts raised the status, side: to which side.
    """

    window: TrackWindow
    status: Status
    baseline: Baseline | None
    z: float | None = None
    look: float | None = None
    act: float | None = None
    trend: float | None = None
    trend_look: float | None = None
    trend_act: float | None = None
    found: Found | None = None
    side: Side | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Rule of a followed quantity.

    levels: limits of both levels (`budget.levels_for`). baseline_windows: windows that set a
    lot's centre, at least 2; the fewer, the wider the limits (with 6, "act" needs a lasting change
    of about 2.1 spreads; with 12 of 1.8; a centre known for sure, 1.3). spread_df: windows less
    lots that must stand behind the spread before anything is judged. fruit_min: windows with
    fewer are shown, not used.
    """

    levels: Levels
    baseline_windows: int = 6
    spread_df: int = 12
    fruit_min: int = FRUIT_MIN

    def __post_init__(self) -> None:
        if self.baseline_windows < 2 or self.spread_df < 1 or self.fruit_min < 1:
            raise ValueError("a track needs 2 baseline windows, 1 for the spread, 1 fruit")

    def start(self, *, pooled: Spread | None = None) -> TrackState:
        """A new track; `pooled` is the spread within earlier lots, if it is known."""
        return TrackState(pooled=pooled or Spread())

    def run(
        self, *, windows: Iterable[TrackWindow], state: TrackState | None = None
    ) -> tuple[TrackState, tuple[TrackPoint, ...]]:
        """State after all windows, and the point of each."""
        at, points = state or self.start(), []
        for window in windows:
            at, point = self.step(state=at, window=window)
            points.append(point)
        return at, tuple(points)

    def step(self, *, state: TrackState, window: TrackWindow) -> tuple[TrackState, TrackPoint]:
        """The state after one more closed window, in time order, and how it is to be shown."""
        if window.lot != state.lot:
            state = self._next_lot(state, window.lot)
        usable = window.n >= self.fruit_min and not window.excluded
        if state.baseline is None or state.ewma is None:
            if not usable:
                return state, self._unused(window, None)
            return (self._learn(state, window),
                    TrackPoint(window=window, status="learning", baseline=None))
        if not usable:
            return state, self._unused(window, state.baseline)
        return self._judge(state, state.baseline, state.ewma, window)

    def _next_lot(self, state: TrackState, lot: str) -> TrackState:
        """A new baseline; the spread of the lot that ended stays."""
        now = state.now
        if state.learning:  # the lot ended before its baseline was set
            now = _spread_of(state.learning, _centre(state.learning)[0])
        return TrackState(lot=lot, pooled=state.pooled.merge(now.spread()))

    def _learn(self, state: TrackState, window: TrackWindow) -> TrackState:
        learning = (*state.learning, window)
        centre, weight = _centre(learning)
        now = _spread_of(learning, centre)
        spread = state.pooled.merge(now.spread())
        if len(learning) < self.baseline_windows or spread.df < self.spread_df:
            return replace(state, learning=learning)
        baseline = Baseline(
            centre=centre, weight=weight, windows=len(learning), sigma=spread.used,
            sigma_z=spread.sigma_z, sigma_long=spread.sigma_long, phi=spread.phi)
        return replace(state, learning=(), baseline=baseline, now=now,
                       ewma=self._ewma(baseline).start())

    def _ewma(self, baseline: Baseline) -> Ewma:
        return Ewma(target=0.0, sigma=1.0, weight=self.levels.weight, phi=baseline.phi,
                    centre_variance=baseline.sharing / baseline.windows)

    def _unused(self, window: TrackWindow, baseline: Baseline | None) -> TrackPoint:
        status: Status = "excluded" if window.excluded else "too_few"
        if baseline is None or window.n < 1:
            return TrackPoint(window=window, status=status, baseline=baseline)
        z, sd = _standard(window, baseline)
        return TrackPoint(window=window, status=status, baseline=baseline, z=z,
                          look=self.levels.look_z * sd, act=self.levels.act_z * sd)

    def _judge(
        self, state: TrackState, baseline: Baseline, before: EwmaState, window: TrackWindow
    ) -> tuple[TrackState, TrackPoint]:
        z, sd = _standard(window, baseline)
        chart, levels = self._ewma(baseline), self.levels
        ewma = chart.step(state=before, x=z)
        trend_sd = chart.sd(state=ewma)
        alone = abs(window.value - baseline.centre) / sd
        trend = abs(ewma.value) / trend_sd
        status: Status = "quiet"
        found: Found | None = None
        side: Side | None = None
        for name, z_limit, ewma_limit in (("look", levels.look_z, levels.look_ewma),
                                          ("act", levels.act_z, levels.act_ewma)):
            if alone > z_limit or trend > ewma_limit:
                status = "act" if name == "act" else "look"
                found = "window" if alone > z_limit else "trend"
                side = "up" if (z if found == "window" else ewma.value) > 0 else "down"
        # A window that calls for action says nothing about the ordinary spread.
        now = state.now if status == "act" else state.now.add(z=z * baseline.sigma)
        return replace(state, ewma=ewma, now=now), TrackPoint(
            window=window, status=status, baseline=baseline, z=z, look=levels.look_z * sd,
            act=levels.act_z * sd, trend=ewma.value, trend_look=levels.look_ewma * trend_sd,
            trend_act=levels.act_ewma * trend_sd, found=found, side=side)


def _weight(window: TrackWindow) -> float:
    return float(window.n) if window.sd is None else 1.0


def _centre(windows: tuple[TrackWindow, ...]) -> tuple[float, float]:
    """Mean of the windows, a share weighted by its fruit; and the weight behind it."""
    weights = [_weight(w) for w in windows]
    total = math.fsum(weights)
    return math.fsum(g * w.value for g, w in zip(weights, windows, strict=True)) / total, total


def _unit(window: TrackWindow, centre: float, weight: float) -> float:
    """Standard error that chance among the window's own fruit gives it."""
    if window.sd is not None:
        return window.sd
    # A baseline without a single reject still leaves room for the next one.
    share = min(max(centre, 0.5 / (weight + 1.0)), 1.0 - 0.5 / (weight + 1.0))
    return math.sqrt(share * (1.0 - share) / window.n)


def _standard(window: TrackWindow, baseline: Baseline) -> tuple[float, float]:
    """Distance from the centre in units of the spread, and the sd it is judged by."""
    unit = _unit(window, baseline.centre, baseline.weight) * baseline.sigma
    drawn = _weight(window) / baseline.weight * baseline.sharing
    return (window.value - baseline.centre) / unit, unit * math.sqrt(1.0 + drawn)


def _spread_of(windows: tuple[TrackWindow, ...], centre: float) -> LotSpread:
    weight = float(np.sum([_weight(w) for w in windows]))
    found = LotSpread()
    for window in windows:
        found = found.add(z=(window.value - centre) / _unit(window, centre, weight))
    return found
