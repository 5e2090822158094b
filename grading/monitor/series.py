"""The windows of one lot on one line, by time or by fruit count, and the tables charts are made of.

A fruit's window follows from the fruit alone (its time, or its sequence number), never from how
the fruit were sent: the same fruit give the same windows in any batches and any order.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import Any, Final, Literal

import numpy as np

from grading.monitor.assemble import window_of
from grading.monitor.kept import Kept
from grading.monitor.packed import packed_window, unpacked_window
from grading.monitor.state import Shape, WindowState, merged, no_fruit
from grading.monitor.tracks import TrackWindow
from grading.quantities import MEASURES, Floats, Integers
from grading.record import FruitBatch
from grading.verdicts import Verdicts

NO_TIME: Final = -1
"""Window of the fruit that came without a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """How windows are cut: "time" in milliseconds since 1970, "fruit" by sequence number."""

    kind: Literal["time", "fruit"]
    size: int

    def __post_init__(self) -> None:
        if self.size < 1:
            raise ValueError(f"windows of {self.size} {self.kind}: the size must be at least 1")


TEN_MINUTES: Final = Span(kind="time", size=600_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneTable:
    """A quantile by window and lane, shape (windows, lanes); NaN where nothing was measured.

    value, sd: in the measure's unit; sd from the lane's own fruit of that window. n: readings.
    """

    indexes: tuple[int, ...]
    lanes: tuple[int, ...]
    value: Floats
    sd: Floats
    n: Integers


@dataclass(frozen=True, slots=True)
class Figures:
    """What is asked of every window all the time. by_grade: fruit by grade code."""

    fruit: int
    by_grade: tuple[int, ...]


def _figures(state: WindowState) -> Figures:
    return Figures(state.fruit, tuple(state.grade_pack.sum(axis=(0, 2)).tolist()))


def _no_windows() -> Kept[WindowState]:
    return Kept(pack=packed_window, unpack=unpacked_window)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowSeries:
    """Windows by number. run: of the source, for windows by fruit count, whose sequence numbers
    start again in every run; empty for windows by time. digest: of the standard that graded.
    figures: of every window, at hand without unpacking it."""

    lot: str
    line: str
    span: Span
    shape: Shape
    digest: str = ""
    run: str = ""
    windows: Kept[WindowState] = field(default_factory=_no_windows)
    figures: Mapping[int, Figures] = field(default_factory=dict)

    def add(self, *, batch: FruitBatch, verdicts: Verdicts) -> WindowSeries:
        """The series with the fruit of one graded batch counted in."""
        found: dict[int, list[WindowState]] = {}
        for index, rows in _parts(batch=batch, span=self.span):
            found.setdefault(index, []).append(
                window_of(batch=batch, verdicts=verdicts, shape=self.shape, rows=rows))
        return self._with(found)

    def merge(self, other: WindowSeries) -> WindowSeries:
        """Both together. Raises ValueError unless they are of one lot, line, span and standard."""
        if self._kind() != other._kind():
            raise ValueError("only windows of one lot, line, run, span and standard can be merged")
        return self._with({index: [state] for index, state in other.windows.items()})

    def _kind(self) -> tuple[object, ...]:
        return self.lot, self.line, self.span, self.shape, self.digest, self.run

    def _with(self, found: Mapping[int, list[WindowState]]) -> WindowSeries:
        changed = {}
        for index, states in found.items():
            here = [self.windows[index]] if index in self.windows else []
            changed[index] = merged(states=here + states, shape=self.shape)
        figures = {index: _figures(state) for index, state in changed.items()}
        return replace(self, windows=self.windows.changed(changed),
                       figures=dict(sorted({**self.figures, **figures}.items())))

    def total(self) -> WindowState:
        """All windows together."""
        return merged(states=self.windows.values(), shape=self.shape)

    def window(self, *, index: int) -> WindowState:
        return self.windows.get(index) or no_fruit(shape=self.shape)

    def share_windows(
        self, *, grades: Sequence[int], lane: int | None = None,
        excluded: Mapping[int, str] | None = None,
    ) -> tuple[TrackWindow, ...]:
        """Share of the fruit that got one of the grade codes, window by window, for a `Track`.

        lane: that lane only, or the whole line. excluded: window number to who kept it out of
        the baseline and why.
        """
        points = []
        for index, whole in self.figures.items():
            part = whole if lane is None else _figures(self.windows[index].lane(number=lane))
            n = part.fruit
            x = sum(part.by_grade[grade] for grade in grades)
            points.append(TrackWindow(index=index, lot=self.lot, n=n, value=x / n if n else 0.0,
                                      excluded=(excluded or {}).get(index, "")))
        return tuple(points)

    def level_windows(
        self, *, measure: str, share: float = 0.5, lane: int | None = None,
        excluded: Mapping[int, str] | None = None,
    ) -> tuple[TrackWindow, ...]:
        """Median (or another quantile) of a measure in its unit, window by window.

        Windows without at least 2 different readings are left out: they have no spread.
        """
        points = []
        for index, state in self.windows.items():
            part = state.together() if lane is None else state.lane(number=lane)
            value, sd, n = _levels(part, measure, share)
            if len(sd) and sd[0] > 0:
                points.append(TrackWindow(
                    index=index, lot=self.lot, n=int(n[0]), value=float(value[0]),
                    sd=float(sd[0]), excluded=(excluded or {}).get(index, "")))
        return tuple(points)

    def lane_table(self, *, measure: str, share: float = 0.5) -> LaneTable:
        """The lanes side by side, window by window."""
        states = list(self.windows.values())
        lanes = tuple(sorted({lane for state in states for lane in state.lanes}))
        size = (len(states), len(lanes))
        value, sd, n = np.full(size, np.nan), np.full(size, np.nan), np.zeros(size, np.int64)
        for row, state in enumerate(states):
            columns = [lanes.index(lane) for lane in state.lanes]
            value[row, columns], sd[row, columns], n[row, columns] = _levels(state, measure, share)
        return LaneTable(indexes=tuple(self.windows), lanes=lanes, value=value, sd=sd, n=n)


def _levels(state: WindowState, measure: str, share: float) -> tuple[Floats, Floats, Integers]:
    """A quantile of each lane, its standard error (normal fruit), and the readings behind it."""
    found = state.measures.get(measure)
    if found is None:
        blank = np.full(len(state.lanes), np.nan)
        return blank, blank, np.zeros(len(state.lanes), np.int64)
    quantum = float(MEASURES[measure].quantum)
    sd = found.sd() * quantum * quantile_factor(share=share)
    return (found.quantile(share=share) * quantum,
            np.divide(sd, np.sqrt(found.n), out=np.full(len(sd), np.nan), where=found.n > 0),
            found.n)


def quantile_factor(*, share: float) -> float:
    """Standard error of a sample quantile over sigma/sqrt(n), normal fruit: 1.2533 at 0.5."""
    law = NormalDist()
    return math.sqrt(share * (1.0 - share)) / law.pdf(law.inv_cdf(share))


def _parts(*, batch: FruitBatch, span: Span) -> Iterator[tuple[int, Any]]:
    """Window numbers, each with its rows."""
    if not len(batch):
        return
    at = batch.seq
    if span.kind == "time":
        time = batch.time_ms
        at = (time.values if time.present.all()
              else np.where(time.present, time.values, NO_TIME))
    low, high = int(at.min()) // span.size, int(at.max()) // span.size
    rows: Integers | None = None
    if high - low < len(batch) and not (at[1:] < at[:-1]).any():
        inner = np.searchsorted(at, np.arange(low + 1, high + 1) * span.size).tolist()
    else:
        index = at // span.size
        rows = np.argsort(index, kind="stable")
        inner = (np.flatnonzero(np.diff(index[rows])) + 1).tolist()
    edges = [0, *inner, len(batch)]
    for start, stop in itertools.pairwise(edges):
        if start < stop:  # no fruit fell into this window
            cut = slice(start, stop)
            yield (int(at[start if rows is None else rows[start]]) // span.size,
                   cut if rows is None else rows[cut])
