"""Bodies that wait for the same thing go on together.

A body that comes alone is not held up. Those of one sender that come while others are being
taken apart gather, and take the rest of the road as one: the work is much the same for one body
as for ten.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from service.binding import Origin
from service.ingest.parse import BodyError
from service.ingest.parser import Packing, Parser
from service.ingest.together import Together
from service.outcomes import Outcomes, Sent
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


class Carrier(Protocol):
    """What takes bodies that were taken apart to the disk."""

    async def send(self, *, load: Load, bodies: Sequence[bytes], found: Together,
                   pack: Packing | None) -> Sent:
        """Hand them to the store."""

    async def settle_all(self, *, sent: Sent) -> list[Outcomes | BodyError]:
        """Wait for it; by body what became of it."""


@dataclass(frozen=True, slots=True)
class _Waiting:
    body: bytes
    future: asyncio.Future[Outcomes]


class Convoys:
    """Takes bodies apart and hands them to a carrier. Used from the event loop only."""

    def __init__(self, *, parser: Parser, carrier: Carrier) -> None:
        self._parser = parser
        self._carrier = carrier
        self._waiting: dict[Load, deque[_Waiting]] = {}
        self._gone: set[asyncio.Task[None]] = set()

    async def join(self, *, load: Load, body: bytes) -> Outcomes:
        """What becomes of a body. Raises BodyError, and whatever the carrier raises."""
        waiting = self._waiting.setdefault(load, deque())
        mine = _Waiting(body, asyncio.get_running_loop().create_future())
        waiting.append(mine)
        if len(waiting) == 1:
            self._start(load)
        try:
            return await mine.future
        finally:
            del mine  # or an exception would hold the body that holds it, until both are looked for

    def _start(self, load: Load) -> None:
        task = asyncio.create_task(self._go(load))
        self._gone.add(task)
        task.add_done_callback(self._gone.discard)

    async def _go(self, load: Load) -> None:
        async with self._parser.room:
            taken = self._board(load)
            bodies = [waiting.body for waiting in taken]
            sent = await self._send(load, bodies)
        for waiting, told in zip(taken, await self._settle(load, bodies, sent), strict=True):
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

    async def _send(self, load: Load, bodies: Sequence[bytes]) -> Sent | Exception | None:
        """On their way to the disk, or what is in their way; None: too much for one go."""
        origin = load.origin
        try:
            async with self._parser.parsed(
                    bodies=bodies, media=load.media, source=origin.source, run=origin.run,
                    tip_mm=origin.tip_mm) as (found, pack):
                if found is None:
                    return None
                return await self._carrier.send(load=load, bodies=bodies, found=found, pack=pack)
        except Exception as error:
            return None if isinstance(error, QueueFull) and len(bodies) > 1 else error

    async def _settle(
        self, load: Load, bodies: Sequence[bytes], sent: Sent | Exception | None
    ) -> Sequence[Outcomes | Exception]:
        """By body what became of it."""
        if sent is None:
            return [await self._alone(load, body) for body in bodies]
        if isinstance(sent, Exception):
            return [sent] * len(bodies)
        try:
            return await self._carrier.settle_all(sent=sent)
        except Exception as error:
            return [error] * len(bodies)

    async def _alone(self, load: Load, body: bytes) -> Outcomes | Exception:
        async with self._parser.room:
            sent = await self._send(load, [body])
        (told,) = await self._settle(load, [body], sent)
        return told
