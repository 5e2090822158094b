"""The page of lines: what each packs now, the clean break to another lot, and moved cuts."""

from __future__ import annotations

from typing import Any, Final, Literal

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.api.cuts import packed_lot, points_of
from service.api.lines import CleanBreak, EndOfLot, end, known_line, pack
from service.context import Context, context
from service.lines import Line
from service.pages.cut_view import cut_views, line_banner, point_options
from service.pages.forms import form_values, own_form
from service.pages.look import Look
from service.pages.render import page, reader
from service.problems import Problem

TURNS_SHOWN: Final = 6
MINUTES: Final = (30, 60, 120, 240, 480)
"""For how long a cut may be moved."""


def _line_view(ctx: Context, line: Line, look: Look) -> dict[str, Any]:
    now = line.turns[-1] if line.turns else None
    banner = line_banner(ctx, line, look)
    lot = ctx.lots.find(line.lot or "")
    return {
        "id": line.row.id, "holding": line.row.holding, "lot": line.lot,
        "origin": None if lot is None else f"{lot.row.grower}, {lot.row.block}".strip(", "),
        "since_ms": None if now is None else now.at_ms,
        "person": "" if now is None else now.person,
        "note": "" if now is None else now.note,
        "sources": [s.id for s in ctx.sources.on_line(line.row.id)],
        "before": [{"lot": t.lot, "at_ms": t.at_ms, "person": t.person}
                   for t in line.turns[-2:-2 - TURNS_SHOWN:-1]],
        "cut": banner,
        "cuts": cut_views(ctx, [r for r in ctx.cuts.of_line(line.row.id)
                                if banner is None or r.id != banner["id"]][:TURNS_SHOWN], look),
        "points": point_options(points_of(packed_lot(ctx, line)), look),
    }


def lines_view(
    request: Request, *, wrong: str = "", line: str = "", status: int = 200,
    filled: dict[str, str] | None = None, at: Literal["lot", "cut"] = "lot",
) -> Response:
    """The page. wrong: what is to be mended in a form of a line, the one named by `at`; filled:
    what was filled in there."""
    ctx = context(request)
    look = reader(request)
    holding = {found.row.holding for found in ctx.lines.all()}
    return page(request, "lines.html", {
        "rows": [_line_view(ctx, found, look) for found in ctx.lines.all()],
        "lots": sorted(s.id for s in ctx.lots.all() if not s.closed and s.id not in holding),
        "wrong": wrong, "wrong_line": line, "wrong_at": at, "filled": filled or {},
        "minutes": MINUTES,
    }, look=look, status=status)


async def lines_page(request: Request) -> Response:
    """Every line and a form for each."""
    return lines_view(request)


async def line_changed(request: Request) -> Response:
    """Take a line's form: another lot, or the end of the one it packs."""
    ctx = context(request)
    own_form(request)
    line_id = request.path_params["line_id"]
    known_line(ctx, line_id)
    values = await form_values(request, api=f"/v1/lines/{line_id}/lot")
    person = values.get("person", "").strip()
    said = {"person": person, "note": values.get("note", "").strip()}
    try:
        if values.get("do") == "end":
            await end(ctx, line_id=line_id, body=EndOfLot.model_validate(said))
        else:
            await pack(ctx, line_id=line_id, body=CleanBreak.model_validate(
                {**said, "lot": values.get("lot", "")}))
    except ValidationError as error:
        look = reader(request)
        field = str(error.errors()[0]["loc"][0])
        return lines_view(request, wrong=look.words(f"lines.wrong_{field}"), line=line_id,
                          status=422, filled=values)
    except Problem as problem:
        return lines_view(request, wrong=problem.detail, line=line_id, status=problem.status,
                          filled=values)
    return RedirectResponse("/lines", 303)
