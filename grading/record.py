"""The fruit record: what one fruit measured, as it comes in and as it travels.

`FruitRecord` is the wire shape (strict: unknown fields, wrong types and duplicates of a measure
are refused). `FruitBatch` is the one shape from parsing to the store: columns of integers with
masks for what was not measured. Missing is absent or null, never zero.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any, Final, Literal

import msgspec
import numpy as np

from grading.errors import Finding
from grading.quantities import (
    MEASURES,
    UNIT_FIELDS,
    Flags,
    Floats,
    Integers,
    quantise,
    remedy,
)

SEQ_MAX: Final = 2**53
TIME_LOW_MS: Final = 946_684_800_000  # 2000-01-01, before it a clock was never set
TIME_HIGH_MS: Final = 4_102_444_800_000  # 2100-01-01

Positive = Annotated[float, msgspec.Meta(gt=0, le=400)]
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class Defect(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True,
             omit_defaults=True):
    """One defect on one fruit, in millimetres; what was not assessed is left out.

    circle_mm: diameter of the circle of equal area, the way published limits state areas.
    severity: a person's judgement, used where the measurements do not settle it.
    """

    kind: Annotated[str, msgspec.Meta(pattern="^[a-z][a-z0-9_]{1,39}$")]
    circle_mm: Positive | None = None
    area_mm2: Annotated[float, msgspec.Meta(gt=0, le=50000)] | None = None
    length_mm: Positive | None = None
    depth_mm: Positive | None = None
    surface_fraction: Share | None = None
    count: Annotated[int, msgspec.Meta(ge=1, le=999)] | None = None
    healed: bool | None = None
    cracked: bool | None = None
    concentrated: bool | None = None
    smooth: bool | None = None
    light: bool | None = None
    deforming: bool | None = None
    in_stem_cavity: bool | None = None
    severity: Literal["none", "injury", "damage", "serious"] | None = None


class FruitRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True,
                  omit_defaults=True, gc=False):
    """The measurements of one fruit. `seq` counts up inside a run of a source."""

    seq: Annotated[int, msgspec.Meta(ge=0, le=SEQ_MAX)]
    lane: Annotated[int, msgspec.Meta(ge=1, le=255)] | None = None
    time: Annotated[datetime, msgspec.Meta(tz=True)] | None = None
    time_unix_ms: Annotated[int, msgspec.Meta(ge=TIME_LOW_MS, lt=TIME_HIGH_MS)] | None = None
    diameter_mm: float | None = None
    diameter_in: float | None = None
    circumference_mm: float | None = None
    mass_g: float | None = None
    ground_hue_deg: float | None = None
    ground_chroma: float | None = None
    ground_fraction: float | None = None
    blush_fraction: float | None = None
    sugar_brix: float | None = None
    firmness_n: float | None = None
    firmness_lbf: float | None = None
    firmness_kgf: float | None = None
    tip_mm: float | None = None
    pulp_temp_c: float | None = None
    defects: Annotated[list[Defect], msgspec.Meta(max_length=40)] | None = None
    judged: dict[str, bool] | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """Values with a mask; where `present` is False the value means nothing (kept at 0)."""

    values: Integers
    present: Flags

    def take(self, index: Any) -> Column:
        return Column(self.values[index], self.present[index])


Defects = Mapping[int, tuple[Defect, ...]]
Judged = Mapping[int, Mapping[str, bool]]


@dataclass(frozen=True, slots=True)
class FruitBatch:
    """Fruit of one source and run, in the order they came.

    seq: int64 (n,). lane: uint8 (n,), 0 = not said. time_ms: int64 Unix milliseconds.
    measures: measure name to a Column of quanta (see `quantities.MEASURES`).
    originals: wire field to the number as sent, only where the quanta do not give it back.
    defects, judged: sparse, by row. A defect-free fruit and one not looked at differ only in
    `judged`.
    """

    source: str
    run: str
    seq: Integers
    lane: Integers
    time_ms: Column
    measures: Mapping[str, Column] = field(default_factory=dict)
    originals: Mapping[str, Column] = field(default_factory=dict)
    defects: Defects = field(default_factory=dict)
    judged: Judged = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.seq)

    def take(self, *, rows: Integers) -> FruitBatch:
        """The given rows, in the given order (each at most once)."""
        where = {int(row): new for new, row in enumerate(rows)}
        return FruitBatch(
            source=self.source,
            run=self.run,
            seq=self.seq[rows],
            lane=self.lane[rows],
            time_ms=self.time_ms.take(rows),
            measures={k: c.take(rows) for k, c in self.measures.items()},
            originals={k: c.take(rows) for k, c in self.originals.items()},
            defects={where[r]: d for r, d in self.defects.items() if r in where},
            judged={where[r]: j for r, j in self.judged.items() if r in where},
        )


def _joined(columns: Sequence[Column | None], lengths: Sequence[int], dtype: Any) -> Column:
    return Column(
        np.concatenate(
            [np.zeros(n, dtype) if c is None else c.values for c, n in zip(columns, lengths)]
        ),
        np.concatenate(
            [np.zeros(n, np.bool_) if c is None else c.present for c, n in zip(columns, lengths)]
        ),
    )


def concat(*, batches: Sequence[FruitBatch]) -> FruitBatch:
    """Batches of one source and run after one another."""
    first = batches[0]
    if len(batches) == 1:
        return first
    lengths = [len(b) for b in batches]
    starts = [0, *np.cumsum(lengths).tolist()]
    names = dict.fromkeys(k for b in batches for k in b.measures)
    fields = dict.fromkeys(k for b in batches for k in b.originals)
    return FruitBatch(
        source=first.source,
        run=first.run,
        seq=np.concatenate([b.seq for b in batches]),
        lane=np.concatenate([b.lane for b in batches]),
        time_ms=_joined([b.time_ms for b in batches], lengths, np.int64),
        measures={
            k: _joined([b.measures.get(k) for b in batches], lengths, MEASURES[k].dtype)
            for k in names
        },
        originals={
            k: _joined([b.originals.get(k) for b in batches], lengths, np.float64) for k in fields
        },
        defects={s + r: d for s, b in zip(starts, batches) for r, d in b.defects.items()},
        judged={s + r: j for s, b in zip(starts, batches) for r, j in b.judged.items()},
    )


@dataclass(frozen=True, slots=True)
class Parsed:
    """Records taken apart: `batch` holds those that can be used, at positions `kept`."""

    batch: FruitBatch
    kept: Integers
    refused: Mapping[int, tuple[Finding, ...]]


def to_batch(*, records: Sequence[Any], source: str, run: str) -> Parsed:
    """Columns of the usable records; findings for every other one, by position.

    records: `FruitRecord`, or any struct with a subset of its fields (all alike).
    """
    n = len(records)
    fields = records[0].__struct_fields__ if n else ()
    refused: dict[int, list[Finding]] = {}
    measures: dict[str, Column] = {}
    originals: dict[str, Column] = {}
    for name in fields:
        unit = UNIT_FIELDS.get(name)
        if unit is None:
            continue
        values: Floats = np.array([getattr(r, name) for r in records], dtype=np.float64)
        present = values == values
        if not present.any():
            continue
        _add_measure(name, values, present, measures, originals, refused)
    _check_tip(n, measures, refused)
    batch = FruitBatch(
        source=source,
        run=run,
        seq=np.array([r.seq for r in records], dtype=np.int64),
        lane=_lanes(records, fields),
        time_ms=_times(records, fields, refused),
        measures=measures,
        originals=originals,
        defects=_defects(records, fields, refused),
        judged=_judged(records, fields),
    )
    if not refused:
        return Parsed(batch, np.arange(n), {})
    kept = np.array([i for i in range(n) if i not in refused], dtype=np.int64)
    return Parsed(batch.take(rows=kept), kept, {i: tuple(f) for i, f in refused.items()})


def _add_measure(
    name: str,
    values: Floats,
    present: Flags,
    measures: dict[str, Column],
    originals: dict[str, Column],
    refused: dict[int, list[Finding]],
) -> None:
    unit = UNIT_FIELDS[name]
    measure = MEASURES[unit.measure]
    whole = bool(present.all())
    filled = values if whole else np.where(present, values, 0.0)
    quanta = quantise(values=filled, per_quantum=unit.per_quantum())
    wrong = (quanta < measure.low_q) | (quanta > measure.high_q)
    wrong &= present
    if measure.name == "hue":
        full_circle = quanta == 36000
        quanta[full_circle] = 0
        wrong &= ~full_circle
    if wrong.any():
        for row in np.flatnonzero(wrong).tolist():
            refused.setdefault(row, []).append(_out_of_range(name, float(values[row])))
        quanta[wrong] = 0
    if unit.measure in measures:
        earlier = measures[unit.measure]
        for row in np.flatnonzero(earlier.present & present).tolist():
            refused.setdefault(row, []).append(
                Finding(f"/{name}", "measured_twice",
                        f"{measure.title} is given in two units.", "Send one of them.")
            )
        quanta = np.where(present, quanta, earlier.values)
        merged = earlier.present | present
    else:
        merged = present
    measures[unit.measure] = Column(quanta.astype(measure.dtype), merged)
    if unit.factor == 1:
        odd = quanta[present] / float(unit.per_quantum()) != filled[present]
        if not odd.any():
            return
        keep = np.zeros(len(values), np.bool_)
        keep[present] = odd
    else:
        keep = present
    originals[name] = Column(np.where(keep, filled, 0.0), keep)


def _out_of_range(name: str, value: float) -> Finding:
    unit = UNIT_FIELDS[name]
    measure = MEASURES[unit.measure]
    if not math.isfinite(value):
        return Finding(f"/{name}", "not_a_number", f"{value} is not a number.", remedy(field=name))
    low = float(measure.low_q / unit.per_quantum())
    high = float(measure.high_q / unit.per_quantum())
    return Finding(
        f"/{name}",
        "out_of_range",
        f"{value:g} {unit.unit} is outside {low:.4g} to {high:.4g} {unit.unit}.".replace("  ", " "),
        remedy(field=name),
    )


def _check_tip(n: int, measures: dict[str, Column], refused: dict[int, list[Finding]]) -> None:
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
    return np.array([r.lane or 0 for r in records], dtype=np.uint8)


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
            ms = round(moment.timestamp() * 1000)
            if not TIME_LOW_MS <= ms < TIME_HIGH_MS:
                refused.setdefault(row, []).append(
                    Finding("/time", "out_of_range", f"{moment.isoformat()} is outside 2000 to 2100.",
                            "Set the clock of the source."))
            times[row], present[row] = ms, True
    return Column(times, present)


def _defects(
    records: Sequence[Any], fields: Sequence[str], refused: dict[int, list[Finding]]
) -> Defects:
    if "defects" not in fields:
        return {}
    found = {i: tuple(r.defects) for i, r in enumerate(records) if r.defects}
    for row, defects in found.items():
        for k, defect in enumerate(defects):
            if defect.circle_mm is not None and defect.area_mm2 is not None:
                refused.setdefault(row, []).append(
                    Finding(f"/defects/{k}/area_mm2", "measured_twice",
                            "The extent is given as circle_mm and as area_mm2.",
                            "Send one of them."))
    return found


def _judged(records: Sequence[Any], fields: Sequence[str]) -> Judged:
    if "judged" not in fields:
        return {}
    return {i: dict(r.judged) for i, r in enumerate(records) if r.judged}
