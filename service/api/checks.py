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
from service.check_chart import TOLERANCES, LaneChart, check_charts, last_good_of
from service.context import Context, context
from service.last_good import Part, Since, since_last_good
from service.problems import Problem
from service.rows import Whole, utc
from service.sources import Source
from service.store.checks import CHECKS, CheckRow, checks_between
from service.summary import NOTICE

router = APIRouter(prefix="/v1/sources", tags=["sources"])

FUTURE_MS = 5_000
DAY_MS = 86_400_000
Value = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e6, le=1e6)]


class Reading(BaseModel):
    """One object on one lane: its known value and what the source read, in the measure's unit
    (mm, degrees, g, fraction, °Bx, N)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    lane: Whole | None = Field(default=None, ge=1, le=255)
    measure: Literal[*sorted(MEASURES)]  # type: ignore[valid-type]  # from a table
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
    return await keep_check(ctx, known_source(ctx, source_id), body)


async def keep_check(ctx: Context, source: Source, body: Check) -> dict[str, Any]:
    """The check, stored. Raises Problem."""
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
        source=source.id, lane=one.lane or 0, measure=one.measure, object=one.object,
        known=one.known, reading=one.reading, at_ms=at_ms, person=body.person, note=body.note,
        received_ms=now) for one in body.readings]

    def insert(conn: sqlite3.Connection) -> None:
        for row in rows:
            CHECKS.insert(conn, row=row)

    await written(ctx, insert)
    return {"source": source.id, "at": utc(at_ms), "readings": len(rows)}


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


@router.get("/{source_id}/checks/chart", summary="Charts of reference readings, lane by lane")
async def read_chart(
    source_id: SourceId, request: Request,
    measure: Literal[*sorted(MEASURES)] | None = None,  # type: ignore[valid-type]  # from a table
    tolerance: Annotated[float | None, Query(gt=0, le=1e6, allow_inf_nan=False)] = None,
    known_u: Annotated[float, Query(ge=0, le=1e6, allow_inf_nan=False)] = 0.0,
) -> dict[str, Any]:
    """Errors (reading less known value) of every lane and object with limits from the lane's own
    first 25 readings; offset and scale, the error at the standard's cuts, pass or fail in words,
    and the last good check. known_u: standard uncertainty of the known values."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    charts = await asyncio.to_thread(
        check_charts, ctx, source=source, measure=measure, tolerance=tolerance, known_u=known_u)
    return {"source": source_id, **charts_json(charts, source, tolerance), "notice": NOTICE}


def charts_json(
    charts: tuple[LaneChart, ...], source: Source, tolerance: float | None = None
) -> dict[str, Any]:
    """All charts of a source on the wire, by measure."""
    found = []
    for name in dict.fromkeys(c.measure for c in charts):
        mine = [c for c in charts if c.measure == name]
        found.append({
            "measure": name, "unit": MEASURES[name].unit,
            "tolerance": TOLERANCES[name] if tolerance is None else tolerance,
            "last_good": utc(last_good_of(mine, lanes=source.is_.lanes)),
            "not_passed": [c.lane or None for c in mine if c.last.found.judgement != "pass"],
            "lanes": [lane_json(c) for c in mine]})
    return {"measures": found}


def lane_json(chart: LaneChart) -> dict[str, Any]:
    last, good = chart.last, chart.last_good
    return {
        "lane": chart.lane or None, "repeat_sd": last.repeat_sd,
        "last": {
            "at": utc(last.at_ms), "person": last.person, "note": last.note, "n": last.found.n,
            "judgement": last.found.judgement, "words": last.found.words,
            "offset": last.found.offset, "low": last.found.low, "high": last.found.high,
            "scale": last.found.scale,
            "at_cuts": [{"cut": p.at, "error": p.error, "low": p.low, "high": p.high,
                         "judgement": p.judgement} for p in last.found.predicted]},
        "last_good": None if good is None else {"at": utc(good.at_ms), "person": good.person},
        "cuts_beyond_the_objects": list(chart.beyond),
        "objects": [{
            "object": o.object, "known": o.rows[-1].known,
            "centre": o.chart.chart.values.centre if o.chart else None,
            "low": o.chart.chart.values.low if o.chart else None,
            "high": o.chart.chart.values.high if o.chart else None,
            "recent": o.chart.recent if o.chart else None,
            "recent_too_far": o.chart.over if o.chart else None,
            "readings": [{
                "at": utc(r.at_ms), "error": round(e, 6), "person": r.person,
                "outside": o.chart is not None and i in o.chart.outside}
                for i, (r, e) in enumerate(zip(o.rows, o.errors, strict=True))],
        } for o in chart.objects],
    }


@router.get("/{source_id}/checks/since", summary="The list since the last good check")
async def read_since(
    source_id: SourceId, request: Request,
    measure: Literal[*sorted(MEASURES)] = "diameter",  # type: ignore[valid-type]  # from a table
    lane: Annotated[int | None, Query(ge=1, le=255)] = None,
) -> dict[str, Any]:
    """Lots, fruit, numbers and times graded since each lane last passed; with the error of the
    newest failing check taken off, how many would be in another class, in which packs, and how
    near those are to their tolerance."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    if lane is not None and lane > source.is_.lanes:
        raise Problem(status=422, code="check", detail=f"The source has no lane {lane}.", findings=[
            Finding("/query/lane", "unknown_lane", f"The source has no lane {lane}.",
                    f"It is registered with lanes 1 to {source.is_.lanes}.")])
    found = await asyncio.to_thread(
        since_last_good, ctx, source=source, measure=measure, lane=lane)
    return {"source": source_id, **since_json(found), "notice": NOTICE}


def since_json(found: Since) -> dict[str, Any]:
    """The list on the wire."""
    done = [p.undone for p in found.parts if p.undone is not None]
    return {
        "measure": found.measure, "unit": MEASURES[found.measure].unit,
        "lanes": [{
            "lane": lane or None, "last_good": utc(at), "failing": lane in found.offsets,
            "offset": found.offsets[lane].value if lane in found.offsets else None,
            "low": found.offsets[lane].low if lane in found.offsets else None,
            "high": found.offsets[lane].high if lane in found.offsets else None,
        } for lane, at in sorted(found.since.items())],
        "fruit": sum(p.n for p in found.parts),
        "changed": {
            "fruit": sum(d.changed for d in done), "low": sum(d.changed_low for d in done),
            "high": sum(d.changed_high for d in done)} if found.offsets else None,
        "lots": [_part_json(p) for p in found.parts],
    }


def _part_json(part: Part) -> dict[str, Any]:
    done = part.undone
    names = part.lot.binding.compiled.pack_names
    graded = [] if part.graded is None else part.graded.tolist()
    return {
        "lot": part.lot.id, "fruit": part.n, "from": utc(part.from_ms),
        "until": utc(part.until_ms),
        "lanes": {str(lane): n for lane, n in sorted(part.lanes.items())},
        "runs": [{"run": run, "first": low, "last": high, "fruit": n}
                 for run, (low, high, n) in part.runs.items()],
        "changed": None if done is None else {
            "fruit": done.changed, "low": done.changed_low, "high": done.changed_high,
            "share": done.changed / done.n},
        "packs": [] if done is None else [
            _pack(names[k], n, int(done.affected[k]), int(done.missed[k]), part.tolerance)
            for k, n in enumerate(graded) if n],
    }


def _pack(
    name: str, graded: int, affected: int, missed: int, tolerance: float | None
) -> dict[str, Any]:
    """affected: fruit in the pack that belong in another; left: of the tolerance for undersize,
    if they are all taken for it."""
    share = affected / graded
    return {"pack": name, "graded": graded, "affected": affected, "missed": missed,
            "share": share, "tolerance": tolerance,
            "left": None if tolerance is None else tolerance - share}
