"""Sensors and their checks: what each lane read of known objects, a form for the next check, and
the list since the last good one."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from typing import Any, Final
from urllib.parse import quote

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from grading.quantities import MEASURES
from service.api.checks import Check, charts_json, keep_check, since_json
from service.api.sources import known_source
from service.check_chart import check_charts
from service.context import Context, context
from service.last_good import since_last_good
from service.pages.forms import form_values, own_form
from service.pages.rejects import asked_time
from service.pages.render import page, reader
from service.problems import Problem, finding_json
from service.rows import utc
from service.sources import Source

CHECKED: Final = ("diameter", "hue", "mass", "blush", "sugar", "firmness")
DECIMALS: Final = {"diameter": 2, "circumference": 1, "mass": 1, "hue": 2, "blush": 3,
                   "ground": 3}
OBJECTS: Final = 2
POINTS_SHOWN: Final = 40
WIDTH, TALL = 320, 84


async def sources_page(request: Request) -> Response:
    """Every source with its last good checks."""
    ctx = context(request)

    def read() -> list[dict[str, Any]]:
        return [{"id": s.id, "line": s.is_.line, "lanes": s.is_.lanes, "note": s.is_.note,
                 "measures": charts_json(check_charts(ctx, source=s), s)["measures"]}
                for s in ctx.sources.all()]

    return page(request, "sources.html", {"rows": await asyncio.to_thread(read)},
                look=reader(request))


async def source_page(request: Request) -> Response:
    """One source: its charts, a form, the list since the last good check."""
    return await _page(request, {}, wrong=[], status=200)


async def check_posted(request: Request) -> Response:
    """Take the form: on to the page with the check in it, or back with what to mend."""
    ctx = context(request)
    own_form(request)
    source = known_source(ctx, request.path_params["source_id"])
    values = await form_values(request, api=f"/v1/sources/{source.id}/checks")
    try:
        said = _check_of(source, values)
        await keep_check(ctx, source, Check.model_validate(said))
    except ValidationError as error:
        fields = {str(e["loc"][0]) if e["loc"][0] != "readings" else str(e["loc"][-1])
                  for e in error.errors()}
        look = reader(request)
        return await _page(request, values, status=422, wrong=[
            look.words.of(f"checks.wrong_{f}", look.words("checks.wrong")) for f in sorted(fields)])
    except Problem as problem:
        told = [finding_json(f)["message"] for f in problem.findings]
        return await _page(request, values, wrong=told or [problem.detail], status=problem.status)
    return RedirectResponse(
        f"/sources/{quote(source.id, safe='')}?measure={said['readings'][0]['measure']}", 303)


def _check_of(source: Source, values: dict[str, str]) -> dict[str, Any]:
    """The form as the API takes it; a blank reading is left out. Raises Problem."""
    at = asked_time("at", values.get("at", ""))
    readings = []
    for lane in range(1, source.is_.lanes + 1):
        for k in range(OBJECTS):
            text = values.get(f"r{lane}_{k}", "").strip()
            if text:
                readings.append({
                    "lane": lane, "measure": values.get("measure", ""),
                    "object": values.get(f"object{k}", "").strip(),
                    "known": _number(values.get(f"known{k}", "")), "reading": _number(text)})
    return {"at": "" if at is None else at.isoformat(), "note": values.get("note", "").strip(),
            "person": values.get("person", "").strip(), "readings": readings}


def _number(text: str) -> float | str:
    """A number with a point or a comma; else the text, which the model refuses."""
    plain = text.strip().replace(",", ".")
    return float(plain) if re.fullmatch(r"[+-]?[0-9]{1,7}(\.[0-9]{1,6})?", plain) else text


async def _page(
    request: Request, values: dict[str, str], *, wrong: list[str], status: int
) -> Response:
    ctx, look = context(request), reader(request)
    source = known_source(ctx, request.path_params["source_id"])
    asked = request.query_params.get("measure", values.get("measure", ""))

    def read() -> dict[str, Any]:
        told = charts_json(check_charts(ctx, source=source), source)["measures"]
        names = [m["measure"] for m in told]
        measure = asked if asked in MEASURES else names[0] if names else "diameter"
        since = since_json(since_last_good(ctx, source=source, measure=measure))
        return {"charts": [_drawn(m) for m in told if m["measure"] == measure], "names": names,
                "measure": measure, "since": since}

    view = await asyncio.to_thread(read)
    return page(request, "source.html", {
        "source": source, "view": view, "wrong": wrong, "values": values, "checked": CHECKED,
        "objects": range(OBJECTS), "now": (utc(ctx.clock.now_ms()) or "")[:16],
        "decimals": DECIMALS.get(view["measure"], 2), "names": _names(ctx, source),
    }, look=look, status=status)


def _names(ctx: Context, source: Source) -> list[tuple[str, float]]:
    """Objects of the source's checks so far, the newest known values, to fill the form with."""
    found: dict[str, float] = {}
    for chart in check_charts(ctx, source=source):
        for one in chart.objects:
            found[one.object] = one.rows[-1].known
    return sorted(found.items())


def _drawn(measure: dict[str, Any]) -> dict[str, Any]:
    """The charts of one measure with their geometry."""
    return {**measure, "lanes": [
        {**lane, "plots": list(_plots(lane, measure["tolerance"]))}
        for lane in measure["lanes"]], "width": WIDTH, "tall": TALL}


def _plots(lane: dict[str, Any], tolerance: float) -> Iterator[dict[str, Any]]:
    """One small chart an object: errors in time, the tolerance and the lane's own limits."""
    for one in lane["objects"]:
        shown = one["readings"][-POINTS_SHOWN:]
        ends = [abs(v) for v in (one["low"], one["high"]) if v is not None]
        reach = 1.15 * max(tolerance, *(abs(r["error"]) for r in shown), *ends, tolerance)

        def y(value: float, reach: float = reach) -> float:
            return round(TALL / 2 * (1 - value / reach), 1)

        step = (WIDTH - 24) / max(len(shown) - 1, 1)
        yield {
            "object": one["object"], "n": len(one["readings"]), "tolerance": [y(tolerance),
                                                                              y(-tolerance)],
            "limits": None if one["low"] is None else [y(one["low"]), y(one["high"])],
            "zero": y(0.0), "last": one["readings"][-1]["error"],
            "too_far": bool(one["recent_too_far"]),
            "points": [{"x": round(12 + k * step, 1), "y": y(r["error"]), "outside": r["outside"]}
                       for k, r in enumerate(shown)]}
