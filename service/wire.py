"""uvicorn's WebSocket with a short cut for frames that can be answered on the spot.

At thousands of single fruit a second most of the time goes into passing each frame from the
socket through a parser, a queue and a task, and its answer back. A plain frame that comes while
nothing before it is in work is therefore handed straight to `quick`; every other frame, whole,
goes the usual way (RFC 6455 section 5.2 has the layout). Order is kept either way.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import websockets.frames
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from websockets.http11 import Request

_UNMASK: Final[Callable[[bytes, bytes], bytes]] = vars(websockets.frames)["apply_mask"]
"""In C where that was built."""
EXTENSION: Final = "quick_frames"
"""Key among the scope's extensions of the connection itself."""
TEXT: Final = 0x81
BINARY: Final = 0x82
_MASKED: Final = 0x80

Quick = Callable[[bytes, bool], bytes | None]


class QuickSocket(WebSocketsSansIOProtocol):
    """quick(payload, binary): the answer, or None to let the frame go the usual way."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.quick: Quick | None = None
        self._rest = b""
        self._idle = False

    def handle_connect(self, event: Request) -> None:
        super().handle_connect(event)
        if not self.close_sent:
            extensions: Any = self.scope["extensions"]
            extensions[EXTENSION] = self

    async def receive(self) -> Any:
        self._idle = True
        try:
            return await super().receive()
        finally:
            self._idle = False

    def data_received(self, data: bytes) -> None:
        if not self.handshake_initiated:
            super().data_received(data)
            return
        if self._rest:
            data = self._rest + data
        at = 0
        answers: list[bytes] = []
        while (span := _span(data, at)) is not None:
            start, end = span
            if end - start > self.config.ws_max_size:
                end = len(data)  # enough to be refused by
            elif end > len(data):
                break
            answer = self._answered(data, at, start, end)
            if answer is None:
                self._write(answers)
                super().data_received(data[at:end])
            else:
                answers += (_head(data[at], len(answer)), answer)
            at = end
        self._rest = data[at:]
        self._write(answers)
        if not self.writable.is_set() and not self.read_paused:
            # The client does not read its answers, so it gets no more of them.
            self.read_paused = True
            self.transport.pause_reading()

    def resume_writing(self) -> None:
        super().resume_writing()
        if self.read_paused and self.queue.empty():
            self.read_paused = False
            self.transport.resume_reading()

    def keepalive_timeout(self) -> None:
        if self.read_paused and self.writable.is_set():
            # Fruit wait for the disk and nothing is read meanwhile, its answer to the ping neither.
            self.pong_timer = None
            self.pending_ping_payload = None
            self.schedule_ping()
        else:
            super().keepalive_timeout()

    def _answered(self, data: bytes, at: int, start: int, end: int) -> bytes | None:
        if (self.quick is None or not self._idle or self.close_sent or self.frames
                or data[at] not in (TEXT, BINARY) or not data[at + 1] & _MASKED
                or not self.queue.empty()):
            return None
        return self.quick(_UNMASK(data[start:end], data[start - 4:start]), data[at] == BINARY)

    def _write(self, answers: list[bytes]) -> None:
        if answers:
            self.transport.write(b"".join(answers))
            answers.clear()


def _span(data: bytes, at: int) -> tuple[int, int] | None:
    """Where the payload of the frame at `at` starts and ends; None before its head is there."""
    if len(data) - at < 2:
        return None
    size = data[at + 1] & 0x7F
    start = at + (6 if data[at + 1] & _MASKED else 2)
    if size >= 126:
        wide = 2 if size == 126 else 8
        start += wide
        if len(data) < at + 2 + wide:
            return None
        size = int.from_bytes(data[at + 2:at + 2 + wide], "big")
    return start, start + size


def _head(first: int, size: int) -> bytes:
    """The head of an answer to one fruit, a frame of the same kind."""
    return bytes((first, size)) if size < 126 else bytes((first, 126)) + size.to_bytes(2, "big")
