"""The records of a slice as a source sends them: the wire form of what its sensors said."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from grading.quantities import PRIMARY_FIELD, Integers
from service.simulator.slices import PER_UNIT, TIP_MM, Slice

Columns = dict[str, list[Any]]


def columns_of(
    *, part: Slice, rows: Integers, start_ms: int | None = None, speed: float = 1.0
) -> Columns:
    """Field to values of the given rows, in the given order; None where nothing was measured.

    rows: only such as gave a record (`Slice.sent`). start_ms, speed: as in `Slice.time_ms`.
    """
    columns: Columns = {
        "seq": part.seq[rows].tolist(), "lane": part.lane[rows].tolist(),
        "time_unix_ms": part.time_ms(start_ms=start_ms, speed=speed)[rows].tolist()}
    for measure, quanta in part.readings.quanta.items():
        values = (quanta[rows] / PER_UNIT[measure]).tolist()
        here = part.readings.present.get(measure)
        if here is not None:
            said = here[rows].tolist()
            values = [v if there else None for v, there in zip(values, said, strict=True)]
        columns[PRIMARY_FIELD[measure]] = values
    columns["tip_mm"] = [None if f is None else TIP_MM for f in columns["firmness_n"]]
    found = part.defects_of(rows=rows)
    columns["defects"] = [list(found[at]) if at in found else None for at in range(len(rows))]
    return columns


def records_of(
    *, part: Slice, rows: Integers | None = None, start_ms: int | None = None, speed: float = 1.0
) -> list[dict[str, Any]]:
    """The records of the given rows (else of all that gave one), those to be refused too."""
    chosen = np.flatnonzero(part.sent) if rows is None else rows
    columns = columns_of(part=part, rows=chosen, start_ms=start_ms, speed=speed)
    return [{k: v for k, v in zip(columns, one, strict=True) if v is not None}
            for one in zip(*columns.values(), strict=True)]


def body_of(*, records: list[dict[str, Any]]) -> bytes:
    """The JSON body of records."""
    return msgspec.json.encode(records)
