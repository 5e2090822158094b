"""The pages of alarms: what asks for somebody, and what has been."""

from __future__ import annotations

from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from service.alarms.definitions import DEFINITIONS
from service.alarms.model import Alarm
from service.alarms.rows import alarm_of
from service.alarms.say import figure, said, subject_of
from service.api.alarms import ended, history, unknown_alarm
from service.context import Context, context
from service.live import TooManyReaders
from service.pages.look import Look
from service.pages.render import page, part, reader
from service.problems import Problem

ENDED_SHOWN: Final = 10
ENDED_A_PAGE: Final = 50
NEWEST: Final = 2**53
MINUTES: Final = (15, 60, 240, 480)
ASIDE: Final = ("shelved", "suppressed", "out_of_service")
ACTIONS: Final = {
    "unacknowledged": ("acknowledge", "shelve", "take_out"),
    "acknowledged": ("shelve", "take_out"), "returned": ("acknowledge",),
    "suppressed": ("shelve", "take_out"), "shelved": ("unshelve", "take_out"),
    "out_of_service": ("put_back",),
}


def _view(alarm: Alarm, *, look: Look, now_ms: int) -> dict[str, Any]:
    definition = DEFINITIONS[alarm.kind]
    lang = look.words.lang
    return {
        "id": alarm.id, "priority": definition.priority, "state": alarm.state,
        "text": said(alarm, lang=lang), "subject": subject_of(alarm, lang=lang), "line": alarm.line,
        "lot": alarm.lot, "raised_ms": alarm.raised_ms, "until_ms": alarm.shelved_until_ms,
        "one_shot": alarm.one_shot, "actions": ACTIONS.get(alarm.state, ()),
        "age": _time((now_ms - (alarm.raised_ms or now_ms)) / 1000, lang),
        "within": _time(definition.respond_within_s, lang),
    }


def _time(seconds: float, lang: str) -> str:
    return figure(max(seconds, 0.0) // 1, unit="seconds", lang=lang)


async def _ended(ctx: Context, look: Look, *, cursor: int, limit: int) -> dict[str, Any]:
    rows, further = await ended(ctx, cursor=cursor, limit=limit)
    return {"further": further, "ended": [{
        "id": row.id, "title": DEFINITIONS[row.kind].text(look.words.lang).title,
        "subject": subject_of(alarm_of(row), lang=look.words.lang),
        "raised_ms": row.raised_ms, "ended_ms": row.ended_ms,
        "priority": DEFINITIONS[row.kind].priority} for row in rows if row.kind in DEFINITIONS]}


async def _open(ctx: Context, look: Look) -> dict[str, Any]:
    now_ms = ctx.clock.now_ms()
    shown = [_view(alarm, look=look, now_ms=now_ms) for alarm in ctx.alarms.open()]
    return {"now_ms": now_ms, "calling_now": [v for v in shown if v["state"] not in ASIDE],
            "aside": [v for v in shown if v["state"] in ASIDE],
            **await _ended(ctx, look, cursor=NEWEST, limit=ENDED_SHOWN)}


async def alarms_page(
    request: Request, *, wrong: str = "", filled: dict[str, str] | None = None, status: int = 200
) -> Response:
    """Open alarms, those put aside, and the latest that have ended. filled: of the form."""
    look = reader(request)
    return page(request, "alarms.html", {
        "wrong": wrong, "filled": filled or {}, "minutes": MINUTES,
        **await _open(context(request), look)}, look=look, status=status)


async def alarms_events(request: Request) -> Response:
    """The same as server-sent events, new ones every second."""
    ctx = context(request)
    look = reader(request)

    async def make() -> tuple[int, str]:
        view = await _open(ctx, look)
        return ctx.store.writer.commit_no, part(ctx, "alarms_live.html", view, look=look)

    try:
        return ctx.live.stream(name=f"\0alarms\0{look.words.lang}", make=make)
    except TooManyReaders:
        raise Problem(status=503, code="too_many_screens", retry_after_s=30, detail=(
            "As many live screens are open as the service serves. Close one.")) from None


async def ended_page(request: Request) -> Response:
    """Alarms that have ended, page by page."""
    look = reader(request)
    asked = request.query_params.get("cursor", "")
    cursor = int(asked[:16]) if asked.isascii() and asked.isdigit() else NEWEST
    ctx = context(request)
    view = await _ended(ctx, look, cursor=cursor, limit=ENDED_A_PAGE)
    return page(request, "alarms_ended.html", {**view, "now_ms": ctx.clock.now_ms()}, look=look)


async def alarm_page(request: Request) -> Response:
    """One alarm and everything that happened to it."""
    ctx = context(request)
    look = reader(request)
    alarm_id = request.path_params["alarm_id"]
    row, events = await history(ctx, alarm_id=min(alarm_id, NEWEST))
    now_ms = ctx.clock.now_ms()
    alarm = ctx.alarms.find(alarm_id) or (alarm_of(row) if row else None)
    if alarm is None or alarm.kind not in DEFINITIONS:
        raise unknown_alarm(alarm_id)
    unit, lang = DEFINITIONS[alarm.kind].unit, look.words.lang
    return page(request, "alarm.html", {
        "alarm": _view(alarm, look=look, now_ms=now_ms), "now_ms": now_ms,
        "events": [{"at_ms": e.at_ms, "what": e.what, "person": e.person, "note": e.note,
                    "value": figure(e.value, unit=unit, lang=lang)} for e in events],
    }, look=look)
