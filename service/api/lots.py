"""Lots over HTTP: open, close, list, read, and what their fruit came to."""

from __future__ import annotations

import asyncio
import dataclasses
import sqlite3
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from grading.errors import Finding, StandardError
from service.context import Context, context
from service.cuts import cut_json
from service.lines import Line
from service.lots import LotState
from service.problems import Problem
from service.regrade import regrade
from service.rows import utc
from service.store.cuts import store_end
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import LINE
from service.store.lots import Lot, close_lot, insert_lot
from service.store.quarantine import count_quarantined
from service.store.sources import ASSIGNMENTS, AssignmentRow
from service.store.standards import ProfileText, StandardText, keep_profile, keep_standard
from service.summary import culls, histograms, packout, standing
from service.trouble import storage_problem

router = APIRouter(prefix="/v1", tags=["lots"])

LotId = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
Words = Annotated[str, Field(max_length=80)]


class OpenLot(BaseModel):
    """A lot to open: fruit of one block, cultivar and pick, kept apart from receipt to sale."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: LotId
    grower: Words = ""
    block: Words = ""
    cultivar: Words = Field(description="Id of a cultivar profile")
    pick: int = Field(default=1, ge=1, le=20)
    standard: Words = Field(description="Pack standard, as id or id@edition")
    basis: Literal["diameter", "circumference", "mass"] = "diameter"
    route: Words = ""
    line: Words | None = None
    rerun_of: LotId | None = Field(
        default=None, description="The lot whose fruit are run again; they stay counted there")
    note: Annotated[str, Field(max_length=400)] = ""


def lot_json(state: LotState) -> dict[str, Any]:
    """A lot without its counts."""
    row = state.row
    return {
        "id": row.id, "grower": row.grower, "block": row.block, "cultivar": row.cultivar,
        "pick": row.pick, "produce": row.produce, "route": row.route, "line": row.line,
        "note": row.note, "rerun_of": row.rerun_of, "status": "closed" if state.closed else "open",
        "opened_at": utc(row.opened_ms), "closed_at": utc(row.closed_ms),
        "graded_under": standing(compiled=state.binding.compiled),
    }


async def written(ctx: Context, fn: Any) -> Any:
    """The result of `fn` on the writer's connection, once it is on the disk."""
    try:
        return await asyncio.wrap_future(ctx.store.writer.run(fn))
    except (QueueFull, StorageFull, StorageFailed, StoreClosed) as error:
        raise storage_problem(error) from error


@router.post("/lots", status_code=201, summary="Open a lot")
async def open_lot(body: OpenLot, request: Request, response: Response) -> dict[str, Any]:
    """Bind a lot to one edition of a pack standard, a cultivar profile and a size basis."""
    state = await bind_lot(context(request), body)
    response.headers["Location"] = f"/v1/lots/{body.id}"
    return lot_json(state)


async def bind_lot(ctx: Context, body: OpenLot) -> LotState:
    """A new lot, bound and stored. Raises Problem."""
    try:
        standard = ctx.library.standard(body.standard)
        profile = ctx.library.profile(body.cultivar)
    except StandardError as error:
        raise Problem(status=422, code="lot", detail=str(error),
                      findings=error.findings) from error
    try:
        binding = ctx.lots.bind(standard=standard, profile=profile, basis=body.basis)
    except ValueError as error:
        raise Problem(status=422, code="lot", detail=str(error), findings=[
            Finding("/basis", "basis", f"{error}.", "Choose one of the standard's bases.")
        ]) from error
    if profile.produce not in standard.produce:
        raise Problem(status=422, code="lot", detail=(
            f"{standard.name} is for {', '.join(standard.produce)}; {profile.id} is a "
            f"{profile.produce}."), findings=[
                Finding("/standard", "produce", "The standard is for other produce.",
                        "Choose a standard for this produce.")])
    if body.id in ctx.lots:
        raise _taken(body.id)
    parent = None if body.rerun_of is None else _parent(ctx, body)
    now = ctx.clock.now_ms()
    row = Lot(
        id=body.id, grower=body.grower, block=body.block, cultivar=body.cultivar, pick=body.pick,
        produce=profile.produce, route=body.route, standard_id=standard.id,
        standard_edition=standard.edition, standard_digest=binding.digest,
        profile_digest=binding.profile_digest, basis=body.basis, line=body.line, opened_ms=now,
        note=body.note, rerun_of=parent)

    def insert(conn: sqlite3.Connection) -> None:
        keep_standard(conn, standard=StandardText(
            digest=binding.digest, id=standard.id, edition=standard.edition,
            text=standard.canonical(), stored_ms=now))
        keep_profile(conn, profile=ProfileText(
            digest=profile.digest(), id=profile.id, text=profile.canonical(), stored_ms=now))
        insert_lot(conn, lot=row)

    try:
        await written(ctx, insert)
    except sqlite3.IntegrityError as error:
        raise _taken(body.id) from error
    return ctx.lots.add(row=row, binding=binding)


def _parent(ctx: Context, body: OpenLot) -> str:
    """The lot whose first pass a re-run belongs to: the same fruit, so the same origin."""
    parent = ctx.lots.find(body.rerun_of or "")
    if parent is None:
        raise Problem(status=422, code="lot", detail=f"There is no lot {body.rerun_of!r}.",
                      findings=[Finding("/rerun_of", "unknown_lot", "There is no such lot.",
                                        "GET /v1/lots lists them.")])
    row = parent.row
    for name in ("grower", "block", "cultivar", "pick"):
        if getattr(body, name) != getattr(row, name):
            raise Problem(status=422, code="lot", detail=(
                f"A re-run has the fruit of its lot; {row.id} has the {name} "
                f"{getattr(row, name)!r}."), findings=[Finding(
                    f"/{name}", "rerun", f"{getattr(body, name)!r} is not that of {row.id}.",
                    f"Send {getattr(row, name)!r}.")])
    return row.rerun_of or row.id


def _taken(lot_id: str) -> Problem:
    return Problem(status=409, code="lot_exists", detail=(
        f"Lot {lot_id!r} exists already. Lot codes are not used twice; choose another."))


@router.get("/lots", summary="List lots")
async def list_lots(
    request: Request,
    status: Literal["open", "closed", "all"] = "all",
    after: Annotated[str, Query(max_length=40)] = "",
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> dict[str, Any]:
    """Lots by id with how many fruit each holds; page on with `after` = `next`."""
    ctx = context(request)
    wanted = sorted(
        (s for s in ctx.lots.all()
         if s.id > after and (status == "all" or s.closed == (status == "closed"))),
        key=lambda s: s.id)
    page = wanted[:limit]
    fruit = await asyncio.to_thread(ctx.store.reader.fruit_by_lot, kind=LINE)
    return {
        "lots": [{**lot_json(s), "fruit": fruit.get(s.id, 0)} for s in page],
        "next": page[-1].id if len(wanted) > limit else None,
    }


@router.get("/lots/{lot_id}", summary="Read a lot")
async def read_lot(lot_id: LotId, request: Request) -> dict[str, Any]:
    """A lot, where its fruit came from, gaps in their numbering, what is in quarantine, and the
    cuts that were moved for a time while it was packed."""
    ctx = context(request)
    state = ctx.lot(lot_id)

    def read() -> dict[str, Any]:
        reader = ctx.store.reader
        sources = [
            {**s, "gaps": [list(g) for g in reader.gaps(source=s["source"], run=s["run"])[:100]]}
            for s in reader.sources(lot=lot_id) if s["kind"] == "line"
        ]
        with reader.connection() as conn:
            waiting = count_quarantined(conn, lot=lot_id)
        return {
            **lot_json(state),
            "cut_changes": [cut_json(row, now_ms=ctx.clock.now_ms())
                            for row in ctx.cuts.of_lots([lot_id])],
            "reruns": [s.id for s in ctx.lots.all() if s.row.rerun_of == lot_id],
            "fruit": state.counts(reader=reader).n,
            "pulled_fruit": reader.counts(lot=lot_id).get("pull", 0),
            "sources": sources,
            "in_quarantine": waiting,
            "conflicts": len(reader.conflicts(lot=lot_id, limit=100)),
        }

    return await asyncio.to_thread(read)


@router.post("/lots/{lot_id}/close", summary="Close a lot")
async def close(lot_id: LotId, request: Request) -> dict[str, Any]:
    """Close a lot: fruit already stored can still be repeated, new ones are refused."""
    ctx = context(request)
    state = ctx.lot(lot_id)
    now = ctx.clock.now_ms()
    if ctx.lines.holding(lot_id) is not None:
        raise Problem(status=409, code="holding_lot", detail=(
            f"{lot_id} takes the fruit between lots and stays open as long as its line."))
    if state.closed or not await ended(ctx, lot_id, now):
        raise Problem(status=409, code="lot_closed", detail=f"Lot {lot_id} is closed already.")
    state.row = dataclasses.replace(state.row, closed_ms=now)
    return lot_json(state)


async def ended(ctx: Context, lot_id: str, now_ms: int) -> bool:
    """Close an open lot, and end its turn on every line that packs it."""
    turns = [(line, turn_of(ctx, line, lot=None, note=f"lot {lot_id} was closed"))
             for line in ctx.lines.packing(lot_id)]
    cuts = [line.cut for line, _ in turns]
    over = [ctx.cuts.take(line, now_ms=now_ms, by="", how="lot") for line, _ in turns]

    def close_all(conn: sqlite3.Connection) -> bool:
        done = close_lot(conn, lot_id=lot_id, closed_ms=now_ms)
        for _, turn in turns if done else ():
            ASSIGNMENTS.insert(conn, row=turn)
        for row in over if done else ():
            store_end(conn, row=row)
        return done

    for line, turn in turns:
        line.add(turn)
    done = False
    try:
        done = bool(await written(ctx, close_all))
    finally:
        for (line, turn), cut, row in zip(turns, cuts, over, strict=True):
            if done:
                ctx.cuts.put(row)
            else:
                line.remove(turn)
                line.cut = cut
    return done


def turn_of(
    ctx: Context, line: Line, *, lot: str | None, person: str = "", note: str = ""
) -> AssignmentRow:
    """From now on the line packs `lot`; what its sources sent so far came before."""
    return AssignmentRow(
        line=line.row.id, lot=lot, at_ms=ctx.clock.now_ms(), person=person, note=note,
        marks={s.id: ctx.arrivals.of(s.id) for s in ctx.sources.on_line(line.row.id)})


@router.get("/lots/{lot_id}/packout", summary="Packout of a lot")
async def read_packout(lot_id: LotId, request: Request) -> dict[str, Any]:
    """Size x maturity x grade x pack: counts, weights where known, exact shares. Of a re-run also
    its share of the first pass, whose fruit it has."""
    ctx = context(request)
    found = await _summary(request, lot_id, packout)
    parent = ctx.lot(lot_id).row.rerun_of
    if parent is not None:
        first = await asyncio.to_thread(ctx.lot(parent).counts, reader=ctx.store.reader)
        found["first_pass"] = {"lot": parent, "fruit": first.n}
    return found


@router.get("/lots/{lot_id}/culls", summary="Culls of a lot by cause")
async def read_culls(lot_id: LotId, request: Request) -> dict[str, Any]:
    """Culls by the reason that settled it, and by any reason."""
    return await _summary(request, lot_id, culls)


@router.get("/lots/{lot_id}/histograms", summary="Histograms of a lot's measures")
async def read_histograms(lot_id: LotId, request: Request) -> dict[str, Any]:
    """Every measure in fixed bins with the standard's cut-points."""
    return await _summary(request, lot_id, histograms)


async def _summary(request: Request, lot_id: str, of: Any) -> dict[str, Any]:
    ctx = context(request)
    state = ctx.lot(lot_id)

    def read() -> dict[str, Any]:
        counted = state.counts(reader=ctx.store.reader)
        return {"lot": lot_json(state), **of(tally=counted, compiled=state.binding.compiled)}

    return await asyncio.to_thread(read)


@router.get("/lots/{lot_id}/regrade", summary="What another standard would have said of a lot")
async def read_regrade(
    lot_id: LotId, request: Request,
    standard: Annotated[str, Query(max_length=80)],
    cultivar: Annotated[str, Query(max_length=80)] = "",
) -> dict[str, Any]:
    """Every stored line fruit graded again; nothing stored changes. `moves` counts fruit by the
    grade they have and the one they would get."""
    ctx = context(request)
    state = ctx.lot(lot_id)
    before = state.binding.compiled
    try:
        profile = ctx.library.profile(cultivar) if cultivar else before.profile
        after = ctx.lots.bind(standard=ctx.library.standard(standard), profile=profile,
                              basis=before.basis).compiled
    except (StandardError, ValueError) as error:
        raise Problem(status=422, code="regrade", detail=f"{error}") from error
    found = await asyncio.to_thread(
        regrade, reader=ctx.store.reader, lot=lot_id, before=before, after=after)
    return {
        "lot": lot_json(state), "regraded_under": standing(compiled=after),
        **packout(tally=found.tally, compiled=after),
        "moves": [
            {"from": before.grade_names[i], "to": after.grade_names[j], "count": int(n)}
            for i, row in enumerate(found.moves) for j, n in enumerate(row) if n
        ],
    }
