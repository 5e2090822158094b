"""The fast way through a body of JSON records: only what this source is seen to send.

A source sends the same few fields in every record. A struct of just those decodes faster than
the whole record, and its MessagePack form has the same length in every row, so that numpy reads
all columns out of one buffer without a Python step per value. Everything unusual (a null, an
unknown field, a time of another form, a key given twice) makes `read` answer None, and the
caller takes the full way, which is the one that says what is wrong.
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from operator import attrgetter
from typing import Annotated, Any, Final

import msgspec
import numpy as np
from msgspec.structs import astuple

from grading.columns import Columns, Parsed, from_columns
from grading.quantities import UNIT_FIELDS, Integers
from grading.record import SEQ_MAX, TIME_HIGH_MS, TIME_LOW_MS, Column, Defect, FruitRecord

_DEFECT_FIELDS: Final = len(Defect.__struct_fields__)
SOURCES_MAX: Final = 256
TRIES_MAX: Final = 3
"""Failures in a row, after which a source takes the full way for the next `REST` bodies."""
REST: Final = 200

_ENCODER: Final = msgspec.msgpack.Encoder()
BUFFER_MAX: Final = 4 << 20
_LOCAL: Final = threading.local()
_TIME = re.compile(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.(\d{1,6}))?(Z|[+-]\d\d:\d\d)")
_INT_WIDTHS: Final = {0xCC: ("u1", 1), 0xCD: (">u2", 2), 0xCE: (">u4", 4), 0xCF: (">u8", 8)}
_SPARSE: Final[tuple[str, ...]] = ("defects", "judged")
_NAN: Final = float("nan")
_FIELD_TYPES: Final[dict[str, tuple[Any, Any]]] = {
    # A lane above 127 would need a second byte in some rows; such a source takes the full way.
    "lane": (Annotated[int, msgspec.Meta(ge=1, le=127)], 0),
    "time": (str, ""),
    "time_unix_ms": (Annotated[int, msgspec.Meta(ge=TIME_LOW_MS, lt=TIME_HIGH_MS)], 0),
    "defects": (Annotated[list[Defect], msgspec.Meta(max_length=40)] | None, None),
    "judged": (dict[str, bool] | None, None),
    **{name: (float, _NAN) for name in UNIT_FIELDS},
}


class Shape:
    """The record that one set of fields makes, with its decoders."""

    def __init__(
        self, *, fields: tuple[str, ...], nullable: frozenset[str] = frozenset()
    ) -> None:
        required: Any = ("seq", Annotated[int, msgspec.Meta(ge=0, le=SEQ_MAX)])
        self.fields = fields
        self.readings = tuple(f for f in fields if f in UNIT_FIELDS)
        self.nullable = tuple(f for f in self.readings if f in nullable)
        self.sparse = tuple(f for f in _SPARSE if f in fields)
        self.struct = msgspec.defstruct(
            "Narrow",
            [required if f == "seq" else (f, float | None, _NAN) if f in self.nullable
             else (f, *_FIELD_TYPES[f]) for f in fields],
            forbid_unknown_fields=True, kw_only=True, gc=False)
        struct: Any = self.struct
        self.array = msgspec.json.Decoder(list[struct])
        self.one = msgspec.json.Decoder(struct)

    def read(
        self, *, records: list[Any], colons: int, source: str, run: str, tip_mm: float | None = None
    ) -> Parsed | None:
        """Checked columns of decoded records; None where the rows are not all alike.

        colons: how many the body holds. One belongs to each key and a few to each time; if there
        are more, a key came twice.
        """
        sparse: dict[str, dict[int, Any]] = {}
        for name in self.sparse:
            sparse[name] = self._lifted(records, name)
            colons -= sum(_keys_of(name, value) for value in sparse[name].values())
        for name in self.nullable:
            values = list(map(attrgetter(name), records))
            if None in values:
                empty = [i for i, v in enumerate(values) if v is None]
                colons -= len(empty)
                for i in empty:
                    setattr(records[i], name, _NAN)
        # A buffer that stays is not mapped and zeroed by the system anew for every body.
        buffer = _LOCAL.__dict__.pop("buffer", None) or bytearray()
        _ENCODER.encode_into(records, buffer)
        if len(buffer) < BUFFER_MAX:
            _LOCAL.buffer = buffer
        layout = self._layout(buffer, len(records))
        if layout is None:
            return None
        rows, text = layout
        names = rows.dtype.names or ()
        readings = np.empty((len(self.readings), len(rows)))
        for k, name in enumerate(self.readings):
            readings[k] = rows[name]
        seen = int((readings == readings).sum()) + len(rows)
        lane = np.zeros(len(rows), np.uint8)
        if "lane" in names:
            lane[:] = rows["lane"]
            seen += int(np.count_nonzero(lane))
        time_ms = self._times(rows, text)
        if time_ms is None:
            return None
        if "time" in names:
            seen += len(rows) * (1 + bytes(rows["time"][0]).count(b":"))
        if "time_unix_ms" in names:
            seen += len(rows)
        if seen != colons:
            return None
        defects, judged = sparse.get("defects", {}), sparse.get("judged", {})
        return from_columns(
            columns=Columns(
                seq=rows["seq"].astype(np.int64), lane=lane, time_ms=time_ms,
                fields=self.readings, readings=readings,
                defects={i: tuple(d) for i, d in defects.items() if d},
                judged={i: j for i, j in judged.items() if j}),
            source=source, run=run, tip_mm=tip_mm)

    @staticmethod
    def _lifted(records: list[Any], name: str) -> dict[int, Any]:
        """Values of a sparse field by row, taken out of the records so that rows stay alike."""
        values = list(map(attrgetter(name), records))
        if values.count(None) == len(values):
            return {}
        lifted = {i: v for i, v in enumerate(values) if v is not None}
        for i in lifted:
            setattr(records[i], name, None)
        return lifted

    def _layout(self, buffer: bytes | bytearray, n: int) -> tuple[Any, int] | None:
        """The buffer as a table of rows, and the length of its times; None if rows differ.

        Row 0 gives the length of every value. In a later row only an integer or a time could have
        another length, and the byte that would say so is compared in each row.
        """
        head = 1 if n < 16 else 3 if n < 65_536 else 5
        stride, odd = divmod(len(buffer) - head, n)
        if odd:
            return None
        at = 1 if len(self.fields) < 16 else 3
        names, formats, offsets = [], [], []
        markers: list[int] = []
        text = 0
        for name in self.fields:
            at += 1 + len(name)  # every field name is shorter than 32 bytes
            mark = buffer[head + at]
            if name in UNIT_FIELDS:
                kind, width, at = ">f8", 8, at + 1
            elif name in _SPARSE:
                at += 1
                continue
            elif name == "time":
                skip = 1 if 0xA0 <= mark < 0xC0 else 2
                text = mark & 0x1F if skip == 1 else buffer[head + at + 1]
                if text < 20 or (skip == 2 and mark != 0xD9):
                    return None
                markers.extend(range(at, at + skip))
                kind, width, at = f"S{text}", text, at + skip
            elif mark < 0x80:
                if name == "seq":
                    markers.append(-at)
                kind, width = "u1", 1
            elif mark in _INT_WIDTHS:
                markers.append(at)
                (kind, width), at = _INT_WIDTHS[mark], at + 1
            else:
                return None
            names.append(name)
            formats.append(kind)
            offsets.append(at)
            at += width
        if at != stride:
            return None
        table = np.frombuffer(buffer, np.uint8, offset=head).reshape(n, stride)
        for marker in markers:
            column = table[:, abs(marker)]
            alike = column < 0x80 if marker < 0 else column == column[0]
            if not alike.all():
                return None
        dtype = np.dtype(
            {"names": names, "formats": formats, "offsets": offsets, "itemsize": stride})
        return np.frombuffer(buffer, dtype, offset=head), text

    def _times(self, rows: Any, text: int) -> Column | None:
        names = rows.dtype.names or ()
        n = len(rows)
        if "time" in names and "time_unix_ms" in names:
            return None
        if "time_unix_ms" in names:
            return Column(rows["time_unix_ms"].astype(np.int64), np.ones(n, np.bool_))
        if "time" not in names:
            return Column(np.zeros(n, np.int64), np.zeros(n, np.bool_))
        ms = unix_ms_of(texts=np.ascontiguousarray(rows["time"]), length=text)
        return None if ms is None else Column(ms, np.ones(n, np.bool_))


@dataclass(frozen=True, slots=True)
class _Form:
    """How times of one form are read: bytes minus `zero` are digits, each at most `most`."""

    zero: Any
    most: Any
    weights: Any
    """(length, 3): year-month-day as one number, ms of the day, microseconds below the ms."""
    offset_ms: int
    fine: bool


_FORMS: dict[tuple[int, int, bytes], _Form] = {}


def _form(first: bytes) -> _Form | None:
    match = _TIME.fullmatch(first)
    if match is None:
        return None
    digits, zone = len(match[1] or b""), match[2]
    key = (len(first), digits, zone)
    if key in _FORMS:
        return _FORMS[key]
    offset = 0
    if zone != b"Z":
        hours, minutes = int(zone[1:3]), int(zone[4:6])
        if hours > 23 or minutes > 59:
            return None
        offset = (hours * 60 + minutes) * (-60_000 if zone[:1] == b"-" else 60_000)
    n = len(first)
    pattern = b"0000-00-00T00:00:00" + (b"." + b"0" * digits if digits else b"") + zone
    most = np.zeros(n, np.uint8)
    weights = np.zeros((n, 3))
    scale = {0: 1e7, 1: 1e6, 2: 1e5, 3: 1e4, 5: 1e3, 6: 1e2, 8: 10, 9: 1}
    clock = {11: 36e6, 12: 36e5, 14: 6e5, 15: 6e4, 17: 1e4, 18: 1e3, 20: 100, 21: 10, 22: 1}
    for at, weight in scale.items():
        weights[at, 0], most[at] = weight, 9
    for at, weight in clock.items():
        if at < 19 + digits + bool(digits):
            weights[at, 1], most[at] = weight, 9
    most[[14, 17]] = 5
    most[11] = 2
    for at, weight in {23: 100.0, 24: 10.0, 25: 1.0}.items():
        if at < 20 + digits:
            weights[at, 2], most[at] = weight, 9
    form = _Form(np.frombuffer(pattern, np.uint8), most, weights, offset, digits > 3)
    if len(_FORMS) < 64:
        _FORMS[key] = form
    return form


def unix_ms_of(*, texts: Any, length: int) -> Integers | None:
    """Unix milliseconds of times that all have the first one's form and zone, else None.

    texts: fixed-length bytes, "2026-07-27T08:15:02.120Z" or with up to six decimals or none, or
    with an offset. Rounded to the millisecond half to even.
    """
    form = _form(bytes(texts[0]))
    if form is None:
        return None
    digits = texts.view(np.uint8).reshape(-1, length) - form.zero
    if (digits > form.most).any():
        return None
    parts = digits.astype(np.float64) @ form.weights
    days, clock = parts[:, 0], parts[:, 1]
    if digits[:, 11].max() == 2 and (clock >= 86_400_000).any():
        return None
    if days.min() == days.max():
        start = _day_ms(int(days[0]))
        if start is None:
            return None
        ms: Integers = clock.astype(np.int64)
        ms += start - form.offset_ms
    else:
        codes, where = np.unique(days, return_inverse=True)
        starts = [_day_ms(int(code)) for code in codes.tolist()]
        if None in starts:
            return None
        ms = clock.astype(np.int64) + np.array(starts, np.int64)[where] - form.offset_ms
    if form.fine:
        rest = parts[:, 2]
        ms += (rest > 500) | ((rest == 500) & (ms % 2 == 1))
    if ms.min() < TIME_LOW_MS or ms.max() >= TIME_HIGH_MS:
        return None
    return ms


def _day_ms(code: int) -> int | None:
    try:
        day = date(code // 10_000, code // 100 % 100, code % 100)
    except ValueError:
        return None
    return (day.toordinal() - 719_163) * 86_400_000


def _keys_of(name: str, value: Any) -> int:
    """Keys that a sparse value was written with, itself included."""
    if name == "judged":
        return 1 + len(value)
    return 1 + sum(_DEFECT_FIELDS - astuple(d).count(None) for d in value)


def colons_in(body: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(body, np.uint8) == 58))


class _Known:
    """What one source has been seen to send, and how well that went lately."""

    def __init__(self) -> None:
        self.shape: Shape | None = None
        self.failures = 0
        self.rest = 0


class Shapes:
    """The shapes of the most recent sources. One thread at a time."""

    def __init__(self) -> None:
        self._known: OrderedDict[str, _Known] = OrderedDict()

    def of(self, source: str) -> Shape | None:
        """The shape to try first, or None where the full way is the better bet."""
        known = self._known.get(source)
        if known is None:
            return None
        self._known.move_to_end(source)
        if known.rest:
            known.rest -= 1
            return None
        return known.shape

    def worked(self, source: str) -> None:
        self._known[source].failures = 0

    def learn(
        self, *, source: str, records: Sequence[FruitRecord], plain: Sequence[dict[str, Any]]
    ) -> None:
        """Remember what records that took the full way hold; plain: the same, as sent."""
        known = self._known.setdefault(source, _Known())
        if known.rest:
            return
        old = set(known.shape.fields) if known.shape else set()
        nullable = {k for record in plain for k, v in record.items() if v is None}
        nullable |= set(known.shape.nullable) if known.shape else set()
        used = {"seq"} | old | {
            f for f in FruitRecord.__struct_fields__
            if f in nullable or any(v is not None for v in map(attrgetter(f), records))}
        if known.shape is not None:
            known.failures += 1
            if known.failures >= TRIES_MAX:
                known.failures, known.rest = 0, REST
            if used <= old and nullable <= set(known.shape.nullable):
                return
        # Decoding is fastest when keys come in the struct's order.
        ranked = [f for f in (*plain[0], *FruitRecord.__struct_fields__) if f in used]
        known.shape = Shape(fields=tuple(dict.fromkeys(ranked)), nullable=frozenset(nullable))
        while len(self._known) > SOURCES_MAX:
            self._known.popitem(last=False)
