"""Pages that the service renders itself: lots, one lot, the pull form and its answer.

They work without scripts; the scripts refresh a page and add rows. Nothing comes from elsewhere.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.context import context
from service.lots import LotState
from service.pages.agreement import agreement_page, pairs_address
from service.pages.alarm_form import alarm_told, alarms_form
from service.pages.alarms import alarm_page, alarms_events, ended_page
from service.pages.board_view import board_events, board_page
from service.pages.change import change_page
from service.pages.cuts import cut_moved, cut_page, cut_told
from service.pages.forms import form_values, own_form
from service.pages.lines import line_changed, lines_page
from service.pages.look import Look
from service.pages.lot_view import entries, has_pairs, lot_view, lots_view, person_points
from service.pages.pull_form import (
    BOXES,
    BOXES_MAX,
    DEFECTS_A_ROW,
    ROWS_MAX,
    STATES,
    Read,
    fresh,
    label,
    place,
    read_form,
    row_count,
)
from service.pages.rejects import culls_page, rejects_page
from service.pages.render import page, problem_page, reader, static
from service.pages.sources import check_posted, source_page, sources_page
from service.problems import Problem, finding_json
from service.pulls import take_pull
from service.store.pulls import get_pull

Page = Callable[[Request], Awaitable[Response]]


def mount(app: FastAPI) -> None:
    """Add the pages to the app."""
    for path, methods, handler in (
        ("/", ["GET"], home),
        ("/lots", ["GET"], lots_page),
        ("/alarms", ["GET"], alarms_form),
        ("/alarms", ["POST"], alarm_told),
        ("/alarms/events", ["GET"], alarms_events),
        ("/alarms/ended", ["GET"], ended_page),
        ("/alarms/{alarm_id:int}", ["GET"], alarm_page),
        ("/lines", ["GET"], lines_page),
        ("/lines/{line_id}", ["GET"], board_page),
        ("/lines/{line_id}", ["POST"], line_changed),
        ("/lines/{line_id}/events", ["GET"], board_events),
        ("/lines/{line_id}/change", ["GET"], change_page),
        ("/lines/{line_id}/cuts", ["POST"], cut_moved),
        ("/lines/{line_id}/cuts/{cut_id}", ["GET"], cut_page),
        ("/lines/{line_id}/cuts/{cut_id}", ["POST"], cut_told),
        ("/lines/{line_id}/rejects", ["GET"], rejects_page),
        ("/lines/{line_id}/agreement", ["GET"], agreement_page),
        ("/culls", ["GET"], culls_page),
        ("/sources", ["GET"], sources_page),
        ("/sources/{source_id}", ["GET"], source_page),
        ("/sources/{source_id}", ["POST"], check_posted),
        ("/lots/{lot_id}", ["GET"], lot_page),
        ("/lots/{lot_id}/pulls/new", ["GET"], new_pull),
        ("/lots/{lot_id}/pulls/new", ["POST"], post_pull),
        ("/lots/{lot_id}/pulls/{pull_id}", ["GET"], pull_page),
    ):
        app.router.add_route(path, _readable(handler), methods=methods, include_in_schema=False)
    app.router.add_route("/static/{name}", static, methods=["GET"], include_in_schema=False)


def _readable(handler: Page) -> Page:
    """The handler, with its problems as pages for readers who ask for HTML."""

    async def handled(request: Request) -> Response:
        try:
            return await handler(request)
        except Problem as problem:
            return problem_page(request, problem)

    return handled


async def home(request: Request) -> Response:
    return RedirectResponse("/lots", 303)


async def lots_page(request: Request) -> Response:
    """Every lot, open ones first."""
    after = request.query_params.get("after", "")
    view = await asyncio.to_thread(lots_view, ctx=context(request), after=after)
    return page(request, "lots.html", view, look=reader(request))


async def lot_page(request: Request) -> Response:
    """One lot, to be read across a room."""
    ctx = context(request)
    state = ctx.lot(request.path_params["lot_id"])
    look = reader(request)
    view = await asyncio.to_thread(lot_view, ctx=ctx, state=state, look=look)
    return page(request, "lot.html", view, look=look)


async def new_pull(request: Request) -> Response:
    """An empty pull form."""
    ctx = context(request)
    state = ctx.lot(request.path_params["lot_id"])
    look = reader(request)
    standard = state.binding.compiled.standard
    values = fresh(
        now_ms=ctx.clock.now_ms(), pull_id=f"p-{secrets.token_hex(6)}",
        tip_mm=float(standard.tip_mm), grade=standard.grade[0].id, units=look.units)
    return _form(request, state, look, values, Read(), fresh_time=True)


async def post_pull(request: Request) -> Response:
    """Take a filled form: on to the answer, or back to the form with what to mend."""
    ctx = context(request)
    state = ctx.lot(request.path_params["lot_id"])
    look = reader(request)
    own_form(request)
    values = await form_values(request)
    if values.pop("more", ""):
        values["rows"] = str(min(row_count(values=values) + 10, ROWS_MAX))
        return _form(request, state, look, values, Read())
    points = tuple(p.person for p in person_points(compiled=state.binding.compiled))
    read = read_form(values=values, words=look.words, judged=points)
    if read.pull is None:
        return _form(request, state, look, values, read, status=422)
    try:
        answer = await take_pull(ctx, lot_id=state.id, pull=read.pull)
    except Problem as problem:
        for finding in problem.findings:
            place(read=read, pointer=finding.pointer, message=finding_json(finding)["message"])
        if not problem.findings:
            read.errors[""] = problem.detail
        return _form(request, state, look, values, read, status=problem.status)
    where = f"/lots/{quote(state.id, safe='')}/pulls/{quote(answer['pull']['id'], safe='')}"
    return RedirectResponse(where, 303)


def _form(
    request: Request, state: LotState, look: Look, values: dict[str, str], read: Read,
    *, status: int = 200, fresh_time: bool = False,
) -> Response:
    compiled = state.binding.compiled
    points = person_points(compiled=compiled)
    boxes = max([BOXES, *(k + 1 for k in range(BOXES_MAX) if values.get(f"b{k}_id"))])
    return page(request, "pull_new.html", {
        "lot": state.id,
        "values": values, "errors": read.errors,
        "labels": {name: label(name=name, words=look.words) for name in read.errors if name},
        "rows": row_count(values=values),
        "rows_max": ROWS_MAX, "boxes": boxes, "fresh_time": fresh_time,
        "grades": compiled.standard.grade,
        "standard": compiled.standard.name,
        "defects": compiled.standard.defect, "defects_a_row": range(DEFECTS_A_ROW),
        "states": STATES,
        "points": [(p.person, look.point(p.person, p.text)["text"]) for p in points],
        "point_lang": {p.person: look.point(p.person, p.text)["lang"] for p in points},
        "chips": sorted(compiled.profile.chips) if compiled.profile else [],
        "hue_used": not compiled.decider.maturity.hue_unused,
    }, look=look, status=status)


async def pull_page(request: Request) -> Response:
    """The answer to a pull, as it was given."""
    ctx = context(request)
    state = ctx.lot(request.path_params["lot_id"])
    pull_id = request.path_params["pull_id"]

    def read() -> Any:
        with ctx.store.reader.connection() as conn:
            return get_pull(conn, pull_id=pull_id)

    pull = await asyncio.to_thread(read)
    if pull is None or pull.lot != state.id:
        raise Problem(status=404, code="unknown_pull",
                      detail=f"Lot {state.id} has no pull {pull_id[:80]!r}.")
    look = reader(request)
    answer = pull.result
    shares = {axis: entries(listed=answer["shares"].get(f"by_{axis}", []), look=look)
              for axis in ("grade", "size", "maturity")}
    titles = {axis: {e["code"]: e["title"] for e in listed} for axis, listed in shares.items()}
    return page(request, "pull.html", {
        "answer": answer, "pull": pull, "shares": shares, "titles": titles,
        "purpose": look.purpose(pull.purpose), "next_pull_due": answer.get("next_pull_due"),
        "compared": pairs_address(ctx, line=state.row.line, drawn_ms=[pull.drawn_ms])
        if has_pairs(pull) else None,
    }, look=look)
