"""Single fruit over HTTP: list with filters and a cursor, and why one got its grade."""

from __future__ import annotations

import asyncio
import base64
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from fastapi import APIRouter, Query, Request

from grading.explain import explain, sentences
from grading.kernel import Compiled
from grading.reasons import Reason
from grading.verdicts import Verdicts
from service.api.lots import LotId, lot_json
from service.context import context
from service.problems import Problem
from service.rows import fruit_json, utc
from service.store.reader import chunks_past
from service.summary import NOTICE, standing

router = APIRouter(prefix="/v1", tags=["fruit"])

Key = Annotated[str, Query(max_length=64)]


def _cursor(text: str) -> tuple[str, str, int]:
    """Key of the last fruit of the page before."""
    if not text:
        return "", "", -1
    try:
        source, run, seq = msgspec.json.decode(
            base64.urlsafe_b64decode(text.encode()), type=tuple[str, str, int])
    except (ValueError, UnicodeError):
        raise Problem(status=422, code="cursor", detail=(
            "The cursor is not one of ours. Use `next` of the page before, or leave it out."
        )) from None
    return source, run, seq


def _next(fruit: dict[str, Any]) -> str:
    key = fruit["source"], fruit["run"], fruit["seq"]
    return base64.urlsafe_b64encode(msgspec.json.encode(key)).decode()


def _rows(verdicts: Verdicts, compiled: Compiled, wanted: dict[str, str]) -> Any:
    """Rows of a chunk that fit the filters."""
    fits = np.ones(len(verdicts), np.bool_)
    for axis, names in (
        ("size", compiled.size_names), ("maturity", compiled.maturity_names),
        ("grade", compiled.grade_names), ("pack", compiled.pack_names),
    ):
        if wanted.get(axis):
            code = names.index(wanted[axis]) if wanted[axis] in names else 255
            fits &= getattr(verdicts, axis) == code
    if wanted.get("reason"):
        bit = next((r.bit for r in Reason if r.word == wanted["reason"]), 0)
        fits &= (verdicts.reasons & np.uint32(bit)) != 0
    return np.flatnonzero(fits)


@router.get("/lots/{lot_id}/fruit", summary="List the fruit of a lot")
async def list_fruit(
    lot_id: LotId, request: Request,
    cursor: Key = "", limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    kind: Literal["line", "pull"] = "line",
    size: Key = "", maturity: Key = "", grade: Key = "", pack: Key = "", reason: Key = "",
    lane: Annotated[int, Query(ge=0, le=255)] = 0,
) -> dict[str, Any]:
    """Fruit by source, run and seq; page on with `cursor` = `next`.

    A walk misses and repeats nothing that was stored before it began.
    """
    ctx = context(request)
    state = ctx.lot(lot_id)
    compiled = state.binding.compiled
    start = _cursor(cursor)
    wanted = {"size": size, "maturity": maturity, "grade": grade, "pack": pack, "reason": reason}

    def read() -> dict[str, Any]:
        found: list[tuple[tuple[str, str, int], dict[str, Any]]] = []
        source, run, seq = start
        with ctx.store.reader.connection() as conn:
            for chunk in chunks_past(
                conn=conn, lot=lot_id, kind=kind, source=source, run=run, seq=seq
            ):
                key = (chunk.source, chunk.run, chunk.seq_low)
                if len(found) > limit and key > found[limit][0]:
                    break
                batch, verdicts = chunk.decode()
                rows = _rows(verdicts, compiled, wanted)
                if lane:
                    rows = rows[batch.lane[rows] == lane]
                for row in rows.tolist():
                    key = (batch.source, batch.run, int(batch.seq[row]))
                    if key > start:
                        found.append((key, fruit_json(
                            batch=batch, verdicts=verdicts, row=row, compiled=compiled)))
                found.sort(key=lambda item: item[0])
                del found[limit + 1:]
        page = [fruit for _, fruit in found[:limit]]
        return {"fruit": page, "next": _next(page[-1]) if len(found) > limit else None}

    return {**await asyncio.to_thread(read), "notice": NOTICE}


@router.get("/fruit/{source}/{run}/{seq}", summary="One fruit and why it got its grade")
async def why(
    source: str, run: str, seq: int, request: Request,
) -> dict[str, Any]:
    """Every rule that was looked at, with value, limit, margin and the standard's source line."""
    ctx = context(request)
    found = None
    if 0 <= seq <= 2**53:
        found = await asyncio.to_thread(
            lambda: ctx.store.reader.fruit(source=source, run=run, seq=seq))
    if found is None:
        raise Problem(status=404, code="unknown_fruit", detail=(
            f"No fruit {seq} of run {run!r} of source {source!r} is stored."))
    state = ctx.lot(found.lot)
    rule = await asyncio.to_thread(ctx.lots.under, lot=state, digest=found.digest)
    compiled = rule.compiled
    explanation = explain(batch=found.batch, row=0, compiled=compiled)
    return {
        "lot": lot_json(state), "kind": found.kind, "received_at": utc(found.received_ms),
        "graded_under": standing(compiled=compiled),
        "fruit": fruit_json(batch=found.batch, verdicts=found.verdicts, row=0, compiled=compiled),
        "why": sentences(explanation),
        "notice": NOTICE,
    }
