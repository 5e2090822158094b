"""Fruit and their verdicts as the bytes of one chunk, and back.

A chunk is a header of 24 bytes (magic, length before compression, first seq, first time, little
endian) and an Arrow IPC stream under one zstd frame: compressing the stream whole is several
times faster than Arrow's compression column by column, at the same size.

Columns: `seq` and `time` as steps from the row before (int32, or int64 where a step is wider),
`lane`, each measure by its name, `sent:<field>` numbers as sent, `defects` and `judged` as JSON,
`v:<name>` verdict codes. Missing is an Arrow null. A column in which nothing is said is left out.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.ipc

from grading.quantities import MEASURES, Flags, Integers
from grading.record import Column, Defect, FruitBatch
from grading.verdicts import Verdicts
from service.store.errors import ChunkDamaged

CHUNK_FRUIT: Final = 8192
AHEAD_FRUIT: Final = CHUNK_FRUIT // 4
VERDICT_DTYPES: Final[dict[str, type[np.uint8] | type[np.uint32]]] = {
    "size": np.uint8, "maturity": np.uint8, "grade": np.uint8, "pack": np.uint8,
    "reasons": np.uint32, "decisive": np.uint8,
}

_MAGIC: Final = b"DRC1"
_HEAD: Final = struct.Struct("<4sIqq")
_RANGES_HEAD: Final = struct.Struct("<I")
_ZSTD: Final = pa.Codec("zstd", compression_level=1)
_INT32: Final = np.iinfo(np.int32)
_DEFECTS: Final = msgspec.json.Decoder(tuple[Defect, ...])
_JUDGED: Final = msgspec.json.Decoder(dict[str, bool])
_ENCODER: Final = msgspec.json.Encoder()


def whole_chunk(*, n: int) -> bool:
    """Whether n fruit that came together make a chunk by themselves, which is then encoded before
    they are submitted: two threads that both work on columns spend much of their time handing
    the interpreter to each other. Of fewer the writer gathers more, and more it parts."""
    return AHEAD_FRUIT <= n <= CHUNK_FRUIT


def encode(*, batch: FruitBatch, verdicts: Verdicts) -> bytes:
    """The bytes of a chunk of n > 0 fruit. Source and run are kept beside it, not inside."""
    n = len(batch)
    if len(verdicts) != n:
        raise ValueError(f"{n} fruit with {len(verdicts)} verdicts")
    columns: dict[str, Any] = {"seq": pa.array(_steps(batch.seq))}
    time_base = 0
    if batch.time_ms.present.any():
        times, time_base = _filled_forward(batch.time_ms)
        columns["time"] = _nullable(_steps(times), batch.time_ms.present, blank=False)
    if batch.lane.any():
        columns["lane"] = pa.array(batch.lane)
    for name, column in batch.measures.items():
        if column.present.any():
            columns[name] = _nullable(column.values, column.present)
    for field, column in batch.originals.items():
        if column.present.any():
            columns[f"sent:{field}"] = _nullable(column.values, column.present)
    if batch.defects:
        columns["defects"] = _json_column(n, batch.defects)
    if batch.judged:
        columns["judged"] = _json_column(n, batch.judged)
    for name, dtype in VERDICT_DTYPES.items():
        columns[f"v:{name}"] = pa.array(getattr(verdicts, name).astype(dtype, copy=False))
    table = pa.RecordBatch.from_arrays(list(columns.values()), names=list(columns))
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_batch(table)
    raw = sink.getvalue()
    head = _HEAD.pack(_MAGIC, raw.size, int(batch.seq[0]), time_base)
    return head + bytes(_ZSTD.compress(raw, asbytes=True))


def decode(*, blob: bytes, source: str, run: str) -> tuple[FruitBatch, Verdicts]:
    """What `encode` was given. Arrays may be read-only views. ChunkDamaged if it cannot be read."""
    try:
        magic, size, seq_base, time_base = _HEAD.unpack_from(blob)
        if magic != _MAGIC:
            raise ChunkDamaged(f"a chunk starts with {magic!r}, not {_MAGIC!r}")
        raw = _ZSTD.decompress(memoryview(blob)[_HEAD.size:], decompressed_size=size)
        table = pa.ipc.open_stream(raw).read_next_batch()
        columns = dict(zip(table.schema.names, table.columns, strict=True))
        return _from_columns(columns, source, run, seq_base, time_base)
    except (pa.ArrowException, OSError, struct.error, msgspec.MsgspecError, KeyError) as e:
        raise ChunkDamaged(f"a chunk does not decode: {e}") from e


def _from_columns(
    columns: dict[str, Any], source: str, run: str, seq_base: int, time_base: int
) -> tuple[FruitBatch, Verdicts]:
    verdicts = Verdicts(**{name: columns[f"v:{name}"].to_numpy() for name in VERDICT_DTYPES})
    seq = _summed(columns["seq"].to_numpy(), seq_base)
    n = len(seq)
    time_ms = Column(np.zeros(n, np.int64), np.zeros(n, np.bool_))
    if "time" in columns:
        steps = _column(columns["time"])
        times = _summed(steps.values, time_base)
        time_ms = Column(np.where(steps.present, times, 0), steps.present)
    lane = columns["lane"].to_numpy() if "lane" in columns else np.zeros(n, np.uint8)
    return FruitBatch(
        source=source,
        run=run,
        seq=seq,
        lane=lane,
        time_ms=time_ms,
        measures={k: _column(c) for k, c in columns.items() if k in MEASURES},
        originals={k[5:]: _column(c) for k, c in columns.items() if k.startswith("sent:")},
        defects=_from_json(columns.get("defects"), _DEFECTS),
        judged=_from_json(columns.get("judged"), _JUDGED),
    ), verdicts


def _steps(values: Integers) -> Integers:
    steps = np.empty(len(values), np.int64)
    steps[0] = 0
    np.subtract(values[1:], values[:-1], out=steps[1:])
    if steps.min() >= _INT32.min and steps.max() <= _INT32.max:
        return steps.astype(np.int32)
    return steps


def _summed(steps: Integers, base: int) -> Integers:
    values = np.cumsum(steps, dtype=np.int64)
    values += base
    return values


def _filled_forward(times: Column) -> tuple[Integers, int]:
    """Missing times as the one before them, so that steps stay small; and the first time."""
    if times.present.all():
        return times.values, int(times.values[0])
    at = np.where(times.present, np.arange(len(times.values)), 0)
    first = int(np.argmax(times.present))
    filled = times.values[np.maximum(np.maximum.accumulate(at), first)]
    return filled, int(filled[0])


def _nullable(values: Integers, present: Flags, *, blank: bool = True) -> Any:
    """An Arrow array with nulls; the bytes under a null are zero, which compresses."""
    if present.all():
        return pa.array(values)
    kept = np.where(present, values, np.zeros(1, values.dtype)) if blank else values
    bits = np.packbits(present, bitorder="little")
    return pa.Array.from_buffers(
        pa.from_numpy_dtype(values.dtype), len(values), [pa.py_buffer(bits), pa.py_buffer(kept)]
    )


def _column(array: Any) -> Column:
    n = len(array)
    bits, data = array.buffers()
    values = np.frombuffer(data, array.type.to_pandas_dtype(), n, array.offset)
    if array.null_count == 0:
        return Column(values, np.ones(n, np.bool_))
    flags = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little", count=n)
    return Column(values, flags.view(np.bool_))


def _json_column(n: int, by_row: Mapping[int, Any]) -> Any:
    texts: list[str | None] = [None] * n
    for row, value in by_row.items():
        texts[row] = _ENCODER.encode(value).decode()
    return pa.array(texts, pa.utf8())


def _from_json(array: Any, decoder: Any) -> dict[int, Any]:
    if array is None:
        return {}
    rows = np.flatnonzero(array.is_valid().to_numpy(zero_copy_only=False)).tolist()
    texts = array.drop_null().to_pylist()
    return {row: decoder.decode(text) for row, text in zip(rows, texts, strict=True)}


def pack_ranges(*, ranges: Integers) -> bytes | None:
    """Ranges (k, 2) as bytes; None for a single one, whose ends the chunk's row says already."""
    if len(ranges) == 1:
        return None
    flat = ranges.reshape(-1).astype("<i8")
    flat[1:] -= flat[:-1].copy()
    return _RANGES_HEAD.pack(len(ranges)) + bytes(_ZSTD.compress(flat.tobytes(), asbytes=True))


def unpack_ranges(*, blob: bytes | None, low: int, high: int) -> Integers:
    """What `pack_ranges` was given; `low` and `high` are the ends of the whole."""
    if blob is None:
        return np.array([[low, high]], np.int64)
    (k,) = _RANGES_HEAD.unpack_from(blob)
    raw = _ZSTD.decompress(memoryview(blob)[_RANGES_HEAD.size:], decompressed_size=16 * k)
    return np.cumsum(np.frombuffer(raw, "<i8"), dtype=np.int64).reshape(k, 2)
