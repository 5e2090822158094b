"""The line board: one screen for a line, drawn again every second."""

from __future__ import annotations

import asyncio
from functools import lru_cache
from typing import Any, Final
from weakref import WeakKeyDictionary

from starlette.requests import Request
from starlette.responses import Response

from grading.intervals import wilson
from grading.kernel import Compiled
from grading.monitor.state import WindowState
from grading.monitor.tracks import TrackPoint
from grading.quantities import MEASURES
from service.api.lines import known_line
from service.board import Board, Trend, board, status_of
from service.context import Context, context
from service.lane_views import LaneView
from service.lines import Line
from service.live import TooManyReaders
from service.lots import MINUTE
from service.pages.charts import box, histogram
from service.pages.cut_view import banner_of, line_banner
from service.pages.look import Look, moment
from service.pages.lot_view import entries
from service.pages.rejects import asked_time
from service.pages.render import page, part, reader
from service.priority import let_fruit_pass
from service.problems import Problem
from service.summary import names, titles
from service.watch.finding import Answered
from service.watch.watch import View

WIDTH: Final = 1000
HEIGHT: Final = 260
UNITS: Final = {"diameter": 2, "hue": 1}
"""Decimals of a lane's offset."""


async def board_page(request: Request) -> Response:
    """The board of a line."""
    ctx = context(request)
    line = known_line(ctx, request.path_params["line_id"])
    look = reader(request)
    at = asked_time("at", request.query_params.get("at", "")[:80])
    at_ms = None if at is None else round(at.timestamp() * 1000)
    view = await asyncio.to_thread(board_view, ctx, line, look, at_ms)
    return page(request, "board.html", {**view, "past_ms": at_ms}, look=look)


async def board_events(request: Request) -> Response:
    """The board as server-sent events, a new one every second."""
    ctx = context(request)
    line = known_line(ctx, request.path_params["line_id"])
    look = reader(request)

    def picture() -> tuple[int, str]:
        view = board_view(ctx, line, look)
        return view["fruit"], part(ctx, "board_live.html", view, look=look)

    async def make() -> tuple[int, str]:
        return await asyncio.to_thread(picture)

    try:
        return ctx.live.stream(
            name=f"{line.row.id}\0{look.words.lang}\0{look.units}", make=make)
    except TooManyReaders:
        raise Problem(status=503, code="too_many_screens", retry_after_s=30, detail=(
            "As many live screens are open as the service serves. Close one.")) from None


def board_view(
    ctx: Context, line: Line, look: Look, at_ms: int | None = None
) -> dict[str, Any]:
    """Everything of the board page, as it is or as it was. Reads the store: call it on a worker
    thread."""
    found = board(ctx, line, at_ms=at_ms)
    compiled = found.lot.binding.compiled
    seen = (ctx.watch.look(ctx, line, wait=False) if at_ms is None
            else ctx.watch.at(ctx, line, at_ms=at_ms))
    if at_ms is None:
        moved = line.cut_at(received_ms=ctx.clock.now_ms())
        rule = found.lot.binding if moved is None else moved.rule(lot=found.lot)
        cut = line_banner(ctx, line, look)
    else:
        stood = ctx.cuts.stood(line_id=line.row.id, lot_id=found.lot.id, at_ms=at_ms)
        rule = found.lot.binding if stood is None or stood.ended_ms is not None else (
            ctx.lots.under(lot=found.lot, digest=stood.digest))
        cut = banner_of(stood, look)
    status = status_of(found.trend.points)
    return {
        "line": found.line, "lot": found.lot.row, "between": found.between,
        "cultivar": compiled.profile.title if compiled.profile else found.lot.row.cultivar,
        "standard": compiled.standard, "since_ms": found.since_ms,
        "person": found.person,
        "fruit": found.fruit, "undated": found.undated, "per_s": found.per_s,
        "latest_ms": found.latest_ms, "now_ms": at_ms or ctx.clock.now_ms(),
        "culls": found.culls, "status": status, "trend": _drawing(found.trend),
        "limits": _limits(found.trend.points),
        "packs": _ladder(found.recent, compiled, "pack" if compiled.standard.pack else "grade",
                         look),
        "maturities": _ladder(found.recent, compiled, "maturity", look),
        "sets_maturity": compiled.standard.maturity is not None,
        "sizes": _diameters(found.recent, rule.compiled, look),
        "lanes": [_lanes(view, look) for view in found.lanes if view.lanes],
        "findings": _findings(found, status, seen, look), "recent": found.recent.fruit,
        "cut": cut,
    }


def _ladder(state: WindowState, compiled: Compiled, axis: str, look: Look) -> list[dict[str, Any]]:
    """Shares along an axis of the recent fruit, empty classes left out. Wilson's interval: it is
    drawn every second, and never read as a figure."""
    let_fruit_pass()
    table = {"maturity": state.size_maturity, "pack": state.grade_pack, "grade": state.grade_pack}
    along = {"maturity": (0, 1), "pack": (0, 1), "grade": (0, 2)}
    counts = table[axis].sum(axis=along[axis])
    n = state.fruit
    listed = []
    for code, title, x in zip(names(compiled=compiled, axis=axis),
                              titles(compiled=compiled, axis=axis), counts.tolist(), strict=True):
        if x:
            found = wilson(x=x, n=n)
            listed.append({"code": code, "title": title, "count": x, "n": n, "share": x / n,
                           "low": found.low, "high": found.high})
    return entries(listed=listed, look=look)


def _diameters(state: WindowState, compiled: Compiled, look: Look) -> dict[str, Any] | None:
    """The recent diameters with the standard's cut-points."""
    let_fruit_pass()
    found = state.measures.get("diameter")
    n = 0 if found is None else int(found.n.sum())
    if found is None or not n:
        return None
    measure = MEASURES["diameter"]
    bins = found.bins.sum(axis=0)
    chart = histogram(name="diameter", look=look, found={
        "counts": bins.tolist(), "bin": measure.value(quanta=measure.bin_q),
        "start": measure.value(quanta=measure.low_q + found.first * measure.bin_q),
        "cuts": [measure.value(quanta=c)
                 for c in compiled.decider.measures_used().get("diameter", [])]})
    mean = measure.value(quanta=1) * (int(found.total.sum()) / n)
    return {"chart": chart, "n": n, "mean": look.measure("diameter", mean)}


_DRAWN: Final[WeakKeyDictionary[Trend, dict[str, Any] | None]] = WeakKeyDictionary()


def _drawing(trend: Trend) -> dict[str, Any] | None:
    """Geometry of the cull trend, made once for as long as it stays as it is."""
    let_fruit_pass()
    if trend not in _DRAWN:
        _DRAWN[trend] = _geometry(trend)
    return _DRAWN[trend]


def _geometry(trend: Trend) -> dict[str, Any] | None:
    """Bars of windows by how they are drawn, the centre and limits, lot changes."""
    points = [p for p in trend.points if p.window.n]
    if not points:
        return None
    first, last = points[0].window.index, points[-1].window.index
    top = max(0.02, *(p.window.value for p in points), *(
        p.baseline.centre + (p.act or 0) for p in points if p.baseline is not None)) * 1.1
    wide = WIDTH / max(last - first + 1, 30)

    def y(share: float) -> float:
        return round(HEIGHT * (1 - min(max(share / top, 0.0), 1.0)), 1)

    bars: dict[str, str] = {}
    centre, act = [], []
    for p in points:
        bars[_shade(p)] = bars.get(_shade(p), "") + box(
            x=round((p.window.index - first) * wide, 1), y=y(p.window.value),
            width=round(max(wide - 1, 1), 1),
            height=round(max(HEIGHT - y(p.window.value), 1.5), 1))
        if p.baseline is not None and p.act is not None:
            x = round((p.window.index - first + 0.5) * wide, 1)
            centre.append(f"{x},{y(p.baseline.centre)}")
            act.append(f"{x},{y(p.baseline.centre + p.act)}")
    return {"bars": bars, "centre": " ".join(centre), "act": " ".join(act), "top": top,
            "starts": [{"x": round(max(i - first, 0) * wide, 1), "lot": lot}
                       for i, lot in trend.starts],
            "from_ms": first * MINUTE.size, "to_ms": (last + 1) * MINUTE.size}


def _shade(point: TrackPoint) -> str:
    """Only a window outside its own limits is drawn as abnormal; the trend has its sentence."""
    return "look" if point.status == "act" and point.found == "trend" else point.status


def _limits(points: tuple[TrackPoint, ...]) -> dict[str, float] | None:
    last = next((p for p in reversed(points) if p.baseline is not None and p.act is not None), None)
    if last is None or last.baseline is None:
        return None
    half = last.act or 0.0
    return {"centre": last.baseline.centre, "low": max(last.baseline.centre - half, 0.0),
            "high": min(last.baseline.centre + half, 1.0),
            "sigma_z": last.baseline.sigma}


@lru_cache(maxsize=32)
def _lanes(view: LaneView, look: Look) -> dict[str, Any]:
    """One measure's lanes on a common scale, 0 in the middle."""
    reach = max([abs(lane.offset) for lane in view.lanes if lane.offset is not None] + [0.5])
    unit = look.scale(view.measure).unit
    return {
        "title": look.words(f"board.{view.measure}"), "unit": unit, "diverge": view.diverge,
        "rows": [{
            "lane": lane.lane, "level": lane.level,
            "x": None if lane.offset is None else round(500 + 460 * lane.offset / reach, 1),
            "text": "–" if lane.offset is None else look.signed(
                lane.offset, UNITS[view.measure]),
        } for lane in view.lanes]}


SHOWN: Final = 2
"""Findings of the watch that fit the screen; the others are counted."""
SAME_MS: Final = 10 * MINUTE.size
"""What began so near together and has the same cause is one thing to act on."""


def _findings(found: Board, status: str, view: View, look: Look) -> list[dict[str, str]]:
    """What calls for a look, the most pressing first; each in a sentence."""
    let_fruit_pass()
    open_ = _apart(view.open())
    said = [_finding(one, look) for one in open_[:SHOWN]]
    if len(open_) > SHOWN:
        said.append({"kind": "plain", "text": look.words(
            "finding.more", n=look.count(len(open_) - SHOWN))})
    kinds = {(one.finding.kind, one.finding.what, one.finding.lane) for one in view.open()}
    if status == "act" and not any(kind == "share" for kind, _, _ in kinds):
        said.append({"kind": "advisory", "text": look.words(
            "board.culls_act", share=look.percent(found.culls["share"]))})
    for lanes in found.lanes:
        name = look.words(f"board.{lanes.measure}").lower()
        if lanes.diverge:
            said.append({"kind": "caution", "text": look.words("board.diverge", measure=name)})
            continue
        for lane in lanes.lanes:
            if (lane.level == 2 and lane.offset is not None
                    and ("lane", lanes.measure, lane.lane) not in kinds):
                said.append({"kind": "advisory", "text": look.words(
                    "board.lane_high" if lane.offset > 0 else "board.lane_low", lane=lane.lane,
                    measure=name, size=_much(lanes.measure, lane.offset, look))})
    if not open_ and (status == "look" or view.looks):
        said.append({"kind": "plain", "text": look.words("board.culls_look")
                     if status == "look" else look.words("finding.look", what=", ".join(
                         look.words(f"finding.name.{name}") for name in sorted(view.looks)))})
    if found.between:
        said.append({"kind": "advisory", "text": look.words("board.between")})
    if found.undated:
        said.append({"kind": "advisory", "text": look.words(
            "board.undated", n=look.count(found.undated))})
    return said


def _apart(found: list[Answered]) -> list[Answered]:
    """Findings without the shares that a change of a reading explains."""
    readings = [one for one in found if one.finding.kind != "share"]
    return [one for one in found if one.finding.kind != "share" or not any(
        abs(one.finding.best_ms - other.finding.best_ms) <= SAME_MS
        and one.why is not None and other.why is not None
        and one.why.verdict == other.why.verdict for other in readings)]


def _finding(one: Answered, look: Look) -> dict[str, str]:
    """What moved, since when, the cause, and what to do, in the reader's language."""
    f, words = one.finding, look.words
    way = "high" if f.size > 0 else "low"
    said = "finding.rule" if f.kind == "rule" else f"finding.{f.kind}_{way}"
    name = words(f"finding.name.{f.what}")
    what = words(said, lane=f.lane, size=_much(f.what, f.size, look),
                 what=name.lower() if f.kind in ("lane", "bias") else name)
    since = words("finding.since", time=moment(f.best_ms)[11:16])
    verdict = "asking" if one.why is None else one.why.verdict.replace(" ", "_")
    if verdict == "measurement" and f.kind == "lane":
        verdict = "measurement_lane"
    pairs = one.why.pairs if one.why is not None else 0
    cause = words(f"finding.cause.{verdict}", n=pairs, lane=f.lane)
    return {"kind": "caution", "text": f"{what} {since} {cause}"}


def _much(what: str, size: float, look: Look) -> str:
    if what in ("culls", "defects", "rule"):
        return look.number(abs(size) * 100, 1)
    return f"{look.number(abs(size), UNITS[what])} {look.scale(what).unit}"
