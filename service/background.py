"""Work that goes on beside the requests, as long as the service runs."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager, suppress
from typing import Any


@asynccontextmanager
async def background(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Endless work inside the block; on leaving it is told to stop and waited for."""
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
