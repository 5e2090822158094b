"""Tables with one column a field of the fruit record: CSV, and what Parquet and Arrow bring.

The quick way reads whole columns; a cell that it cannot read sends the table row by row through
the same checks as a JSON record, so that a bad row never blocks its neighbours.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.csv

from grading.columns import Parsed, to_batch
from grading.errors import Finding
from grading.quantities import UNIT_FIELDS
from grading.record import FruitRecord
from service.ingest.arrays import Arrays, Slow, arrays_of, from_arrays, rows_of
from service.ingest.faults import (
    UNREADABLE,
    BodyError,
    body_error,
    shown,
    unknown_column,
    value_findings,
)

Table = tuple[int, Parsed, Callable[[], Sequence[bytes]]]

COLUMNS_MAX: Final = 200
ROWS_MAX: Final = 1_000_000
"""Columns of one value take next to no bytes, but every row is answered."""

_WHOLE: Final = re.compile(r"-?\d{1,19}")
_NUMBER: Final = re.compile(r"-?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_INTEGERS: Final = ("seq", "lane", "time_unix_ms")
_NOT_CSV: Final = "Send a header with the field names of a fruit record, separated by commas."


def parse_csv(*, body: bytes, source: str, run: str, tip_mm: float | None = None) -> Table:
    """n, what became of each row, and each row as JSON. Raises BodyError for a useless header."""
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise body_error("not_utf8", f"The table is not UTF-8 at byte {wrong.start}.",
                         "Save it as CSV UTF-8.") from None
    if "\0" in text:
        raise body_error("not_csv", "The table holds a zero byte.", _NOT_CSV)
    rows = _rows(text)
    names = [name.strip() for name in next(rows, [])]
    check_header(names=names)
    try:
        parsed = _quick_csv(body, names, source, run, tip_mm)
        n = len(parsed.kept) + len(parsed.refused)
        return n, parsed, lambda: [_row_json(names, row) for row in rows]
    except (Slow, pa.ArrowInvalid, *UNREADABLE):
        listed = list(rows)
    values = [_row(names, cells) for cells in listed]
    return len(listed), _one_by_one(values, source, run, tip_mm), lambda: [
        _row_json(names, row) for row in listed]


def _rows(text: str) -> Iterator[list[str]]:
    try:
        yield from (row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if row)
    except csv.Error as wrong:
        raise body_error("not_csv", f"The table is not CSV: {wrong}.", _NOT_CSV) from None


def check_header(*, names: Sequence[str]) -> None:
    """Raises BodyError unless every column is a field, once, and seq is among them."""
    if not names:
        raise body_error("empty", "The table is empty.", _NOT_CSV)
    if len(names) > COLUMNS_MAX:
        raise body_error("too_many_columns", f"The table has {len(names)} columns.", _NOT_CSV)
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        raise body_error("not_csv", f"The header {shown(names[0])} is one column.", _NOT_CSV)
    found = [unknown_column(name=n) for n in names if n not in FruitRecord.__struct_fields__]
    found += [
        Finding(f"/{n}", "given_twice", f"Column {n} comes twice.", "Send it once.")
        for n in dict.fromkeys(names) if names.count(n) > 1]
    if "seq" not in names:
        found.append(Finding("/seq", "missing_field", "There is no column seq.",
                             "Add the fruit's number inside its run, a whole number from 0 up."))
    if found:
        raise BodyError(findings=tuple(found))


def _quick_csv(
    body: bytes, names: Sequence[str], source: str, run: str, tip_mm: float | None
) -> Parsed:
    if b"0x" in body or b"0X" in body:  # Arrow would take them for hexadecimal numbers
        raise Slow
    kinds = {n: pa.int64() if n in _INTEGERS else pa.float64() if n in UNIT_FIELDS else pa.utf8()
             for n in names}
    table = pyarrow.csv.read_csv(
        io.BytesIO(body),
        read_options=pyarrow.csv.ReadOptions(column_names=list(names), skip_rows=1,
                                             use_threads=False),
        parse_options=pyarrow.csv.ParseOptions(newlines_in_values=True),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types=kinds, null_values=[""], strings_can_be_null=True,
            quoted_strings_can_be_null=True))
    return from_arrays(
        arrays=arrays_of(table=table), source=source, run=run, tip_mm=tip_mm)


def too_many_rows() -> BodyError:
    return body_error("too_many_records", f"The table has more than {ROWS_MAX} rows.",
                      "Send several bodies.")


def parse_table(*, table: Any, source: str, run: str, tip_mm: float | None = None) -> Table:
    """n, what became of each row of an Arrow table, and each row as JSON. Raises BodyError."""
    check_header(names=table.column_names)
    return parse_arrays(
        arrays=arrays_of(table=table), source=source, run=run, tip_mm=tip_mm)


def parse_arrays(
    *, arrays: Arrays, source: str, run: str, tip_mm: float | None = None
) -> Table:
    """The same for Arrow arrays whose names are checked."""
    n = len(arrays["seq"])
    if n > ROWS_MAX:
        raise too_many_rows()

    def raws() -> list[bytes]:
        return [json.dumps(row, default=str).encode() for row in rows_of(arrays=arrays)]

    try:
        return n, from_arrays(arrays=arrays, source=source, run=run, tip_mm=tip_mm), raws
    except (Slow, pa.ArrowException, *UNREADABLE):
        rows = [_plain(row) for row in rows_of(arrays=arrays)]
        return n, _one_by_one(rows, source, run, tip_mm), raws


def _row(names: Sequence[str], cells: Sequence[str]) -> dict[str, Any] | Finding:
    """One row of text as the mapping that a JSON record would be."""
    if len(cells) != len(names):
        return Finding("", "wrong_columns", f"The row has {len(cells)} cells, the header "
                       f"{len(names)}.", "Quote cells that hold a comma.")
    return {name: _cell(name, cell.strip()) for name, cell in zip(names, cells, strict=True)
            if cell.strip()}


def _cell(name: str, cell: str) -> Any:
    """A cell's value, or its text where it is not one: the record's checks name that."""
    if name in _INTEGERS:
        return int(cell) if _WHOLE.fullmatch(cell) else cell
    if name in UNIT_FIELDS:
        return float(cell) if _NUMBER.fullmatch(cell) else cell
    if name in ("defects", "judged"):
        try:
            return msgspec.json.decode(cell)
        except UNREADABLE:
            return cell
    return cell


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """A row whose nested values may be JSON text or real, without what they leave out."""
    kept = {name: _compact(value) for name, value in row.items()}
    for name in ("defects", "judged"):
        if isinstance(kept.get(name), str):
            kept[name] = _cell(name, kept[name])
    return kept


def _compact(value: Any) -> Any:
    if isinstance(value, list):
        return [_compact(v) for v in value]
    if isinstance(value, dict):
        return {k: _compact(v) for k, v in value.items() if v is not None}
    return value


def _row_json(names: Sequence[str], cells: Sequence[str]) -> bytes:
    """A row as the JSON record it stands for; one of another length as a list of its cells."""
    row = _row(names, cells)
    return json.dumps(list(cells) if isinstance(row, Finding) else row,
                      ensure_ascii=False).encode()


def _one_by_one(
    rows: Sequence[dict[str, Any] | Finding], source: str, run: str, tip_mm: float | None
) -> Parsed:
    from service.ingest.parse import merged

    records: list[FruitRecord] = []
    places: list[int] = []
    refused: dict[int, tuple[Finding, ...]] = {}
    for position, row in enumerate(rows):
        if isinstance(row, Finding):
            refused[position] = (row,)
            continue
        wrong = tuple(
            Finding(f"/{name}", "not_a_number", f"{value} is not a number.",
                    "Leave the cell empty when it was not measured.")
            for name, value in row.items() if isinstance(value, float) and not math.isfinite(value))
        wrong += value_findings(value=row)
        if wrong:
            refused[position] = wrong
            continue
        records.append(msgspec.convert(row, FruitRecord))
        places.append(position)
    return merged(parsed=to_batch(records=records, source=source, run=run, tip_mm=tip_mm),
                  places=np.array(places, np.int64), refused=refused)
