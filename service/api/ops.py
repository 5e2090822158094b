"""Health, readiness and metrics."""

from __future__ import annotations

import asyncio
from typing import Any

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from service.context import context
from service.mqtt import Subscription
from service.rows import utc

router = APIRouter(tags=["operation"])


@router.get("/health/live", summary="Is the process alive")
async def live() -> dict[str, str]:
    return {"status": "alive"}


@router.get("/health/ready", summary="Can it take fruit")
async def ready(request: Request) -> dict[str, Any]:
    """Answers once a commit went through, with the disk's sync time measured at start."""
    ctx = context(request)
    await asyncio.wrap_future(ctx.store.writer.run(lambda conn: None))
    mqtt: Subscription | None = request.app.state.mqtt
    return {
        "status": "ready",
        "commit": ctx.store.writer.commit_no,
        "waiting_fruit": ctx.store.writer.waiting_fruit,
        "sync_ms": round(ctx.store.sync_ms, 3),
        "filesystem": ctx.store.filesystem,
        "lots": len(ctx.lots.all()),
        "mqtt": mqtt.status() if mqtt is not None else None,
        "silent_sources": {
            name: utc(since.at_ms) for name, since in ctx.presence.silent().items()},
    }


@router.get("/metrics", include_in_schema=False)
async def metrics(request: Request) -> Response:
    registry = context(request).metrics.registry
    return Response(generate_latest(registry), media_type=CONTENT_TYPE_LATEST)
