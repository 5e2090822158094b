"""Conditions that the service sees by itself: storage, sources, lines between lots, quarantine.

Each is a callable for `Runner.providers`: ms of the steady clock in, readings out. Delays and
limits are the definitions' matter; here is only what is the case.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from service.alarms.definitions import DEFINITIONS
from service.alarms.model import Facts, Reading
from service.alarms.sensors import SensorHealth
from service.alarms.watching import Watched
from service.metrics import Metrics
from service.store.writer import Writer
from service.throughput import RESULTS

if TYPE_CHECKING:
    from service.alarms.runner import Provider
    from service.context import Context
    from service.lines import Line
    from service.store.sources import AssignmentRow

STANDS_MS: Final = 10_000
"""A line whose sources have all sent nothing for so long stands, or for `PAUSES` of their usual
pauses where they send rarely; common practice, no source. So does what counts as silence of a
source that usually pauses for longer than this."""
PAUSES: Final = 3
CHANGING_MS: Final = 60_000
"""How long after a clean break a lot counts as just begun; common practice, no source."""
BEHIND_S: Final = 300.0
"""A clock may be behind by as much, since sources send late for many reasons."""
FRESH_MS: Final = 60_000
"""Older arrivals say nothing of a source's clock now."""
FAILING_MS: Final = 60_000
STREAK_MS: Final = 15_000
"""Fruit that come to the holding lot with longer pauses are not one stream of them."""


def shipped(ctx: Context) -> list[Provider]:
    """Every provider that needs nothing but the context."""
    sensors = SensorHealth(ctx=ctx)
    ctx.store.writer.on_commit.append(sensors.committed)
    ctx.quarantine.on_refused.append(sensors.refused)
    return [
        sensors,
        Storage(data_dir=ctx.settings.data_dir, metrics=ctx.metrics),
        Failures(writer=ctx.store.writer, metrics=ctx.metrics),
        Sources(ctx=ctx),
        Holding(ctx=ctx),
        Watched(ctx=ctx),
        Standards(ctx=ctx),
        lambda steady_ms: [Reading(
            kind="quarantine_filling", subject="quarantine",
            value=ctx.quarantine.used(now_ms=ctx.clock.now_ms()))],
    ]


def facts_of(ctx: Context) -> Callable[[int], Facts]:
    """Which lines stand and which have just begun a lot."""
    turns = Turns(ctx=ctx)

    def facts(steady_ms: int) -> Facts:
        lines = ctx.lines.all()
        return Facts(
            stopped=frozenset(line.row.id for line in lines if not _runs(ctx, line, steady_ms)),
            changing=frozenset(
                line.row.id for line in lines if line.turns
                and steady_ms - turns.began_ms(line, steady_ms) < CHANGING_MS))

    return facts


def _runs(ctx: Context, line: Line, steady_ms: int) -> bool:
    for source in ctx.sources.on_line(line.row.id):
        heard_ms = ctx.arrivals.heard_ms(source.id)
        stands_ms = max(STANDS_MS, PAUSES * ctx.arrivals.pace_ms(source.id))
        if heard_ms is not None and steady_ms - heard_ms < stands_ms:
            return True
    return False


class Turns:
    """Since when lines pack what they pack, on the steady clock. The stored moment of a turn is
    carried over when it is first seen; to set the wall clock afterwards changes nothing."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._seen: dict[str, tuple[AssignmentRow, int]] = {}

    def began_ms(self, line: Line, steady_ms: int) -> int:
        """When the latest turn of a line that has one began."""
        turn = line.turns[-1]
        seen = self._seen.get(line.row.id)
        if seen is None or seen[0] is not turn:
            ago_ms = max(self._ctx.clock.now_ms() - turn.at_ms, 0)
            seen = self._seen[line.row.id] = (turn, steady_ms - ago_ms)
        return seen[1]


class Storage:
    """How full the data disk is; blocks kept for the administrator count as used."""

    def __init__(self, *, data_dir: Path, metrics: Metrics) -> None:
        self._data_dir = data_dir
        self._metrics = metrics

    def __call__(self, steady_ms: int) -> list[Reading]:
        disk = os.statvfs(self._data_dir)
        size = (disk.f_blocks - disk.f_bfree + disk.f_bavail) * disk.f_frsize
        free = disk.f_bavail * disk.f_frsize
        self._metrics.storage_size_bytes.set(size)
        self._metrics.storage_free_bytes.set(free)
        used = 1 - free / size if size else 1.0
        return [Reading(kind=kind, subject="data", value=used)
                for kind in ("storage_critical", "storage_low", "storage_filling")]


class Failures:
    """Commits that storage did not take within the last minute."""

    def __init__(self, *, writer: Writer, metrics: Metrics) -> None:
        self._writer = writer
        self._metrics = metrics
        self._seen: list[tuple[int, int]] = []

    def __call__(self, steady_ms: int) -> list[Reading]:
        failures = self._writer.failures
        self._metrics.commits_failed.inc(failures - (self._seen[-1][1] if self._seen else 0))
        self._seen.append((steady_ms, failures))
        while len(self._seen) > 2 and self._seen[1][0] <= steady_ms - FAILING_MS:
            del self._seen[0]
        return [Reading(kind="storage_failing", subject="data",
                        value=self._seen[-1][1] - self._seen[0][1])]


class Sources:
    """Registered sources on registered lines: silent, gone, or with a clock that is off."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._turns = Turns(ctx=ctx)
        self._since: dict[str, int] = {}

    def __call__(self, steady_ms: int) -> Iterator[Reading]:
        ctx = self._ctx
        gone = ctx.presence.silent()
        for line in ctx.lines.all():
            heard = {s.id: ctx.arrivals.heard_ms(s.id) for s in ctx.sources.on_line(line.row.id)}
            if line.lot is None:
                self._since.pop(line.row.id, None)
                continue
            # What came before this start of the service, or before this lot, is not asked for.
            since_ms = max(self._since.setdefault(line.row.id, steady_ms),
                           self._turns.began_ms(line, steady_ms))
            paces_ms = {s: ctx.arrivals.pace_ms(s) for s in heard}
            newest_ms = max((ms for ms in heard.values() if ms is not None), default=None)
            quiet = [("line_silent", line.row.id, min(filter(None, paces_ms.values()), default=0),
                      steady_ms - _later(newest_ms, since_ms))] if heard else []
            for source, heard_ms in heard.items():
                if source in gone:
                    quiet.append(("source_lost", source, 0, steady_ms - gone[source].steady_ms))
                if newest_ms is not None:
                    quiet.append(("sensor_silent", source, paces_ms[source],
                                  newest_ms - _later(heard_ms, since_ms)))
            for kind, subject, pace_ms, quiet_ms in quiet:
                yield Reading(kind=kind, subject=subject, value=_s(quiet_ms), line=line.row.id,
                              lot=line.lot, limit=_patience_s(kind, pace_ms))
        yield from self._clocks(steady_ms)

    def _clocks(self, steady_ms: int) -> Iterator[Reading]:
        for source in self._ctx.sources.all():
            last = self._ctx.arrivals.last(source.id)
            heard_ms = self._ctx.arrivals.heard_ms(source.id)
            if last is None or heard_ms is None:
                continue
            metrics = self._ctx.metrics
            metrics.source_last_record.labels(source.id).set(last.received_ms / 1000)
            if last.skew_ms is None:
                continue
            skew_s = last.skew_ms / 1000
            metrics.source_clock_skew.labels(source.id).set(skew_s)
            if steady_ms - heard_ms < FRESH_MS:
                yield Reading(kind="clock_off", subject=source.id, line=source.is_.line or "",
                              value=abs(skew_s), limit=None if skew_s >= 0 else BEHIND_S)


def _patience_s(kind: str, pace_ms: int) -> float:
    """How long a source or line may say nothing: what its kind says, unless it usually pauses so
    long that it would be called for again and again."""
    limit_s = DEFINITIONS[kind].limit
    return limit_s if pace_ms <= STANDS_MS else max(limit_s, PAUSES * pace_ms / 1000)


def _later(at_ms: int | None, since_ms: int) -> int:
    return since_ms if at_ms is None else max(at_ms, since_ms)


def _s(ms: int) -> float:
    return max(ms, 0) / 1000


class Standards:
    """No condition: keeps the metric of the standards in use. Their labels change, but are few."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._told: set[tuple[str, str, str]] = set()

    def __call__(self, steady_ms: int) -> tuple[Reading, ...]:
        lots = [self._ctx.lots.find(line.lot) for line in self._ctx.lines.all() if line.lot]
        used = {(lot.row.standard_id, lot.row.standard_edition, lot.binding.digest[:12])
                for lot in lots if lot is not None}
        if used != self._told:
            self._told = used
            self._ctx.metrics.standard_info.clear()
            for labels in used:
                self._ctx.metrics.standard_info.labels(*labels).set(1)
        return ()


class Holding:
    """Fruit that go to a line's holding lot in one stream, counted from its beginning."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._runs: dict[str, tuple[int, int, int]] = {}

    def __call__(self, steady_ms: int) -> Iterable[Reading]:
        for line in self._ctx.lines.all():
            name, held = line.row.id, self._ctx.throughput.held(line=line.row.id)
            if name not in self._runs:
                for result in RESULTS:
                    self._ctx.metrics.fruit.labels(name, result)
            # What was held before the stream, what is held now, and when that last grew.
            before, seen, grew_ms = self._runs.get(name, (held, held, steady_ms))
            if held > seen:
                seen, grew_ms = held, steady_ms
            elif steady_ms - grew_ms >= STREAK_MS:
                before = held
            self._runs[name] = (before, seen, grew_ms)
            yield Reading(kind="holding_growing", subject=name, value=held - before, line=name,
                          lot=line.row.holding)


def broker(status: Callable[[], dict[str, Any]]) -> Provider:
    """Whether the broker is connected. status: `mqtt.Subscription.status`."""
    lost_ms: int | None = None

    def read(steady_ms: int) -> list[Reading]:
        nonlocal lost_ms
        told = status()
        lost_ms = None if told["connected"] else (steady_ms if lost_ms is None else lost_ms)
        return [Reading(kind="broker_lost", subject=str(told["broker"]),
                        value=0.0 if lost_ms is None else _s(steady_ms - lost_ms))]

    return read
