"""Sensors that stand but do not measure: frozen, silent in one lane, smoothed, copied, impossible.

The newest two minutes of every registered source are looked at as one window, in the order in
which the fruit were stored, so that a run of equal readings is seen whole however small the bodies
were that brought it. What they are compared with are the other lanes and the lot's fruit before
them (`grading.monitor.health`).
"""

from __future__ import annotations

import asyncio
import threading
from collections import Counter, deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from grading.errors import Finding
from grading.monitor.assemble import window_of
from grading.monitor.health import HealthFinding, Sign, health, impossible_share
from grading.monitor.shares import FRUIT_MIN
from grading.monitor.state import Shape, WindowState, merged, no_fruit
from grading.record import FruitBatch, concat
from grading.verdicts import Verdicts
from grading.verdicts import concat as concat_verdicts
from service.alarms.definitions import DEFINITIONS
from service.alarms.model import Reading
from service.store.group import LINE, Stored

if TYPE_CHECKING:
    from service.context import Context

EVERY_MS: Final = 5_000
SPAN_MS: Final = 120_000
"""At 1 fruit/s and lane a run of 50 fits twice."""
CHANCE_MAX: Final = 1e-8
"""`health.CHANCE_MAX` over a hundred: windows that overlap are looked at more often."""
USUAL_IMPOSSIBLE: Final = 0.005
"""Share of records that cannot be fruit on a line in order (common practice, no source)."""
PENDING_FRUIT: Final = 200_000
KINDS: Final[Mapping[Sign, str]] = {
    "frozen": "frozen_sensor", "silent": "lane_silent", "reads_less": "lane_silent",
    "too_even": "too_even", "repeated": "repeated_readings"}
"""What a sign is an alarm for. A lane that is too noisy is left to the drift of readings."""
SHORTFALLS: Final = ("lane_silent", "too_even")
"""Told by how much less is seen than expected."""

Graded = tuple[FruitBatch, Verdicts]


@dataclass(slots=True)
class _Watched:
    """One source on its line's lot. recent: each look's fruit with its time; before: earlier fruit
    of the lot. Times are of the steady clock."""

    lot: str
    shape: Shape
    before: WindowState
    recent: deque[tuple[int, FruitBatch, Verdicts]] = field(default_factory=deque)
    refused: deque[tuple[int, int]] = field(default_factory=deque)

    def add(self, *, steady_ms: int, fruit: Sequence[Graded], refused: int) -> None:
        if fruit:
            self.recent.append((steady_ms, concat(batches=[b for b, _ in fruit]),
                                concat_verdicts(parts=[v for _, v in fruit])))
        if refused:
            self.refused.append((steady_ms, refused))
        gone = []
        while self.recent and self.recent[0][0] <= steady_ms - SPAN_MS:
            gone.append(self.recent.popleft())
        if gone:
            self.before = merged(states=[self.before, self._state(gone)], shape=self.shape)
        while self.refused and self.refused[0][0] <= steady_ms - SPAN_MS:
            self.refused.popleft()

    def _state(self, parts: Sequence[tuple[int, FruitBatch, Verdicts]]) -> WindowState:
        """One window; lane after lane, so that the fruit before is the lane's own."""
        batch = concat(batches=[b for _, b, _ in parts])
        return window_of(
            batch=batch, verdicts=concat_verdicts(parts=[v for _, _, v in parts]),
            shape=self.shape, rows=np.argsort(batch.lane, kind="stable"))

    def signs(self) -> tuple[HealthFinding, ...]:
        if not self.recent:
            return ()
        return health(state=self._state(tuple(self.recent)), chance_max=CHANCE_MAX,
                      before=self.before if self.before.fruit else None)

    def impossible(self) -> float:
        """The share, kept just below the limit where chance could have made it."""
        refused = sum(n for _, n in self.refused)
        came = refused + sum(len(batch) for _, batch, _ in self.recent)
        if came < FRUIT_MIN:
            return 0.0
        found = impossible_share(refused=refused, fruit=came, usual=USUAL_IMPOSSIBLE,
                                 chance_max=CHANCE_MAX)
        limit = DEFINITIONS["impossible_share"].limit
        return refused / came if found is not None else min(refused / came, 0.99 * limit)


class SensorHealth:
    """A provider; told of every commit on the writer thread, and of what is refused."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._lock = threading.Lock()
        self._pending: deque[Stored] = deque()
        self._fruit = 0
        self._refused: Counter[str] = Counter()
        self._watched: dict[str, _Watched] = {}
        self._looked_ms: int | None = None
        self._readings: tuple[Reading, ...] = ()

    def committed(self, stored: Sequence[Stored]) -> None:
        """Called on the writer thread: the fruit are only put down."""
        with self._lock:
            for part in stored:
                if part.kind == LINE and self._ctx.sources.get(part.batch.source) is not None:
                    self._pending.append(part)
                    self._fruit += len(part.batch)
            while self._fruit > PENDING_FRUIT:
                self._fruit -= len(self._pending.popleft().batch)

    def refused(self, source: str, refused: Mapping[int, tuple[Finding, ...]]) -> None:
        """Only readings that no fruit can have are counted."""
        if self._ctx.sources.get(source) is not None:
            n = sum(any(f.code == "out_of_range" for f in found) for found in refused.values())
            with self._lock:
                self._refused[source] += n

    async def __call__(self, steady_ms: int) -> tuple[Reading, ...]:
        if self._looked_ms is None or steady_ms - self._looked_ms >= EVERY_MS:
            self._looked_ms = steady_ms
            self._readings = await asyncio.to_thread(lambda: tuple(self._look(steady_ms)))
        return self._readings

    def _look(self, steady_ms: int) -> Iterator[Reading]:
        with self._lock:
            parts, self._pending, self._fruit = self._pending, deque(), 0
            refused, self._refused = self._refused, Counter()
        for source in self._ctx.sources.all():
            line = self._ctx.lines.get(source.is_.line)
            if line is None:
                self._watched.pop(source.id, None)
                continue
            lot = self._ctx.lots.get(line.lot_at(len(line.turns) - 1))
            watched = self._watched.get(source.id)
            if watched is None or watched.lot != lot.id:
                shape = Shape.of(compiled=lot.binding.compiled)
                watched = self._watched[source.id] = _Watched(
                    lot.id, shape, no_fruit(shape=shape))
            watched.add(steady_ms=steady_ms, refused=refused[source.id], fruit=[
                (p.batch, p.verdicts) for p in parts
                if p.batch.source == source.id and p.lot == lot.id])
            yield from self._readings_of(source.id, line.row.id, watched)

    def _readings_of(self, source: str, line: str, watched: _Watched) -> Iterator[Reading]:
        yield Reading(kind="impossible_share", subject=source, value=watched.impossible(),
                      line=line, lot=watched.lot)
        signs = watched.signs()
        # Where one measure stands still nothing else is asked of the lane.
        frozen = {s.lane for s in signs if s.sign == "frozen"}
        worst: dict[tuple[str, str], float] = {}
        for sign in signs:
            kind = KINDS.get(sign.sign)
            subject = f"{source}/{sign.lane}"
            if kind is None or (sign.lane in frozen and sign.sign != "frozen"):
                continue
            if sign.sign == "frozen":
                subject += f"/{sign.measure}"
            value = 1 - sign.seen / sign.expected if kind in SHORTFALLS else sign.seen
            worst[kind, subject] = max(value, worst.get((kind, subject), 0.0))
        for (kind, subject), value in worst.items():
            yield Reading(kind=kind, subject=subject, value=value, line=line, lot=watched.lot)
