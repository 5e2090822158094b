"""Bytes to checked columns, the first stretch of a record's road.

A body is first read as what its source usually sends (`narrow`), then as whole records, and only
if that fails too one record at a time, so that a bad one never blocks its neighbours.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Any, Final, Literal

import msgspec
import numpy as np

from grading.columns import Parsed, to_batch
from grading.errors import Finding
from grading.quantities import Integers
from grading.record import FruitRecord
from service.ingest.faults import (
    UNREADABLE,
    BodyError,
    body_error,
    has_twice,
    not_json,
    record_findings,
)
from service.ingest.narrow import Shapes, colons_in

__all__ = ["Body", "BodyError", "Media", "Texts", "parse_body", "split_array"]

Media = Literal["json", "ndjson", "csv", "parquet", "arrow"]

_ARRAY: Final = msgspec.json.Decoder(list[FruitRecord])
_ONE: Final = msgspec.json.Decoder(FruitRecord)
_RAWS: Final = msgspec.json.Decoder(list[msgspec.Raw])
_PLAIN: Final = msgspec.json.Decoder()
_BOM: Final = b"\xef\xbb\xbf"
_SHAPES: Final = Shapes()
_SHAPES_LOCK: Final = threading.Lock()


class Texts:
    """The n records of a body as they were sent.

    raws: gives the JSON text of every record; asked for only when a refused one is kept.
    """

    def __init__(self, *, n: int, raws: Callable[[], Sequence[bytes]]) -> None:
        self.n = n
        self._make_raws = raws

    @cached_property
    def raws(self) -> Sequence[bytes]:
        """The JSON text of every record."""
        return self._make_raws()

    def raw(self, position: int) -> bytes:
        """The JSON text of a record, as sent where it was sent as JSON."""
        return bytes(self.raws[position])

    def seq(self, position: int) -> int | None:
        """The number a refused record claims, if it can be told."""
        try:
            value = msgspec.json.decode(self.raw(position))
        except UNREADABLE:
            return None
        seq = value.get("seq") if isinstance(value, dict) else None
        if not isinstance(seq, int) or isinstance(seq, bool):
            return None
        return seq if 0 <= seq < 2**63 else None


class Body(Texts):
    """Records of one body. `parsed` tells by position what each became."""

    def __init__(self, *, n: int, parsed: Parsed, raws: Callable[[], Sequence[bytes]]) -> None:
        super().__init__(n=n, raws=raws)
        self.parsed = parsed


def parse_body(
    *, body: bytes, media: str, source: str, run: str, tip_mm: float | None = None
) -> Body:
    """Take a body apart. media: one of `Media`.

    JSON is one record or an array of them; NDJSON may have blank lines; CSV has a header with the
    names of the JSON fields, an empty cell is a missing value, `defects` and `judged` hold JSON;
    Parquet and Arrow IPC streams have the same columns. Raises BodyError when no record can be
    told apart.
    """
    if media == "parquet":
        from service.ingest.parquet import unpacked

        body, media = unpacked(body=body), "arrow"
    if media == "arrow":
        from service.ingest.arrow import parse_arrow  # pyarrow loads slowly

        n, parsed, raws = parse_arrow(body=body, source=source, run=run, tip_mm=tip_mm)
        return Body(n=n, parsed=parsed, raws=raws)
    if media == "csv":
        from service.ingest.table import parse_csv

        n, parsed, raws = parse_csv(body=body, source=source, run=run, tip_mm=tip_mm)
        return Body(n=n, parsed=parsed, raws=raws)
    body = body.removeprefix(_BOM)
    if media == "ndjson":
        return _parse(body=body, kind="lines", source=source, run=run, tip_mm=tip_mm)
    if media != "json":
        raise ValueError(f"media {media!r} is none of json, ndjson, csv, parquet, arrow")
    first = body.lstrip(b" \t\r\n")[:1]
    if first == b"[":
        return _parse(body=body, kind="array", source=source, run=run, tip_mm=tip_mm)
    if first == b"{":
        return _parse(body=body, kind="object", source=source, run=run, tip_mm=tip_mm)
    if not first:
        raise body_error("empty", "The body is empty.", "Send a fruit record or an array of them.")
    try:
        msgspec.json.decode(body)
    except UNREADABLE as error:
        raise not_json(body=body, error=error) from None
    raise body_error("wrong_type", "The body is neither an object nor an array.",
                     "Send a fruit record or an array of them.")


def _decode(kind: str, array: Any, one: Any, body: bytes) -> list[Any]:
    if kind == "object":
        return [one.decode(body)]
    found: list[Any] = one.decode_lines(body) if kind == "lines" else array.decode(body)
    # The decoder takes any white space between records; one a line is up to us.
    if kind == "lines" and not _one_a_line(body, len(found)):
        raise msgspec.DecodeError("not one record a line")
    return found


def _one_a_line(body: bytes, n: int) -> bool:
    return body.count(b"\n") == n - (not body.endswith(b"\n")) or len(_split(body, "lines")) == n


def _parse(*, body: bytes, kind: str, source: str, run: str, tip_mm: float | None) -> Body:
    parsed = _narrow(body, kind, source, run, tip_mm)
    if parsed is None:
        parsed = _whole(body, kind, source, run, tip_mm)
    if parsed is not None:
        return Body(n=len(parsed.kept) + len(parsed.refused), parsed=parsed,
                    raws=lambda: _split(body, kind))
    raws = _split(body, kind)
    return Body(n=len(raws), parsed=_one_by_one(raws, source, run, tip_mm), raws=lambda: raws)


def _narrow(body: bytes, kind: str, source: str, run: str, tip_mm: float | None) -> Parsed | None:
    with _SHAPES_LOCK:
        shape = _SHAPES.of(source)
    if shape is None or b"\\" in body:
        return None
    try:
        records = _decode(kind, shape.array, shape.one, body)
    except UNREADABLE:
        return None
    if not records:
        return None
    parsed = shape.read(
        records=records, colons=colons_in(body), source=source, run=run, tip_mm=tip_mm)
    if parsed is not None:
        with _SHAPES_LOCK:
            _SHAPES.worked(source)
    return parsed


def _whole(body: bytes, kind: str, source: str, run: str, tip_mm: float | None) -> Parsed | None:
    try:
        records = _decode(kind, _ARRAY, _ONE, body)
        plain = _decode(kind, _PLAIN, _PLAIN, body)
    except UNREADABLE:
        return None
    if not _no_key_twice(body, plain):
        return None
    if records:
        with _SHAPES_LOCK:
            _SHAPES.learn(source=source, records=records, plain=plain)
    return to_batch(records=records, source=source, run=run, tip_mm=tip_mm)


def _no_key_twice(body: bytes, plain: Sequence[Any]) -> bool:
    """Whether it is certain: each colon of the body belongs to a decoded key or text."""
    try:
        return b"\\" not in body and colons_in(body) == sum(map(_colons, plain))
    except RecursionError:
        return False


def _colons(value: Any) -> int:
    """Colons that the JSON text of a decoded value has, if no key came twice."""
    if isinstance(value, str):
        return value.count(":")
    if isinstance(value, list):
        return sum(map(_colons, value))
    if not isinstance(value, dict):
        return 0
    count = len(value)
    for key, part in value.items():
        if ":" in key:
            count += key.count(":")
        if isinstance(part, str | list | dict):
            count += _colons(part)
    return count


def split_array(*, body: bytes) -> list[bytes]:
    """The text of each record of a JSON array, or of the one object. Raises BodyError."""
    body = body.removeprefix(_BOM)
    return _split(body, "array" if body.lstrip(b" \t\r\n")[:1] == b"[" else "object")


def _split(body: bytes, kind: str) -> list[bytes]:
    """The text of each record. Raises BodyError where the body as a whole cannot be read."""
    if kind == "lines":
        return [line for line in map(bytes.strip, body.split(b"\n")) if line]
    try:
        if kind == "array":
            raws = [bytes(raw) for raw in _RAWS.decode(body)]
        else:
            _PLAIN.decode(body)
            raws = [body.strip()]
        body.decode("utf-8")
    except UNREADABLE as error:
        if kind == "object" and "out of range" in str(error):
            return [body.strip()]
        raise not_json(body=body, error=error) from None
    return raws


def _one_by_one(raws: Sequence[bytes], source: str, run: str, tip_mm: float | None) -> Parsed:
    """Each record by itself: the slow way, and the one that tells what is wrong."""
    records: list[FruitRecord] = []
    places: list[int] = []
    refused: dict[int, tuple[Finding, ...]] = {}
    together = b"[" + b",".join(raws) + b"]"
    try:
        clean = _no_key_twice(together, _PLAIN.decode(together))
    except UNREADABLE:
        clean = False
    for position, raw in enumerate(raws):
        try:
            record = _ONE.decode(raw)
            usable = clean or not has_twice(raw=raw)
        except UNREADABLE:
            usable = False
        if usable:
            records.append(record)
            places.append(position)
        else:
            refused[position] = record_findings(raw=raw)
    return merged(parsed=to_batch(records=records, source=source, run=run, tip_mm=tip_mm),
                  places=np.array(places, np.int64), refused=refused)


def merged(
    *, parsed: Parsed, places: Integers, refused: dict[int, tuple[Finding, ...]]
) -> Parsed:
    """Records parsed out of the `places` of a body, together with those refused before."""
    for position, findings in parsed.refused.items():
        refused[int(places[position])] = findings
    return Parsed(parsed.batch, places[parsed.kept], dict(sorted(refused.items())))
