"""What all open streams owe, sent off together so that one commit carries it."""

from __future__ import annotations

import asyncio
from typing import Final

from service.owed import Owed

FLUSH_S: Final = 0.25
"""How long a fruit waits for others to be committed with. It was answered before, so only the
watermark waits; shorter, and small commits would take more of the processor than grading and
hold up more answers of many streams."""


class Flusher:
    """Sends off what every open stream owes, `FLUSH_S` after the first of them asks."""

    def __init__(self) -> None:
        self._open: set[Owed] = set()
        self._tick = asyncio.Event()
        self._timer: asyncio.TimerHandle | None = None
        self._task: asyncio.Task[None] | None = None

    def due(self, now: bool) -> None:
        if now:
            self._tick.set()
        elif self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(FLUSH_S, self._tick.set)

    def open(self, owed: Owed) -> None:
        self._open.add(owed)
        if self._task is None:
            self._task = asyncio.create_task(self._run())

    def close(self, owed: Owed) -> None:
        self._open.discard(owed)
        if not self._open and self._task is not None:
            self._task.cancel()
            self._task = None
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None

    async def _run(self) -> None:
        while True:
            await self._tick.wait()
            self._tick.clear()
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            ready = [owed for owed in self._open if owed.waits]
            for owed in ready:
                owed.prepare()
                await asyncio.sleep(0)  # answers go before
            for owed in ready:
                owed.launch()
