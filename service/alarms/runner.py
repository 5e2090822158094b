"""Alarms of the running service: every second the conditions are read and the machine moves.

The state in memory is what counts; every change of it goes to the store, and waits there while
storage takes nothing, since then alarms are needed most. Used from the event loop only.
"""

from __future__ import annotations

import asyncio
import inspect
import logging
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Final

from service.alarms.definitions import DEFINITIONS, PRIORITIES, Priority
from service.alarms.engine import step
from service.alarms.model import ALL_RUN, Alarm, Alarms, Facts, Reading, Transition
from service.alarms.rows import alarm_of, event_of, row_of
from service.background import background
from service.clock import Clock
from service.metrics import Metrics
from service.store.alarms import EVENTS, AlarmRow, put_alarm
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.writer import Writer

EVERY_S: Final = 1.0
WAITING_MAX: Final = 5_000
"""Changes that wait for storage; beyond that the oldest are given up, and the log says so."""

Provider = Callable[[int], Iterable[Reading] | Awaitable[Iterable[Reading]]]
Command = Callable[[Alarm], tuple[Alarm, Transition]]
_LOG: Final = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Calling:
    """How many alarms nobody has acknowledged, and the worst of their priorities."""

    n: int
    priority: Priority | None


class UnknownAlarm(Exception):
    """No alarm of that id is open."""


class Runner:
    """`providers` are asked for their readings, given the ms of the steady clock; one that fails is
    taken to read what it read before. `facts`, given the same, says which lines stand and which
    have just changed lots."""

    def __init__(self, *, writer: Writer, clock: Clock, metrics: Metrics) -> None:
        self.providers: list[Provider] = []
        self.facts: Callable[[int], Facts] = lambda steady_ms: ALL_RUN
        self._writer = writer
        self._clock = clock
        self._metrics = metrics
        self._state = Alarms()
        self._before: dict[Provider, tuple[Reading, ...]] = {}
        self._waiting: list[Transition] = []
        self._storing = asyncio.Lock()

    def load(self, *, rows: Iterable[AlarmRow], last_id: int) -> None:
        """Go on with the alarms that were open when the service ended."""
        steady_ms = self._clock.steady_ms()
        found = [alarm_of(row, steady_ms=steady_ms) for row in rows if row.kind in DEFINITIONS]
        self._state = Alarms(next_id=last_id + 1, by_key={a.key: a for a in found})
        self._count()

    def open(self) -> list[Alarm]:
        """Urgent ones first, and of those what waits for a person; then the newest."""
        aside = ("shelved", "suppressed", "out_of_service")
        return sorted(self._state.open(), key=lambda a: (
            a.state in aside, PRIORITIES.index(DEFINITIONS[a.kind].priority),
            a.state == "acknowledged", -(a.raised_ms or 0), a.key))

    def find(self, alarm_id: int) -> Alarm | None:
        """An open alarm."""
        return self._state.find(alarm_id)

    def calling(self) -> Calling:
        """What every screen shows in its header."""
        found = {a.key: DEFINITIONS[a.kind].priority for a in self._state.open()
                 if a.state in ("unacknowledged", "returned")}
        return Calling(len(found), min(found.values(), key=PRIORITIES.index, default=None))

    def waiting(self) -> tuple[Transition, ...]:
        """Changes that storage has not taken yet."""
        return tuple(self._waiting)

    async def tick(self) -> None:
        """Read every condition, move, and store what changed."""
        readings = [reading for provider in self.providers for reading in await self._ask(provider)]
        steady_ms = self._clock.steady_ms()
        self._state, transitions = step(
            self._state, readings=readings, now_ms=self._clock.now_ms(), steady_ms=steady_ms,
            facts=self.facts(steady_ms))
        self._note(transitions)
        await self.store()

    async def _ask(self, provider: Provider) -> tuple[Reading, ...]:
        try:
            given = provider(self._clock.steady_ms())
            found = tuple(await given if inspect.isawaitable(given) else given)
            unknown = {reading.kind for reading in found} - DEFINITIONS.keys()
            if unknown:
                raise ValueError(f"there are no alarms of kind {sorted(unknown)}")
        except Exception:
            self._metrics.alarm_providers_failed.inc()
            _LOG.exception("conditions of alarms could not be read; the last ones stand")
            return self._before.get(provider, ())
        self._before[provider] = found
        return found

    async def command(self, *, alarm_id: int, do: Command) -> tuple[Transition, bool]:
        """What a person did to an open alarm, and whether it is on the disk.

        It is in force even when storage does not take it yet: an alarm about a full disk must
        not be what keeps people from acknowledging it. Raises UnknownAlarm, commands.NotNow.
        """
        alarm = self._state.find(alarm_id)
        if alarm is None:
            raise UnknownAlarm(alarm_id)
        after, transition = do(alarm)
        self._state = self._state.put(after)
        self._note([transition])
        return transition, await self.store()

    def _note(self, transitions: Iterable[Transition]) -> None:
        for transition in transitions:
            self._waiting.append(transition)
            if transition.announced:
                priority = DEFINITIONS[transition.alarm.kind].priority
                self._metrics.alarms_announced.labels(priority).inc()
        self._count()

    def _count(self) -> None:
        found = self._state.open()
        for priority in PRIORITIES:
            states = [a.state for a in found if DEFINITIONS[a.kind].priority == priority]
            for gauge, counted in (
                (self._metrics.alarms_active, ("unacknowledged", "acknowledged")),
                (self._metrics.alarms_unacknowledged, ("unacknowledged", "returned")),
                (self._metrics.alarms_aside, ("shelved", "out_of_service")),
            ):
                gauge.labels(priority).set(sum(state in counted for state in states))

    async def store(self) -> bool:
        """Hand the store what has changed; whether all of it is on the disk."""
        async with self._storing:
            due, self._waiting = self._waiting, []
            if not due:
                return True

            def write(conn: sqlite3.Connection) -> None:
                for transition in due:
                    put_alarm(conn, row=row_of(transition))
                    EVENTS.insert(conn, row=event_of(transition))

            try:
                # Ended in the middle, the service still writes what it handed over.
                await asyncio.shield(asyncio.wrap_future(self._writer.run(write)))
            except (QueueFull, StorageFull, StorageFailed, StoreClosed) as error:
                _LOG.warning("%d changes of alarms wait for storage: %s", len(due), error)
                self._waiting = [*due, *self._waiting]
                if len(self._waiting) > WAITING_MAX:
                    _LOG.error("changes of alarms are given up: storage does not take them")
                    del self._waiting[:-WAITING_MAX]
                return False
            finally:
                self._metrics.alarm_changes_waiting.set(len(self._waiting))
        return True

    async def run(self) -> None:
        """Tick for ever."""
        while True:
            try:
                await self.tick()
            except Exception:
                _LOG.exception("alarms could not be looked at")
            await asyncio.sleep(EVERY_S)


@asynccontextmanager
async def watched(runner: Runner) -> AsyncIterator[None]:
    """Alarms looked after while the service runs."""
    try:
        async with background(runner.run()):
            yield
    finally:
        await runner.store()
