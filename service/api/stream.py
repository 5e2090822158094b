"""`/v1/stream`: the fruit of one source as a WebSocket or as endless NDJSON, see `service.stream`.

Reading stops while a client does not read its answers, and while too many of its fruit wait for
the disk; nothing is ever dropped for that.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any, Final
from urllib.parse import urlsplit

from fastapi import FastAPI
from starlette.datastructures import Headers, QueryParams
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import WebSocketRoute
from starlette.types import Receive, Scope, Send
from starlette.websockets import WebSocket

from grading.errors import Finding
from service.api.records import key_of, origin_of
from service.context import Context, context
from service.flusher import Flusher
from service.ingest.frames import Sent
from service.owed import STORAGE, error_frame
from service.problems import Problem
from service.stream import SLICE_FRUIT, Session
from service.wire import EXTENSION

FRAME_BYTES: Final = 1 << 20
"""The longest frame or line."""
NDJSON: Final = "application/x-ndjson"
DONE: Final = 1000
WENT_WRONG: Final = 1011
RESTARTS: Final = 1012
TRY_LATER: Final = 1013
LAST_WORDS_S: Final = 2.0
"""How long a client that does not read is waited for at the end."""

_GONE: Final = (OSError, RuntimeError)
"""What sending raises once the client or the server has closed."""


class Streams:
    """The open streams of one app."""

    def __init__(self) -> None:
        self._flusher = Flusher()
        self._open: dict[asyncio.Task[None], asyncio.Event] = {}
        self._draining = False

    def session(self, *, ctx: Context, query: Any, headers: Any) -> Session:
        """A session for who asks. Raises Problem."""
        if self._draining:
            raise Problem(status=503, code="restarting", retry_after_s=5,
                          detail="The service is about to stop. Try again shortly.")
        return Session(ctx=ctx, due=self._flusher.due,
                       origin=origin_of(ctx, query=query, key=key_of(headers)))

    async def serve(
        self, *, ctx: Context, session: Session, read: Callable[[], Awaitable[None]],
        say: Callable[[bytes], Awaitable[None]],
    ) -> int:
        """Run a stream to its end; the code to close it with. By then everything that was read is
        on the disk, unless the code says that something went wrong.

        read: takes frames until there are no more. say: sends text to the client.
        """
        owed, speaking = session.owed, asyncio.Lock()

        async def tell() -> None:
            while True:
                await owed.wait_for_news()
                async with speaking:
                    for text in owed.take_news():
                        await say(session.in_kind(text))

        await say(session.hello(seqs=await asyncio.to_thread(
            ctx.store.reader.seqs, source=session.origin.source, run=session.origin.run)))
        with self._opened(ctx, session, read, tell) as (reader, teller):
            await asyncio.wait({reader, teller}, return_when=asyncio.FIRST_COMPLETED)
            reader.cancel()
            code = await _finished(session, reader)
            with suppress(TimeoutError):
                async with asyncio.timeout(LAST_WORDS_S), speaking:
                    for text in owed.take_news():
                        await say(session.in_kind(text))
            return RESTARTS if self._draining and code == DONE else code

    @contextmanager
    def _opened(
        self, ctx: Context, session: Session, read: Callable[[], Awaitable[None]],
        tell: Callable[[], Awaitable[None]],
    ) -> Iterator[tuple[asyncio.Task[None], asyncio.Task[None]]]:
        reader, teller = (asyncio.ensure_future(work()) for work in (read, tell))
        over = self._open[reader] = asyncio.Event()
        self._flusher.open(session.owed)
        ctx.metrics.streams.inc()
        if self._draining:  # since it asked
            reader.cancel()
        try:
            yield reader, teller
        finally:
            reader.cancel()
            teller.cancel()
            ctx.metrics.streams.dec()
            self._flusher.close(session.owed)
            del self._open[reader]
            over.set()

    async def drain(self) -> None:
        """Read no more, bring everything to the disk and say so; for the end of the service."""
        self._draining = True
        for reader in self._open:
            reader.cancel()
        await asyncio.gather(*(over.wait() for over in self._open.values()))


async def _finished(session: Session, reader: asyncio.Task[None]) -> int:
    """Bring what is owed to the disk; the code to close with."""
    try:
        with suppress(asyncio.CancelledError):
            await reader
        await session.owed.finish()
    except STORAGE:
        return TRY_LATER
    except Exception:
        return WENT_WRONG
    return DONE


class Socket:
    """The WebSocket endpoint, a plain ASGI application: it is on the hot path."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        ctx: Context = scope["app"].state.context
        headers = Headers(scope=scope)
        try:
            _same_site(headers)
            session = self._streams.session(
                ctx=ctx, query=QueryParams(scope["query_string"]), headers=headers)
        except Problem as problem:
            await WebSocket(scope, receive, send).send_denial_response(problem.response())
            return
        await receive()
        await send({"type": "websocket.accept"})

        async def say(text: bytes) -> None:
            kind, data = ("bytes", text) if session.packed else ("text", text.decode())
            with suppress(*_GONE):
                await send({"type": "websocket.send", kind: data})

        with suppress(*_GONE):
            code = await self._streams.serve(
                ctx=ctx, session=session, say=say,
                read=lambda: _frames(session, receive, send, scope.get("extensions") or {}))
            async with asyncio.timeout(LAST_WORDS_S):
                await send({"type": "websocket.close", "code": code})


async def _frames(
    session: Session, receive: Receive, send: Send, extensions: Mapping[str, Any]
) -> None:
    """Answer frames until the client is gone."""
    wire, owed = extensions.get(EXTENSION), session.owed

    def quick(frame: bytes, packed: bool) -> bytes | None:
        if len(owed) >= session.window:
            return None
        return session.answer_one(frame=frame, packed=packed)

    try:
        if wire is not None:
            wire.quick = quick
        await _each_frame(session, receive, send)
    finally:
        if wire is not None:
            wire.quick = None


async def _each_frame(session: Session, receive: Receive, send: Send) -> None:
    owed = session.owed
    while True:
        message = await receive()
        if message["type"] != "websocket.receive":
            return
        text = message.get("text")
        packed = text is None
        frame: str | bytes = message["bytes"] if text is None else text
        answer = session.answer_one(frame=frame, packed=packed)
        if answer is None:
            answer = await session.answer(frame=frame, packed=packed)
        try:
            await send({"type": "websocket.send", "bytes": answer} if packed
                       else {"type": "websocket.send", "text": answer.decode()})
        except _GONE:
            return
        if len(owed) >= session.window:
            await owed.fall_below(limit=session.window)


def _same_site(headers: Headers) -> None:
    """Browsers let a page of any site open a socket here, and say which; lines say nothing."""
    origin = headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != headers.get("host"):
        raise Problem(status=403, code="foreign_page",
                      detail="Pages of other sites may not open a stream.")


class _Lines(Response):
    """The answer to endless NDJSON: a line for each line, while they come."""

    def __init__(self, *, streams: Streams, ctx: Context, session: Session) -> None:
        super().__init__(media_type=NDJSON)
        del self.headers["content-length"]
        self._streams, self._ctx, self._session = streams, ctx, session

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})

        async def say(text: bytes) -> None:
            await send({"type": "http.response.body", "body": text + b"\n", "more_body": True})

        await self._streams.serve(
            ctx=self._ctx, session=self._session, say=say,
            read=lambda: _lines(self._session, Request(scope, receive), say))
        await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _lines(
    session: Session, request: Request, say: Callable[[bytes], Awaitable[None]]
) -> None:
    rest = b""
    with suppress(ClientDisconnect):
        async for part in request.stream():
            *lines, rest = (rest + part).split(b"\n")
            await _answer_lines(session, lines, say)
            if len(rest) > FRAME_BYTES:
                await say(_too_long(session, rest))
                return
        await _answer_lines(session, [rest], say)


async def _answer_lines(
    session: Session, lines: list[bytes], say: Callable[[bytes], Awaitable[None]]
) -> None:
    sent = [line for line in map(bytes.strip, lines) if line]
    for at in range(0, len(sent), SLICE_FRUIT):
        await say(b"\n".join([
            session.answer_one(frame=line, packed=False)
            or await session.answer(frame=line, packed=False)
            for line in sent[at:at + SLICE_FRUIT]]))
        await asyncio.sleep(0)
        await session.owed.fall_below(limit=session.window)


def _too_long(session: Session, line: bytes) -> bytes:
    finding = Finding("", "line_too_long", f"A line is longer than {FRAME_BYTES} bytes.",
                      "Send one fruit a line.")
    session.owed.refuse(sent=Sent(line, None, None, (finding,)))
    return error_frame(Problem(status=413, code="line_too_long", findings=(finding,),
                               detail="The stream ends here; all lines before are kept."))


async def post_stream(request: Request) -> Response:
    """Endless NDJSON."""
    said = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if said != NDJSON:
        raise Problem(status=415, code="media_type", detail=(
            f"A stream is {NDJSON}, one fruit record a line; not {said[:80]!r}."))
    streams: Streams = request.app.state.streams
    ctx = context(request)
    return _Lines(streams=streams, ctx=ctx, session=streams.session(
        ctx=ctx, query=request.query_params, headers=request.headers))


def mount(app: FastAPI) -> None:
    """Add both ways in. `app.state.streams` is to be drained before the app is stopped."""
    app.state.streams = Streams()
    app.router.routes.append(WebSocketRoute("/v1/stream", Socket(app.state.streams)))
    app.router.add_route("/v1/stream", post_stream, methods=["POST"], include_in_schema=False)
