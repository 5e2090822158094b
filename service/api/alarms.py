"""Alarms over HTTP: what is open, what has been, and what people do to them."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from service.alarms import commands
from service.alarms.definitions import DEFINITIONS, Definition
from service.alarms.model import LONGEST_SHELF_MS, Alarm
from service.alarms.rows import alarm_of, event_of
from service.alarms.runner import Command, UnknownAlarm
from service.alarms.say import said
from service.context import Context, context
from service.problems import Problem
from service.rows import Whole, utc
from service.store.alarms import ALARMS, AlarmRow, EventRow, ended_alarms, events_of

router = APIRouter(prefix="/v1/alarms", tags=["alarms"])

AlarmId = Annotated[int, Path(ge=1, le=2**53)]
Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"\S")]
Language = Annotated[Literal["en", "es"], Query()]


class Said(BaseModel):
    """Who, and why if there is something to say."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Name
    reason: Annotated[str, Field(max_length=400)] = ""


class Reasoned(BaseModel):
    """Who, and why."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Name
    reason: Annotated[str, Field(min_length=1, max_length=400, pattern=r"\S")]


class Shelf(Reasoned):
    """For how long an alarm is put aside. one_shot: at the latest; sooner if its condition ends."""

    minutes: Whole = Field(ge=commands.SHELF_MIN_MS // 60_000, le=LONGEST_SHELF_MS // 60_000)
    one_shot: bool = Field(default=False, strict=True)


def alarm_json(alarm: Alarm, *, lang: str, ended_ms: int | None = None) -> dict[str, Any]:
    """An alarm with its texts. `limit` and `value` are in `unit`."""
    definition = DEFINITIONS[alarm.kind]
    return {
        "id": alarm.id, "kind": alarm.kind, "priority": definition.priority,
        "state": alarm.state, "subject": alarm.subject, "line": alarm.line or None,
        "lot": alarm.lot or None, "value": alarm.value, "limit": alarm.limit,
        "unit": definition.unit, "raised": utc(alarm.raised_ms), "ended": utc(ended_ms),
        "announced": utc(alarm.announced_ms),
        "shelved_until": utc(alarm.shelved_until_ms), "one_shot": alarm.one_shot,
        "respond_within_s": definition.respond_within_s,
        **said(alarm, lang=lang).model_dump(),
    }


def past_json(row: AlarmRow, *, lang: str) -> dict[str, Any]:
    """An alarm that has ended, or one of a kind that this version no longer has."""
    alarm = alarm_of(row)
    if row.kind not in DEFINITIONS:
        return {"id": row.id, "kind": row.kind, "state": row.state, "subject": row.subject,
                "raised": utc(row.raised_ms), "ended": utc(row.ended_ms)}
    return {**alarm_json(alarm, lang=lang, ended_ms=row.ended_ms), "id": row.id}


def kind_json(definition: Definition, *, lang: str) -> dict[str, Any]:
    return {
        **definition.model_dump(mode="json", exclude={"en", "es", "suppressed_while"}),
        "suppressed_while": sorted(definition.suppressed_while),
        **definition.text(lang).model_dump(),
    }


@router.get("", summary="List open alarms")
async def list_alarms(request: Request, lang: Language = "en") -> dict[str, Any]:
    """Those that wait for a person first, then by priority; the ones put aside last."""
    ctx = context(request)
    return {"alarms": [alarm_json(alarm, lang=lang) for alarm in ctx.alarms.open()],
            "waiting": ctx.alarms.calling().n}


@router.get("/ended", summary="List alarms that have ended")
async def list_ended(
    request: Request, lang: Language = "en", cursor: Annotated[int, Query(ge=1, le=2**53)] = 2**53,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> dict[str, Any]:
    """By when they were raised, newest first; page on with `cursor` = `next`."""
    rows, further = await ended(context(request), cursor=cursor, limit=limit)
    return {"alarms": [past_json(row, lang=lang) for row in rows], "next": further}


async def ended(ctx: Context, *, cursor: int, limit: int) -> tuple[list[AlarmRow], int | None]:
    """Alarms that have ended, of ids below the cursor, and the cursor of those before them."""

    def read() -> list[AlarmRow]:
        with ctx.store.reader.connection() as conn:
            return ended_alarms(conn, below=cursor, limit=limit + 1)

    rows = await asyncio.to_thread(read)
    return rows[:limit], rows[limit - 1].id if len(rows) > limit else None


@router.get("/kinds", summary="List what there are alarms for")
async def list_kinds(lang: Language = "en") -> dict[str, Any]:
    """Every kind with its limit, delays, priority and texts; {value} and the like stand for what
    an alarm fills in."""
    return {"kinds": [kind_json(d, lang=lang) for d in DEFINITIONS.values()]}


@router.get("/{alarm_id}", summary="Read an alarm")
async def read_alarm(alarm_id: AlarmId, request: Request, lang: Language = "en") -> dict[str, Any]:
    """An alarm and everything that happened to it, in order."""
    ctx = context(request)
    row, events = await history(ctx, alarm_id=alarm_id)
    alarm = ctx.alarms.find(alarm_id)
    if alarm is not None:
        shown = alarm_json(alarm, lang=lang)
    elif row is not None:
        shown = past_json(row, lang=lang)
    else:
        raise unknown_alarm(alarm_id)
    return {**shown, "events": [
        {"at": utc(e.at_ms), "what": e.what, "state": e.state, "value": e.value,
         "person": e.person or None, "reason": e.note or None} for e in events]}


async def history(ctx: Context, *, alarm_id: int) -> tuple[AlarmRow | None, list[EventRow]]:
    """An alarm as the store has it, and its changes in order, those included that storage has
    not taken yet."""

    def read() -> tuple[AlarmRow | None, list[EventRow]]:
        with ctx.store.reader.connection() as conn:
            return ALARMS.get(conn, key=alarm_id), events_of(conn, alarm=alarm_id)

    waiting = [event_of(t) for t in ctx.alarms.waiting() if t.alarm.id == alarm_id]
    row, events = await asyncio.to_thread(read)
    stored = {(e.at_ms, e.what) for e in events}
    return row, [*events, *(e for e in waiting if (e.at_ms, e.what) not in stored)]


def unknown_alarm(alarm_id: int) -> Problem:
    """There is no such alarm."""
    return Problem(status=404, code="unknown_alarm", detail=(
        f"There is no alarm {alarm_id}. GET /v1/alarms lists them."))


async def told(ctx: Context, *, alarm_id: int, do: Command) -> tuple[Alarm, bool]:
    """The alarm after what a person did to it, and whether that is on the disk. Raises Problem."""
    try:
        transition, recorded = await ctx.alarms.command(alarm_id=alarm_id, do=do)
    except UnknownAlarm:
        if await asyncio.to_thread(_was, ctx, alarm_id):
            raise Problem(status=409, code="alarm_ended",
                          detail=f"Alarm {alarm_id} has ended.") from None
        raise unknown_alarm(alarm_id) from None
    except commands.NotNow as error:
        raise Problem(status=409, code="alarm_state",
                      detail=f"Alarm {alarm_id} stays as it is: {error}.") from error
    return transition.alarm, recorded


def _was(ctx: Context, alarm_id: int) -> bool:
    with ctx.store.reader.connection() as conn:
        return ALARMS.get(conn, key=alarm_id) is not None


async def _answer(request: Request, alarm_id: int, do: Command) -> dict[str, Any]:
    alarm, recorded = await told(context(request), alarm_id=alarm_id, do=do)
    return {"id": alarm_id, "kind": alarm.kind, "subject": alarm.subject, "state": alarm.state,
            "shelved_until": utc(alarm.shelved_until_ms), "recorded": recorded}


@router.post("/{alarm_id}/acknowledge", summary="Say that an alarm has been seen")
async def acknowledge(alarm_id: AlarmId, body: Said, request: Request) -> dict[str, Any]:
    """Somebody takes care of it. `recorded` is false while storage takes nothing; it is in force
    all the same and is recorded later."""
    return await _answer(request, alarm_id, lambda alarm: commands.acknowledge(
        alarm, now_ms=_now(request), person=body.person, note=body.reason))


@router.post("/{alarm_id}/shelve", summary="Put an alarm aside for a while")
async def shelve(alarm_id: AlarmId, body: Shelf, request: Request) -> dict[str, Any]:
    """It calls nobody until then, at most one shift (8 h); then it calls again if its condition
    holds."""
    now_ms = _now(request)
    return await _answer(request, alarm_id, lambda alarm: commands.shelve(
        alarm, now_ms=now_ms, until_ms=now_ms + body.minutes * 60_000, one_shot=body.one_shot,
        person=body.person, note=body.reason))


@router.post("/{alarm_id}/unshelve", summary="Bring a shelved alarm back")
async def unshelve(alarm_id: AlarmId, body: Said, request: Request) -> dict[str, Any]:
    """It is to be acknowledged if its condition holds, else it ends."""
    return await _answer(request, alarm_id, lambda alarm: commands.unshelve(
        alarm, now_ms=_now(request), person=body.person, note=body.reason))


@router.post("/{alarm_id}/out-of-service", summary="Take an alarm out of service")
async def out_of_service(alarm_id: AlarmId, body: Reasoned, request: Request) -> dict[str, Any]:
    """It calls nobody until it is put back, however long that takes: for repairs."""
    return await _answer(request, alarm_id, lambda alarm: commands.take_out(
        alarm, now_ms=_now(request), person=body.person, note=body.reason))


@router.post("/{alarm_id}/in-service", summary="Put an alarm back in service")
async def in_service(alarm_id: AlarmId, body: Said, request: Request) -> dict[str, Any]:
    """It is to be acknowledged if its condition holds, else it ends."""
    return await _answer(request, alarm_id, lambda alarm: commands.put_back(
        alarm, now_ms=_now(request), person=body.person, note=body.reason))


def _now(request: Request) -> int:
    return context(request).clock.now_ms()
