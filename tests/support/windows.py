"""Graded fruit for the tests of monitoring: random columns and codes, no standard needed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grading.monitor.state import Shape, WindowState
from grading.quantities import MEASURES, Integers
from grading.record import Column, FruitBatch
from grading.verdicts import Verdicts

SHAPE = Shape(sizes=4, maturities=3, grades=3, packs=3)
CULL = 2
START_MS = 1_700_000_400_000
SPREADS = {"diameter": (6600, 450), "mass": (1500, 200), "hue": (9500, 600),
           "blush": (500, 120), "sugar": (1150, 120), "firmness": (3000, 600)}


def fruit(
    *, n: int, seed: int, lanes: int = 4, names: tuple[str, ...] = ("diameter", "hue"),
    read: float = 1.0, rate_ms: int = 100, first: int = 0,
) -> FruitBatch:
    """n fruit one after another over the lanes in turn, one every `rate_ms`."""
    rng = np.random.default_rng(seed)
    seq = np.arange(first, first + n)
    measures = {}
    for name in names:
        mean, sd = SPREADS[name]
        present = rng.random(n) < read
        values = np.clip(np.rint(rng.normal(mean, sd, n)), MEASURES[name].low_q,
                         MEASURES[name].high_q)
        measures[name] = Column(np.where(present, values, 0).astype(np.uint16), present)
    return FruitBatch(
        source="line-1", run="r1", seq=seq, lane=(seq % lanes + 1).astype(np.uint8),
        time_ms=Column(START_MS + seq * rate_ms, np.ones(n, np.bool_)), measures=measures)


def codes(*, n: int, seed: int, cull: float = 0.2) -> Verdicts:
    """Random verdicts of n fruit; culls are the last grade, with one to three reasons."""
    rng = np.random.default_rng(seed)
    culled = rng.random(n) < cull
    decisive = np.where(culled, rng.choice([1, 4, 22, 24], n), 0)
    reasons = np.where(culled, 1 << decisive, 0) | np.where(rng.random(n) < .3, 1 << 10, 0)
    return Verdicts(
        size=rng.integers(0, SHAPE.sizes, n).astype(np.uint8),
        maturity=rng.integers(0, SHAPE.maturities, n).astype(np.uint8),
        grade=np.where(culled, CULL, rng.integers(0, 2, n)).astype(np.uint8),
        pack=rng.integers(0, SHAPE.packs, n).astype(np.uint8),
        reasons=reasons.astype(np.uint32), decisive=decisive.astype(np.uint8))


def with_values(batch: FruitBatch, name: str, values: Integers) -> FruitBatch:
    """The batch with all of one measure read, as given."""
    column = Column(np.asarray(values, MEASURES[name].dtype), np.ones(len(batch), np.bool_))
    return replace(batch, measures={**batch.measures, name: column})


def assert_same(a: WindowState, b: WindowState, *, runs: bool = True) -> None:
    """Every count and sum equal; runs of equal readings too unless fruit were cut differently."""
    assert a.lanes == b.lanes
    for name in ("n", "size_maturity", "grade_pack", "decisive", "any_reason"):
        assert np.array_equal(getattr(a, name), getattr(b, name)), name
    assert a.measures.keys() == b.measures.keys()
    for name, m in a.measures.items():
        other = b.measures[name]
        for key in ("n", "total", "squares", "low", "high", "bins"):
            assert np.array_equal(getattr(m, key), getattr(other, key)), (name, key)
        if m.bins.size:
            assert m.first == other.first
        if runs:
            assert np.array_equal(m.run, other.run)
            assert np.array_equal(m.run_q, other.run_q)
    if runs:
        assert np.array_equal(a.repeats, b.repeats)
