"""Cuts moved for a time over HTTP: move one with a reason and an expiry, revert it, read what it
did."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from grading.errors import Finding, StandardError
from grading.kernel import compile_standard
from grading.numbers import MEASURE_UNITS, number_text, parse_number, to_si
from grading.quantities import MEASURES
from grading.recut import CutPoint, Move, cut_points, recut
from grading.standard import PackStandard
from service.api.lines import LineId, Person, known_line
from service.api.lots import written
from service.context import Context, context
from service.cuts import as_of, cut_json, edition_of, stored_moves
from service.lines import Line
from service.lots import LotState
from service.problems import Problem, at
from service.store.cuts import CUTS, CutRow, store_end
from service.store.standards import StandardText, keep_standard

router = APIRouter(prefix="/v1/lines", tags=["lines"])

LONGEST_MS: Final = 24 * 3_600_000
"""A change that is to hold longer is a new edition of the standard; common practice, no source."""
CutId = Annotated[int, Path(ge=1, le=2**53)]
Value = Annotated[str, Field(min_length=1, max_length=24)] | Annotated[
    float, Field(strict=True, allow_inf_nan=False, ge=-1e6, le=1e6)]
Reason = Annotated[str, Field(min_length=1, max_length=400)]


class MovedPoint(BaseModel):
    """A cut-point and where it is to be, as "63.5", "2 1/2" or 63.5."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    measure: Literal[*sorted(MEASURE_UNITS)] = "diameter"  # type: ignore[valid-type]  # from a table
    at: Value
    to: Value
    unit: Annotated[str, Field(max_length=8)] = Field(
        default="", description="Of both; without it the SI unit of the measure")


class ChangeCut(BaseModel):
    """Cuts of the standard in force to be moved for a time on a line."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Person
    reason: Reason
    until: AwareDatetime = Field(description="When it ends by itself, at most 24 h from now")
    moves: Annotated[list[MovedPoint], Field(min_length=1, max_length=8)]


class Revert(BaseModel):
    """The end of a change."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    person: Annotated[str, Field(max_length=80)] = ""


def point_json(point: CutPoint) -> dict[str, Any]:
    return {"measure": point.measure, "at": number_text(point.at), "unit": point.unit,
            "below": point.below or None, "above": point.above or None}


def packed_lot(ctx: Context, line: Line) -> LotState | None:
    """The lot that a line packs, if it packs one."""
    return None if line.lot is None else ctx.lots.get(line.lot)


def points_of(lot: LotState | None) -> tuple[CutPoint, ...]:
    """The cut-points of what a lot is graded under that its cultivar uses."""
    if lot is None:
        return ()
    own = lot.binding.compiled
    used = own.decider.measures_used()

    def near(point: CutPoint) -> bool:
        # A limit finer than the quantum is compared at the one below or above it.
        mark = to_si(value=point.at, unit=point.unit) / MEASURES[point.measure].quantum
        return any(abs(mark - cut) <= 1 for cut in used.get(point.measure, ()))

    return tuple(p for p in cut_points(standard=own.standard, basis=own.basis) if near(p))


@router.post("/{line_id}/cuts", status_code=201, summary="Move cuts for a time")
async def change_cut(
    line_id: LineId, body: ChangeCut, request: Request, response: Response
) -> dict[str, Any]:
    """From now until the expiry new fruit of the lot that the line packs are graded with these
    cuts moved. Fruit stored already stay as they are. It ends with the lot's turn, too."""
    ctx = context(request)
    row = await begin(ctx, line_id=line_id, body=body)
    response.headers["Location"] = f"/v1/lines/{line_id}/cuts/{row.id}"
    return cut_json(row, now_ms=ctx.clock.now_ms())


async def begin(ctx: Context, *, line_id: str, body: ChangeCut) -> CutRow:
    """The change, in force and on the disk. Raises Problem."""
    line = known_line(ctx, line_id)
    lot = _free(ctx, line)
    until_ms = _until(ctx, body)
    moves = _moves(body)
    ctx.cuts.busy.add(line_id)
    try:
        return await _begun(ctx, line, lot, body, moves, until_ms)
    finally:
        ctx.cuts.busy.discard(line_id)


def _free(ctx: Context, line: Line) -> LotState:
    """The lot of a line on which a cut can be moved. Raises Problem."""
    now_ms = ctx.clock.now_ms()
    if (line.cut is not None and now_ms < line.cut.until_ms) or line.row.id in ctx.cuts.busy:
        raise Problem(status=409, code="cut_in_force", detail=(
            f"A cut is moved on line {line.row.id} already. Revert that change first; one change "
            "may move several cuts."))
    lot = packed_lot(ctx, line)
    if lot is None:
        raise Problem(status=409, code="no_lot", detail=(
            f"Line {line.row.id} packs no lot. A change begins with the lot that it is for."))
    return lot


def _until(ctx: Context, body: ChangeCut) -> int:
    now_ms = ctx.clock.now_ms()
    until_ms = round(body.until.timestamp() * 1000)
    if now_ms < until_ms <= now_ms + LONGEST_MS:
        return until_ms
    said = "has passed" if until_ms <= now_ms else "is more than 24 hours away"
    raise Problem(status=422, code="cut", detail="The change cannot be made.", findings=[Finding(
        "/until", "expiry", f"The expiry {body.until.isoformat()} {said}.",
        "Choose a time within 24 hours; what is to last longer is a new edition of the "
        "standard.")])


def _moves(body: ChangeCut) -> tuple[Move, ...]:
    moves, findings = [], []
    for i, one in enumerate(body.moves):
        unit = one.unit or MEASURE_UNITS[one.measure][0]
        values = {}
        for name in ("at", "to"):
            given = getattr(one, name)
            try:
                values[name] = parse_number(str(given))
            except ValueError as error:
                findings.append(Finding(f"/moves/{i}/{name}", "not_a_number", f"{error}.", ""))
        if len(values) == 2:
            moves.append(Move(one.measure, values["at"], values["to"], unit))
    if findings:
        raise Problem(status=422, code="cut", detail="The change cannot be made.",
                      findings=findings)
    return tuple(moves)


async def _begun(
    ctx: Context, line: Line, lot: LotState, body: ChangeCut, moves: Sequence[Move], until_ms: int
) -> CutRow:
    own, number = lot.binding.compiled, ctx.cuts.reserve()

    def derived() -> PackStandard:
        edition = edition_of(edition=own.standard.edition, moves=moves, number=number)
        moved = recut(standard=own.standard, moves=moves, edition=edition, basis=own.basis)
        fresh = compile_standard(standard=moved, profile=own.profile, basis=own.basis)
        if fresh.decider.measures_used() == own.decider.measures_used():
            raise StandardError(name=moved.name, findings=(Finding(
                "", "no_effect", f"No fruit of {lot.id} would be graded otherwise: for its "
                "cultivar that cut is not used, or it is moved by less than fruit are measured "
                "to.", f"GET /v1/lines/{line.row.id}/cuts lists the cuts in use."),))
        return moved

    try:
        standard = await asyncio.to_thread(derived)
    except StandardError as error:
        raise Problem(status=422, code="cut", detail="The change cannot be made.", findings=[
            at(f, "/moves") for f in error.findings]) from error
    now_ms = ctx.clock.now_ms()
    row = CutRow(
        id=number, line=line.row.id, lot=lot.id, digest=standard.digest(),
        moves=stored_moves(moves), person=body.person, reason=body.reason, from_ms=now_ms,
        until_ms=until_ms)

    def insert(conn: sqlite3.Connection) -> None:
        keep_standard(conn, standard=StandardText(
            digest=row.digest, id=standard.id, edition=standard.edition,
            text=standard.canonical(), stored_ms=now_ms))
        CUTS.insert(conn, row=row)

    # On the disk before any fruit is graded under it: no chunk may name a standard not stored.
    await written(ctx, insert)
    ctx.lots.know(standard=standard)
    ctx.cuts.put(row)
    ctx.cuts.begin(line=line, row=row)
    if line.lot != lot.id:  # since it was asked
        row = await _ended(ctx, line, row, by="", how="lot")
    return row


async def _ended(
    ctx: Context, line: Line, row: CutRow, *, by: str, how: Literal["reverted", "lot"]
) -> CutRow:
    """The change, ended. It is not in force from here on, unless that cannot be stored."""
    cut = line.cut
    over = ctx.cuts.take(line, now_ms=ctx.clock.now_ms(), by=by, how=how) or row
    try:
        await written(ctx, lambda conn: store_end(conn, row=over))
    except Problem:
        if line.cut is None and line.lot == over.lot:
            line.cut = cut
        raise
    ctx.cuts.put(over)
    return over


@router.get("/{line_id}/cuts", summary="List the cuts moved on a line")
async def list_cuts(
    line_id: LineId, request: Request, limit: Annotated[int, Query(ge=1, le=500)] = 50
) -> dict[str, Any]:
    """The change in force, the latest ones with who, why, until when and how each ended, and the
    cut-points of the standard of the lot that the line packs."""
    ctx = context(request)
    line = known_line(ctx, line_id)
    listed = [cut_json(row, now_ms=ctx.clock.now_ms()) for row in ctx.cuts.of_line(line_id)]
    return {
        "line": line_id, "lot": line.lot,
        "in_force": next((c for c in listed if c["in_force"]), None),
        "changes": listed[:limit],
        "cut_points": [point_json(p) for p in points_of(packed_lot(ctx, line))],
    }


def known_cut(ctx: Context, *, line_id: str, cut_id: int) -> CutRow:
    known_line(ctx, line_id)
    row = ctx.cuts.get(cut_id)
    if row is None or row.line != line_id:
        raise Problem(status=404, code="unknown_cut", detail=(
            f"Line {line_id} has no change of cut {cut_id}. GET /v1/lines/{line_id}/cuts lists "
            "them."))
    return row


@router.get("/{line_id}/cuts/{cut_id}", summary="Read a change of cut")
async def read_cut(line_id: LineId, cut_id: CutId, request: Request) -> dict[str, Any]:
    """One change and the standard that it made of the lot's own."""
    ctx = context(request)
    row = known_cut(ctx, line_id=line_id, cut_id=cut_id)
    lot = ctx.lots.get(row.lot)
    rule = await asyncio.to_thread(ctx.lots.under, lot=lot, digest=row.digest)
    return {**cut_json(row, now_ms=ctx.clock.now_ms()), "graded_under": rule.compiled.standard.name,
            "in_place_of": lot.binding.compiled.standard.name}


@router.post("/{line_id}/cuts/{cut_id}/revert", summary="Revert a change of cut")
async def revert_cut(
    line_id: LineId, cut_id: CutId, request: Request, body: Revert | None = None
) -> dict[str, Any]:
    """New fruit are graded under the lot's own standard again, from now on."""
    ctx = context(request)
    row = await revert(ctx, line_id=line_id, cut_id=cut_id, body=body or Revert())
    return cut_json(row, now_ms=ctx.clock.now_ms())


@router.delete("/{line_id}/cuts/{cut_id}", summary="Revert a change of cut")
async def delete_cut(
    line_id: LineId, cut_id: CutId, request: Request,
    person: Annotated[str, Query(max_length=80)] = "",
) -> dict[str, Any]:
    """As `revert`; the change stays on record."""
    ctx = context(request)
    return cut_json(await revert(
        ctx, line_id=line_id, cut_id=cut_id, body=Revert(person=person)), now_ms=ctx.clock.now_ms())


async def revert(ctx: Context, *, line_id: str, cut_id: int, body: Revert) -> CutRow:
    """The change, ended by a person. Raises Problem if it had ended."""
    line = known_line(ctx, line_id)
    row = as_of(known_cut(ctx, line_id=line_id, cut_id=cut_id), now_ms=ctx.clock.now_ms())
    if row.ended_ms is not None or line.cut is None or line.cut.id != cut_id:
        raise Problem(status=409, code="cut_ended", detail=(
            f"Change {cut_id} is not in force any more; nothing is left to revert."))
    return await _ended(ctx, line, row, by=body.person, how="reverted")
