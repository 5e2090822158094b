"""Hand pulls over HTTP."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from service.api.lots import LotId
from service.context import context
from service.problems import Problem
from service.pull_model import PullIn
from service.pulls import take_pull
from service.store.pulls import get_pull, list_pulls

router = APIRouter(prefix="/v1", tags=["pulls"])


@router.post("/lots/{lot_id}/pulls", status_code=201, summary="Post a hand pull",
             responses={200: {"description": "It was stored before; the first answer"}})
async def post_pull(
    lot_id: LotId, pull: PullIn, request: Request, response: Response
) -> dict[str, Any]:
    """Graded like any record and answered at once: class shares, each tolerance's verdict with
    its limit and exact interval, warnings, points left to a person, when the next pull is due."""
    answer = await take_pull(context(request), lot_id=lot_id, pull=pull)
    if answer.get("duplicate"):
        response.status_code = 200
    response.headers["Location"] = f"/v1/pulls/{answer['pull']['id']}"
    return answer


@router.get("/lots/{lot_id}/pulls", summary="List a lot's hand pulls")
async def read_pulls(
    lot_id: LotId, request: Request,
    after: Annotated[str, Query(max_length=80)] = "",
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> dict[str, Any]:
    """Pulls by id without their single fruit; page on with `after` = `next`."""
    ctx = context(request)
    ctx.lot(lot_id)

    def read() -> Any:
        with ctx.store.reader.connection() as conn:
            return list_pulls(conn, lot=lot_id, after=after or None, limit=limit + 1)

    rows = await asyncio.to_thread(read)
    return {
        "pulls": [{k: v for k, v in r.result.items() if k != "fruit"} for r in rows[:limit]],
        "next": rows[limit - 1].id if len(rows) > limit else None,
    }


@router.get("/pulls/{pull_id}", summary="Read a hand pull")
async def read_pull(pull_id: str, request: Request) -> dict[str, Any]:
    """The answer as it was given, and the pull as it was posted."""
    ctx = context(request)

    def read() -> Any:
        with ctx.store.reader.connection() as conn:
            return get_pull(conn, pull_id=pull_id)

    found = await asyncio.to_thread(read)
    if found is None:
        raise Problem(status=404, code="unknown_pull", detail=f"There is no pull {pull_id!r}.")
    return {**found.result, "posted": found.body}
