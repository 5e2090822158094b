"""Lines over HTTP: register one, say which lot it packs, and read what it has packed."""

from __future__ import annotations

import sqlite3
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from service.api.lots import LotId, OpenLot, bind_lot, turn_of, written
from service.context import Context, context
from service.lines import Line
from service.problems import Problem
from service.rows import utc
from service.sources import NAME, Name, Words
from service.store.cuts import store_end
from service.store.sources import ASSIGNMENTS, LINES, AssignmentRow, LineRow

router = APIRouter(prefix="/v1/lines", tags=["lines"])

LineId = Annotated[str, Field(pattern=NAME)]
Person = Annotated[str, Field(min_length=1, max_length=80)]


class Holding(BaseModel):
    """What fruit between lots are graded under until somebody says where they belong."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: LotId | None = Field(default=None, description="Of the holding lot; else <line>-holding")
    standard: Words
    cultivar: Words
    basis: Literal["diameter", "circumference", "mass"] = "diameter"


class RegisterLine(BaseModel):
    """A packing line to register; its holding lot is opened with it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: Name
    holding: Holding
    note: Annotated[str, Field(max_length=400)] = ""


class CleanBreak(BaseModel):
    """The belt was empty: what comes now belongs to `lot`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    lot: LotId
    person: Person
    note: Annotated[str, Field(max_length=400)] = ""


class EndOfLot(BaseModel):
    """The lot has ended; what comes now goes to the holding lot."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Person
    note: Annotated[str, Field(max_length=400)] = ""


def line_json(ctx: Context, line: Line) -> dict[str, Any]:
    """A line, what it packs now, since when, and the cut moved on it."""
    last = line.turns[-1] if line.turns else None
    cut = line.cut if line.cut is not None and ctx.clock.now_ms() < line.cut.until_ms else None
    return {
        "id": line.row.id, "note": line.row.note, "holding": line.row.holding,
        "lot": line.lot, "since": None if last is None else utc(last.at_ms),
        "person": None if last is None else last.person,
        "cut_change": None if cut is None else cut.id,
        "sources": [s.id for s in ctx.sources.on_line(line.row.id)],
    }


def known_line(ctx: Context, line_id: str) -> Line:
    line = ctx.lines.get(line_id)
    if line is None:
        raise Problem(status=404, code="unknown_line", detail=(
            f"There is no line {line_id!r}. GET /v1/lines lists them."))
    return line


@router.post("", status_code=201, summary="Register a line")
async def register(body: RegisterLine, request: Request, response: Response) -> dict[str, Any]:
    """A packing line with its holding lot."""
    ctx = context(request)
    if ctx.lines.get(body.id) is not None:
        raise _taken(body.id)
    held = body.holding
    lot_id = held.id or f"{body.id.replace(' ', '-')}-holding"
    await bind_lot(ctx, OpenLot(
        id=lot_id, standard=held.standard, cultivar=held.cultivar, basis=held.basis, line=body.id,
        note="Fruit that arrived between lots"))
    row = LineRow(id=body.id, holding=lot_id, registered_ms=ctx.clock.now_ms(), note=body.note)
    try:
        await written(ctx, lambda conn: LINES.insert(conn, row=row))
    except sqlite3.IntegrityError as error:
        raise _taken(body.id) from error
    response.headers["Location"] = f"/v1/lines/{body.id}"
    return line_json(ctx, ctx.lines.add(row))


def _taken(line_id: str) -> Problem:
    return Problem(status=409, code="line_exists",
                   detail=f"Line {line_id!r} is registered already.")


@router.get("", summary="List lines")
async def list_lines(request: Request) -> dict[str, Any]:
    """Every line and what it packs now."""
    ctx = context(request)
    return {"lines": [line_json(ctx, line) for line in ctx.lines.all()]}


@router.get("/{line_id}", summary="Read a line")
async def read_line(
    line_id: LineId, request: Request, limit: Annotated[int, Query(ge=1, le=500)] = 50
) -> dict[str, Any]:
    """A line and its latest lots, the newest first."""
    ctx = context(request)
    line = known_line(ctx, line_id)
    return {**line_json(ctx, line), "turns": [
        {"lot": t.lot, "from": utc(t.at_ms), "person": t.person, "note": t.note, "after": t.marks}
        for t in line.turns[:-limit - 1:-1]]}


@router.post("/{line_id}/lot", summary="Say which lot a line packs from now on")
async def clean_break(line_id: LineId, body: CleanBreak, request: Request) -> dict[str, Any]:
    """A clean break: fruit that the line's sources have sent stay where they are, new ones belong
    to the lot named here."""
    ctx = context(request)
    return line_json(ctx, await pack(ctx, line_id=line_id, body=body))


async def pack(ctx: Context, *, line_id: str, body: CleanBreak) -> Line:
    """The line, packing another lot from now on. Raises Problem."""
    line = known_line(ctx, line_id)
    state = ctx.lot(body.lot)
    if state.closed:
        raise Problem(status=409, code="lot_closed", detail=(
            f"Lot {body.lot} is closed. Open another one for fruit that come now."))
    if ctx.lines.holding(body.lot) is not None:
        raise Problem(status=409, code="holding_lot", detail=(
            f"{body.lot} takes the fruit between lots. End the lot instead: "
            f"POST /v1/lines/{line_id}/break."))
    if line.lot == body.lot:
        raise Problem(status=409, code="same_lot", detail=(
            f"Line {line_id} packs {body.lot} already."))
    turn = turn_of(ctx, line, lot=body.lot, person=body.person, note=body.note)
    return await _turned(ctx, line, turn)


@router.post("/{line_id}/break", summary="End the lot that a line packs")
async def end_lot(line_id: LineId, body: EndOfLot, request: Request) -> dict[str, Any]:
    """Fruit that come before the next lot is named go to the line's holding lot."""
    ctx = context(request)
    return line_json(ctx, await end(ctx, line_id=line_id, body=body))


async def end(ctx: Context, *, line_id: str, body: EndOfLot) -> Line:
    """The line, packing nothing from now on. Raises Problem."""
    line = known_line(ctx, line_id)
    if line.lot is None:
        raise Problem(status=409, code="no_lot", detail=f"Line {line_id} packs no lot.")
    turn = turn_of(ctx, line, lot=None, person=body.person, note=body.note)
    return await _turned(ctx, line, turn)


async def _turned(ctx: Context, line: Line, turn: AssignmentRow) -> Line:
    # In force before it is on the disk: fruit that come meanwhile are past the break.
    line.add(turn)
    cut = line.cut
    over = ctx.cuts.take(line, now_ms=turn.at_ms, by=turn.person, how="lot")

    def write(conn: sqlite3.Connection) -> None:
        ASSIGNMENTS.insert(conn, row=turn)
        store_end(conn, row=over)

    try:
        await written(ctx, write)
    except Exception:
        line.remove(turn)
        line.cut = cut
        raise
    ctx.cuts.put(over)
    return line
