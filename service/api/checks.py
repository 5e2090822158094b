"""Reference checks over HTTP: readings of spheres, tiles and weights whose value is known."""

from __future__ import annotations

import asyncio
import sqlite3
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from grading.errors import Finding
from grading.quantities import MEASURES
from service.api.lots import written
from service.api.sources import SourceId, known_source
from service.context import context
from service.problems import Problem
from service.rows import Whole, utc
from service.store.checks import CHECKS, CheckRow, checks_between

router = APIRouter(prefix="/v1/sources", tags=["sources"])

FUTURE_MS = 5_000
DAY_MS = 86_400_000
Value = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e6, le=1e6)]


class Reading(BaseModel):
    """One object on one lane: its known value and what the source read, in the measure's unit
    (mm, degrees, g, fraction, °Bx, N)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    lane: Whole | None = Field(default=None, ge=1, le=255)
    measure: Literal[*sorted(MEASURES)]  # type: ignore[valid-type]
    object: Annotated[str, Field(min_length=1, max_length=80)]
    known: Value
    reading: Value


class Check(BaseModel):
    """Reference objects passed over a source by a person."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    at: AwareDatetime
    person: Annotated[str, Field(min_length=1, max_length=80)]
    note: Annotated[str, Field(max_length=400)] = ""
    readings: Annotated[list[Reading], Field(min_length=1, max_length=2_000)]


@router.post("/{source_id}/checks", status_code=201, summary="Post readings of reference objects")
async def post_check(source_id: SourceId, body: Check, request: Request) -> dict[str, Any]:
    """Keep what a source read of objects of known value; they tell drift of the measurement from
    change of the fruit."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    now = ctx.clock.now_ms()
    at_ms = round(body.at.timestamp() * 1000)
    findings = []
    if not 946_684_800_000 <= at_ms <= now + FUTURE_MS:
        findings.append(Finding("/at", "time", f"{body.at.isoformat()} is not a time of a check.",
                                "Check the clock and the date; a check is never in the future."))
    for i, one in enumerate(body.readings):
        if one.lane is not None and one.lane > source.is_.lanes:
            findings.append(Finding(
                f"/readings/{i}/lane", "unknown_lane", f"The source has no lane {one.lane}.",
                f"It is registered with lanes 1 to {source.is_.lanes}."))
    if findings:
        raise Problem(status=422, code="check", detail="The check cannot be used.",
                      findings=findings)
    rows = [CheckRow(
        source=source_id, lane=one.lane or 0, measure=one.measure, object=one.object,
        known=one.known, reading=one.reading, at_ms=at_ms, person=body.person, note=body.note,
        received_ms=now) for one in body.readings]

    def insert(conn: sqlite3.Connection) -> None:
        for row in rows:
            CHECKS.insert(conn, row=row)

    await written(ctx, insert)
    return {"source": source_id, "at": utc(at_ms), "readings": len(rows)}


@router.get("/{source_id}/checks", summary="List readings of reference objects")
async def list_checks(
    source_id: SourceId, request: Request, days: Annotated[int, Query(ge=1, le=400)] = 7
) -> dict[str, Any]:
    """The readings of the last days, oldest first."""
    ctx = context(request)
    known_source(ctx, source_id)
    now = ctx.clock.now_ms()

    def read() -> list[CheckRow]:
        with ctx.store.reader.connection() as conn:
            return checks_between(conn, source=source_id, from_ms=now - days * DAY_MS,
                                  until_ms=now + FUTURE_MS)

    return {"source": source_id, "readings": [
        {"at": utc(r.at_ms), "lane": r.lane or None, "measure": r.measure, "object": r.object,
         "known": r.known, "reading": r.reading, "offset": round(r.reading - r.known, 6),
         "person": r.person, "note": r.note}
        for r in await asyncio.to_thread(read)]}
