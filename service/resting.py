"""What is in memory about lots that nobody asks for is let go, so that a season takes no more of it
than a day or two. It is rebuilt from the store when somebody does."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from service import board
from service.background import background
from service.context import Context

EVERY_S: Final = 12 * 3_600.0
"""What was asked for since the last turn stays: for 12 to 24 hours after it was."""


def rest(ctx: Context) -> None:
    """Take one turn. Call it on a worker thread: a lot may be counting fruit just then."""
    for lot in ctx.lots.all():
        if lot.rest():
            board.forget(lot)


@asynccontextmanager
async def resting(ctx: Context, *, every_s: float = EVERY_S) -> AsyncIterator[None]:
    """Take turns as long as the service runs."""

    async def turns() -> None:
        while True:
            await asyncio.sleep(every_s)
            await asyncio.to_thread(rest, ctx)

    async with background(turns()):
        yield
