"""Live screens: server-sent events, the newest picture only.

Every view that somebody looks at is made once a second, however many look. Each reader has one
slot: a newer picture takes the place of one that was not fetched, so a slow screen skips pictures
and never makes a queue. A reader that takes nothing for `STALL_S` is cut off; its browser comes
back by itself and gets the newest picture.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from typing import Final

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.metrics import Metrics

EVERY_S: Final = 1.0
STALL_S: Final = 15.0
CUT: Final = "cut"
"""Key among a scope's extensions: a function that ends the connection at once. To close it would
wait for a reader who does not read."""
READERS_MAX: Final = 500

_LOG: Final = logging.getLogger(__name__)
Maker = Callable[[], Awaitable[tuple[int, str]]]


class TooManyReaders(Exception):
    """More screens than the service serves at once."""


class View:
    """One picture that changes, and who waits for the next."""

    def __init__(self, make: Maker, *, metrics: Metrics | None = None) -> None:
        self.metrics = metrics or Metrics()
        self._make = make
        self._waiting: dict[asyncio.Event, None] = {}
        self._task: asyncio.Task[None] | None = None
        self.readers = 0
        self.begun = 0
        self.number = 0
        self.event = b""

    async def frames(self) -> AsyncIterator[bytes]:
        """The next picture, and every newer one when it is asked for again.

        The next: whoever opens a page has the newest on it, and one that was begun before may show
        what a press of theirs has just changed.
        """
        self.readers += 1
        if self._task is None:
            self._task = asyncio.create_task(self._keep_making())
        seen = self.begun
        changed = asyncio.Event()
        self._waiting[changed] = None
        try:
            while True:
                while self.number <= seen:
                    changed.clear()
                    await changed.wait()
                seen = self.number
                yield self.event
        finally:
            self.readers -= 1
            del self._waiting[changed]
            if not self.readers and self._task is not None:
                self._task.cancel()
                self._task = None

    async def _keep_making(self) -> None:
        while True:
            self.begun += 1
            try:
                record, text = await self._make()
            except Exception:
                _LOG.exception("a live view failed; its screens go stale")
                self.metrics.board_pictures_failed.inc()
            else:
                self.metrics.board_pictures.inc()
                lines = "".join(f"data: {line}\n" for line in text.splitlines())
                self.number = self.begun
                self.event = f"id: {record}\nevent: picture\n{lines}\n".encode()
                for changed in list(self._waiting):
                    changed.set()
                    await asyncio.sleep(0)  # one screen after another: fruit are let through
            await asyncio.sleep(EVERY_S)


class Live:
    """Every live view by its name."""

    def __init__(self, *, metrics: Metrics | None = None) -> None:
        self._metrics = metrics or Metrics()
        self._metrics.board_clients.set_function(lambda: self.readers)
        self._views: dict[str, View] = {}

    @property
    def readers(self) -> int:
        return sum(view.readers for view in self._views.values())

    def stream(self, *, name: str, make: Maker) -> EventStream:
        """A response that goes on for ever. make: (number of the newest record, the picture).

        Raises TooManyReaders.
        """
        if self.readers >= READERS_MAX:
            self._metrics.board_refused.inc()
            raise TooManyReaders
        if name not in self._views:
            self._views[name] = View(make, metrics=self._metrics)
        return EventStream(self._views[name])


class EventStream(Response):
    """Server-sent events (WHATWG HTML, section 9.2) of one view."""

    def __init__(self, view: View) -> None:
        super().__init__(media_type="text/event-stream", headers={
            "Cache-Control": "no-store", "X-Accel-Buffering": "no"})
        del self.headers["content-length"]
        self._view = view

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        gone = asyncio.create_task(_gone(receive))
        sending = asyncio.create_task(self._send_all(send))
        try:
            await asyncio.wait({gone, sending}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (gone, sending):
                task.cancel()
                with suppress(asyncio.CancelledError, OSError):
                    try:
                        await task
                    except TimeoutError:
                        (scope.get("extensions") or {}).get(CUT, lambda: None)()

    async def _send_all(self, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code,
                    "headers": self.raw_headers})
        frames = self._view.frames()
        try:
            async for event in frames:
                try:
                    async with asyncio.timeout(STALL_S):
                        await send({
                            "type": "http.response.body", "body": event, "more_body": True})
                except TimeoutError:
                    self._view.metrics.board_dropped.inc()
                    raise
        finally:
            await frames.aclose()  # type: ignore[attr-defined]  # a generator


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
