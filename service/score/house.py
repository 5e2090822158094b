"""The service in this process, spoken to as over HTTP but without a socket or a real clock."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from fastapi import FastAPI

from service.app import create_app, join
from service.clock import Clock
from service.context import Context
from service.settings import Settings


class House:
    """A running service whose clock shows `now_ms`. Nothing of it runs by itself: whoever plays a
    shift says when lines are looked at."""

    def __init__(self, *, folder: Path, now_ms: int) -> None:
        self.now_ms = now_ms
        settings = Settings(data_dir=folder)
        clock = Clock(lambda: self.now_ms, lambda: self.now_ms)
        self.ctx: Context = join(settings=settings, clock=clock)
        self.app: FastAPI = create_app(settings=settings, clock=clock, joined=self.ctx)
        self.app.state.context = self.ctx

    def close(self) -> None:
        self.ctx.store.close()

    async def call(
        self, method: str, path: str, value: Any = None, *, allowed: tuple[int, ...] = ()
    ) -> tuple[int, Any]:
        """Status and decoded answer. Raises RuntimeError for one that was not to be expected."""
        body = b"" if value is None else json.dumps(value).encode()
        split = urlsplit(path)
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": split.path, "raw_path": split.path.encode(),
            "query_string": split.query.encode(), "root_path": "", "server": ("127.0.0.1", 80),
            "client": ("127.0.0.1", 1), "app": self.app, "state": {},
            "headers": [(b"content-type", b"application/json"), (b"host", b"127.0.0.1"),
                        (b"content-length", str(len(body)).encode())]}
        said: list[Mapping[str, Any]] = []
        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> Mapping[str, Any]:
            return given.pop() if given else {"type": "http.disconnect"}

        async def send(message: Mapping[str, Any]) -> None:
            said.append(message)

        await self.app(scope, receive, send)  # type: ignore[arg-type]
        status = int(next(m for m in said if m["type"] == "http.response.start")["status"])
        raw = b"".join(m.get("body", b"") for m in said if m["type"] == "http.response.body")
        answer = json.loads(raw) if raw else None
        if status >= 300 and status not in allowed:
            raise RuntimeError(f"{method} {path} was answered {status}: {answer}")
        return status, answer
