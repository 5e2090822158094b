"""A stored lot graded again under another standard: what the rule alone would have changed.

Nothing stored is altered. Chunks are gathered into larger batches first, so that the cost of a
call is paid once in many thousand fruit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.kernel import Compiled
from grading.quantities import Integers
from grading.record import FruitBatch, concat
from grading.tally import Tally, empty, tally
from service.store.group import LINE
from service.store.reader import Reader, chunk_rows

GATHER: Final = 100_000


@dataclass(frozen=True, slots=True)
class Regraded:
    """tally: the lot under the other standard. moves: int64 (grades before, grades after)."""

    tally: Tally
    moves: Integers


def _gathered(reader: Reader, lot: str) -> Iterator[tuple[FruitBatch, Any]]:
    """Batches of one source and run with the grade codes they are stored with."""
    with reader.connection() as conn:
        conn.execute("BEGIN")
        parts: list[FruitBatch] = []
        grades: list[Any] = []
        for chunk in chunk_rows(conn=conn, lot=lot, kind=LINE):
            if parts and (sum(map(len, parts)) >= GATHER
                          or (parts[0].source, parts[0].run) != (chunk.source, chunk.run)):
                yield concat(batches=parts), np.concatenate(grades)
                parts, grades = [], []
            batch, verdicts = chunk.decode()
            parts.append(batch)
            grades.append(verdicts.grade)
        if parts:
            yield concat(batches=parts), np.concatenate(grades)


def regrade(*, reader: Reader, lot: str, before: Compiled, after: Compiled) -> Regraded:
    """Every line fruit of a lot under `after`; `before` is what its stored codes belong to."""
    total = empty(compiled=after)
    shape = len(before.grade_names), len(after.grade_names)
    moves = np.zeros(shape, np.int64)
    for batch, stored in _gathered(reader, lot):
        verdicts = after.grade(batch=batch)
        total = total.merge(tally(batch=batch, verdicts=verdicts, compiled=after))
        index = stored.astype(np.int64) * shape[1] + verdicts.grade
        moves += np.bincount(index, minlength=shape[0] * shape[1]).reshape(shape)
    return Regraded(total, moves)
