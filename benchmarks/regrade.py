"""A lot of ten million fruit regraded under another standard, against reading its chunks."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.kernel import sample
from benchmarks.report import Line
from grading.kernel import Compiled, compile_standard
from grading.record import Column, FruitBatch
from service.library import Library
from service.regrade import regrade
from service.store.group import LINE
from service.store.open import open_store
from service.store.reader import chunk_rows
from service.store.writer import Writer

FRUIT = 10_000_000
BODY = 8_000  # divides a million


def run() -> list[Line]:
    library = Library()
    profile = library.profile("yellow-melting-peach")
    before, after = (compile_standard(standard=library.standard(name), profile=profile)
                     for name in ("house-long-distance", "house-tree-ripe"))
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(data_dir=Path(folder) / "data", now_ms=0)
        try:
            _fill(store.writer, before)
            start = time.perf_counter()
            read = 0
            with store.reader.connection() as conn:
                for chunk in chunk_rows(conn=conn, lot="big", kind=LINE):
                    batch, _ = chunk.decode()
                    read += len(batch)
            reading = time.perf_counter() - start
            start = time.perf_counter()
            found = regrade(reader=store.reader, lot="big", before=before, after=after)
            grading = time.perf_counter() - start
        finally:
            store.close()
    if not read == found.tally.n == int(found.moves.sum()) == FRUIT:
        raise SystemExit(f"{read} fruit read, {found.tally.n} regraded, of {FRUIT}")
    ratio = grading / reading
    return [
        Line("reading the chunks", f"{reading:.2f} s ({FRUIT / reading / 1e6:.1f} million fruit/s)",
             "the limit"),
        Line("regrading, tally and moves included", f"{grading:.2f} s",
             f"{ratio:.2f} x reading, bar 3: {'met' if ratio <= 3 else 'NOT MET'}"),
    ]


def _fill(writer: Writer, before: Compiled) -> None:
    """Ten million fruit through the writer, in bodies of several thousand."""
    rng = np.random.default_rng(7)
    base = sample(n=1_000_000)
    waiting = []
    for k in range(FRUIT // 1_000_000):
        for low in range(0, 1_000_000, BODY):
            rows = slice(low, low + BODY)
            batch = FruitBatch(
                source="bench", run="1", seq=base.seq[rows] + k * 1_000_000,
                lane=base.lane[rows], time_ms=Column(
                    1_784_000_000_000 + (base.seq[rows] + k * 1_000_000) * 31,
                    np.ones(BODY, np.bool_)),
                measures={name: c.take(rows) for name, c in base.measures.items()})
            waiting.append(writer.submit(
                lot="big", kind=LINE, batch=batch,
                verdicts=before.grade(batch=batch),
                digest="bench", received_ms=int(rng.integers(1, 10))))
            if len(waiting) > 12:
                waiting.pop(0).result()
    for future in waiting:
        future.result()
