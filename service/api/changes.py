"""Why does this stretch of a line differ from that one: rule, measurement or fruit."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime

from grading.errors import Finding
from service.api.lines import LineId, known_line
from service.changes import Explained, explain
from service.context import Context, context
from service.evidence import Stretch
from service.lines import Line
from service.lots import MINUTE
from service.problems import Problem
from service.rows import utc
from service.summary import NOTICE

router = APIRouter(prefix="/v1/lines", tags=["lines"])

LONGEST_MS: Final = 24 * 3_600_000
RECENT_MIN: Final = 15
EARLIER_MIN: Final = 60
Moment = Annotated[AwareDatetime | None, Query()]


def stretches(
    ctx: Context, line: Line, times: dict[str, datetime | None]
) -> tuple[Stretch, Stretch]:
    """(before, after): as asked, else the newest quarter of an hour of the line's fruit against
    the hour before it, or where nothing came in that hour the two halves of what there is. Raises
    Problem."""
    given = {name: None if t is None else round(t.timestamp() * 1000)
             for name, t in times.items()}
    if any(v is None for v in given.values()):
        if any(v is not None for v in given.values()):
            raise _wrong("Give all four times, or none.", next(
                name for name, v in given.items() if v is None))
        minutes = _recent(ctx, line)
        newest = minutes[-1] + 1 if minutes else ctx.clock.now_ms() // MINUTE.size
        cut = newest - RECENT_MIN
        if minutes and minutes[0] >= cut:
            cut = (minutes[0] + newest) // 2
        first, cut, newest = ((m * MINUTE.size) for m in (cut - EARLIER_MIN, cut, newest))
        return Stretch(first, cut), Stretch(cut, newest)
    a = Stretch(given["before_from"] or 0, given["before_until"] or 0)
    b = Stretch(given["after_from"] or 0, given["after_until"] or 0)
    for name, found in (("before", a), ("after", b)):
        if not 0 < found.until_ms - found.from_ms <= LONGEST_MS or not found.minutes():
            raise _wrong(f"The stretch {name!r} must be a minute to a day long, begun before it "
                         "ends.", f"{name}_until")
    if a.until_ms > b.from_ms:
        raise _wrong("The earlier stretch must end before the later one begins.", "after_from")
    return a, b


def _recent(ctx: Context, line: Line) -> list[int]:
    """The minutes with fruit of the line's latest lot that has any, and of those before it within
    the hour and a quarter, in rising order."""
    ids = [t.lot for t in line.turns if t.lot is not None] or [line.row.holding]
    found: set[int] = set()
    for lot_id in reversed(ids):
        figures = ctx.lots.get(lot_id).windows(reader=ctx.store.reader).figures
        here = {minute for minute, f in figures.items() if minute >= 0 and f.fruit}
        reach = max(found | here, default=0) - RECENT_MIN - EARLIER_MIN
        if found and not any(minute >= reach for minute in here):
            break
        found |= here
    newest = max(found, default=0)
    return sorted(minute for minute in found if minute > newest - RECENT_MIN - EARLIER_MIN)


def _wrong(message: str, name: str) -> Problem:
    return Problem(status=422, code="stretch", detail=message, findings=[
        Finding(f"/query/{name}", "stretch", message, "Times are RFC 3339 with a zone.")])


def answer_json(found: Explained, *, before: Stretch, after: Stretch) -> dict[str, Any]:
    """The three-way answer on the wire."""
    answer = found.answer
    return {
        "verdict": answer.verdict, "causes": list(answer.causes),
        "before": {"from": utc(before.from_ms), "until": utc(before.until_ms)},
        "after": {"from": utc(after.from_ms), "until": utc(after.until_ms)},
        "evidence": [{**asdict(e), "lanes": list(e.lanes)} for e in answer.evidence],
        "open": list(answer.open), "began": [
            {"measure": o.measure, "lane": o.lane, "at": utc(o.best_ms), "from": utc(o.from_ms),
             "until": utc(o.until_ms)} for o in found.began],
        "consequence": answer.consequence,
        "next_action": answer.next_action, "paired_fruit_needed": answer.pairs,
        "risk_a_step": answer.risk, "notice": NOTICE,
    }


@router.get("/{line_id}/change", summary="What changed on a line, and why")
async def read_change(
    line_id: LineId, request: Request, before_from: Moment = None, before_until: Moment = None,
    after_from: Moment = None, after_until: Moment = None,
) -> dict[str, Any]:
    """Two stretches of a line compared: the rule first, then the measurement, then the fruit,
    with the evidence there was and was not. Without times the newest 15 minutes against the hour
    before them."""
    ctx = context(request)
    line = known_line(ctx, line_id)

    def read() -> dict[str, Any]:
        before, after = stretches(ctx, line, {
            "before_from": before_from, "before_until": before_until,
            "after_from": after_from, "after_until": after_until})
        found = explain(ctx, line=line, before=before, after=after)
        return {"line": line_id, **answer_json(found, before=before, after=after)}

    return await asyncio.to_thread(read)
