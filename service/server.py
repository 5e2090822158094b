"""One process, one event loop, one writer: the service as it is started."""

from __future__ import annotations

import os
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http import HTTPStatus
from typing import Any, Final

import msgspec
import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from service.api.stream import FRAME_BYTES, Streams
from service.app import create_app, join
from service.board import reject_track
from service.clock import Clock
from service.live import CUT
from service.memory import keep_memory, spare_garbage
from service.pages.render import compile_pages
from service.problems import MEDIA, Problem
from service.settings import Settings
from service.wire import QuickSocket

SWITCH_S: Final = 0.0005
"""How long one thread may keep the interpreter from another. The writer thread hands answers to
the event loop; at the interpreter's own 5 ms each of them could wait that long."""


SEND_BYTES: Final = 128 * 2**10
"""What the kernel holds for a client that does not read; left to itself it would take megabytes,
and minutes would pass until a stalled screen is noticed."""
HEAD_BYTES: Final = 65_536
"""The longest header of a request."""
PING_S: Final = 20.0
"""A stream that does not answer a ping for as long is dead: a cable was pulled."""

class Server(uvicorn.Server):
    """Ends by a signal with exit code 0: everything accepted is on the disk by then.

    streams: they are ended first, since uvicorn closes their sockets before they could tell their
    clients what is on the disk.
    """

    def __init__(self, config: uvicorn.Config, *, streams: Streams) -> None:
        super().__init__(config)
        self._streams = streams

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        await self._streams.drain()
        await super().shutdown(sockets)

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        handled = (signal.SIGINT, signal.SIGTERM)
        before = {sig: signal.signal(sig, self.handle_exit) for sig in handled}
        try:
            yield
        finally:
            for sig, handler in before.items():
                signal.signal(sig, handler)


class PlainHttp(HttpToolsProtocol):
    """Says in the one error shape, too, that a request is no HTTP (a chunk without a length, a
    header with a line break), and reads no header without end."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._in_head, self._head = True, 0

    def on_message_begin(self) -> None:
        super().on_message_begin()
        self._in_head, self._head = True, 0

    def on_headers_complete(self) -> None:
        self._in_head = False
        super().on_headers_complete()
        extensions: Any = self.scope.setdefault("extensions", {})
        extensions[CUT] = self.transport.abort

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._in_head:
            self._head += len(data)
            if self._head > HEAD_BYTES:
                self._refuse(431, f"The header is larger than {HEAD_BYTES} bytes.")

    def send_400_response(self, msg: str) -> None:
        self._refuse(400, msg)

    def _refuse(self, status: int, detail: str) -> None:
        body = msgspec.json.encode(Problem(status=status, code="http", detail=detail).body())
        self.transport.write(
            b"HTTP/1.1 %d %b\r\nContent-Type: %b\r\nContent-Length: %d\r\n"
            b"Connection: close\r\n\r\n%b" % (
                status, HTTPStatus(status).phrase.encode(), MEDIA.encode(), len(body), body))
        self.transport.close()


def config_of(app: FastAPI) -> uvicorn.Config:
    """How the service is served."""
    return uvicorn.Config(
        app, access_log=False, log_level="warning", timeout_graceful_shutdown=10, lifespan="on",
        server_header=False, http=PlainHttp,
        # Frames of one fruit hardly shrink, and to deflate each would cost more than to grade it.
        ws=QuickSocket, ws_per_message_deflate=False, ws_max_size=FRAME_BYTES,
        ws_ping_interval=PING_S, ws_ping_timeout=PING_S)


def _processes(settings: Settings) -> int:
    if settings.parse_processes is not None:
        return settings.parse_processes
    return min((os.cpu_count() or 1) - 1, 1)


def run(settings: Settings, *, started: Callable[[str], None] = lambda address: None) -> None:
    """Serve until stopped by a signal; `started` is told the address before the first request.

    The address is taken and the store opened before anything runs, so that a refusal is one line
    and no traceback. Raises store.errors.Refused, OSError for the address.
    """
    sys.setswitchinterval(SWITCH_S)
    keep_memory()
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    with socket.create_server((settings.host, settings.port), family=family) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BYTES)
        joined = join(settings=settings, clock=Clock())
        compile_pages()
        reject_track()
        spare_garbage()
        host = f"[{settings.host}]" if ":" in settings.host else settings.host
        started(f"http://{host}:{listening.getsockname()[1]}/")
        app = create_app(settings=settings, joined=joined, processes=_processes(settings))
        server = Server(config_of(app), streams=app.state.streams)
        server.run(sockets=[listening])
