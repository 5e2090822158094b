"""A simulated shift brought to a service on the shift's own time, a tick of the alarms a second."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from starlette.testclient import TestClient

from grading.columns import Parsed
from service.alarms import commands
from service.alarms.model import Transition
from service.api.lines import CleanBreak, EndOfLot, end, pack
from service.context import Context
from service.simulator import LineShift, Plan, Shift
from service.simulator.records import body_of, records_of
from service.simulator.script import Cut, Send, Step, Turn, script_of
from tests.support.app import NOON_MS, service

BODY_S = 8.0
"""Seconds of fruit in a body: less than after which a line counts as standing."""
SEEN_AFTER_S = 60


@dataclass
class Watched:
    """A shift of `plan` as the alarms see it. log: every change of an alarm."""

    client: TestClient
    plan: Plan
    clock: list[int]
    log: list[Transition] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.ctx: Context = self.client.app.state.context  # type: ignore[attr-defined]
        self.start_ms = round(self.plan.start.timestamp() * 1000)
        self.clock[0] = self.start_ms
        self._keys: dict[str, str] = {}
        for line in self.plan.line:
            first = line.lots[0]
            self._post("/v1/lines", {"id": line.id, "holding": {
                "standard": first.standard, "cultivar": first.cultivar}})
            self._keys[line.source] = self._post("/v1/sources", {
                "id": line.source, "line": line.id, "lanes": line.lanes})["key"]
            for lot in line.lots:
                self._post("/v1/lots", lot.opening(line=line.id, standard=lot.standard))

    def _post(self, path: str, body: Any) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def run(self) -> None:
        """The whole shift; an operator acknowledges every call a minute later."""
        note = self.ctx.alarms._note

        def noted(transitions: Any) -> None:
            self.log.extend(transitions)
            note(transitions)

        self.ctx.alarms._note = noted  # type: ignore[method-assign]
        assert self.client.portal is not None
        self.client.portal.call(self._all)

    def announced(self) -> list[tuple[float, str, str]]:
        """(seconds of the shift, kind, subject) of every call."""
        return [((t.at_ms - self.start_ms) / 1000, t.alarm.kind, t.alarm.subject)
                for t in self.log if t.announced]

    async def _all(self) -> None:
        shift = Shift(plan=self.plan)
        steps = heapq.merge(
            *(_named(shift, line) for line in shift.lines.values()),
            key=lambda found: found[1].due_s)
        now_s, ahead = 0, next(steps, None)
        while ahead is not None or now_s < self.plan.hours * 3600:
            now_s += 1
            while ahead is not None and ahead[1].due_s <= now_s:
                self.clock[0] = self.start_ms + round(ahead[1].due_s * 1000)
                await self._take(*ahead)
                ahead = next(steps, None)
            self.clock[0] = self.start_ms + now_s * 1000
            await self.ctx.alarms.tick()
            await self._acknowledge()

    async def _take(self, line: str, step: Step) -> None:
        if isinstance(step, Turn):
            if step.lot is None:
                await end(self.ctx, line_id=line, body=EndOfLot(person="M. Orrin"))
            else:
                await pack(self.ctx, line_id=line,
                           body=CleanBreak(person="M. Orrin", lot=step.lot.id))
        elif isinstance(step, Send | Cut):
            send = step.send if isinstance(step, Cut) else step
            await self._send(send)

    async def _send(self, send: Send) -> None:
        part, road = send.part, self.ctx.road
        run = f"r{part.run}"
        origin = road.origin(source=part.source, run=run, key=self._keys[part.source])
        if part.impossible.any():
            body = body_of(records=records_of(part=part, rows=send.rows))
            await road.accept(raw=body, media="json", origin=origin)
            return
        batch = part.batch
        bound = road.bind(origin=origin, received_ms=self.clock[0], parsed=Parsed(
            batch=batch, kept=np.arange(len(batch)), refused={}))
        for future in road.submit(bound=bound):
            await asyncio.wrap_future(future)

    async def _acknowledge(self) -> None:
        for alarm in self.ctx.alarms.open():
            if alarm.state in ("unacknowledged", "returned") and (
                    self.clock[0] - (alarm.announced_ms or 0) >= SEEN_AFTER_S * 1000):
                await self.ctx.alarms.command(
                    alarm_id=alarm.id or 0, do=lambda a: commands.acknowledge(
                        a, now_ms=self.clock[0], person="M. Orrin"))


def _named(shift: Shift, line: LineShift) -> Iterator[tuple[str, Step]]:
    body_fruit = max(1, int(BODY_S * line.plan.rate))
    for step in script_of(shift=shift, line=line, body_fruit=body_fruit):
        yield line.id, step


@contextmanager
def watched(data_dir: Path, plan: Plan) -> Iterator[Watched]:
    """A service that is told nothing but the shift; the loops that follow real time stand still."""
    clock = [NOON_MS]
    with (patch("service.alarms.runner.EVERY_S", 1e6), patch("service.heartbeat.EVERY_S", 1e6),
          patch("service.app.watched_lines", _nothing),
          service(data_dir, now_ms=lambda: clock[0]) as client):
        yield Watched(client, plan, clock)


@asynccontextmanager
async def _nothing(ctx: Context) -> AsyncIterator[None]:
    yield
