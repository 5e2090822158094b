"""Frames of a stream to fruit records: one record or an array of them, JSON or MessagePack.

`read_json` and `read_packed` are the quick way for one fruit a frame, and answer None unless all
is well; `records_of` is the slow way that takes anything and says what is wrong with it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import msgspec
from msgspec.structs import astuple

from grading.errors import Finding
from grading.record import SEQ_MAX, FruitRecord
from service.ingest.faults import (
    UNREADABLE,
    BodyError,
    body_error,
    has_twice,
    not_json,
    record_findings,
    value_findings,
)
from service.ingest.parse import split_array

_JSON: Final = msgspec.json.Decoder(FruitRecord)
_PACKED: Final = msgspec.msgpack.Decoder(FruitRecord)
_PACKED_PLAIN: Final = msgspec.msgpack.Decoder()
_PACKED_ARRAY: Final = msgspec.msgpack.Decoder(list[msgspec.Raw])
_PACKED_MAP: Final = msgspec.msgpack.Decoder(dict[str, msgspec.Raw])
_FIELDS: Final = len(FruitRecord.__struct_fields__)
_TIME: Final = FruitRecord.__struct_fields__.index("time")
_DEFECTS: Final = FruitRecord.__struct_fields__.index("defects")
_NOT_A_NUMBER: Final = Finding(
    "", "not_a_number", "The record holds a number that is none (NaN or infinite).",
    "Leave a field out when it was not measured.")
_TOO_DEEP: Final = Finding(
    "", "too_deep", "The record is nested too deeply.",
    "Send fruit records as they are documented.")
_TWICE: Final = Finding(
    "", "given_twice", "A key is given twice in one map.", "Send it once.")


@dataclass(frozen=True, slots=True)
class Sent:
    """One record of a frame: its JSON text, and the record or what is wrong with it. seq: what it
    claims, if that can be told."""

    raw: bytes
    seq: int | None
    record: FruitRecord | None
    findings: tuple[Finding, ...] = ()


def read_json(frame: str | bytes) -> FruitRecord | None:
    """The one plain record of a frame; None for anything else or in any doubt.

    Every key of the text has a colon and so has no other place of it but a time, in which there
    are two, or three with an offset. So a key that came twice shows.
    """
    try:
        record = _JSON.decode(frame)
    except UNREADABLE:
        return None
    values = astuple(record)
    colons = _FIELDS - values.count(None) + (0 if values[_TIME] is None else 2)
    if isinstance(frame, str):
        if frame.count(":") != colons or "\\" in frame:
            return None
    elif frame.count(b":") != colons or b"\\" in frame:
        return None
    return record if values[_DEFECTS:] == (None, None) else None


def read_packed(frame: bytes) -> FruitRecord | None:
    """`read_json` for MessagePack."""
    try:
        record = _PACKED.decode(frame)
    except UNREADABLE:
        return None
    values = astuple(record)
    if _pairs(frame) != _FIELDS - values.count(None) or values[_DEFECTS:] != (None, None):
        return None
    return record


def records_of(*, frame: bytes, packed: bool) -> Iterator[Sent]:
    """Each record of a frame. Raises BodyError when none can be told apart, before the first."""
    raws = _packed_parts(frame) if packed else _json_parts(frame)
    return map(_sent_packed if packed else _sent_json, raws)


def is_array(*, frame: bytes, packed: bool) -> bool:
    """Whether a frame that can be read holds an array."""
    if packed:
        return frame[0] & 0xF0 == 0x90 or frame[0] in (0xDC, 0xDD)
    return frame.lstrip(b" \t\r\n\xef\xbb\xbf")[:1] == b"["


def _json_parts(frame: bytes) -> list[bytes]:
    if frame.lstrip(b" \t\r\n\xef\xbb\xbf")[:1] in (b"[", b"{"):
        return split_array(body=frame)
    try:
        msgspec.json.decode(frame)
    except UNREADABLE as error:
        raise not_json(body=frame, error=error) from None
    raise _neither()


def _packed_parts(frame: bytes) -> list[bytes]:
    try:
        whole = _PACKED_PLAIN.decode(frame)
        if isinstance(whole, list):
            return [bytes(raw) for raw in _PACKED_ARRAY.decode(frame)]
    except UNREADABLE as error:
        raise body_error("not_messagepack", f"The frame is not MessagePack: {error}.",
                         "Send the whole of it.") from None
    if isinstance(whole, dict):
        return [frame]
    raise _neither()


def _neither() -> BodyError:
    return body_error("wrong_type", "The frame is neither a record nor an array.",
                      "Send a fruit record or an array of them.")


def _sent_json(raw: bytes) -> Sent:
    try:
        record = _JSON.decode(raw)
        if not has_twice(raw=raw):
            return Sent(raw, record.seq, record)
    except UNREADABLE:
        pass
    try:
        value = msgspec.json.decode(raw)
    except UNREADABLE:
        value = None
    return Sent(raw, _claimed(value), None, record_findings(raw=raw))


def _sent_packed(raw: bytes) -> Sent:
    try:
        return _packed_record(raw)
    except RecursionError:  # what could just be read may be too deep to be written
        return Sent(b"", None, None, (_TOO_DEEP,))


def _packed_record(raw: bytes) -> Sent:
    value = _PACKED_PLAIN.decode(raw)
    text = json.dumps(msgspec.to_builtins(value, str_keys=True), ensure_ascii=False,
                      default=str).encode("utf-8", "replace")
    if not isinstance(value, dict) or not all(isinstance(key, str) for key in value):
        return Sent(text, None, None, (Finding(
            "", "not_an_object", "This is not a fruit record.",
            "Send a map with the fields of a fruit record."),))
    findings = [*value_findings(value=value)]
    if not _all_numbers(value):
        findings.append(_NOT_A_NUMBER)
    if _packed_twice(raw):
        findings.append(_TWICE)
    if findings:
        return Sent(text, _claimed(value), None, tuple(findings))
    record = _PACKED.decode(raw)
    return Sent(text, record.seq, record)


def _claimed(value: Any) -> int | None:
    seq = value.get("seq") if isinstance(value, dict) else None
    return seq if type(seq) is int and 0 <= seq <= SEQ_MAX else None


def _all_numbers(value: Any) -> bool:
    """Whether JSON could hold every number of it."""
    try:
        json.dumps(value, allow_nan=False, default=str)
    except ValueError:
        return False
    return True


def _packed_twice(raw: bytes) -> bool:
    """Whether a map of the record has more pairs than keys."""
    fields = _PACKED_MAP.decode(raw)
    maps = [raw]
    if "judged" in fields:
        maps.append(bytes(fields["judged"]))
    if "defects" in fields:
        defects = _PACKED_PLAIN.decode(fields["defects"])
        if isinstance(defects, list):
            maps += map(bytes, _PACKED_ARRAY.decode(fields["defects"]))
    return any(_pairs(one) > len(_PACKED_PLAIN.decode(one)) for one in maps
               if isinstance(_PACKED_PLAIN.decode(one), dict))


def _pairs(packed: bytes) -> int:
    """How many pairs a MessagePack map says it has (0 for anything else)."""
    first = packed[0]
    if first & 0xF0 == 0x80:
        return first & 0x0F
    if first == 0xDE:
        return packed[1] << 8 | packed[2]
    return int.from_bytes(packed[1:5], "big") if first == 0xDF else 0
