"""The page of alarms: what asks for somebody, and what each person has done about it."""

from __future__ import annotations

from typing import Any, Final

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.alarms import commands
from service.alarms.definitions import DEFINITIONS
from service.alarms.model import Alarm
from service.alarms.rows import alarm_of
from service.alarms.runner import Command
from service.alarms.say import figure, said
from service.api.alarms import Said, Shelf, ended, told
from service.context import context
from service.pages.forms import form_values, own_form
from service.pages.look import Look
from service.pages.render import page, reader
from service.problems import Problem

ENDED_SHOWN: Final = 20
MINUTES: Final = (15, 60, 240, 480)
ACTIONS: Final = {
    "unacknowledged": ("acknowledge", "shelve"), "acknowledged": ("shelve",),
    "returned": ("acknowledge",), "suppressed": ("shelve",), "shelved": ("unshelve",),
    "out_of_service": ("in_service",),
}


def _view(alarm: Alarm, *, look: Look, now_ms: int) -> dict[str, Any]:
    definition = DEFINITIONS[alarm.kind]
    lang = look.words.lang
    return {
        "id": alarm.id, "priority": definition.priority, "state": alarm.state,
        "text": said(alarm, lang=lang), "subject": alarm.subject, "line": alarm.line,
        "raised_ms": alarm.raised_ms, "until_ms": alarm.shelved_until_ms,
        "one_shot": alarm.one_shot, "actions": ACTIONS.get(alarm.state, ()),
        "age": _time((now_ms - (alarm.raised_ms or now_ms)) / 1000, lang),
        "within": _time(definition.respond_within_s, lang),
    }


def _time(seconds: float, lang: str) -> str:
    return figure(max(seconds, 0.0) // 1, unit="seconds", lang=lang)


async def _page(
    request: Request, *, wrong: str = "", filled: dict[str, str] | None = None, status: int = 200
) -> Response:
    ctx = context(request)
    look = reader(request)
    now_ms = ctx.clock.now_ms()
    rows = [row for row in await ended(ctx, limit=ENDED_SHOWN) if row.kind in DEFINITIONS]
    shown = [_view(alarm, look=look, now_ms=now_ms) for alarm in ctx.alarms.open()]
    aside = ("shelved", "suppressed", "out_of_service")
    return page(request, "alarms.html", {
        "now_ms": now_ms, "wrong": wrong, "filled": filled or {}, "minutes": MINUTES,
        "calling": [v for v in shown if v["state"] not in aside],
        "aside": [v for v in shown if v["state"] in aside],
        "ended": [{"title": said(alarm_of(row, now_ms=now_ms), lang=look.words.lang).title,
                   "subject": row.subject, "raised_ms": row.raised_ms, "ended_ms": row.ended_ms,
                   "priority": DEFINITIONS[row.kind].priority} for row in rows],
    }, look=look, status=status)


async def alarms_page(request: Request) -> Response:
    """Open alarms, those put aside, and the latest that have ended."""
    return await _page(request)


async def alarm_told(request: Request) -> Response:
    """Take the form: one button of one alarm, with the name above."""
    ctx = context(request)
    own_form(request)
    values = await form_values(request, api="/v1/alarms/{id}/acknowledge")
    try:
        alarm_id, do = _command(values, now_ms=ctx.clock.now_ms())
        await told(ctx, alarm_id=alarm_id, do=do)
    except ValidationError as error:
        field = str(error.errors()[0]["loc"][0])
        return await _page(request, wrong=reader(request).words(f"alarms.wrong_{field}"),
                           filled=values, status=422)
    except Problem as problem:
        return await _page(request, wrong=problem.detail, filled=values, status=problem.status)
    return RedirectResponse("/alarms", 303)


def _command(values: dict[str, str], *, now_ms: int) -> tuple[int, Command]:
    """(alarm, what is done to it). Raises Problem, ValidationError."""
    pressed = next((name for name in ("acknowledge", "shelve", "unshelve", "in_service")
                    if values.get(name, "").isascii() and values.get(name, "").isdigit()), None)
    if pressed is None:
        raise Problem(status=400, code="form", detail="The form names no alarm.")
    alarm_id = int(values[pressed][:15])
    given = {"person": values.get("person", "").strip(), "reason": values.get("reason", "").strip()}
    if pressed == "shelve":
        minutes = values.get("minutes", "")
        shelf = Shelf.model_validate({
            **given, "minutes": int(minutes) if minutes in map(str, MINUTES) else None,
            "one_shot": "one_shot" in values})
        return alarm_id, lambda alarm: commands.shelve(
            alarm, now_ms=now_ms, until_ms=now_ms + shelf.minutes * 60_000,
            one_shot=shelf.one_shot, person=shelf.person, note=shelf.reason)
    said_ = Said.model_validate(given)
    command = {"acknowledge": commands.acknowledge, "unshelve": commands.unshelve,
               "in_service": commands.put_back}[pressed]
    return alarm_id, lambda alarm: command(
        alarm, now_ms=now_ms, person=said_.person, note=said_.reason)
