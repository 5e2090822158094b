"""The fruit record: what one fruit measured, as it comes in and as it travels.

`FruitRecord` is the wire shape (strict: unknown fields, wrong types and duplicates of a measure
are refused). `FruitBatch` is the one shape from parsing to the store: columns of integers with
masks for what was not measured. Missing is absent or null, never zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any, Final, Literal

import msgspec
import numpy as np

from grading.quantities import (
    MEASURES,
    Flags,
    Integers,
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
    severity: a person's judgement; it goes before the measurements of every spot of its kind and
    place on the fruit.
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

    def take(self, *, rows: Integers | slice) -> FruitBatch:
        """The given rows, in the given order (each at most once); of a slice, views."""
        where: dict[int, int] = {}
        if self.defects or self.judged:
            where = {row: new for new, row in enumerate(np.arange(len(self))[rows].tolist())}
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
            [np.zeros(n, dtype) if c is None else c.values
             for c, n in zip(columns, lengths, strict=True)]
        ),
        np.concatenate(
            [np.zeros(n, np.bool_) if c is None else c.present
             for c, n in zip(columns, lengths, strict=True)]
        ),
    )


def concat(*, batches: Sequence[FruitBatch]) -> FruitBatch:
    """Batches of one source and run after one another."""
    first = batches[0]
    if len(batches) == 1:
        return first
    lengths = [len(b) for b in batches]
    starts = [0, *np.cumsum(lengths[:-1]).tolist()]
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
        defects={s + r: d for s, b in zip(starts, batches, strict=True)
                 for r, d in b.defects.items()},
        judged={s + r: j for s, b in zip(starts, batches, strict=True)
                for r, j in b.judged.items()},
    )
