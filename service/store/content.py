"""Whether two records say the same, and a refused record in words of the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from grading.quantities import MEASURES, PRIMARY_FIELD, UNIT_FIELDS, Flags, Integers
from grading.record import Column, FruitBatch


def same_content(
    *, left: FruitBatch, left_rows: Integers, right: FruitBatch, right_rows: Integers
) -> Flags:
    """Row by row (k,), whether everything measured and said is the same; the key is not compared.

    Exact: quanta, numbers as sent (bit for bit), what is missing, lane, time, defects, judged.
    """
    same = left.lane[left_rows] == right.lane[right_rows]
    same &= _same(left.time_ms, left_rows, right.time_ms, right_rows)
    for a, b in ((left.measures, right.measures), (left.originals, right.originals)):
        for name in a.keys() | b.keys():
            same &= _same(a.get(name), left_rows, b.get(name), right_rows)
    for mine, theirs in ((left.defects, right.defects), (left.judged, right.judged)):
        if mine or theirs:
            pairs = zip(left_rows.tolist(), right_rows.tolist(), strict=True)
            same &= np.array([mine.get(i) == theirs.get(j) for i, j in pairs], np.bool_)
    return np.asarray(same, np.bool_)


def _same(a: Column | None, a_rows: Integers, b: Column | None, b_rows: Integers) -> Flags:
    if a is None or b is None:
        one, rows = (b, b_rows) if a is None else (a, a_rows)
        return np.ones(len(rows), np.bool_) if one is None else ~one.present[rows]
    a_said, b_said = a.present[a_rows], b.present[b_rows]
    equal = _bits(a.values[a_rows]) == _bits(b.values[b_rows])
    return np.asarray((a_said == b_said) & (equal | ~a_said), np.bool_)


def _bits(values: Integers) -> Integers:
    return values.view(np.int64) if values.dtype == np.float64 else values


def record_of(*, batch: FruitBatch, row: int) -> dict[str, Any]:
    """One record in wire fields: the number as sent where it was kept, else the SI one."""
    record: dict[str, Any] = {"seq": int(batch.seq[row])}
    if batch.lane[row]:
        record["lane"] = int(batch.lane[row])
    if batch.time_ms.present[row]:
        record["time_unix_ms"] = int(batch.time_ms.values[row])
    said = _present(batch.originals, row)
    record |= {field: float(value) for field, value in said.items()}
    as_sent = {UNIT_FIELDS[field].measure for field in said}
    for name, quanta in _present(batch.measures, row).items():
        if name not in as_sent:
            record[PRIMARY_FIELD[name]] = MEASURES[name].value(quanta=int(quanta))
    if row in batch.defects:
        record["defects"] = batch.defects[row]
    if row in batch.judged:
        record["judged"] = batch.judged[row]
    return record


def _present(columns: Mapping[str, Column], row: int) -> dict[str, Any]:
    return {name: c.values[row] for name, c in columns.items() if c.present[row]}
