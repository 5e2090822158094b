"""Arrow IPC streams: a batch of columns as the body of a request.

A stream comes from outside, so nothing in it is believed: compressed buffers, whose real size
only unpacking would tell, are refused, types that could stand for more values than the body has
bytes are not read, and every buffer is validated before it is looked at.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.ipc

from grading.columns import Parsed
from grading.quantities import UNIT_FIELDS
from service.ingest.arrays import Arrays, Slow, from_arrays, is_text
from service.ingest.faults import UNREADABLE, BodyError, body_error
from service.ingest.table import Table, check_header, parse_arrays

MESSAGES_MAX: Final = 4096
NESTED_MAX: Final = 64
TEXT_MAX: Final = 64 * 2**20
"""Bytes that a column of repeated text (a dictionary or views) may stand for."""

_END: Final = b"\xff\xff\xff\xff\0\0\0\0"
_WHOLE_STREAM: Final = "Send one whole Arrow IPC stream, ended by its end-of-stream mark."
_BATCH, _DICTIONARY = "record batch", "dictionary"
_TEXTS: Final = ("time", "defects", "judged")
_BROKEN: Final = (pa.ArrowException, OSError, struct.error, MemoryError, *UNREADABLE)
_OPTIONS: Final = pa.ipc.IpcReadOptions(use_threads=False)
_WANTED: Final[dict[str, str]] = {
    "seq": "int64", "lane": "uint8", "time_unix_ms": "int64",
    "time": "timestamp with a zone, or text",
    "defects": "text that holds JSON, or a list of structs",
    "judged": "text that holds JSON, or a struct of booleans",
}


def parse_arrow(*, body: bytes, source: str, run: str, tip_mm: float | None = None) -> Table:
    """n, what became of each row, and each row as JSON. Raises BodyError for another stream."""
    try:
        schema, batches = _read(body)
        arrays = _joined(batches, schema)
    except _BROKEN as wrong:
        raise body_error("not_arrow", f"The body is not an Arrow IPC stream: {str(wrong)[:200]}.",
                         _WHOLE_STREAM) from None
    return parse_arrays(arrays=arrays, source=source, run=run, tip_mm=tip_mm)


def parse_streams(
    *, bodies: Sequence[bytes], source: str, run: str, rows_max: int, tip_mm: float | None = None
) -> tuple[list[int], list[int], Parsed] | None:
    """Streams of the same columns as one, in order of their numbers: by body the position of its
    first row and how many it has, and what became of each row. None: look at each by itself."""
    try:
        streams = [_read(body) for body in bodies]
        schema = streams[0][0]
        sizes = [sum(batch.num_rows for batch in batches) for _, batches in streams]
        if any(other != schema for other, _ in streams) or sum(sizes) > rows_max:
            return None
        lowest = [batches[0].column("seq")[0].as_py() if n else 0
                  for (_, batches), n in zip(streams, sizes, strict=True)]
        order = sorted(range(len(bodies)), key=lowest.__getitem__)
        arrays = _joined([batch for k in order for batch in streams[k][1]], schema)
        parsed = from_arrays(arrays=arrays, source=source, run=run, tip_mm=tip_mm)
    except (BodyError, Slow, IndexError, TypeError, *_BROKEN):
        return None
    firsts, first = [0] * len(bodies), 0
    for k in order:
        firsts[k] = first
        first += sizes[k]
    return firsts, sizes, parsed


def _read(body: bytes) -> tuple[Mapping[str, Any], list[Any]]:
    """Columns by name and type, and valid record batches. Raises BodyError or one of _BROKEN."""
    schema = check_schema(check_messages(body=body))
    with pa.ipc.open_stream(pa.BufferReader(body), options=_OPTIONS) as stream:
        batches = list(stream)
    for batch in batches:
        batch.validate(full=True)
    return schema, batches


def check_messages(*, body: bytes) -> bytes:
    """The first message, which should be the schema.

    Raises BodyError unless the stream is whole, plain and of a bounded number of messages.

    A stream that stops between two batches is read without complaint by every reader, so its end
    mark is asked for.
    """
    source = pa.BufferReader(body)
    first = 0
    for k, message in enumerate(pa.ipc.MessageReader.open_stream(source)):
        if k == MESSAGES_MAX:
            raise body_error("too_many_batches", f"The stream has more than {MESSAGES_MAX} "
                             "messages.", "Send larger record batches, or several bodies.")
        first = first or source.tell()
        if message.type in (_BATCH, _DICTIONARY) and _is_compressed(memoryview(message.metadata)):
            raise body_error("compressed_buffers", "The buffers of the stream are compressed.",
                             "Write the stream without compression.")
    if source.tell() != len(body) or not body.endswith(_END):
        raise body_error("not_arrow", "The stream does not end with its end-of-stream mark.",
                         _WHOLE_STREAM)
    return body[:first]


def _is_compressed(metadata: memoryview) -> bool:
    """Whether a message says that its buffers are compressed (Message.fbs, Schema.fbs of Arrow).

    A FlatBuffer table starts with the way back to its vtable, which has two bytes a field.
    """
    message = struct.unpack_from("<I", metadata, 0)[0]
    is_dictionary = metadata[_field(metadata, message, 1)] == 2  # header_type
    header = _follow(metadata, _field(metadata, message, 2))
    if is_dictionary:
        header = _follow(metadata, _field(metadata, header, 1))  # DictionaryBatch.data
    return _field(metadata, header, 3) != 0  # RecordBatch.compression


def _field(metadata: memoryview, table: int, number: int) -> int:
    """Where a field of a FlatBuffer table is; 0 if it is left out."""
    vtable = table - struct.unpack_from("<i", metadata, table)[0]
    slot = 4 + 2 * number
    if slot >= struct.unpack_from("<H", metadata, vtable)[0]:
        return 0
    offset: int = struct.unpack_from("<H", metadata, vtable + slot)[0]
    return table + offset if offset else 0


def _follow(metadata: memoryview, at: int) -> int:
    return at + int(struct.unpack_from("<I", metadata, at)[0])


@lru_cache(maxsize=256)
def check_schema(message: bytes) -> Mapping[str, Any]:
    """The columns of the Arrow schema in a message, by name and type; a source sends the same one
    again and again.

    Raises BodyError for a column that is no field, or is of a type its field is not read from.
    """
    schema = pa.ipc.read_schema(pa.py_buffer(message))
    check_header(names=schema.names)
    for field in schema:
        if not _fits(field.name, field.type):
            raise body_error(
                "column_type", f"Column {field.name} is of type {str(field.type)[:80]}.",
                f"Send it as {_WANTED.get(field.name, 'float64')}.")
    return {field.name: field.type for field in schema}


def _fits(name: str, kind: Any) -> bool:
    if pa.types.is_null(kind):
        return name != "seq"
    if name in UNIT_FIELDS:
        return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))
    if name in ("seq", "lane", "time_unix_ms"):
        return bool(pa.types.is_integer(kind))
    if is_text(kind) or pa.types.is_string_view(kind):
        return True
    if pa.types.is_dictionary(kind):
        return is_text(kind.value_type) or bool(pa.types.is_string_view(kind.value_type))
    if name == "time":
        return bool(pa.types.is_timestamp(kind))
    if name == "judged":
        return _flat(kind)
    return bool(pa.types.is_list(kind) or pa.types.is_large_list(kind)) and _flat(kind.value_type)


def _flat(kind: Any) -> bool:
    """A struct of numbers, booleans and texts, none named twice."""
    if not pa.types.is_struct(kind) or not 0 < kind.num_fields <= NESTED_MAX:
        return False
    parts = [kind.field(i) for i in range(kind.num_fields)]
    return len({p.name for p in parts}) == len(parts) and all(
        pa.types.is_boolean(p.type) or pa.types.is_integer(p.type)
        or pa.types.is_floating(p.type) or is_text(p.type) for p in parts)


def _joined(batches: Sequence[Any], schema: Mapping[str, Any]) -> Arrays:
    """Each column in one piece, texts as plain ones."""
    if not batches:
        return {name: pa.array([], kind) for name, kind in schema.items()}
    pieces = {name: [batch.column(name) for batch in batches] for name in schema}
    return {name: _one(_plain_texts(parts) if name in _TEXTS else parts)
            for name, parts in pieces.items()}


def _one(parts: list[Any]) -> Any:
    return parts[0] if len(parts) == 1 else pa.concat_arrays(parts)


def _plain_texts(parts: Sequence[Any]) -> list[Any]:
    """Texts out of dictionaries or views, if they are not far longer than what was sent."""
    found, room = [], TEXT_MAX
    for part in parts:
        plain, room = _plain_text(part, room)
        found.append(plain)
    return found


def _plain_text(array: Any, room: int) -> tuple[Any, int]:
    """A column's text, and for how many bytes more there is room."""
    if pa.types.is_string_view(array.type):
        # A view starts with the length of its text; several may share one text.
        views = np.frombuffer(array.buffers()[1], np.int32).reshape(-1, 4)[:, 0]
        room = _less(room, views[array.offset:array.offset + len(array)])
        return array.cast(pa.large_utf8()), room
    if not pa.types.is_dictionary(array.type):
        return array, room
    texts, room = _plain_text(array.dictionary, room)
    if not len(texts):
        return pa.nulls(len(array), pa.large_utf8()), room
    lengths = pc.binary_length(texts).fill_null(0).to_numpy()
    used = array.indices.drop_null().to_numpy(zero_copy_only=False)
    room = _less(room, lengths[used])
    return texts.take(array.indices).cast(pa.large_utf8()), room


def _less(room: int, lengths: Any) -> int:
    left = room - int(lengths.sum(dtype=np.int64))
    if left < 0:
        raise body_error("too_long", f"A column of repeated text stands for more than {TEXT_MAX} "
                         "bytes.", "Send several bodies.")
    return left
