"""Fruit for the store's tests: content is a function of seq, or random from a seed."""

from __future__ import annotations

from typing import Any

import numpy as np

from grading.quantities import MEASURES
from grading.record import Column, Defect, FruitBatch
from grading.verdicts import Verdicts

NOON_MS = 1_785_153_600_000  # 2026-07-27 12:00 UTC


def some(values: Any, share: float, rng: np.random.Generator) -> Column:
    present = rng.random(len(values)) < share
    return Column(np.where(present, values, 0).astype(values.dtype), present)


def packing_batch(
    *, n: int, first: int = 1, source: str = "line-1", run: str = "r1", seed: int = 1
) -> FruitBatch:
    """n fruit as a line sends them; 40 % with sugar, 15 % with firmness and its tip."""
    rng = np.random.default_rng(seed)

    def uniform(low: int, high: int) -> Any:
        return rng.integers(low, high, n).astype(np.uint16)

    firmness = some(uniform(800, 7000), 0.15, rng)
    tip = Column(np.where(firmness.present, 800, 0).astype(np.uint16), firmness.present)
    return FruitBatch(
        source=source,
        run=run,
        seq=np.arange(first, first + n, dtype=np.int64),
        lane=np.zeros(n, np.uint8),
        time_ms=Column(NOON_MS + np.cumsum(rng.integers(20, 200, n)), np.ones(n, np.bool_)),
        measures={
            "diameter": some(uniform(5500, 8500), 2.0, rng),
            "hue": some(uniform(6000, 11000), 2.0, rng),
            "blush": some(uniform(0, 1000), 2.0, rng),
            "mass": some(uniform(900, 3000), 2.0, rng),
            "sugar": some(uniform(800, 1600), 0.4, rng),
            "firmness": firmness,
            "tip": tip,
        },
    )


def packing_verdicts(*, n: int, seed: int = 2) -> Verdicts:
    """Random codes; the store does not read them."""
    rng = np.random.default_rng(seed)
    codes = [rng.integers(0, 5, n).astype(np.uint8) for _ in range(5)]
    reasons = rng.choice(np.array([0, 0, 0, 1, 4, 2**20 + 1], np.uint32), n)
    return Verdicts(codes[0], codes[1], codes[2], codes[3], reasons, codes[4])


def batch_of(
    *, seqs: list[int], salt: int = 0, source: str = "line-1", run: str = "r1"
) -> FruitBatch:
    """Fruit whose whole content follows from seq and salt: equal pairs are equal records."""
    seq = np.array(seqs, np.int64)
    n = len(seq)
    mixed = (seq * 7919 + salt * 104_729) % 3000
    present = mixed % 3 > 0
    return FruitBatch(
        source=source,
        run=run,
        seq=seq,
        lane=(seq % 8 + 1).astype(np.uint8),
        time_ms=Column(NOON_MS + seq * 90, np.ones(n, np.bool_)),
        measures={
            "diameter": Column((5500 + mixed).astype(np.uint16), np.ones(n, np.bool_)),
            "sugar": Column(np.where(present, 900 + mixed % 500, 0).astype(np.uint16), present),
        },
        originals={
            "diameter_in": Column(np.where(present, (5500 + mixed) / 2540, 0.0), present)
        },
        defects={
            i: (Defect(kind="bruise", circle_mm=float(m % 9 + 1)),)
            for i, m in enumerate(mixed.tolist()) if m % 11 == 0
        },
        judged={i: {"well_formed": m % 2 == 0} for i, m in enumerate(mixed.tolist()) if m % 5 == 0},
    )


def verdicts_of(*, batch: FruitBatch, code: int = 1) -> Verdicts:
    """Verdicts that follow from seq and `code`."""
    grade = ((batch.seq + code) % 5).astype(np.uint8)
    reasons = (batch.seq % 1000).astype(np.uint32) * np.uint32(code)
    return Verdicts(grade, grade, grade, grade, reasons, grade)


def same_batch(a: FruitBatch, b: FruitBatch) -> bool:
    """Exact equality; a column in which nothing is said equals one that is not there."""
    return (
        (a.source, a.run) == (b.source, b.run)
        and bool(np.array_equal(a.seq, b.seq))
        and bool(np.array_equal(a.lane, b.lane))
        and _same_columns({"time": a.time_ms}, {"time": b.time_ms})
        and _same_columns(a.measures, b.measures)
        and _same_columns(a.originals, b.originals)
        and all(b.measures[k].values.dtype == MEASURES[k].dtype for k in b.measures)
        and dict(a.defects) == dict(b.defects)
        and {k: dict(v) for k, v in a.judged.items()} == {k: dict(v) for k, v in b.judged.items()}
    )


def _same_columns(a: Any, b: Any) -> bool:
    a, b = ({k: c for k, c in m.items() if c.present.any()} for m in (a, b))
    return a.keys() == b.keys() and all(
        np.array_equal(a[k].present, b[k].present)
        and a[k].values[a[k].present].tobytes() == b[k].values[b[k].present].tobytes()
        for k in a
    )


def same_verdicts(a: Verdicts, b: Verdicts) -> bool:
    return all(np.array_equal(getattr(a, k), getattr(b, k)) for k in Verdicts.__slots__)
