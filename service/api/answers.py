"""What is answered to a body of records: the counts, and one outcome a record in order.

As JSON or, if the sender would rather have it, as an Arrow IPC stream; with `Prefer:
return=minimal` (RFC 7240) only the outcomes that say more than "stored".
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Flag
from functools import lru_cache
from typing import Any, Final
from weakref import WeakKeyDictionary

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.ipc
from starlette.datastructures import Headers
from starlette.responses import Response

from grading.kernel import Compiled
from grading.quantities import Integers
from grading.reasons import Reason
from grading.verdicts import Verdicts
from service.outcomes import OUTCOMES, Outcomes, Settled
from service.problems import Problem, at, finding_json
from service.store.group import CONFLICT, DUPLICATE, LOT_CLOSED, STORED

ARROW: Final = "application/vnd.apache.arrow.stream"
_OUTCOME_STORED: Final = bytes([STORED])
_PLAIN: Final = b',"outcome":"stored"'
_END: Final = b"\xff\xff\xff\xff\0\0\0\0"
_COLUMNS: Final = ("outcome", "size", "maturity", "grade", "pack", "decisive")
_TEXT: Final = pa.dictionary(pa.uint8(), pa.utf8())
_CODES: Final = pa.schema([("seq", pa.int64()), *((name, pa.uint8()) for name in _COLUMNS)])
_OUTCOME_NAMES: Final = pa.array(["refused", *OUTCOMES.values()])
_REASON_NAMES: Final = pa.array(
    [Reason(k).word if k in Reason._value2member_map_ else "" for k in range(max(Reason) + 1)])


class Wish(Flag):
    """How a sender would have its answer."""

    FULL = 0
    MINIMAL = 1
    ARROW = 2


def wish_of(headers: Headers) -> Wish:
    """The wish in the Accept and Prefer headers (RFC 9110, RFC 7240)."""
    wish = Wish.FULL
    accept = headers.get("accept", "")
    if ARROW in accept and _weight(accept, ARROW) >= max(
            _weight(accept, "application/json"), 0.001):
        wish |= Wish.ARROW
    if "prefer" in headers and any(
            "".join(part.split(";")[0].lower().replace('"', "").split()) == "return=minimal"
            for line in headers.getlist("prefer") for part in line.split(",")):
        wish |= Wish.MINIMAL
    return wish


def _weight(accept: str, media: str) -> float:
    """The q value that an Accept header gives a media type by its name; 0 if it is not there."""
    for part in accept.lower().split(","):
        name, *parameters = (p.strip() for p in part.split(";"))
        if name == media:
            said = next((p[2:] for p in parameters if p.startswith("q=")), "1")
            try:
                return float(said)
            except ValueError:
                return 1.0
    return 0.0


def answer(outcomes: Outcomes, wish: Wish = Wish.FULL) -> Response:
    """One outcome per record, in order, with the counts. Raises Problem if nothing was taken."""
    head = head_of(outcomes)
    if outcomes.texts.n and not head["stored"] and not head["duplicates"]:
        raise _nothing_taken(outcomes, head)
    minimal = Wish.MINIMAL in wish
    if Wish.ARROW in wish:
        body, media = _arrow(outcomes, head, minimal), ARROW
    else:
        told = _remarkable(outcomes, head) if minimal else lines(outcomes)
        body = b"".join((msgspec.json.encode(head)[:-1], b',"outcomes":[', told, b"]}"))
        media = "application/json"
    return Response(body, 201 if head["stored"] else 200, media_type=media,
                    headers={"Preference-Applied": "return=minimal"} if minimal else None)


def head_of(outcomes: Outcomes) -> dict[str, Any]:
    """Lot, source, run, commit and counts; what is odd about the records, where something is."""
    found, notes = outcomes.counts, outcomes.notes
    head: dict[str, Any] = {
        "lot": outcomes.lot.id, "source": outcomes.source,
        "run": outcomes.run, "commit": outcomes.commit,
        "received": outcomes.texts.n, "stored": found[STORED], "duplicates": found[DUPLICATE],
        "conflicts": found[CONFLICT], "lot_closed": found[LOT_CLOSED],
        "refused": len(outcomes.refused),
    }
    if notes.clock():
        head["clock"] = notes.clock()
    if notes.skipped is not None:
        head["skipped"] = list(notes.skipped)
    return head


def _nothing_taken(outcomes: Outcomes, head: dict[str, Any]) -> Problem:
    single = outcomes.texts.n == 1
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
    if outcomes.refused:
        return b",".join(_each(outcomes))
    # One formatting of the whole answer is twice as fast as one a record.
    seqs = outcomes.seqs.tolist()
    parts: list[Any] = [None] * (2 * len(seqs))
    parts[::2], parts[1::2] = seqs, _tails_by_row(outcomes)
    return ((b'{"seq":%d%b,' * len(seqs)) % tuple(parts))[:-1]


def _remarkable(outcomes: Outcomes, head: dict[str, Any]) -> bytes:
    """The JSON text of the outcomes other than "stored", separated by commas."""
    if head["stored"] == outcomes.texts.n:
        return b""
    return b",".join(told for told in _each(outcomes) if _PLAIN not in told)


def _each(outcomes: Outcomes) -> list[bytes]:
    found = [b""] * outcomes.texts.n
    seqs = outcomes.seqs.tolist()
    for position, seq, tail in zip(
            outcomes.kept.tolist(), seqs, _tails_by_row(outcomes), strict=True):
        found[position] = b'{"seq":%d%b' % (seq, tail)
    for position, findings in outcomes.refused.items():
        found[position] = msgspec.json.encode({
            "seq": outcomes.texts.seq(position), "outcome": "refused",
            "errors": [finding_json(f) for f in findings]})
    return found


def _tails_by_row(outcomes: Outcomes) -> list[bytes]:
    tails: list[bytes] = []
    for part in outcomes.parts:
        of_part = tails_of(part)
        if part.rows is None:
            return of_part
        tails = tails or [b""] * len(outcomes.seqs)
        told = b',"lot":' + msgspec.json.encode(part.lot.id) + b"}"
        for row, tail in zip(part.rows.tolist(), of_part, strict=True):
            tails[row] = tail if b'"lot":' in tail else tail[:-1] + told
    return tails


def tails_of(part: Settled) -> list[bytes]:
    """What is told of each fruit of a part after its seq, as the rest of a JSON object."""
    receipt = part.receipt
    verdicts, outcome, compiled = receipt.verdicts, receipt.outcome, part.lot.binding.compiled
    if not part.others:
        tails = _tails(verdicts, outcome, compiled)
    else:
        # The codes of another standard may have no name under this one.
        tails = [_tails(verdicts.take(rows=[row]), outcome[[row]],
                        part.others.get(row, compiled))[0] for row in range(len(outcome))]
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
    if code >> 40 in (CONFLICT, LOT_CLOSED):
        # A conflict has the codes of the stored fruit, maybe of another standard: not to be named.
        return b',"outcome":' + msgspec.json.encode(OUTCOMES[code >> 40]) + b"}"
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
    return b"," + msgspec.json.encode(fields)[1:]


def _arrow(outcomes: Outcomes, head: dict[str, Any], minimal: bool) -> bytes:
    """An Arrow IPC stream of the outcomes; the counts are metadata of its schema, as JSON.

    Columns: seq, the fields of a JSON outcome as dictionaries of text; `lot` and `errors` (JSON)
    where any outcome has them. A field that an outcome does not have is null.
    """
    metadata = {k: msgspec.json.encode(v) for k, v in head.items()}
    if head["stored"] == outcomes.texts.n and len(outcomes.parts) == 1:
        seqs = outcomes.seqs
        return _quick_stream(outcomes.parts[0], seqs[:0] if minimal else seqs, metadata)
    told = _remarkable(outcomes, head) if minimal else lines(outcomes)
    columns = _told_columns(msgspec.json.decode(b"[" + told + b"]"))
    batch = pa.RecordBatch.from_arrays(list(columns.values()), names=list(columns))
    return _stream_of(batch.replace_schema_metadata(metadata))


def _stream_of(batch: Any) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as stream:
        stream.write_batch(batch)
    return bytes(sink.getvalue())


def _quick_stream(part: Settled, seqs: Integers, metadata: dict[str, bytes]) -> bytes:
    """The stream for the first fruit of a part that were all stored, made of their codes.

    Its dictionaries are the same for every body of a standard, so they are written only once.
    """
    form = _form(part.lot.binding.compiled)
    n, verdicts = len(seqs), part.receipt.verdicts.take(rows=slice(len(seqs)))
    said = verdicts.decisive != 0
    nulls = n - int(np.count_nonzero(said))
    pad = bytes(-n % 8)
    pieces = [form.schema.with_metadata(metadata).serialize(), form.dictionaries,
              _batch_head(n, nulls), seqs.tobytes(), _OUTCOME_STORED * n, pad]
    for name in _COLUMNS[1:5]:
        pieces += getattr(verdicts, name).tobytes(), pad
    if nulls:
        bits = np.packbits(said, bitorder="little").tobytes()
        pieces += bits, bytes(-len(bits) % 8)
    return b"".join((*pieces, verdicts.decisive.tobytes(), pad, _END))


@lru_cache(maxsize=4096)
def _batch_head(n: int, nulls: int) -> bytes:
    """What comes before the buffers of a batch of n outcomes, `nulls` of them without a decisive
    reason: it is the same whatever is in the buffers."""
    # On the wire a column with a dictionary is that of its codes.
    codes = [pa.array(np.zeros(n, np.uint8))] * 5
    decisive = pa.array(np.zeros(n, np.uint8), mask=np.arange(n) < nulls)
    whole = bytes(pa.RecordBatch.from_arrays(
        [pa.array(np.zeros(n, np.int64)), *codes, decisive], schema=_CODES).serialize())
    bits = -(-n // 64) * 8 if nulls else 0
    return whole[:len(whole) - 8 * n - 6 * (n + -n % 8) - bits]


@dataclass(frozen=True, slots=True)
class _Form:
    """What all streams of one standard share: the schema, and the messages that hold the names of
    the codes as dictionaries."""

    schema: Any
    dictionaries: bytes


def _form(compiled: Compiled) -> _Form:
    found = _FORMS.get(compiled)
    if found is None:
        names = [_OUTCOME_NAMES, *(pa.array(getattr(compiled, f"{c}_names"), pa.utf8())
                                   for c in _COLUMNS[1:5]), _REASON_NAMES]
        none = pa.array([], pa.uint8())
        batch = pa.RecordBatch.from_arrays(
            [pa.array([], pa.int64()),
             *(pa.DictionaryArray.from_arrays(none, n, safe=False) for n in names)],
            names=["seq", *_COLUMNS])
        whole = _stream_of(batch)
        start = len(batch.schema.serialize())
        end = whole.rindex(bytes(batch.serialize()))
        found = _FORMS[compiled] = _Form(batch.schema, whole[start:end])
    return found


_FORMS: WeakKeyDictionary[Compiled, _Form] = WeakKeyDictionary()


def _told_columns(told: list[dict[str, Any]]) -> dict[str, Any]:
    """Columns of any outcomes, from their JSON form."""
    columns = {"seq": pa.array([t["seq"] for t in told], pa.int64())}
    for name in _COLUMNS:
        columns[name] = pa.array([t.get(name) for t in told], _TEXT)
    if any("lot" in t for t in told):
        columns["lot"] = pa.array([t.get("lot") for t in told], pa.utf8())
    if any("errors" in t for t in told):
        columns["errors"] = pa.array(
            [msgspec.json.encode(t["errors"]).decode() if "errors" in t else None for t in told],
            pa.utf8())
    return columns
