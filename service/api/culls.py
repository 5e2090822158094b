"""Culls by cause over HTTP, and whether faults came in with the fruit or were added here."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime

from grading.errors import Finding
from service.api.lots import LotId
from service.context import context
from service.cull_origin import origin
from service.culls import By, TooManyGroups, Wanted, culls_by, group_json
from service.evidence import Stretch
from service.problems import Problem
from service.rows import utc
from service.summary import NOTICE

router = APIRouter(prefix="/v1", tags=["culls"])

Moment = Annotated[AwareDatetime | None, Query()]
From = Annotated[AwareDatetime | None, Query(alias="from")]
Said = Annotated[str | None, Query(max_length=80)]
EARLIEST_MS: Final = 946_684_800_000
LATEST_MS: Final = 4_102_444_800_000


def stretch_of(
    start: datetime | None, end: datetime | None, *, longest_ms: int | None = None
) -> Stretch | None:
    """The stretch between two times; None without any. An end alone left out is open.

    Raises Problem."""
    if start is None and end is None:
        return None
    found = Stretch(EARLIEST_MS if start is None else round(start.timestamp() * 1000),
                    LATEST_MS if end is None else round(end.timestamp() * 1000))
    long = found.until_ms - found.from_ms
    if not EARLIEST_MS <= found.from_ms < found.until_ms <= LATEST_MS or not found.minutes() or (
            longest_ms is not None and long > longest_ms):
        most = "" if longest_ms is None else f", at most {longest_ms // 86_400_000} days"
        message = f"The stretch must begin before it ends and hold a whole minute{most}."
        raise Problem(status=422, code="stretch", detail=message, findings=[
            Finding("/query/until", "stretch", message, "Times are RFC 3339 with a zone.")])
    return found


@router.get("/culls", summary="Culls by cause")
async def read_culls(
    request: Request, by: By = "lot", start: From = None, until: Moment = None,
    lot: Said = None, line: Said = None, grower: Said = None, block: Said = None,
    pick: Annotated[int | None, Query(ge=1, le=20)] = None,
    lane: Annotated[int | None, Query(ge=1, le=255)] = None,
) -> dict[str, Any]:
    """Culls of any part of the season by lot, block, pick, grower, line, lane or hour: by every
    cause that a cull has (may add up to more than the culls) and by the one that settled it.
    Counts are summed; shares come with exact intervals, and with wider ones where windows show
    how much more than chance they differ."""
    ctx = context(request)
    stretch = stretch_of(start, until)
    wanted = Wanted(by=by, minutes=None if stretch is None else stretch.minutes(), lot=lot,
                    line=line, grower=grower, block=block, pick=pick, lane=lane)

    def read() -> dict[str, Any]:
        found = culls_by(ctx, wanted=wanted)
        return {
            "by": by, "from": utc(stretch.from_ms) if stretch and start else None,
            "until": utc(stretch.until_ms) if stretch and until else None,
            "groups": [group_json(g) for g in found.groups],
            "total": group_json(found.total), "undated": found.undated,
            "reruns_left_out": list(found.reruns), "level": 0.95, "notice": NOTICE}

    try:
        return await asyncio.to_thread(read)
    except TooManyGroups:
        raise Problem(status=422, code="too_many_groups", detail=(
            "More than 1,000 groups. Ask for a shorter stretch, one line or one lot.")) from None


@router.get("/lots/{lot_id}/culls/origin", summary="Did a fault come in, or was it added here?")
async def read_origin(lot_id: LotId, request: Request) -> dict[str, Any]:
    """A lot's culls by cause against the same faults in its receiving pulls: came in, added here,
    or cannot tell and how many fruit would. From hand pulls of the culls where there are any,
    scaled to the lot by its cull rate; else from what the line saw."""
    ctx = context(request)
    state = ctx.lot(lot_id)
    found = await asyncio.to_thread(origin, ctx, state)
    return {"lot": lot_id, **found, "level": 0.95, "notice": NOTICE}
