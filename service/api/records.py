"""POST /v1/records: fruit records in, one outcome per record out, after the commit.

The body is taken raw and decoded once by the road's strict decoder; the framework's own
validation would read it three times slower.
"""

from __future__ import annotations

import asyncio
import re
import time
from typing import Any, Final
from weakref import WeakKeyDictionary

import msgspec
import numpy as np
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from grading.errors import Finding
from grading.kernel import Compiled
from grading.reasons import Reason
from grading.record import FruitRecord
from grading.verdicts import Verdicts
from service.binding import Origin
from service.context import Context, context, unknown_lot
from service.ingest.parse import BodyError
from service.lines import NoLot
from service.lots import UnknownLot
from service.problems import Problem, at, finding_json
from service.road import OUTCOMES, Outcomes, Settled
from service.sources import NAME, SourceRefused
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import CONFLICT, DUPLICATE, LOT_CLOSED, STORED
from service.trouble import storage_problem

MEDIA: Final = {
    "application/json": "json", "application/x-ndjson": "ndjson", "text/csv": "csv",
    "application/vnd.apache.parquet": "parquet",
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
    origin = origin_of(ctx, query=request.query_params, key=key_of(request.headers))
    raw = await read_body(request, ctx.settings.body_bytes)
    return await take(ctx, raw=raw, media=media, origin=origin)


async def take(ctx: Context, *, raw: bytes, media: str, origin: Origin) -> Response:
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
    response = answer(outcomes)
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


def answer(outcomes: Outcomes) -> Response:
    """One outcome per record, in order, with the counts before them."""
    head = head_of(outcomes)
    if outcomes.body.n and not head["stored"] and not head["duplicates"]:
        raise _nothing_taken(outcomes, head)
    body = b"".join((msgspec.json.encode(head)[:-1], b',"outcomes":[', lines(outcomes), b"]}"))
    return Response(body, 201 if head["stored"] else 200, media_type="application/json")


def head_of(outcomes: Outcomes) -> dict[str, Any]:
    """Lot, source, run, commit and counts; what is odd about the records, where something is."""
    found, notes = outcomes.counts(), outcomes.notes
    head: dict[str, Any] = {
        "lot": outcomes.lot.id, "source": outcomes.parsed.batch.source,
        "run": outcomes.parsed.batch.run, "commit": outcomes.commit,
        "received": outcomes.body.n, "stored": found[STORED], "duplicates": found[DUPLICATE],
        "conflicts": found[CONFLICT], "lot_closed": found[LOT_CLOSED],
        "refused": len(outcomes.refused),
    }
    if notes.clock():
        head["clock"] = notes.clock()
    if notes.skipped is not None:
        head["skipped"] = list(notes.skipped)
    return head


def _nothing_taken(outcomes: Outcomes, head: dict[str, Any]) -> Problem:
    single = outcomes.body.n == 1
    findings = [at(f, "" if single else f"/{position}")
                for position, found in sorted(outcomes.refused.items()) for f in found]
    status, detail = 422, "No record of this body could be used."
    if head["lot_closed"] and not outcomes.refused and not head["conflicts"]:
        status = 409
        detail = f"Lot {outcomes.lot.id} is closed. Send new fruit to an open lot."
    elif head["conflicts"]:
        detail = ("A record with the same source, run and seq but other content is stored already; "
                  "the stored one stands. If the source has begun to count anew, give its new "
                  "count another run.")
    return Problem(status=status, code="records", detail=detail, findings=findings, extra={
        **head, "outcomes": msgspec.json.decode(b"[" + lines(outcomes) + b"]")})


def lines(outcomes: Outcomes) -> bytes:
    """The JSON text of all outcomes, separated by commas."""
    seqs: list[int] = outcomes.parsed.batch.seq.tolist()
    tails: list[bytes] = []
    for part in outcomes.parts:
        of_part = _tails_of(part)
        if part.rows is None:
            tails = of_part
            continue
        tails = tails or [b""] * len(seqs)
        told = b',"lot":' + msgspec.json.encode(part.lot.id) + b"}"
        for row, tail in zip(part.rows.tolist(), of_part, strict=True):
            tails[row] = tail if b'"lot":' in tail else tail[:-1] + told
    if not outcomes.refused:
        # One formatting of the whole answer is twice as fast as one a record.
        parts: list[Any] = [None] * (2 * len(seqs))
        parts[::2], parts[1::2] = seqs, tails
        return ((b'{"seq":%d%b,' * len(seqs)) % tuple(parts))[:-1]
    found = [b""] * outcomes.body.n
    for position, seq, tail in zip(outcomes.parsed.kept.tolist(), seqs, tails, strict=True):
        found[position] = b'{"seq":%d%b' % (seq, tail)
    for position, findings in outcomes.refused.items():
        found[position] = msgspec.json.encode({
            "seq": outcomes.body.seq(position), "outcome": "refused",
            "errors": [finding_json(f) for f in findings]})
    return b",".join(found)


def _tails_of(part: Settled) -> list[bytes]:
    receipt = part.receipt
    tails = _tails(receipt.verdicts, receipt.outcome, part.lot.binding.compiled)
    for row, compiled in part.others.items():
        one = receipt.verdicts.take(rows=[row])
        tails[row] = _tails(one, receipt.outcome[[row]], compiled)[0]
    for row, lot in receipt.lots.items():
        tails[row] = tails[row][:-1] + b',"lot":' + msgspec.json.encode(lot) + b"}"
    return tails


def _tails(verdicts: Verdicts, outcome: Any, compiled: Compiled) -> list[bytes]:
    """The part after the seq of each fruit; fruit of one class share one text."""
    codes = outcome.astype(np.int64)
    for column in (verdicts.decisive, verdicts.pack, verdicts.grade, verdicts.maturity,
                   verdicts.size):
        codes <<= 8
        codes |= column
    texts = _TEXTS.setdefault(compiled, {})
    wanted = codes.tolist()
    try:
        return [texts[code] for code in wanted]
    except KeyError:
        texts.update((code, _tail(code, compiled)) for code in set(wanted) - texts.keys())
        return [texts[code] for code in wanted]


_TEXTS: WeakKeyDictionary[Compiled, dict[int, bytes]] = WeakKeyDictionary()


def _tail(code: int, compiled: Compiled) -> bytes:
    reason = Reason(code >> 32 & 255)
    fields = {
        "outcome": OUTCOMES[code >> 40],
        "size": compiled.size_names[code & 255],
        "maturity": compiled.maturity_names[code >> 8 & 255],
        "grade": compiled.grade_names[code >> 16 & 255],
        "pack": compiled.pack_names[code >> 24 & 255],
    }
    if reason is not Reason.NONE:
        fields["decisive"] = reason.word
    if code >> 40 in (CONFLICT, LOT_CLOSED):
        fields = {"outcome": fields["outcome"]}
    return b"," + msgspec.json.encode(fields)[1:]


def record_schema() -> dict[str, Any]:
    """JSON Schemas of a record and its parts, for OpenAPI, from the decoder's own types."""
    _, components = msgspec.json.schema_components(
        [FruitRecord], ref_template="#/components/schemas/{name}")
    return components
