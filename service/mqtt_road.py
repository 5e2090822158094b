"""What one message from the broker says, and its way down the road to an answer.

Whoever publishes hears nothing from here unless asked, and the broker forgets what was
acknowledged. So whatever is not stored goes to quarantine: messages that nobody can read, those
of senders turned away, and also records that HTTP leaves with their sender, fruit for a closed
lot and conflicts.
"""

from __future__ import annotations

import asyncio
import logging
import re
from dataclasses import dataclass
from typing import Final, Literal

import msgspec
import numpy as np

from grading.errors import Finding
from service.api.records import MEDIA, answer, found_origin
from service.context import Context
from service.ingest.parse import Body, BodyError, parse_body
from service.outcomes import Outcomes
from service.problems import Problem
from service.sources import NAME
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import CONFLICT, LOT_CLOSED

STORAGE: Final = (QueueFull, StorageFull, StorageFailed, StoreClosed)
"""Nothing of the message was kept; it is tried again, and not acknowledged before."""

_LOG: Final = logging.getLogger(__name__)
_KEPT: Final = {
    CONFLICT: Finding("", "conflict", "Another record is stored under this source, run and seq.",
                      "If the source has begun to count anew, give its new count another run."),
    LOT_CLOSED: Finding("", "lot_closed", "The lot is closed.", "Send new fruit to an open lot."),
}


class _State(msgspec.Struct):
    state: Literal["here", "gone"]


@dataclass(frozen=True, slots=True)
class Message:
    """topic, payload and those MQTT 5 properties that are of use.

    content_type: media type of the payload, None = JSON. key: of a registered source. lot: where
    its line does not say. answer_to, correlation: whom the outcome is told, if anybody.
    """

    topic: str
    payload: bytes
    content_type: str | None = None
    key: str | None = None
    lot: str | None = None
    answer_to: str | None = None
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class Address:
    """What a topic is about: fruit of a run, or (run None) the state of a source."""

    source: str
    run: str | None


def address_of(*, topic: str, prefix: str) -> Address:
    """`<prefix>/fruit/<source>/<run>` or `<prefix>/source/<source>`. Raises Problem."""
    kind, *names = topic.removeprefix(f"{prefix}/").split("/")
    if (topic.startswith(f"{prefix}/") and {"fruit": 2, "source": 1}.get(kind) == len(names)
            and all(re.fullmatch(NAME, name) for name in names)):
        return Address(names[0], names[1] if kind == "fruit" else None)
    raise Problem(status=422, code="topic", detail=(
        f"Topic {topic[:200]!r} is neither {prefix}/fruit/SOURCE/RUN nor {prefix}/source/SOURCE, "
        "with names of 1 to 64 letters, digits, spaces, dots, dashes or underscores, a letter or "
        "digit first."))


async def settle(ctx: Context, *, message: Message, prefix: str) -> bytes:
    """Take a message to the disk, one way or another; the outcome as JSON.

    Raises one of STORAGE when it could not be kept, and may then be called again.
    """
    address = None
    try:
        address = address_of(topic=message.topic, prefix=prefix)
        if address.run is None:
            settled = _take_state(ctx, message, address.source)
        else:
            settled = await _take_fruit(ctx, message, address.source, address.run)
    except STORAGE:
        raise
    except Problem as problem:
        return await _refuse(ctx, message, address, problem)
    except Exception:
        _LOG.exception("a message on %r failed; it is kept in quarantine", message.topic)
        return await _refuse(ctx, message, address, Problem(
            status=500, code="unforeseen", detail="Something here failed that should not."))
    ctx.metrics.mqtt_messages.labels("taken").inc()
    return settled


def _take_state(ctx: Context, message: Message, source: str) -> bytes:
    if not message.payload:
        ctx.presence.forget(source=source)
        return msgspec.json.encode({"source": source})
    try:
        told = msgspec.json.decode(message.payload, type=_State)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise Problem(status=422, code="state", detail=(
            'The state of a source is {"state":"here"} or {"state":"gone"}.')) from error
    if not ctx.presence.tell(source=source, silent=told.state == "gone"):
        raise Problem(status=422, code="too_many_sources", detail=(
            "More sources told their state than are kept."))
    return msgspec.json.encode({"source": source, "state": told.state})


async def _take_fruit(ctx: Context, message: Message, source: str, run: str) -> bytes:
    """The same road as a body over HTTP. Raises Problem for what goes to quarantine whole."""
    media = _media(message)
    if len(message.payload) > ctx.settings.body_bytes:
        raise Problem(status=413, code="body_too_large", detail=(
            f"The message is larger than {ctx.settings.body_bytes} bytes. Send fewer records in "
            "one message."))
    origin = found_origin(
        ctx, source=source, run=run, lot_id=message.lot and message.lot[:80], key=message.key)
    try:
        outcomes = await ctx.road.accept(raw=message.payload, media=media, origin=origin)
    except BodyError as error:
        ctx.metrics.bodies_refused.inc()
        raise Problem(status=400, code="body", detail="The message cannot be read as records.",
                      findings=error.findings) from error
    await _keep_unstored(ctx, outcomes)
    try:
        return bytes(answer(outcomes).body)
    except Problem as problem:
        return msgspec.json.encode(problem.body())


def _media(message: Message) -> str:
    said = (message.content_type or "application/json").split(";")[0].strip().lower()
    if said not in MEDIA:
        raise Problem(status=415, code="media_type", detail=(
            f"Records are not read from {said[:80]!r}. Give one of these as the content type: "
            f"{', '.join(MEDIA)}."))
    return MEDIA[said]


async def _keep_unstored(ctx: Context, outcomes: Outcomes) -> None:
    """Conflicts and fruit of closed lots: the sender may be gone, and no one else has them."""
    for part in outcomes.parts:
        codes = part.receipt.outcome
        rows = np.flatnonzero(np.isin(codes, list(_KEPT)))
        if not len(rows):
            continue
        places = outcomes.kept[rows if part.rows is None else part.rows[rows]]
        refused = {int(place): (_KEPT[int(code)],)
                   for place, code in zip(places, codes[rows], strict=True)}
        await asyncio.wrap_future(ctx.quarantine.keep(
            body=outcomes.texts, refused=refused, source=outcomes.source,
            run=outcomes.run, lot=part.lot.id, received_ms=ctx.clock.now_ms()))


async def _refuse(
    ctx: Context, message: Message, address: Address | None, problem: Problem
) -> bytes:
    """Into quarantine: record by record where they can be told apart, else its beginning."""
    source, run = (address.source, address.run or "") if address else ("", "")
    findings = problem.findings or (Finding("", problem.code, problem.detail, (
        "Here the key is the user property `key`." if problem.status == 401 else "")),)
    body = await asyncio.to_thread(_readable, ctx, message, source, run)
    lot, now_ms = _lot_of(ctx, message, source), ctx.clock.now_ms()
    if body is not None:
        kept = ctx.quarantine.keep(
            body=body, refused=dict.fromkeys(range(body.n), findings), source=source, run=run,
            lot=lot, received_ms=now_ms)
    else:
        kept = ctx.quarantine.keep_body(
            raw=message.payload, findings=findings, source=source, run=run, lot=lot,
            received_ms=now_ms)
    await asyncio.wrap_future(kept)
    ctx.metrics.mqtt_messages.labels("refused").inc()
    return msgspec.json.encode(problem.body())


def _readable(ctx: Context, message: Message, source: str, run: str) -> Body | None:
    if not run or len(message.payload) > ctx.settings.body_bytes:
        return None
    try:
        body = parse_body(
            body=message.payload, media=_media(message), source=source, run=run)
        return body if body.n else None
    except (BodyError, Problem):
        return None


def _lot_of(ctx: Context, message: Message, source: str) -> str:
    """The lot that a person who lets the records in would most likely mean; "" if none."""
    if message.lot is not None and any(lot.id == message.lot for lot in ctx.lots.all()):
        return message.lot
    registered = ctx.sources.get(source)
    line = None if registered is None else ctx.lines.get(registered.is_.line)
    return "" if line is None else line.lot_at(len(line.turns) - 1)
