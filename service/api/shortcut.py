"""Records go past the framework: its layers cost a body of records as much as grading it does."""

from __future__ import annotations

import sqlite3
from collections.abc import Awaitable, Callable
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.problems import Problem

PATH: Final = "/v1/records"


class RecordsFirst:
    """Hands POST /v1/records straight to its endpoint; everything else goes on to the app.

    unreadable: the answer to a store that cannot be read. What else is raised goes up, to where
    the app answers what nobody foresaw.
    """

    def __init__(
        self, app: ASGIApp, *, endpoint: Callable[[Request], Awaitable[Response]],
        unreadable: Callable[[Request, Exception], Awaitable[Response]],
    ) -> None:
        self._app = app
        self._endpoint = endpoint
        self._unreadable = unreadable

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] != PATH or scope["method"] != "POST":
            await self._app(scope, receive, send)
            return
        request = Request(scope, receive)
        try:
            response = await self._endpoint(request)
        except Problem as problem:
            response = problem.response()
        except sqlite3.OperationalError as error:
            response = await self._unreadable(request, error)
        await response(scope, receive, send)
