"""Bodies that wait for the same thing go on together.

A body that comes alone is not held up. Those of one sender that come while others are being
taken apart gather, and take the rest of the road as one: the work is much the same for one body
as for ten.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Final

from service.binding import Origin
from service.ingest.parse import BodyError
from service.ingest.parser import Parser
from service.ingest.together import Together
from service.outcomes import Outcomes
from service.store.errors import QueueFull

BODIES: Final = 8
BYTES: Final = 2**20
"""A convoy has no more of either, but for a body that is larger by itself."""


@dataclass(frozen=True, slots=True)
class Load:
    """What all bodies of one convoy share."""

    origin: Origin
    media: str
    kind: str


Carry = Callable[[Load, Sequence[bytes], Together], Awaitable[list[Outcomes | BodyError]]]


@dataclass(frozen=True, slots=True)
class _Waiting:
    body: bytes
    future: asyncio.Future[Outcomes]


class Convoys:
    """Takes bodies apart and hands them to `carry`, which takes them to the disk. Used from the
    event loop only."""

    def __init__(self, *, parser: Parser, carry: Carry) -> None:
        self._parser = parser
        self._carry = carry
        self._waiting: dict[Load, deque[_Waiting]] = {}
        self._gone: set[asyncio.Task[None]] = set()

    async def join(self, *, load: Load, body: bytes) -> Outcomes:
        """What becomes of a body. Raises BodyError, and whatever `carry` raises."""
        waiting = self._waiting.setdefault(load, deque())
        mine = _Waiting(body, asyncio.get_running_loop().create_future())
        waiting.append(mine)
        if len(waiting) == 1:
            self._start(load)
        return await mine.future

    def _start(self, load: Load) -> None:
        task = asyncio.create_task(self._go(load))
        self._gone.add(task)
        task.add_done_callback(self._gone.discard)

    async def _go(self, load: Load) -> None:
        async with self._parser.room:
            taken = self._board(load)
            bodies = [waiting.body for waiting in taken]
            found = await self._parse(load, bodies)
        for waiting, told in zip(
                taken, await self._carried(load, bodies, found), strict=True):
            if waiting.future.done():
                continue  # nobody waits for it any more
            if isinstance(told, Exception):
                waiting.future.set_exception(told)
            else:
                waiting.future.set_result(told)

    def _board(self, load: Load) -> list[_Waiting]:
        """Those that go now; the next convoy is for the others."""
        waiting = self._waiting[load]
        taken = [waiting.popleft()]
        size = len(taken[0].body)
        while waiting and len(taken) < BODIES and size + len(waiting[0].body) <= BYTES:
            taken.append(waiting.popleft())
            size += len(taken[-1].body)
        if waiting:
            self._start(load)
        else:
            del self._waiting[load]
        return taken

    async def _parse(
        self, load: Load, bodies: Sequence[bytes]
    ) -> Together | Exception | None:
        origin = load.origin
        try:
            return await self._parser.parse(
                bodies=bodies, media=load.media, source=origin.source, run=origin.run,
                tip_mm=origin.tip_mm)
        except Exception as error:
            return error

    async def _carried(
        self, load: Load, bodies: Sequence[bytes], found: Together | Exception | None
    ) -> Sequence[Outcomes | Exception]:
        """By body what became of it."""
        try:
            if isinstance(found, Exception):
                raise found
            if found is not None:
                return await self._carry(load, bodies, found)
        except Exception as error:
            if len(bodies) == 1 or not isinstance(error, QueueFull):
                return [error] * len(bodies)
        # All are too much at once, but one by one they may not be.
        told: list[Outcomes | Exception] = []
        for body in bodies:
            async with self._parser.room:
                alone = await self._parse(load, [body])
            told += await self._carried(load, [body], alone)
        return told
