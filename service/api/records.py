"""POST /v1/records: fruit records in, one outcome per record out, after the commit.

The body is taken raw and decoded once by the road's strict decoder; the framework's own
validation would read it three times slower.
"""

from __future__ import annotations

import asyncio
import re
import time
from functools import lru_cache
from typing import Any, Final

import msgspec
from starlette.datastructures import QueryParams
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from grading.errors import Finding
from grading.record import FruitRecord
from service.api.answers import ARROW, Wish, answer, tails_of, wish_of
from service.binding import Origin
from service.context import Context, context, unknown_lot
from service.ingest.parse import BodyError
from service.lines import NoLot
from service.lots import UnknownLot
from service.problems import Problem
from service.sources import NAME, SourceRefused
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.trouble import storage_problem

__all__ = ["MEDIA", "answer", "post_records", "read_body", "tails_of", "take"]

MEDIA: Final = {
    "application/json": "json", "application/x-ndjson": "ndjson", "text/csv": "csv",
    "application/vnd.apache.parquet": "parquet", ARROW: "arrow",
}


async def read_body(request: Request, limit: int) -> bytes:
    """The whole body, refused as soon as it is known to be too large."""
    said = request.headers.get("content-length", "")
    if said.isdigit() and int(said) > limit:
        raise _too_large(limit)
    if request.headers.get("content-encoding", "identity") != "identity":
        raise Problem(status=415, code="content_encoding", detail=(
            "Compressed bodies are not taken. Send the body as it is."))
    parts, size = [], 0
    try:
        async for part in request.stream():
            size += len(part)
            if size > limit:
                raise _too_large(limit)
            parts.append(part)
    except ClientDisconnect:
        raise Problem(status=400, code="body_cut_short",
                      detail="The body ended before its length.") from None
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _too_large(limit: int) -> Problem:
    return Problem(status=413, code="body_too_large", detail=(
        f"The body is larger than {limit} bytes. Send fewer records in one body."))


def media_of(request: Request) -> str:
    """The format of the body by its media type."""
    said = request.headers.get("content-type", "application/json").split(";")[0].strip().lower()
    if said not in MEDIA:
        raise Problem(status=415, code="media_type", detail=(
            f"Records are not read from {said!r}. Send one of: {', '.join(MEDIA)}."))
    return MEDIA[said]


def key_of(headers: Any) -> str | None:
    """The source's key from the Authorization header, if there is one."""
    scheme, _, key = headers.get("authorization", "").partition(" ")
    return key.strip() or None if scheme.lower() == "bearer" else None


@lru_cache(maxsize=1024)
def _query(text: bytes) -> QueryParams:
    """A source asks for the same again and again."""
    return QueryParams(text)


def origin_of(ctx: Context, *, query: Any, key: str | None) -> Origin:
    """Where records come from and go, from the query and the key. Raises Problem."""
    findings, values = [], {}
    for name in ("source", "run", "lot"):
        value = query.get(name)
        if not re.fullmatch(NAME, value or "") and not (name == "lot" and value is None):
            findings.append(Finding(
                f"/query/{name}", "name", f"{(value or '')[:80]!r} is not a {name}.",
                f"Add {name}= to the address: 1 to 64 letters, digits, spaces, dots, dashes or "
                "underscores, a letter or digit first."))
        values[name] = value
    if findings:
        raise Problem(status=422, code="query", detail="Say where the records come from and go.",
                      findings=findings)
    return found_origin(
        ctx, source=values["source"], run=values["run"], lot_id=values["lot"], key=key)


def found_origin(
    ctx: Context, *, source: str, run: str, lot_id: str | None, key: str | None
) -> Origin:
    """`Road.origin`, with its exceptions turned into problems."""
    try:
        return ctx.road.origin(source=source, run=run, lot_id=lot_id, key=key)
    except SourceRefused as error:
        ctx.metrics.sources_refused.labels(error.code).inc()
        raise Problem(status=error.status, code=error.code, detail=error.detail) from error
    except UnknownLot:
        raise unknown_lot(str(lot_id)) from None
    except NoLot as error:
        raise Problem(status=422, code="no_lot", detail=str(error), findings=[Finding(
            "/query/lot", "no_lot", "No lot is named.", "Add lot= to the address.")]) from error


async def post_records(request: Request) -> Response:
    """The endpoint; see `describe` for its description in OpenAPI."""
    ctx = context(request)
    media = media_of(request)
    query = _query(request.scope["query_string"])
    origin = origin_of(ctx, query=query, key=key_of(request.headers))
    raw = await read_body(request, ctx.settings.body_bytes)
    return await take(ctx, raw=raw, media=media, origin=origin, wish=wish_of(request.headers))


async def take(
    ctx: Context, *, raw: bytes, media: str, origin: Origin, wish: Wish = Wish.FULL
) -> Response:
    """The road, with its exceptions turned into problems."""
    started = time.perf_counter()
    try:
        outcomes = await ctx.road.accept(raw=raw, media=media, origin=origin)
    except BodyError as error:
        ctx.metrics.bodies_refused.inc()
        await _keep_body(ctx, raw, error.findings, origin)
        raise Problem(status=400, code="body", detail="The body cannot be read as records.",
                      findings=error.findings) from error
    except (QueueFull, StorageFull, StorageFailed, StoreClosed) as error:
        raise storage_problem(error) from error
    response = answer(outcomes, wish)
    ctx.metrics.ingest_seconds.observe(time.perf_counter() - started)
    return response


async def _keep_body(
    ctx: Context, raw: bytes, findings: tuple[Finding, ...], origin: Origin
) -> None:
    try:
        await asyncio.wrap_future(ctx.quarantine.keep_body(
            raw=raw, findings=findings, source=origin.source, run=origin.run,
            lot=ctx.road.lot_now(origin=origin).id, received_ms=ctx.clock.now_ms()))
    except (QueueFull, StorageFull, StorageFailed, StoreClosed) as error:
        raise storage_problem(error) from error


def record_schema() -> dict[str, Any]:
    """JSON Schemas of a record and its parts, for OpenAPI, from the decoder's own types."""
    _, components = msgspec.json.schema_components(
        [FruitRecord], ref_template="#/components/schemas/{name}")
    return components
