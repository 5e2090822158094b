"""What a window of fruit leaves behind: small whole-number sums that can be added.

One `WindowState` holds all lanes of one line over one window. Everything in it is a count or an
exact sum of whole quanta, so merging is exact, in any order and grouping, and any past board can
be drawn again from it. Nothing is ever subtracted: a correction is another window.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from grading.kernel import Compiled
from grading.quantities import MEASURES, Floats, Integers


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How many codes of each kind the standard behind the verdicts has."""

    sizes: int
    maturities: int
    grades: int
    packs: int

    @staticmethod
    def of(*, compiled: Compiled) -> Shape:
        return Shape(sizes=len(compiled.size_names), maturities=len(compiled.maturity_names),
                     grades=len(compiled.grade_names), packs=len(compiled.pack_names))


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureState:
    """One measure of all lanes; every array is int64 with the lanes first.

    Hue is unrolled opposite the fruit colours: -90 to 270 degrees.
    n, total, squares: readings, their sum and sum of squares in quanta. low, high: least and
    greatest reading; where n is 0 they lie outside the range, the wrong way round.
    run, run_q: longest run of equal readings within one assembled part, if 20 or more, and its
    value; 0 and -1 where there is none. bins: counts (lanes, bins) of `MEASURES[name].bin_q`
    quanta; the first is bin number `first` from the low end of the measure's range (below 0 for
    hues on the far side of 0 degrees).
    """

    name: str
    n: Integers
    total: Integers
    squares: Integers
    low: Integers
    high: Integers
    run: Integers
    run_q: Integers
    first: int
    bins: Integers

    def mean(self) -> Floats:
        """Means (lanes,) in quanta, NaN where nothing was measured."""
        blank = np.full(len(self.n), np.nan)
        return np.asarray(np.divide(self.total, self.n, out=blank, where=self.n > 0))

    def m2(self) -> Floats:
        """Sums of squared deviations (lanes,) in quanta squared, exact to the last rounding."""
        return exact_m2(n=self.n, total=self.total, squares=self.squares)

    def sd(self) -> Floats:
        """Standard deviations (lanes,) in quanta, NaN under 2 readings."""
        blank = np.full(len(self.n), np.nan)
        return np.asarray(np.sqrt(np.divide(self.m2(), self.n - 1, out=blank, where=self.n > 1)))

    def quantile(self, *, share: float = 0.5) -> Floats:
        """Quantiles (lanes,) in quanta from the bins, linear inside a bin; NaN where nothing
        was measured. Never further from the sample's than one bin."""
        if not 0.0 < share < 1.0:
            raise ValueError(f"quantile {share} must lie between 0 and 1")
        measure = MEASURES[self.name]
        found = np.full(len(self.n), np.nan)
        for lane in np.flatnonzero(self.n):
            below = np.cumsum(self.bins[lane])
            rank = share * below[-1]
            k = int(np.searchsorted(below, rank))
            inside = (rank - below[k] + self.bins[lane, k]) / self.bins[lane, k]
            found[lane] = measure.low_q + measure.bin_q * (self.first + k + inside)
        return found


def exact_m2(*, n: Integers, total: Integers, squares: Integers) -> Floats:
    """Sums of squared deviations from sums of whole quanta; whole numbers until the division."""
    sums = zip(n.tolist(), total.tolist(), squares.tolist(), strict=True)
    return np.array([(k * both - one * one) / k if k else 0.0 for k, one, both in sums])


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowState:
    """A window of fruit by lane; every array is int64 with the lanes first.

    lanes: lane numbers in rising order (0: not said, or all together). n: fruit. repeats: fruit
    whose every reading equals the fruit's before it in the stream (at least 2 measures read).
    size_maturity: (lanes, sizes, maturities). grade_pack: (lanes, grades, packs).
    decisive, any_reason: (lanes, grades, 32) by `reasons.Reason`. measures: those seen.
    """

    lanes: tuple[int, ...]
    n: Integers
    repeats: Integers
    size_maturity: Integers
    grade_pack: Integers
    decisive: Integers
    any_reason: Integers
    measures: Mapping[str, MeasureState]

    @property
    def fruit(self) -> int:
        return int(self.n.sum())

    @property
    def shape(self) -> Shape:
        return Shape(sizes=self.size_maturity.shape[1], maturities=self.size_maturity.shape[2],
                     grades=self.grade_pack.shape[1], packs=self.grade_pack.shape[2])

    def merge(self, other: WindowState) -> WindowState:
        """Both together, lane by lane. Raises ValueError where their standards differ."""
        return merged(states=(self, other), shape=self.shape)

    def lane(self, *, number: int) -> WindowState:
        """One lane alone; no fruit where the window does not have it."""
        rows = [i for i, lane in enumerate(self.lanes) if lane == number]
        return self._mapped((number,), [rows])

    def together(self) -> WindowState:
        """All lanes as one, as lane 0."""
        return self._mapped((0,), [list(range(len(self.lanes)))])

    def _mapped(self, lanes: tuple[int, ...], rows: Sequence[Sequence[int]]) -> WindowState:
        """Lanes added up: new lane i is the sum of the old `rows[i]`."""
        pick = np.zeros((len(lanes), len(self.lanes)), np.int64)
        for new, old in enumerate(rows):
            pick[new, old] = 1

        def added(a: Integers) -> Integers:
            return np.tensordot(pick, a, axes=1)

        measures = {}
        for name, m in self.measures.items():
            end = MEASURES[name]
            run, run_q = _longest(m.run, m.run_q, rows)
            measures[name] = MeasureState(
                name=name, n=added(m.n), total=added(m.total), squares=added(m.squares),
                low=np.array([m.low[r].min(initial=end.high_q) for r in rows], np.int64),
                high=np.array([m.high[r].max(initial=end.low_q - 36000) for r in rows], np.int64),
                run=run, run_q=run_q, first=m.first, bins=added(m.bins))
        return WindowState(
            lanes=lanes, n=added(self.n), repeats=added(self.repeats),
            size_maturity=added(self.size_maturity), grade_pack=added(self.grade_pack),
            decisive=added(self.decisive), any_reason=added(self.any_reason), measures=measures)


def _longest(
    run: Integers, run_q: Integers, rows: Sequence[Sequence[int]]
) -> tuple[Integers, Integers]:
    """Longest run of each group of rows; of equally long ones that of the greatest value."""
    best = [max(((int(run[i]), int(run_q[i])) for i in group), default=(0, -1)) for group in rows]
    return (np.array([b[0] for b in best], np.int64), np.array([b[1] for b in best], np.int64))


def no_fruit(*, shape: Shape) -> WindowState:
    """The window that no fruit came through; merging it changes nothing."""
    none = np.zeros(0, np.int64)
    reasons = np.zeros((0, shape.grades, 32), np.int64)
    return WindowState(
        lanes=(), n=none, repeats=none,
        size_maturity=np.zeros((0, shape.sizes, shape.maturities), np.int64),
        grade_pack=np.zeros((0, shape.grades, shape.packs), np.int64),
        decisive=reasons, any_reason=reasons, measures={})


def merged(*, states: Iterable[WindowState], shape: Shape) -> WindowState:
    """All windows together, lane by lane. Raises ValueError for one of another standard."""
    parts = [s for s in states if s.lanes]
    if any(s.shape != shape for s in parts):
        raise ValueError("windows graded under standards of different shape cannot be merged")
    if len(parts) < 2:
        return parts[0] if parts else no_fruit(shape=shape)
    lanes = tuple(sorted({lane for s in parts for lane in s.lanes}))
    # Nearly all windows of a line have the same lanes; the others get theirs.
    parts = [s if s.lanes == lanes else s._mapped(
        lanes, [[s.lanes.index(lane)] if lane in s.lanes else [] for lane in lanes])
        for s in parts]
    names = dict.fromkeys(name for s in parts for name in s.measures)
    return WindowState(
        lanes=lanes, n=_sum(parts, "n"), repeats=_sum(parts, "repeats"),
        size_maturity=_sum(parts, "size_maturity"), grade_pack=_sum(parts, "grade_pack"),
        decisive=_sum(parts, "decisive"), any_reason=_sum(parts, "any_reason"),
        measures={name: _added_measure([s.measures[name] for s in parts if name in s.measures])
                  for name in sorted(names)})


def _added_measure(states: Sequence[MeasureState]) -> MeasureState:
    """One measure of windows of the same lanes, place by place."""
    if len(states) == 1:
        return states[0]
    filled = [s for s in states if s.bins.shape[1]]
    first = min((s.first for s in filled), default=0)
    width = max((s.first + s.bins.shape[1] for s in filled), default=0) - first
    bins = np.zeros((len(states[0].n), width), np.int64)
    for s in filled:
        bins[:, s.first - first:s.first - first + s.bins.shape[1]] += s.bins
    run, run_q = states[0].run, states[0].run_q
    for s in states[1:]:
        longer = (s.run > run) | ((s.run == run) & (s.run_q > run_q))
        run, run_q = np.where(longer, s.run, run), np.where(longer, s.run_q, run_q)
    return MeasureState(
        name=states[0].name, first=first, bins=bins, n=_sum(states, "n"),
        total=_sum(states, "total"), squares=_sum(states, "squares"),
        low=np.minimum.reduce([s.low for s in states]),
        high=np.maximum.reduce([s.high for s in states]), run=run, run_q=run_q)


def _sum(parts: Sequence[Any], name: str) -> Integers:
    first, second, *rest = (getattr(p, name) for p in parts)
    total: Integers = first + second
    for one in rest:
        total += one
    return total


def _stack(parts: Sequence[Any], name: str) -> Integers:
    return np.concatenate([getattr(p, name) for p in parts])


def stacked_measure(*, name: str, parts: Sequence[WindowState]) -> MeasureState:
    """One measure of several windows, the lanes of each after those of the one before."""
    states = [p.measures.get(name) or nothing_measured(name=name, lanes=len(p.lanes))
              for p in parts]
    filled = [s for s in states if s.bins.shape[1]]
    first = min(s.first for s in filled) if filled else 0
    width = max(s.first + s.bins.shape[1] for s in filled) - first if filled else 0
    bins = [np.pad(s.bins, ((0, 0), (s.first - first, first + width - s.first - s.bins.shape[1])))
            if s.bins.shape[1] else np.zeros((len(s.n), width), np.int64) for s in states]
    return MeasureState(
        name=name, first=first, bins=np.concatenate(bins), n=_stack(states, "n"),
        total=_stack(states, "total"), squares=_stack(states, "squares"),
        low=_stack(states, "low"), high=_stack(states, "high"), run=_stack(states, "run"),
        run_q=_stack(states, "run_q"))


def nothing_measured(*, name: str, lanes: int) -> MeasureState:
    """A measure of which no lane sent a reading."""
    zeros, measure = np.zeros(lanes, np.int64), MEASURES[name]
    return MeasureState(
        name=name, n=zeros, total=zeros, squares=zeros, low=zeros + measure.high_q,
        high=zeros + measure.low_q - 36000, run=zeros, run_q=zeros - 1, first=0,
        bins=np.zeros((lanes, 0), np.int64))
