"""A test record through the whole service every ten seconds, so that its delay can be watched even
when no fruit come: parsed, graded, and through the writer's queue, but never stored or counted."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from grading.kernel import Compiled
from service.background import background
from service.context import Context
from service.ingest.parse import parse_body

EVERY_S: Final = 10.0
PATIENCE_S: Final = 10.0
BODY: Final = b'{"seq":1,"lane":1,"diameter_mm":66.0,"ground_hue_deg":95.0,"blush_fraction":0.5}'
_LOG: Final = logging.getLogger(__name__)


async def beat(ctx: Context) -> None:
    """One test record. Raises what went wrong."""
    started = time.perf_counter()
    parsed = parse_body(body=BODY, media="json", source="heartbeat", run="1").parsed
    compiled = _some_standard(ctx)
    if compiled is not None:
        compiled.grade(batch=parsed.batch)
    async with asyncio.timeout(PATIENCE_S):
        # The writer answers even where nobody waits any more.
        await asyncio.shield(asyncio.wrap_future(ctx.store.writer.run(lambda conn: None)))
    ctx.metrics.heartbeat_seconds.observe(time.perf_counter() - started)
    ctx.metrics.heartbeat_last.set(ctx.clock.now_ms() / 1000)


def _some_standard(ctx: Context) -> Compiled | None:
    """That of a line's lot; of any lot, where no line packs one; None before the first lot."""
    packed = [ctx.lots.find(line.lot) for line in ctx.lines.all() if line.lot]
    lots = [lot for lot in packed if lot is not None] or ctx.lots.all()
    return lots[0].binding.compiled if lots else None


@asynccontextmanager
async def beating(ctx: Context) -> AsyncIterator[None]:
    """Test records while the service runs."""

    async def run() -> None:
        while True:
            try:
                await beat(ctx)
            except Exception as error:
                ctx.metrics.heartbeats_failed.inc()
                _LOG.warning("the heartbeat did not come through: %r", error)
            await asyncio.sleep(EVERY_S)

    async with background(run()):
        yield
