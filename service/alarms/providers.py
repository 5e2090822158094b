"""Conditions that the service sees by itself: storage, sources, lines between lots, quarantine.

Each is a callable for `Runner.providers`: Unix ms in, readings out. Delays and limits are the
definitions' matter; here is only what is the case.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

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

STANDS_MS: Final = 10_000
"""A line whose sources have all sent nothing for so long stands, or for `PAUSES` of their usual
pauses where they send rarely; common practice, no source."""
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
        lambda now_ms: [Reading(kind="quarantine_filling", subject="quarantine",
                                value=ctx.quarantine.used(now_ms=now_ms))],
    ]


def facts_of(ctx: Context) -> Callable[[int], Facts]:
    """Which lines stand and which have just begun a lot."""

    def facts(now_ms: int) -> Facts:
        lines = ctx.lines.all()
        return Facts(
            stopped=frozenset(line.row.id for line in lines if not _runs(ctx, line, now_ms)),
            changing=frozenset(line.row.id for line in lines if line.turns
                               and _within(line.turns[-1].at_ms, now_ms, CHANGING_MS)))

    return facts


def _runs(ctx: Context, line: Line, now_ms: int) -> bool:
    for source in ctx.sources.on_line(line.row.id):
        last = ctx.arrivals.last(source.id)
        stands_ms = max(STANDS_MS, PAUSES * ctx.arrivals.pace_ms(source.id))
        if last is not None and now_ms - last.received_ms < stands_ms:
            return True
    return False


def _within(at_ms: int | None, now_ms: int, span_ms: int) -> bool:
    return at_ms is not None and now_ms - at_ms < span_ms


def _heard_ms(ctx: Context, line: Line) -> int | None:
    """When any source of the line was last heard since the start."""
    last = [ctx.arrivals.last(s.id) for s in ctx.sources.on_line(line.row.id)]
    return max((at.received_ms for at in last if at is not None), default=None)


class Storage:
    """How full the data disk is; blocks kept for the administrator count as used."""

    def __init__(self, *, data_dir: Path, metrics: Metrics) -> None:
        self._data_dir = data_dir
        self._metrics = metrics

    def __call__(self, now_ms: int) -> list[Reading]:
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

    def __call__(self, now_ms: int) -> list[Reading]:
        failures = self._writer.failures
        self._metrics.commits_failed.inc(failures - (self._seen[-1][1] if self._seen else 0))
        # A clock that was set back does not make the minute longer.
        self._seen = [(min(at_ms, now_ms), n) for at_ms, n in self._seen] + [(now_ms, failures)]
        while len(self._seen) > 2 and self._seen[1][0] <= now_ms - FAILING_MS:
            del self._seen[0]
        return [Reading(kind="storage_failing", subject="data",
                        value=self._seen[-1][1] - self._seen[0][1])]


class Sources:
    """Registered sources on registered lines: silent, gone, or with a clock that is off."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._since: dict[str, int] = {}

    def __call__(self, now_ms: int) -> Iterator[Reading]:
        ctx = self._ctx
        gone = ctx.presence.silent()
        for line in ctx.lines.all():
            sources = ctx.sources.on_line(line.row.id)
            heard_ms = _heard_ms(ctx, line)
            if line.lot is None:
                self._since.pop(line.row.id, None)
                continue
            # What came before this start of the service, or before this lot, is not asked for.
            since_ms = max(self._since.setdefault(line.row.id, now_ms), line.turns[-1].at_ms)
            quiet = [("line_silent", line.row.id, now_ms - max(heard_ms or 0, since_ms))
                     ] if sources else []
            for source in sources:
                last = ctx.arrivals.last(source.id)
                if source.id in gone:
                    quiet.append(("source_lost", source.id, now_ms - gone[source.id]))
                if heard_ms is not None:
                    own_ms = max(last.received_ms if last is not None else 0, since_ms)
                    quiet.append(("sensor_silent", source.id, heard_ms - own_ms))
            for kind, subject, quiet_ms in quiet:
                yield Reading(kind=kind, subject=subject, value=_s(quiet_ms), line=line.row.id,
                              lot=line.lot)
        yield from self._clocks(now_ms)

    def _clocks(self, now_ms: int) -> Iterator[Reading]:
        for source in self._ctx.sources.all():
            last = self._ctx.arrivals.last(source.id)
            if last is None:
                continue
            metrics = self._ctx.metrics
            metrics.source_last_record.labels(source.id).set(last.received_ms / 1000)
            if last.skew_ms is None:
                continue
            skew_s = last.skew_ms / 1000
            metrics.source_clock_skew.labels(source.id).set(skew_s)
            if _within(last.received_ms, now_ms, FRESH_MS):
                yield Reading(kind="clock_off", subject=source.id, line=source.is_.line or "",
                              value=abs(skew_s), limit=None if skew_s >= 0 else BEHIND_S)


def _s(ms: int) -> float:
    return max(ms, 0) / 1000


class Standards:
    """No condition: keeps the metric of the standards in use. Their labels change, but are few."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx
        self._told: set[tuple[str, str, str]] = set()

    def __call__(self, now_ms: int) -> tuple[Reading, ...]:
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

    def __call__(self, now_ms: int) -> Iterable[Reading]:
        for line in self._ctx.lines.all():
            name, held = line.row.id, self._ctx.throughput.held(line=line.row.id)
            if name not in self._runs:
                for result in RESULTS:
                    self._ctx.metrics.fruit.labels(name, result)
            # What was held before the stream, what is held now, and when that last grew.
            before, seen, grew_ms = self._runs.get(name, (held, held, now_ms))
            if held > seen:
                seen, grew_ms = held, now_ms
            elif not _within(grew_ms, now_ms, STREAK_MS):
                before = held
            self._runs[name] = (before, seen, grew_ms)
            yield Reading(kind="holding_growing", subject=name, value=held - before, line=name,
                          lot=line.row.holding)


def broker(status: Callable[[], dict[str, Any]]) -> Provider:
    """Whether the broker is connected. status: `mqtt.Subscription.status`."""
    lost_ms: int | None = None

    def read(now_ms: int) -> list[Reading]:
        nonlocal lost_ms
        told = status()
        lost_ms = None if told["connected"] else (now_ms if lost_ms is None else lost_ms)
        return [Reading(kind="broker_lost", subject=str(told["broker"]),
                        value=0.0 if lost_ms is None else _s(now_ms - lost_ms))]

    return read
