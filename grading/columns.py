"""Wire records taken apart into the columns of a batch, with a finding for every fault.

Values become whole quanta here and nowhere else; a record that cannot be used never blocks its
neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from operator import attrgetter
from typing import Any, Final

import numpy as np

from grading.errors import Finding
from grading.quantities import (
    MEASURES,
    UNIT_FIELDS,
    Floats,
    Integers,
    quantise_table,
    remedy,
)
from grading.record import (
    TIME_HIGH_MS,
    TIME_LOW_MS,
    Column,
    Defects,
    FruitBatch,
    Judged,
)

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Parsed:
    """Records taken apart: `batch` holds those that can be used, at positions `kept`."""

    batch: FruitBatch
    kept: Integers
    refused: Mapping[int, tuple[Finding, ...]]


@dataclass(frozen=True, slots=True)
class Columns:
    """What n records say, by column, not yet checked.

    seq, lane: integers (n,). time_ms: Unix milliseconds, all present ones inside 2000 to 2100.
    fields: unit fields (`quantities.UNIT_FIELDS`). readings: float64 (len(fields), n) in the
    fields' units, NaN where nothing was sent.
    """

    seq: Integers
    lane: Integers
    time_ms: Column
    fields: tuple[str, ...]
    readings: Floats
    defects: Defects = field(default_factory=dict)
    judged: Judged = field(default_factory=dict)


def to_batch(
    *, records: Sequence[Any], source: str, run: str, tip_mm: float | None = None
) -> Parsed:
    """Columns of the usable records; findings for every other one, by position.

    records: `FruitRecord`, or any struct with a subset of its fields (all alike). tip_mm: the
    source's plunger tip, for firmness that comes without one.
    """
    n = len(records)
    fields = records[0].__struct_fields__ if n else ()
    refused: dict[int, list[Finding]] = {}
    names, readings = [], []
    for name in fields:
        if name in UNIT_FIELDS:
            sent = list(map(attrgetter(name), records))
            if sent.count(None) < n:
                names.append(name)
                readings.append(sent)
    columns = Columns(
        seq=np.fromiter(map(attrgetter("seq"), records), np.int64, n),
        lane=_lanes(records, fields),
        time_ms=_times(records, fields, refused),
        fields=tuple(names),
        readings=np.array(readings, np.float64).reshape(len(names), n),
        defects=_sparse(records, fields, "defects", tuple),
        judged=_sparse(records, fields, "judged", dict),
    )
    return from_columns(columns=columns, source=source, run=run, tip_mm=tip_mm, refused=refused)


def from_columns(
    *,
    columns: Columns,
    source: str,
    run: str,
    tip_mm: float | None = None,
    refused: dict[int, list[Finding]] | None = None,
) -> Parsed:
    """Readings quantised and checked; `refused` holds the findings that are known already."""
    found = {} if refused is None else refused
    n = len(columns.seq)
    measures, originals = _measures(columns.fields, columns.readings, found)
    if tip_mm is not None:
        _fill_tip(measures, tip_mm)
    _check_tip(measures, found)
    _check_extents(columns.defects, found)
    batch = FruitBatch(
        source=source, run=run, seq=columns.seq, lane=columns.lane, time_ms=columns.time_ms,
        measures=measures, originals=originals, defects=columns.defects, judged=columns.judged,
    )
    if not found:
        return Parsed(batch, np.arange(n), {})
    usable = np.ones(n, np.bool_)
    usable[list(found)] = False
    kept = np.flatnonzero(usable)
    return Parsed(batch.take(rows=kept), kept, {i: tuple(f) for i, f in found.items()})


def _measures(
    fields: tuple[str, ...], values: Floats, refused: dict[int, list[Finding]]
) -> tuple[dict[str, Column], dict[str, Column]]:
    """All fields at once: a few operations on one table cost less than many on its rows."""
    measures: dict[str, Column] = {}
    originals: dict[str, Column] = {}
    present = values == values
    used = present.any(axis=1)
    if not used.all():
        fields = tuple(f for f, u in zip(fields, used.tolist(), strict=True) if u)
        values, present = values[used], present[used]
    if not fields:
        return measures, originals
    scales = _scales(fields)
    quanta = quantise_table(values=values, per_quantum=scales.per_quantum)
    wrong = None if _all_inside(values, scales) else _wrong(quanta, present, scales)
    if wrong is not None:
        quanta[wrong] = 0
    # Only a number that its quanta do not give back is kept beside them.
    odd = quanta / scales.per_quantum != values
    odd &= present
    any_odd = odd.any(axis=1).tolist() if odd.any() else [False] * len(fields)
    np.copyto(quanta, 0.0, where=~present)
    narrow = quanta.astype(np.uint16) if scales.unsigned else None
    for row, (name, measure, dtype) in enumerate(zip(
            fields, scales.measures, scales.dtypes, strict=True)):
        if wrong is not None and wrong[row].any():
            for at in np.flatnonzero(wrong[row]).tolist():
                refused.setdefault(at, []).append(_out_of_range(name, float(values[row, at])))
        column = Column(
            quanta[row].astype(dtype) if narrow is None else narrow[row], present[row])
        earlier = measures.get(measure)
        if earlier is not None:
            column = _either(name, earlier, column, refused)
        measures[measure] = column
        if not scales.si[row]:
            originals[name] = Column(np.where(present[row], values[row], 0.0), present[row])
        elif any_odd[row]:
            originals[name] = Column(np.where(odd[row], values[row], 0.0), odd[row])
    return measures, originals


@dataclass(frozen=True, slots=True)
class _Scales:
    """What is known of some fields. per_quantum (quanta in one unit), low, high (quanta): columns
    (k, 1). inside: (k,) readings from the first to the second are surely inside. si: whether the
    field is in the measure's own unit. unsigned: whether every dtype is uint16."""

    per_quantum: Floats
    low: Floats
    high: Floats
    inside: tuple[Floats, Floats]
    measures: tuple[str, ...]
    dtypes: tuple[Any, ...]
    si: tuple[bool, ...]
    unsigned: bool


@lru_cache(maxsize=1024)
def _scales(fields: tuple[str, ...]) -> _Scales:
    units = [UNIT_FIELDS[f] for f in fields]
    limits = [MEASURES[u.measure] for u in units]
    per_quantum = np.array([[float(u.per_quantum())] for u in units])
    low = np.array([[float(m.low_q)] for m in limits])
    high = np.array([[float(m.high_q)] for m in limits])
    return _Scales(
        per_quantum, low, high, ((low / per_quantum)[:, 0], (high / per_quantum)[:, 0]),
        tuple(u.measure for u in units), tuple(m.dtype for m in limits),
        tuple(u.factor == 1 for u in units), all(m.dtype is np.uint16 for m in limits))


def _all_inside(values: Floats, scales: _Scales) -> bool:
    """Whether no reading can be out of range; a cheap look that settles nearly every body."""
    low, high = scales.inside
    return bool((np.fmin.reduce(values, axis=1) >= low).all()
                and (np.fmax.reduce(values, axis=1) <= high).all())


def _wrong(quanta: Floats, present: Any, scales: _Scales) -> Any:
    """Which readings are out of range (k, n), or None; a full circle of hue becomes 0."""
    wrong = quanta < scales.low
    wrong |= quanta > scales.high
    wrong &= present
    for row, measure in enumerate(scales.measures):
        if measure == "hue":
            full_circle = quanta[row] == 36000
            quanta[row][full_circle] = 0
            wrong[row] &= ~full_circle
    return wrong if wrong.any() else None


def _either(
    name: str, earlier: Column, later: Column, refused: dict[int, list[Finding]]
) -> Column:
    """One measure from two unit fields; a fruit that has both is refused."""
    title = MEASURES[UNIT_FIELDS[name].measure].title
    for row in np.flatnonzero(earlier.present & later.present).tolist():
        refused.setdefault(row, []).append(
            Finding(f"/{name}", "measured_twice", f"{title} is given in two units.",
                    "Send one of them."))
    return Column(np.where(later.present, later.values, earlier.values),
                  earlier.present | later.present)


def _out_of_range(name: str, value: float) -> Finding:
    unit = UNIT_FIELDS[name]
    measure = MEASURES[unit.measure]
    if not math.isfinite(value):
        return Finding(f"/{name}", "not_a_number", f"{value} is not a number.", remedy(field=name))
    low = float(measure.low_q / unit.per_quantum())
    high = float(measure.high_q / unit.per_quantum())
    suffix = f" {unit.unit}" if unit.unit else ""
    return Finding(
        f"/{name}",
        "out_of_range",
        f"{value:g}{suffix} is outside {low:.4g} to {high:.4g}{suffix}.",
        remedy(field=name),
    )


def _fill_tip(measures: dict[str, Column], tip_mm: float) -> None:
    """The source's tip, where firmness came without one."""
    firmness, tip = measures.get("firmness"), measures.get("tip")
    if firmness is None:
        return
    tip_q = MEASURES["tip"].dtype(round(tip_mm * UNIT_FIELDS["tip_mm"].per_quantum()))
    if tip is None:
        tip = Column(np.zeros(len(firmness.values), MEASURES["tip"].dtype),
                     np.zeros(len(firmness.values), np.bool_))
    bare = firmness.present & ~tip.present
    measures["tip"] = Column(np.where(bare, tip_q, tip.values), tip.present | bare)


def _check_tip(measures: dict[str, Column], refused: dict[int, list[Finding]]) -> None:
    firmness = measures.get("firmness")
    if firmness is None:
        return
    tip = measures.get("tip")
    bare = firmness.present if tip is None else firmness.present & ~tip.present
    for row in np.flatnonzero(bare).tolist():
        refused.setdefault(row, []).append(
            Finding("/tip_mm", "tip_missing", "Firmness is given without its plunger tip.",
                    remedy(field="tip_mm"))
        )


def _lanes(records: Sequence[Any], fields: Sequence[str]) -> Integers:
    if "lane" not in fields:
        return np.zeros(len(records), np.uint8)
    return np.array([lane or 0 for lane in map(attrgetter("lane"), records)], dtype=np.uint8)


def _times(
    records: Sequence[Any], fields: Sequence[str], refused: dict[int, list[Finding]]
) -> Column:
    n = len(records)
    times = np.zeros(n, np.int64)
    present = np.zeros(n, np.bool_)
    if "time_unix_ms" in fields:
        sent = [r.time_unix_ms for r in records]
        if None not in sent:
            times, present = np.array(sent, np.int64), np.ones(n, np.bool_)
        else:
            for row, value in enumerate(sent):
                if value is not None:
                    times[row], present[row] = value, True
    if "time" in fields:
        for row, moment in enumerate([r.time for r in records]):
            if moment is None:
                continue
            if present[row]:
                refused.setdefault(row, []).append(
                    Finding("/time", "time_given_twice", "Both time and time_unix_ms are given.",
                            "Send one of them."))
            ms = unix_ms(moment=moment)
            if not TIME_LOW_MS <= ms < TIME_HIGH_MS:
                refused.setdefault(row, []).append(
                    Finding("/time", "out_of_range",
                            f"{moment.isoformat()} is outside 2000 to 2100.",
                            "Set the clock of the source."))
            times[row], present[row] = ms, True
    return Column(times, present)


def unix_ms(*, moment: datetime) -> int:
    """Unix milliseconds of an aware moment, microseconds rounded half to even, exactly."""
    since = moment - EPOCH
    ms, rest = divmod(since.microseconds, 1000)
    up = rest > 500 or (rest == 500 and ms % 2 == 1)
    return (since.days * 86_400 + since.seconds) * 1000 + ms + up


def _check_extents(defects: Defects, refused: dict[int, list[Finding]]) -> None:
    for row, listed in defects.items():
        for k, defect in enumerate(listed):
            if defect.circle_mm is not None and defect.area_mm2 is not None:
                refused.setdefault(row, []).append(
                    Finding(f"/defects/{k}/area_mm2", "measured_twice",
                            "The extent is given as circle_mm and as area_mm2.",
                            "Send one of them."))


def _sparse(
    records: Sequence[Any], fields: Sequence[str], name: str, kind: Callable[[Any], Any]
) -> dict[int, Any]:
    if name not in fields:
        return {}
    return {i: kind(v) for i, v in enumerate(map(attrgetter(name), records)) if v}
