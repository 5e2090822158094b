"""What the watch found on a line, and why, over HTTP."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request

from service.api.lines import LineId, known_line
from service.context import context
from service.rows import utc
from service.summary import NOTICE
from service.watch.words import finding_json

router = APIRouter(prefix="/v1/lines", tags=["lines"])


@router.get("/{line_id}/findings", summary="What moved on a line, and why")
async def read_findings(
    line_id: LineId, request: Request,
    current: Annotated[bool, Query(description="Only what calls for action now")] = False,
) -> dict[str, Any]:
    """What the watch found on the line's lots of the last day, the newest first: what moved, when
    it began, whether the rule, the measurement or the fruit changed, with the evidence there was
    and was not, and what to do. `looks`: levels and shares that are worth a look, no more."""
    ctx = context(request)
    line = known_line(ctx, line_id)
    view = await asyncio.to_thread(ctx.watch.look, ctx, line)
    found = view.open() if current else list(reversed(view.findings))
    return {
        "line": line_id, "upto": utc(view.upto_ms) if view.upto_ms else None,
        "findings": [finding_json(one) for one in found],
        "looks": [{"what": name, "z": round(m.z, 2)} for name, m in sorted(view.looks.items())],
        "notice": NOTICE,
    }
