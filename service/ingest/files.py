"""Files of fruit records, read piece by piece, and graded rows written out.

A file of any length is worked through in pieces of 50,000 records, except a JSON array, which is
one value and is read whole.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from grading.kernel import Compiled
from grading.quantities import MEASURES, PRIMARY_FIELD
from grading.reasons import Reason, reasons_of
from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.ingest.parse import Body, parse_body, split_array
from service.ingest.table import parse_table

PIECE: Final = 50_000
FORMS: Final = {".csv": "csv", ".ndjson": "ndjson", ".jsonl": "ndjson", ".json": "json",
                ".parquet": "parquet"}
WRITTEN: Final = ("csv", "ndjson", "parquet")

Progress = Callable[[int, int], object]
"""Called with bytes (or rows, for Parquet) done and in all."""


class FileError(Exception):
    """A file that cannot be opened or written; one line with the remedy."""


def form_of(*, path: Path) -> str:
    """The form of a file by its name. Raises FileError."""
    form = FORMS.get(path.suffix.lower())
    if form is None:
        raise FileError(f"{path}: the name ends in none of {', '.join(FORMS)}; rename the file")
    return form


def read_pieces(
    *, path: Path, source: str, run: str, piece: int = PIECE, progress: Progress | None = None
) -> Iterator[Body]:
    """Bodies of up to `piece` records, in order. Raises FileError, ingest.parse.BodyError."""
    form = form_of(path=path)
    tell = progress or (lambda done, total: None)
    try:
        if form == "parquet":
            yield from _parquet(path, source, run, piece, tell)
            return
        total = path.stat().st_size
        with path.open("rb") as file:
            pieces = {"csv": _csv, "ndjson": _lines, "json": _array}[form](file, piece)
            for body in pieces:
                yield parse_body(body=body, media=form, source=source, run=run)
                tell(file.tell(), total)
    except OSError as wrong:
        raise FileError(f"{path}: cannot be read ({wrong.strerror or wrong}); "
                        "check the path and who may read it") from wrong


def _lines(file: BinaryIO, piece: int) -> Iterator[bytes]:
    while lines := list(islice(file, piece)):
        yield b"".join(lines)


def _array(file: BinaryIO, piece: int) -> Iterator[bytes]:
    raws = split_array(body=file.read())
    for start in range(0, max(len(raws), 1), piece):
        yield b"[" + b",".join(raws[start:start + piece]) + b"]"


def _csv(file: BinaryIO, piece: int) -> Iterator[bytes]:
    """Pieces with the header before each; a quoted cell with line ends is never cut."""
    header = file.readline()
    first = True
    while lines := list(islice(file, piece)):
        while sum(line.count(b'"') for line in lines) % 2:
            more = file.readline()
            if not more:
                break
            lines.append(more)
        yield header + b"".join(lines)
        first = False
    if first:
        yield header


def _parquet(
    path: Path, source: str, run: str, piece: int, tell: Progress
) -> Iterator[Body]:
    try:
        with pq.ParquetFile(path) as file:
            total, done = file.metadata.num_rows, 0
            for batch in file.iter_batches(batch_size=piece):
                table = pa.Table.from_batches([batch])
                n, parsed, raws = parse_table(table=table, source=source, run=run)
                yield Body(n=n, parsed=parsed, raws=raws)
                done += n
                tell(done, total)
    except pa.ArrowException as wrong:
        raise FileError(f"{path}: is not a whole Parquet file ({str(wrong)[:120]})") from wrong


def graded_schema() -> Any:
    """Columns of graded rows: keys, measures in SI by their wire names, classes, reasons."""
    text = pa.utf8()
    return pa.schema([
        ("source", text), ("run", text), ("seq", pa.int64()), ("lane", pa.uint8()),
        ("time", pa.timestamp("ms", tz="UTC")),
        *((PRIMARY_FIELD[name], pa.float64()) for name in MEASURES),
        ("size", text), ("maturity", text), ("grade", text), ("pack", text),
        ("decisive", text), ("reasons", text),
    ])


def graded_table(*, batch: FruitBatch, verdicts: Verdicts, compiled: Compiled) -> Any:
    """Fruit and their verdicts as an Arrow table of `graded_schema`; null where not measured."""
    n = len(batch)
    columns: list[Any] = [
        pa.array([batch.source] * n), pa.array([batch.run] * n), pa.array(batch.seq),
        pa.array(batch.lane, mask=batch.lane == 0),
        pa.array(batch.time_ms.values.astype("M8[ms]"), mask=~batch.time_ms.present),
    ]
    for name, measure in MEASURES.items():
        column = batch.measures.get(name)
        if column is None:
            columns.append(pa.nulls(n, pa.float64()))
        else:
            # Dividing by a power of ten gives the float that the decimal text has.
            values = column.values / float(1 / measure.quantum)
            columns.append(pa.array(values, mask=~column.present))
    for codes, names in ((verdicts.size, compiled.size_names),
                         (verdicts.maturity, compiled.maturity_names),
                         (verdicts.grade, compiled.grade_names),
                         (verdicts.pack, compiled.pack_names)):
        columns.append(pa.array(np.array(names, object)[codes], pa.utf8()))
    words = np.array([_word(code) for code in range(256)], object)
    columns.append(pa.array(words[verdicts.decisive], pa.utf8()))
    bits, where = np.unique(verdicts.reasons, return_inverse=True)
    texts = np.array([_words(bit) for bit in bits.tolist()], object)
    columns.append(pa.array(texts[where] if n else [], pa.utf8()))
    schema = graded_schema()
    return pa.table([c.cast(f.type) for c, f in zip(columns, schema, strict=True)], schema=schema)


def _word(code: int) -> str | None:
    return Reason(code).word if code and code in Reason._value2member_map_ else None


@lru_cache(maxsize=4096)
def _words(bits: int) -> str:
    return ";".join(r.word for r in reasons_of(bits=bits))


class RowWriter:
    """Writes graded tables one after another to a binary file in one form."""

    def __init__(self, *, file: BinaryIO, form: Literal["csv", "ndjson", "parquet"]) -> None:
        self._file = file
        self._form = form
        self._writer: Any = None
        schema = graded_schema()
        if form == "parquet":
            self._writer = pq.ParquetWriter(file, schema, compression="zstd")
        elif form == "csv":
            at = schema.get_field_index("time")
            self._writer = pyarrow.csv.CSVWriter(
                file, schema.set(at, pa.field("time", pa.utf8())),
                write_options=pyarrow.csv.WriteOptions(quoting_style="needed"))

    def write(self, table: Any) -> None:
        if self._form == "parquet":
            self._writer.write_table(table)
            return
        at = table.schema.get_field_index("time")
        texts = _iso(table.column("time").combine_chunks())
        table = table.set_column(at, "time", texts)
        if self._form == "csv":
            self._writer.write_table(table)
            return
        for row in table.to_pylist():
            kept = {k: v for k, v in row.items() if v is not None}
            self._file.write(json.dumps(kept, ensure_ascii=False).encode() + b"\n")

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()


def _iso(times: Any) -> Any:
    valid = times.is_valid().to_numpy(zero_copy_only=False)
    ms = times.cast(pa.int64()).fill_null(0).to_numpy(zero_copy_only=False).astype("M8[ms]")
    texts = np.char.add(np.datetime_as_string(ms, unit="ms"), "Z")
    return pa.array(texts.tolist(), pa.utf8(), mask=~valid)


@contextmanager
def open_rows(*, path: Path | None, form: str = "ndjson") -> Iterator[RowWriter]:
    """A row writer on a file, which appears under its name only when whole; None: standard output.

    Raises FileError.
    """
    if path is not None:
        form = form_of(path=path)
    if form not in WRITTEN:
        raise FileError(f"graded rows are written as one of {', '.join(WRITTEN)}, not {form}")
    if path is None:
        writer = RowWriter(file=sys.stdout.buffer, form=form)  # type: ignore[arg-type]  # in WRITTEN
        yield writer
        writer.close()
        sys.stdout.buffer.flush()
        return
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as file:
            writer = RowWriter(file=file, form=form)  # type: ignore[arg-type]  # in WRITTEN
            yield writer
            writer.close()
            file.flush()
            os.fsync(file.fileno())
        partial.rename(path)
    except OSError as wrong:
        raise FileError(f"{path}: cannot be written ({wrong.strerror or wrong}); "
                        "choose another place") from wrong
    finally:
        partial.unlink(missing_ok=True)
