"""The page that answers why a line's board changed."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from grading.errors import Finding
from service.api.changes import answer_json, stretches
from service.api.lines import known_line
from service.changes import explain
from service.context import context
from service.pages.render import page, reader
from service.problems import Problem

NAMES = ("before_from", "before_until", "after_from", "after_until")


def _time(name: str, text: str) -> datetime | None:
    if not text:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise Problem(status=422, code="stretch", detail=f"{text[:40]!r} is no time.", findings=[
            Finding(f"/query/{name}", "time", f"{text[:40]!r} is no time.",
                    "Write it as 2026-07-14T09:30.")]) from None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


async def change_page(request: Request) -> Response:
    """What changed between two stretches of a line, and why; without times the newest quarter
    of an hour against the hour before it."""
    ctx = context(request)
    line = known_line(ctx, request.path_params["line_id"])
    look = reader(request)
    asked = {name: request.query_params.get(name, "") for name in NAMES}
    wrong, status = "", 200
    found: dict[str, Any] | None = None

    def read() -> dict[str, Any]:
        before, after = stretches(ctx, line, {n: _time(n, asked[n]) for n in NAMES})
        return answer_json(explain(ctx, line=line, before=before, after=after),
                           before=before, after=after)

    try:
        found = await asyncio.to_thread(read)
    except Problem as problem:
        wrong, status = problem.detail, problem.status
    if found is not None:
        asked = {f"{side}_{end}": found[side][end][:16]
                 for side in ("before", "after") for end in ("from", "until")}
    return page(request, "change.html", {
        "line": line.row.id, "found": found, "asked": asked, "wrong": wrong, "names": NAMES,
    }, look=look, status=status)
