"""The reject chart of a line over HTTP."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request

from grading.monitor.causes import estimate
from grading.monitor.series import Span
from grading.monitor.shares import FRUIT_MIN
from grading.monitor.tracks import TrackPoint
from service.api.culls import From, Moment, stretch_of
from service.api.lines import LineId, known_line
from service.context import context
from service.cull_table import MINUTE_MS
from service.problems import Problem
from service.rejects import Counted, LotChart, Rejects, TooManyWindows, rejects
from service.rows import utc
from service.summary import NOTICE

router = APIRouter(prefix="/v1/lines", tags=["lines"])

LONGEST_MS: Final = 31 * 86_400_000


@router.get("/{line_id}/rejects", summary="The reject chart of a line")
async def read_rejects(
    line_id: LineId, request: Request, start: From = None, until: Moment = None,
    minutes: Annotated[int, Query(ge=1, le=240)] = 1,
    fruit: Annotated[int | None, Query(ge=200, le=1_000_000)] = None,
) -> dict[str, Any]:
    """Cull share window by window with Laney's p' limits, the spread behind them, and the EWMA
    of the standardised share with its exact limits. Every lot starts its own baseline. Windows
    of so many minutes, or with `fruit` of so many numbers of a run; those under 200 fruit are
    listed and not used. Without times the newest eight hours."""
    ctx = context(request)
    line = known_line(ctx, line_id)
    span = (Span(kind="time", size=minutes * MINUTE_MS) if fruit is None
            else Span(kind="fruit", size=fruit))
    stretch = stretch_of(start, until, longest_ms=LONGEST_MS)
    try:
        found = await asyncio.to_thread(rejects, ctx, line=line, stretch=stretch, span=span)
    except TooManyWindows:
        raise Problem(status=422, code="too_many_windows", detail=(
            "More than 5,000 windows. Ask for longer windows or a shorter stretch.")) from None
    return {"line": line_id, **rejects_json(found)}


def rejects_json(found: Rejects) -> dict[str, Any]:
    """The chart on the wire."""
    levels = found.track.levels
    return {
        "from": utc(found.stretch.from_ms), "until": utc(found.stretch.until_ms),
        "window": {"kind": found.span.kind, "size": found.span.size
                   // (MINUTE_MS if found.span.kind == "time" else 1),
                   "unit": "min" if found.span.kind == "time" else "fruit"},
        "levels": {"look": levels.look_z, "act": levels.act_z, "trend_look": levels.look_ewma,
                   "trend_act": levels.act_ewma, "trend_weight": levels.weight},
        "least_fruit": FRUIT_MIN,
        "lots": [lot_json(c) for c in found.lots],
        "windows": [window_json(w, p) for w, p in found.points],
        "undated": found.undated, "level": 0.95, "notice": NOTICE,
    }


def lot_json(chart: LotChart) -> dict[str, Any]:
    spread, test = chart.spread, chart.dispersion
    return {
        "lot": chart.lot, "windows": chart.windows, "used": chart.used, "pbar": chart.pbar,
        "sigma_z": spread.sigma_z, "sigma_long": spread.sigma_long,
        "autocorrelation": spread.phi if spread.df else None,
        "dispersion": None if test is None else {
            "ratio": test.ratio, "chance_under": test.chance_under,
            "chance_over": test.chance_over},
        "more_alike_than_chance": chart.alike,
    }


def window_json(window: Counted, point: TrackPoint | None) -> dict[str, Any]:
    share = estimate(x=window.culls, n=window.n)
    found: dict[str, Any] = {
        "lot": window.lot, "run": window.run or None, "from": utc(window.from_ms),
        "until": utc(window.until_ms),
        "n": window.n, "culls": window.culls, "share": share.share, "low": share.low,
        "high": share.high, "status": "open" if point is None else point.status}
    base = None if point is None else point.baseline
    if point is None or base is None or point.z is None:
        return found

    def ends(half: float | None) -> list[float] | None:
        return None if half is None else [max(base.centre - half, 0.0),
                                          min(base.centre + half, 1.0)]

    return {
        **found, "centre": base.centre, "sigma_z": base.sigma_z, "sigma_long": base.sigma_long,
        "sigma_used": base.sigma, "z": point.z, "look": ends(point.look), "act": ends(point.act),
        "trend": point.trend, "trend_look": point.trend_look, "trend_act": point.trend_act,
        "found": point.found, "side": point.side}
