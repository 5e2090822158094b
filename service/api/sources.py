"""Sources over HTTP: register, revise, read, and their keys."""

from __future__ import annotations

import sqlite3
from typing import Annotated, Any

from fastapi import APIRouter, Request, Response
from pydantic import ConfigDict, Field

from grading.errors import Finding
from service.api.lots import written
from service.context import Context, context
from service.problems import Problem
from service.rows import utc
from service.sources import NAME, Description, Name, Source, digest_of, new_key
from service.store.sources import KEYS, SOURCES, KeyRow, SourceRow, end_key

router = APIRouter(prefix="/v1/sources", tags=["sources"])

SourceId = Annotated[str, Field(pattern=NAME)]


class RegisterSource(Description):
    """A source to register."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: Name


def source_json(ctx: Context, source: Source) -> dict[str, Any]:
    """A source without its keys; `runs` is the highest number of each of its latest runs."""
    return {
        "id": source.id, "revision": source.revision, "revised_at": utc(source.at_ms),
        **source.is_.model_dump(mode="json", exclude_none=False),
        "keys": sorted(source.keys), "runs": ctx.arrivals.of(source.id),
    }


def known_source(ctx: Context, source_id: str) -> Source:
    found = ctx.sources.get(source_id)
    if found is None:
        raise Problem(status=404, code="unknown_source", detail=(
            f"Source {source_id!r} is not registered. GET /v1/sources lists those that are."))
    return found


def _check_line(ctx: Context, line: str | None) -> None:
    if line is not None and ctx.lines.get(line) is None:
        raise Problem(status=422, code="source", detail=f"There is no line {line!r}.", findings=[
            Finding("/line", "unknown_line", f"There is no line {line!r}.",
                    "Register it first: POST /v1/lines.")])


@router.post("", status_code=201, summary="Register a source")
async def register(body: RegisterSource, request: Request, response: Response) -> dict[str, Any]:
    """From now on its records need the `key`, which is shown only in this answer."""
    ctx = context(request)
    if ctx.sources.get(body.id) is not None:
        raise _taken(body.id)
    _check_line(ctx, body.line)
    now = ctx.clock.now_ms()
    is_ = Description(**body.model_dump(exclude={"id"}))
    key_id, key = new_key()
    row = SourceRow(id=body.id, revision=1, body=is_.model_dump(mode="json"), at_ms=now)
    key_row = KeyRow(id=key_id, source=body.id, sha256=digest_of(key), made_ms=now)

    def insert(conn: sqlite3.Connection) -> None:
        SOURCES.insert(conn, row=row)
        KEYS.insert(conn, row=key_row)

    try:
        await written(ctx, insert)
    except sqlite3.IntegrityError as error:
        raise _taken(body.id) from error
    source = Source(body.id, 1, now, is_, {key_id: key_row.sha256})
    ctx.sources.put(source)
    response.headers["Location"] = f"/v1/sources/{body.id}"
    return {**source_json(ctx, source), "key": key}


def _taken(source_id: str) -> Problem:
    return Problem(status=409, code="source_exists", detail=(
        f"Source {source_id!r} is registered already. PUT /v1/sources/{source_id} revises it."))


@router.get("", summary="List sources")
async def list_sources(request: Request) -> dict[str, Any]:
    """Every registered source as it is now."""
    ctx = context(request)
    return {"sources": [source_json(ctx, s) for s in ctx.sources.all()]}


@router.get("/{source_id}", summary="Read a source")
async def read_source(source_id: SourceId, request: Request, response: Response) -> dict[str, Any]:
    """A source with all its revisions; the ETag is the newest one."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    with ctx.store.reader.connection() as conn:
        rows = SOURCES.select(conn, where="id = ? ORDER BY revision", params=(source_id,))
    response.headers["ETag"] = f'"{source.revision}"'
    return {**source_json(ctx, source), "revisions": [
        {"revision": r.revision, "at": utc(r.at_ms), **r.body} for r in rows]}


@router.put("/{source_id}", summary="Revise a source")
async def revise(
    source_id: SourceId, body: Description, request: Request, response: Response
) -> dict[str, Any]:
    """A new revision in place of the one in force; earlier ones stay readable. With If-Match only
    when the newest revision is the one named."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    wanted = request.headers.get("if-match")
    if wanted is not None and wanted != f'"{source.revision}"':
        raise Problem(status=412, code="revised", detail=(
            f"Source {source_id} is at revision {source.revision} by now. Read it again."))
    _check_line(ctx, body.line)
    now = ctx.clock.now_ms()
    row = SourceRow(id=source_id, revision=source.revision + 1,
                    body=body.model_dump(mode="json"), at_ms=now)
    try:
        await written(ctx, lambda conn: SOURCES.insert(conn, row=row))
    except sqlite3.IntegrityError as error:
        raise Problem(status=409, code="revised", detail=(
            f"Source {source_id} was revised at the same time. Read it again.")) from error
    now_is = Source(source_id, row.revision, now, body, source.keys)
    ctx.sources.put(now_is)
    response.headers["ETag"] = f'"{row.revision}"'
    return source_json(ctx, now_is)


@router.post("/{source_id}/keys", status_code=201, summary="Make another key")
async def add_key(source_id: SourceId, request: Request) -> dict[str, Any]:
    """The new key is shown only in this answer; those that hold go on holding."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    key_id, key = new_key()
    row = KeyRow(id=key_id, source=source_id, sha256=digest_of(key), made_ms=ctx.clock.now_ms())
    await written(ctx, lambda conn: KEYS.insert(conn, row=row))
    source.keys[key_id] = row.sha256
    return {"source": source_id, "id": key_id, "key": key}


@router.delete("/{source_id}/keys/{key_id}", summary="End a key")
async def drop_key(source_id: SourceId, key_id: str, request: Request) -> dict[str, Any]:
    """Records that show this key are turned away from now on."""
    ctx = context(request)
    source = known_source(ctx, source_id)
    now = ctx.clock.now_ms()
    if key_id not in source.keys or not await written(
        ctx, lambda conn: end_key(conn, key_id=key_id, source=source_id, ended_ms=now)
    ):
        raise Problem(status=404, code="unknown_key", detail=(
            f"Source {source_id} has no such key that holds."))
    source.keys.pop(key_id, None)
    return {"source": source_id, "id": key_id, "ended_at": utc(now)}
