"""The form of the alarms page: one button of one alarm, with a name and a reason above them all."""

from __future__ import annotations

from typing import Final
from urllib.parse import quote, unquote

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.alarms import commands
from service.alarms.runner import Command
from service.api.alarms import Reasoned, Said, Shelf, told
from service.context import context
from service.pages.alarms import MINUTES, alarms_page
from service.pages.forms import form_values, own_form
from service.pages.render import reader
from service.problems import Problem

PERSON_S: Final = 600
"""So long the form keeps the name of who filled it in last, for the next alarm of a flood."""
BUTTONS: Final = ("acknowledge", "shelve", "unshelve", "take_out", "put_back")


async def alarms_form(request: Request) -> Response:
    """The page, with the name of who did something here in the last minutes."""
    person = unquote(request.cookies.get("drupe_person", ""))[:80]
    return await alarms_page(request, filled={"person": person})


async def alarm_told(request: Request) -> Response:
    """Take the form."""
    ctx = context(request)
    own_form(request)
    values = await form_values(request, api="/v1/alarms/{id}/acknowledge")
    words = reader(request).words
    try:
        alarm_id, do = _command(values, now_ms=ctx.clock.now_ms())
        await told(ctx, alarm_id=alarm_id, do=do)
    except ValidationError as error:
        field = str(error.errors()[0]["loc"][0])
        return await alarms_page(request, wrong=words(f"alarms.wrong_{field}"), filled=values,
                                 status=422)
    except Problem as problem:
        return await alarms_page(
            request, wrong=words.of(f"alarms.problem.{problem.code}", problem.detail),
            filled=values, status=problem.status)
    done = RedirectResponse("/alarms", 303)
    done.set_cookie("drupe_person", quote(values["person"].strip()), max_age=PERSON_S,
                    path="/alarms", samesite="strict", httponly=True)
    return done


def _command(values: dict[str, str], *, now_ms: int) -> tuple[int, Command]:
    """(alarm, what is done to it). Raises Problem, ValidationError."""
    pressed = next((name for name in BUTTONS if values.get(name, "").isascii()
                    and values.get(name, "").isdigit()), None)
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
    if pressed == "take_out":
        out = Reasoned.model_validate(given)
        return alarm_id, lambda alarm: commands.take_out(
            alarm, now_ms=now_ms, person=out.person, note=out.reason)
    said = Said.model_validate(given)
    command = {"acknowledge": commands.acknowledge, "unshelve": commands.unshelve,
               "put_back": commands.put_back}[pressed]
    return alarm_id, lambda alarm: command(
        alarm, now_ms=now_ms, person=said.person, note=said.reason)
