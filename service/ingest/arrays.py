"""Arrow columns, named as the fields of a fruit record, to checked columns.

Whole columns are read from their buffers. Something that only a look at single rows can name
raises Slow; `rows_of` then gives the same cells one record at a time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa

from grading.columns import Columns, Parsed, from_columns, unix_ms
from grading.quantities import UNIT_FIELDS, Flags, Floats, Integers
from grading.record import SEQ_MAX, TIME_HIGH_MS, TIME_LOW_MS, Column, Defect
from service.ingest.narrow import unix_ms_of

Arrays = Mapping[str, Any]
"""One Arrow array a field, all of one length, "seq" among them."""

_MOMENTS: Final = msgspec.json.Decoder(list[datetime])
_DEFECTS: Final = msgspec.json.Decoder(list[Defect])
_JUDGED: Final = msgspec.json.Decoder(dict[str, bool])
_PER_S: Final = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_PER_QUANTUM: Final = {name: float(unit.per_quantum()) for name, unit in UNIT_FIELDS.items()}
_DTYPES: Final[dict[int, Any]] = {
    pa.from_numpy_dtype(kind).id: np.dtype(kind) for kind in (
        np.float64, np.float32, np.float16, np.int64, np.int32, np.int16, np.int8,
        np.uint64, np.uint32, np.uint16, np.uint8)}
"""What the values of a plain number column are, by the number of its Arrow type."""
_FLOAT64: Final = pa.float64().id
_EPOCH: Final = datetime(1970, 1, 1)


class Slow(Exception):
    """Something that only the row-by-row way can name."""


def arrays_of(*, table: Any) -> Arrays:
    """The columns of an Arrow table, each in one piece."""
    return {name: table.column(name).combine_chunks() for name in table.column_names}


def from_arrays(
    *, arrays: Arrays, source: str, run: str, tip_mm: float | None = None
) -> Parsed:
    """Checked columns where every cell has the right type; else Slow."""
    if arrays["seq"].null_count:
        raise Slow
    seq, _ = _whole(arrays["seq"], 0, SEQ_MAX)
    n = len(seq)
    lane = np.zeros(n, np.uint8)
    if "lane" in arrays:
        lane[:] = _whole(arrays["lane"], 1, 255)[0]
    fields = tuple(name for name in arrays if name in UNIT_FIELDS)
    said = sum(n - arrays[name].null_count for name in fields)
    readings = _readings(arrays, fields, n)
    if np.count_nonzero(np.isfinite(readings)) != said:
        raise Slow  # NaN is no way to say "not measured"
    return from_columns(
        columns=Columns(seq=seq, lane=lane, time_ms=_times(arrays, n), fields=fields,
                        readings=readings, defects=_sparse(arrays, "defects", _DEFECTS),
                        judged=_sparse(arrays, "judged", _JUDGED)),
        source=source, run=run, tip_mm=tip_mm)


def _readings(arrays: Arrays, fields: tuple[str, ...], n: int) -> Floats:
    """Readings (len(fields), n) of unit fields, NaN where nothing is said."""
    if n and fields and all(arrays[name].type.id == _FLOAT64 for name in fields):
        batch = pa.RecordBatch.from_arrays([arrays[name] for name in fields], names=fields)
        return np.asarray(batch.to_tensor(null_to_nan=True, row_major=False).to_numpy().T)
    readings = np.empty((len(fields), n))
    for k, name in enumerate(fields):
        doubles(array=arrays[name], field=name, out=readings[k])
    return readings


def doubles(*, array: Any, field: str, out: Floats) -> None:
    """Readings of a unit field into `out` (n,), NaN where nothing is said; Slow if no numbers.

    A short float (32 or 16 bits) that is the nearest one to a whole number of quanta stands for
    that decimal: 66.12 as 32 bits is 66.12, not 66.1200027.
    """
    dtype = _DTYPES.get(array.type.id)
    if dtype is None:
        if not pa.types.is_null(array.type):
            raise Slow
        out.fill(np.nan)
        return
    values, present = _buffers(array, dtype)
    out[:] = values
    if dtype in (np.float32, np.float16):
        with np.errstate(all="ignore"):
            decimal = np.rint(out * _PER_QUANTUM[field]) / _PER_QUANTUM[field]
            np.copyto(out, decimal, where=decimal.astype(dtype) == values)
    if present is not None:
        np.copyto(out, np.nan, where=~present)


def _buffers(array: Any, dtype: Any) -> tuple[Any, Flags | None]:
    """Values (n,) of an array of numbers, without a copy, and which of them are said; None: all."""
    n, at = len(array), array.offset
    if not n:
        return np.zeros(0, dtype), None
    bits, data = array.buffers()
    values = np.frombuffer(data, dtype, n, at * dtype.itemsize)
    if not array.null_count:
        return values, None
    flags = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little", count=at + n)
    return values, flags[at:].view(np.bool_)


def _whole(array: Any, low: int, high: int) -> tuple[Integers, Flags | None]:
    """Whole numbers (n,) int64, 0 where nothing is said, and which are said; None: all."""
    dtype = _DTYPES.get(array.type.id)
    if pa.types.is_null(array.type):
        return np.zeros(len(array), np.int64), np.zeros(len(array), np.bool_)
    if dtype is None or dtype.kind == "f":
        raise Slow
    found, present = _buffers(array, dtype)
    said = found if present is None else found[present]
    if len(said) and (said.min() < low or said.max() > high):
        raise Slow
    values: Integers = found.astype(np.int64)
    if present is not None:
        values[~present] = 0
    return values, present


def _times(arrays: Arrays, n: int) -> Column:
    array = arrays.get("time")
    if array is not None and n and not array.null_count and "time_unix_ms" not in arrays:
        return _in_range(Column(_moments(array), np.ones(n, np.bool_)))
    times, present = np.zeros(n, np.int64), np.zeros(n, np.bool_)
    if "time_unix_ms" in arrays:
        times, said = _whole(arrays["time_unix_ms"], TIME_LOW_MS, TIME_HIGH_MS - 1)
        present = np.ones(n, np.bool_) if said is None else said
    if array is None or array.null_count == n:
        return Column(times, present)
    told = array.is_valid().to_numpy(zero_copy_only=False)
    if (present & told).any():
        raise Slow
    times[told] = _moments(array.drop_null())
    return _in_range(Column(times, present | told))


def _in_range(times: Column) -> Column:
    said = times.values if times.present.all() else times.values[times.present]
    if said.min() < TIME_LOW_MS or said.max() >= TIME_HIGH_MS:
        raise Slow
    return times


def _moments(array: Any) -> Integers:
    """Unix milliseconds (n,), n > 0, of moments that are all said; finer ones half to even."""
    if pa.types.is_timestamp(array.type) and array.type.tz is not None:
        count = np.frombuffer(array.buffers()[1], np.int64, len(array), array.offset * 8)
        if array.type.unit in ("s", "ms"):
            factor = 1000 // _PER_S[array.type.unit]
            if count.min() < 0 or count.max() >= TIME_HIGH_MS // factor:
                raise Slow  # before it overflows
            return np.asarray(count * factor, np.int64)
        step = _PER_S[array.type.unit] // 1000
        ms, rest = np.divmod(count, step)
        up = (2 * rest > step) | ((2 * rest == step) & (ms % 2 == 1))
        return np.asarray(ms + up, np.int64)
    if not is_text(array.type):
        raise Slow
    texts = array.to_pylist()
    if len(set(map(len, texts))) == 1:
        quick = np.array([t.encode() for t in texts])
        ms_of = unix_ms_of(texts=quick, length=quick.dtype.itemsize)
        if ms_of is not None:
            return ms_of
    moments = _MOMENTS.decode(msgspec.json.encode(texts))
    if any(m.tzinfo is None for m in moments):
        raise Slow
    return np.array([unix_ms(moment=m) for m in moments], np.int64)


def is_text(kind: Any) -> bool:
    """Whether an Arrow type is text with offsets."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _sparse(arrays: Arrays, name: str, decoder: Any) -> dict[int, Any]:
    array = arrays.get(name)
    if array is None or array.null_count == len(array):
        return {}
    if not is_text(array.type):
        raise Slow
    found = {}
    for row in np.flatnonzero(array.is_valid().to_numpy(zero_copy_only=False)).tolist():
        value = decoder.decode(array[row].as_py())
        if len(value) > 40 and name == "defects":
            raise Slow
        if value:
            found[row] = tuple(value) if name == "defects" else value
    return found


def rows_of(*, arrays: Arrays) -> list[dict[str, Any]]:
    """Each row as the mapping that a JSON record would be, without what is not said."""
    columns: Iterable[Any] = (_cells(name, array) for name, array in arrays.items())
    return [{k: v for k, v in zip(arrays, cells, strict=True) if v is not None}
            for cells in zip(*columns, strict=True)]


def _cells(name: str, array: Any) -> list[Any]:
    if pa.types.is_timestamp(array.type):
        return [None if v is None else _moment(v, array.type)
                for v in array.cast(pa.int64()).to_pylist()]
    if name in UNIT_FIELDS and pa.types.is_floating(array.type):
        valid = array.is_valid().to_pylist()
        values = np.empty(len(array))
        doubles(array=array, field=name, out=values)
        return [v if said else None for v, said in zip(values.tolist(), valid, strict=True)]
    return list(array.to_pylist())


def _moment(count: int, kind: Any) -> Any:
    """A timestamp as a date and time to the millisecond, or in words where no calendar has it."""
    try:
        moment = _EPOCH + timedelta(milliseconds=round(Fraction(count * 1000, _PER_S[kind.unit])))
    except OverflowError:
        return f"{count} {kind.unit} since 1970"
    return moment if kind.tz is None else moment.replace(tzinfo=UTC)
