"""The pages of moved cuts: the form on the lines page, and one change with what it did."""

from __future__ import annotations

import asyncio
import re
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from urllib.parse import quote

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.api.cuts import ChangeCut, Revert, begin, known_cut, revert
from service.api.lines import known_line
from service.context import context
from service.cut_effect import effect
from service.pages.cut_view import cut_view, effect_view
from service.pages.forms import form_values, own_form
from service.pages.lines import MINUTES, lines_view
from service.pages.render import page, reader
from service.problems import Problem, finding_json
from service.store.cuts import CutRow

_UNIT: Final = re.compile(r"[a-zA-Z°]+$")


async def cut_moved(request: Request) -> Response:
    """Take the form of a line: a cut to be moved for a time."""
    ctx = context(request)
    own_form(request)
    line_id = request.path_params["line_id"]
    known_line(ctx, line_id)
    values = await form_values(request, api=f"/v1/lines/{line_id}/cuts")
    look = reader(request)
    try:
        await begin(ctx, line_id=line_id, body=_asked(values, now_ms=ctx.clock.now_ms()))
    except ValidationError as error:
        field = str(error.errors()[0]["loc"][0])
        wrong, status = look.words(f"cut.wrong_{field}"), 422
    except Problem as problem:
        wrong = " ".join(finding_json(f)["message"] for f in problem.findings) or problem.detail
        status = problem.status
    else:
        return RedirectResponse("/lines", 303)
    return lines_view(request, wrong=wrong, line=line_id, status=status, filled=values, at="cut")


def _asked(values: dict[str, str], *, now_ms: int) -> ChangeCut:
    """The form as the change that it asks for. Raises ValidationError."""
    measure, at, unit = [*values.get("cut", "").split(" "), "", "", ""][:3]
    to = values.get("to", "").strip().replace(",", ".")
    stated = _UNIT.search(to)
    minutes = values.get("minutes", "")
    until = datetime.fromtimestamp(now_ms / 1000, UTC) + timedelta(
        minutes=int(minutes) if minutes in map(str, MINUTES) else 0)
    move: dict[str, Any] = {"measure": measure, "at": at.replace("_", " "), "unit": unit}
    if stated is None or stated[0] == unit:
        move["to"] = to.removesuffix(unit).strip()
    else:
        move["to"] = to  # with a unit that is not the cut's: told as no number
    return ChangeCut.model_validate({
        "person": values.get("person", "").strip(), "reason": values.get("reason", "").strip(),
        "until": until, "moves": [move]})


async def cut_page(request: Request) -> Response:
    """One change: who, why, until when, and what it did."""
    return await _shown(request, _known(request))


async def cut_told(request: Request) -> Response:
    """Take the button of the page: revert the change."""
    ctx = context(request)
    own_form(request)
    row = _known(request)
    values = await form_values(request, api=f"/v1/lines/{row.line}/cuts/{row.id}/revert")
    try:
        await revert(ctx, line_id=row.line, cut_id=row.id, body=Revert(
            person=values.get("person", "").strip()[:80]))
    except Problem as problem:
        return await _shown(request, row, wrong=problem.detail, status=problem.status)
    return RedirectResponse(f"/lines/{quote(row.line, safe='')}/cuts/{row.id}", 303)


def _known(request: Request) -> CutRow:
    text = request.path_params["cut_id"]
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 0
    return known_cut(context(request), line_id=request.path_params["line_id"], cut_id=number)


async def _shown(
    request: Request, row: CutRow, *, wrong: str = "", status: int = 200
) -> Response:
    ctx = context(request)
    look = reader(request)
    found = await asyncio.to_thread(effect, ctx, row)
    return page(request, "cut.html", {
        "cut": cut_view(ctx, row, look), "effect": effect_view(ctx, row, found, look),
        "wrong": wrong,
    }, look=look, status=status)
