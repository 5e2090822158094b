"""Refused records: a person mends one and sends it in again, or dismisses it with a reason."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from service.api.lots import LotId, written
from service.api.records import take
from service.binding import Origin
from service.context import context
from service.problems import Problem
from service.rows import utc
from service.store.quarantine import (
    count_quarantined,
    get_quarantined,
    list_quarantined,
    resolve_quarantined,
)

router = APIRouter(prefix="/v1", tags=["quarantine"])

Person = Annotated[str, Field(min_length=1, max_length=80)]
After = Annotated[int, Query(ge=0, le=2**62)]
Limit = Annotated[int, Query(ge=1, le=500)]


class Repair(BaseModel):
    """A refused record as it should have been, and who says so."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Person
    reason: Annotated[str, Field(min_length=1, max_length=400)]
    record: dict[str, Any] = Field(description="The mended fruit record, as POST /v1/records")
    lot: LotId | None = Field(default=None, description="Where it goes; else where it was sent")


class Dismissal(BaseModel):
    """Why a refused record will not be mended."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Person
    reason: Annotated[str, Field(min_length=1, max_length=400)]


@router.get("/lots/{lot_id}/quarantine", summary="Refused records of a lot")
async def of_lot(
    lot_id: LotId, request: Request, after: After = 0, limit: Limit = 100
) -> dict[str, Any]:
    """Records that could not be used, as they came, with the reasons; oldest first."""
    context(request).lot(lot_id)
    return await _page(request, lot=lot_id, only_open=False, after=after, limit=limit)


@router.get("/quarantine", summary="Refused records that wait for a person")
async def waiting(request: Request, after: After = 0, limit: Limit = 100) -> dict[str, Any]:
    """Those of every lot, and those sent without one; oldest first."""
    return await _page(request, lot=None, only_open=True, after=after, limit=limit)


async def _page(
    request: Request, *, lot: str | None, only_open: bool, after: int, limit: int
) -> dict[str, Any]:
    def read() -> dict[str, Any]:
        with context(request).store.reader.connection() as conn:
            rows = list_quarantined(
                conn, lot=lot, only_open=only_open, after=after, limit=limit + 1)
            waiting = count_quarantined(conn, lot=lot)
        return {
            "waiting": waiting,
            "records": [
                {
                    "id": r.id, "received_at": utc(r.received_ms), "source": r.source,
                    "run": r.run, "lot": r.lot, "position": r.position, "seq": r.seq,
                    "raw": r.raw.decode("utf-8", "replace"), "errors": r.findings,
                    "resolved_at": utc(r.resolved_ms), "resolved_by": r.resolved_by,
                } for r in rows[:limit]
            ],
            "next": rows[limit - 1].id if len(rows) > limit else None,
        }

    return await asyncio.to_thread(read)


async def _open_record(request: Request, record_id: int) -> Any:
    def read() -> Any:
        with context(request).store.reader.connection() as conn:
            return get_quarantined(conn, record_id=record_id)

    found = await asyncio.to_thread(read) if 0 < record_id < 2**62 else None
    if found is None:
        raise Problem(status=404, code="unknown_record",
                      detail=f"No refused record {record_id} is kept.")
    if found.resolved_ms is not None:
        raise Problem(status=409, code="resolved", detail=(
            f"Record {record_id} was settled at {utc(found.resolved_ms)}."))
    return found


async def _settle(request: Request, record_id: int, by: dict[str, Any]) -> dict[str, Any]:
    ctx = context(request)
    now = ctx.clock.now_ms()
    if not await written(ctx, lambda conn: resolve_quarantined(
            conn, record_id=record_id, resolved_ms=now, resolved_by=by)):
        raise Problem(status=409, code="resolved", detail=f"Record {record_id} was settled.")
    return {"id": record_id, "resolved_at": utc(now), "resolved_by": by}


@router.post("/quarantine/{record_id}/repair", summary="Mend a refused record and send it in")
async def repair(record_id: int, body: Repair, request: Request) -> dict[str, Any]:
    """The mended record takes the usual road to the same lot; the refused one stays visible."""
    found = await _open_record(request, record_id)
    if not found.source:
        raise Problem(status=422, code="no_source", detail=(
            f"Record {record_id} came under the name of no source, so it cannot be counted. Send "
            "its fruit again under their source, and dismiss it."))
    ctx = context(request)
    # A person sends it, so the source's key is not asked for again.
    origin = Origin(found.source, found.run, ctx.lot(body.lot or found.lot), None,
                    ctx.sources.get(found.source))
    answer = await take(
        ctx, raw=msgspec.json.encode(body.record), media="json", origin=origin)
    by = {"how": "repaired", "person": body.person, "reason": body.reason, "record": body.record}
    return {**await _settle(request, record_id, by),
            "answer": msgspec.json.decode(bytes(answer.body))}


@router.post("/quarantine/{record_id}/dismiss", summary="Settle a refused record as it is")
async def dismiss(record_id: int, body: Dismissal, request: Request) -> dict[str, Any]:
    """The record stays visible with the reason; nothing is counted."""
    await _open_record(request, record_id)
    return await _settle(request, record_id, {"how": "dismissed", **body.model_dump()})
