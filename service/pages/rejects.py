"""The pages of rejects: a line's chart with its culls by cause, and culls of anything else."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from grading.errors import Finding
from grading.monitor.series import Span
from service.api.culls import stretch_of
from service.api.lines import known_line
from service.api.rejects import LONGEST_MS, rejects_json
from service.context import Context, context
from service.cull_origin import origin
from service.cull_table import MINUTE_MS
from service.culls import By, TooManyGroups, Wanted, culls_by, group_json
from service.evidence import Stretch
from service.pages.look import Look
from service.pages.reject_chart import chart_of
from service.pages.render import page, reader
from service.problems import Problem
from service.rejects import TooManyWindows, rejects

WINDOWS: Final = ("1", "5", "10", "30", "f500", "f1000", "f5000")
"""Choices of window: minutes, or f and a number of fruit."""
GROUPS: Final[tuple[By, ...]] = ("lot", "block", "pick", "grower", "line", "lane", "hour")
GROUPS_SHOWN: Final = 40
FIELDS: Final = ("lot", "line", "grower", "block")
SIGNALS_SHOWN: Final = 30


def asked_time(name: str, text: str) -> datetime | None:
    """A time of a form, in UTC where it says no zone. Raises Problem."""
    if not text:
        return None
    try:
        found = datetime.fromisoformat(text)
        return (found if found.tzinfo else found.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise Problem(status=422, code="stretch", detail=f"{text[:40]!r} is no time.", findings=[
            Finding(f"/query/{name}", "time", f"{text[:40]!r} is no time.",
                    "Write it as 2026-07-14T09:30.")]) from None


def _asked(request: Request) -> dict[str, str]:
    query = request.query_params
    found = {name: query.get(name, "")[:80] for name in ("from", "until", *FIELDS)}
    window, by = query.get("window", ""), query.get("by", "")
    return {**found, "window": window if window in WINDOWS else WINDOWS[0],
            "by": by if by in GROUPS else GROUPS[0]}


def _span(window: str) -> Span:
    if window.startswith("f"):
        return Span(kind="fruit", size=int(window[1:]))
    return Span(kind="time", size=int(window) * MINUTE_MS)


def _stretch(asked: dict[str, str], *, longest_ms: int | None = None) -> Stretch | None:
    return stretch_of(asked_time("from", asked["from"]), asked_time("until", asked["until"]),
                      longest_ms=longest_ms)


def cull_groups(
    ctx: Context, look: Look, asked: dict[str, str], stretch: Stretch | None
) -> dict[str, Any]:
    """The cause tables of a page. Raises Problem."""
    by = next(g for g in GROUPS if g == asked["by"])
    wanted = Wanted(by=by, minutes=None if stretch is None else stretch.minutes(),
                    lot=asked["lot"] or None, line=asked["line"] or None,
                    grower=asked["grower"] or None, block=asked["block"] or None)
    try:
        found = culls_by(ctx, wanted=wanted)
    except TooManyGroups:
        raise Problem(status=422, code="too_many_groups", detail=(
            "More groups than fit. Ask for a shorter stretch, a line or a lot.")) from None
    groups = [group_json(g) for g in found.groups[:GROUPS_SHOWN]]
    return {"by": by, "groups": [{**g, "name": _name(look, by, g)} for g in groups],
            "more_groups": len(found.groups) - len(groups), "total": group_json(found.total),
            "undated": found.undated, "reruns": found.reruns}


def _name(look: Look, by: By, group: dict[str, Any]) -> str:
    if by == "lane":
        lane = look.words("rejects.no_lane") if group["lane"] is None else look.words(
            "change.lane", lane=group["lane"])
        return ", ".join(filter(None, (group["line"], lane)))
    if by == "hour":
        return f"{group['hour'][:16].replace('T', ' ')} UTC"
    if by == "pick":
        return ", ".join(filter(None, (group["grower"], group["block"], look.words(
            "list.pick", n=group["pick"]))))
    keys = ("grower", "block") if by == "block" else (by,)
    return ", ".join(str(group[k]) for k in keys if group[k]) or look.words("rejects.not_said")


async def rejects_page(request: Request) -> Response:
    """The reject chart of a line, and its culls by cause in the same stretch."""
    ctx = context(request)
    line = known_line(ctx, request.path_params["line_id"])
    look, asked = reader(request), _asked(request)
    asked["line"] = line.row.id

    def read() -> dict[str, Any]:
        stretch = _stretch(asked, longest_ms=LONGEST_MS)
        try:
            found = rejects(ctx, line=line, stretch=stretch, span=_span(asked["window"]))
        except TooManyWindows:
            raise Problem(status=422, code="too_many_windows", detail=(
                "More windows than fit. Choose longer windows or a shorter stretch.")) from None
        told = rejects_json(found)
        signals = [w for w in told["windows"] if w["status"] in ("look", "act")]
        return {
            "found": told, "chart": chart_of(told["windows"], look=look),
            "signals": signals[-SIGNALS_SHOWN:], "signals_n": len(signals),
            **cull_groups(ctx, look, asked, found.stretch)}

    return await _page(request, look, "rejects.html", asked, read)


async def culls_page(request: Request) -> Response:
    """Culls by cause of anything; of one lot also whether they came in or were added here."""
    ctx, look, asked = context(request), reader(request), _asked(request)
    lot = ctx.lot(asked["lot"]) if asked["lot"] else None

    def read() -> dict[str, Any]:
        return {**cull_groups(ctx, look, asked, _stretch(asked)),
                "origin": None if lot is None else origin(ctx, lot)}

    return await _page(request, look, "culls.html", asked, read)


async def _page(
    request: Request, look: Look, template: str, asked: dict[str, str], read: Any
) -> Response:
    wrong, status = "", 200
    view: dict[str, Any] | None = None
    try:
        view = await asyncio.to_thread(read)
    except Problem as problem:
        wrong, status = problem.detail, problem.status
    return page(request, template, {
        "view": view, "asked": {**asked, "from": asked["from"][:16], "until": asked["until"][:16]},
        "wrong": wrong, "windows": WINDOWS, "ways": GROUPS, "fields": FIELDS,
    }, look=look, status=status)
