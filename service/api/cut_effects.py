"""What a change of cut did, over HTTP: fruit in another class, marks made untrue, where to look."""

from __future__ import annotations

import asyncio
from fractions import Fraction
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request

from grading.errors import Finding
from grading.numbers import MEASURE_UNITS, number_text, parse_number, to_si
from grading.quantities import MEASURES
from service.api.cuts import CutId, known_cut
from service.api.lines import LineId
from service.context import Context, context
from service.cut_effect import Effect, Marked, effect
from service.cuts import cut_json, moves_of
from service.problems import Problem
from service.rows import utc
from service.store.cuts import CutRow
from service.summary import NOTICE, shares

router = APIRouter(prefix="/v1/lines", tags=["lines"])

BOXES: Final = ("Boxes are not recorded here yet: find them by line, pack and time, or by the "
                "numbers of the fruit.")
OPTIONS: Final = ("re-label", "re-size", "hold")


@router.get("/{line_id}/cuts/{cut_id}/effect", summary="What a change of cut did")
async def read_effect(
    line_id: LineId, cut_id: CutId, request: Request,
    upper: Annotated[str, Query(max_length=24)] = "",
    unit: Annotated[str, Query(max_length=8)] = "",
) -> dict[str, Any]:
    """The fruit graded under it, graded once more under their lot's own standard: how many are in
    another class, what boxes hold that kept the original mark, and which fruit to look at.

    `upper` (in `unit`): where a closed range ends that boxes are marked with, if not at the next
    cut. Nothing stored changes.
    """
    ctx = context(request)
    row = known_cut(ctx, line_id=line_id, cut_id=cut_id)
    end = _upper(row, upper, unit) if upper else None
    found = await asyncio.to_thread(effect, ctx, row, upper=end)
    return {"cut": cut_json(row, now_ms=ctx.clock.now_ms()),
            **effect_json(ctx, row, found), "notice": NOTICE}


def _upper(row: CutRow, text: str, unit: str) -> Fraction:
    move = moves_of(row)[0]
    units = MEASURE_UNITS[move.measure]
    try:
        if unit and unit not in units:
            raise ValueError(f"{unit!r} is no unit of {move.measure}: use {' or '.join(units)}")
        return to_si(value=parse_number(text), unit=unit or units[0])
    except ValueError as error:
        raise Problem(status=422, code="upper", detail=f"{error}.", findings=[
            Finding("/query/upper", "not_a_number", f"{error}.", "")]) from error


def effect_json(ctx: Context, row: CutRow, found: Effect) -> dict[str, Any]:
    """What a change did, on the wire."""
    own, counts = ctx.lots.get(row.lot).binding.compiled, found.counts
    parts = ("size", "maturity", "grade", "pack")
    return {
        "fruit": counts.n,
        "changed": shares(counts=[counts.changed], n=counts.n)[0],
        "changed_by": {name: getattr(counts, name) for name in parts},
        "moves": [
            {"from": own.pack_names[i], "to": own.pack_names[j], "count": int(n)}
            for i, line in enumerate(counts.moves) for j, n in enumerate(line) if n and i != j],
        "marks": [_mark_json(m) for m in found.marks],
        "keep_mark": not found.over,
        "options": list(OPTIONS) if found.over else [],
        "look_at": {
            "sources": [
                {"source": w.source, "run": w.run, "changed": w.changed, "from_seq": w.seq_low,
                 "to_seq": w.seq_high, "from": utc(w.first_ms), "until": utc(w.last_ms)}
                for w in found.where.values() if w.changed],
            "boxes": None, "boxes_note": BOXES,
        },
    }


def _mark_json(one: Marked) -> dict[str, Any]:
    mark, rule = one.mark, one.tolerance
    return {
        "measure": mark.measure, "unit": MEASURES[mark.measure].unit,
        "from": None if mark.low is None else number_text(mark.low),
        "to": None if mark.high is None else number_text(mark.high),
        "fault": mark.side, **shares(counts=[one.wrong], n=one.n)[0],
        "band": one.band,
        "tolerance": None if rule is None else {
            "id": rule.id, "title": rule.title, "percent": number_text(rule.percent),
            "source": rule.source},
    }
