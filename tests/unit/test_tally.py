"""Counts that add up: a merged tally is the tally of all its fruit."""

from __future__ import annotations

import random
from collections import Counter

import numpy as np
import pytest

from grading.kernel import Compiled, compile_standard
from grading.quantities import MEASURES
from grading.reasons import Reason, reasons_of
from grading.record import Column, FruitBatch
from grading.tally import SHOWN, Moments, Tally, bins_of, empty, tally
from service.library import Library


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    library = Library()
    return compile_standard(standard=library.standard("house-long-distance"),
                            profile=library.profile("ember-lass"))


def batch(*, n: int, seed: int, without: tuple[str, ...] = ()) -> FruitBatch:
    rng = np.random.default_rng(seed)
    means = {"diameter": (6600, 500), "mass": (1500, 200), "hue": (9500, 600),
             "blush": (500, 200), "sugar": (1150, 120)}
    columns = {}
    for name, (mean, sd) in means.items():
        if name not in without:
            measure = MEASURES[name]
            values = np.clip(rng.normal(mean, sd, n), measure.low_q, measure.high_q)
            columns[name] = Column(values.astype(np.uint16), rng.random(n) < 0.9)
    return FruitBatch(
        source="s", run="r", seq=np.arange(n), lane=np.zeros(n, np.uint8),
        time_ms=Column(np.zeros(n, np.int64), np.zeros(n, np.bool_)), measures=columns)


def counted(compiled: Compiled, *batches: FruitBatch) -> Tally:
    total = empty(compiled=compiled)
    for one in batches:
        total = total.merge(tally(batch=one, verdicts=compiled.grade(batch=one),
                                  compiled=compiled))
    return total


def test_counts_are_a_recount_fruit_by_fruit(compiled: Compiled) -> None:
    fruit = batch(n=2000, seed=1)
    verdicts = compiled.grade(batch=fruit)
    found = counted(compiled, fruit)
    cells = Counter(zip(verdicts.size.tolist(), verdicts.maturity.tolist(),
                        verdicts.grade.tolist(), verdicts.pack.tolist(), strict=True))
    assert {tuple(k): int(found.counts[tuple(k)]) for k in np.argwhere(found.counts)} == cells
    decisive = Counter(zip(verdicts.grade.tolist(), verdicts.decisive.tolist(), strict=True))
    assert {(g, r): int(found.decisive[g, r]) for g, r in np.argwhere(found.decisive)} == decisive
    every = Counter((g, r) for g, bits in zip(verdicts.grade.tolist(), verdicts.reasons.tolist(),
                                              strict=True) for r in reasons_of(bits=bits))
    assert {(g, Reason(r)): int(found.any_reason[g, r])
            for g, r in np.argwhere(found.any_reason)} == every
    mass = fruit.measures["mass"]
    assert found.mass_q.sum() == mass.values[mass.present].sum(dtype=np.int64)
    assert found.mass_n.sum() == mass.present.sum()


def test_bins_hold_every_measured_fruit_once(compiled: Compiled) -> None:
    fruit = batch(n=3000, seed=2)
    found = counted(compiled, fruit)
    for name in SHOWN:
        n = int(found.histograms[name].sum())
        assert n + found.missing[name] == found.n == 3000
        assert len(found.histograms[name]) == bins_of(measure=MEASURES[name])
    sizes = fruit.measures["diameter"]
    tenths = Counter((sizes.values[sizes.present] // 10).tolist())
    bins = found.histograms["diameter"]
    assert {int(k) + 200: int(bins[k]) for k in np.flatnonzero(bins)} == tenths


def test_merging_is_the_same_in_any_order(compiled: Compiled) -> None:
    parts = [batch(n=n, seed=n, without=("mass",) if n % 2 else ()) for n in (1, 50, 333, 1000)]
    whole = counted(compiled, *parts)
    random.Random(3).shuffle(parts)
    other = counted(compiled, *parts)
    assert np.array_equal(whole.counts, other.counts)
    assert np.array_equal(whole.any_reason, other.any_reason)
    for name in SHOWN:
        assert np.array_equal(whole.histograms[name], other.histograms[name])
        assert whole.moments[name].n == other.moments[name].n
        assert whole.moments[name].mean == pytest.approx(other.moments[name].mean, rel=1e-13)
        assert whole.moments[name].m2 == pytest.approx(other.moments[name].m2, rel=1e-10)


def test_a_column_in_which_nothing_was_measured_counts_as_missing(compiled: Compiled) -> None:
    n = 4
    fruit = FruitBatch(
        source="s", run="r", seq=np.arange(n), lane=np.zeros(n, np.uint8),
        time_ms=Column(np.zeros(n, np.int64), np.zeros(n, np.bool_)),
        measures={"sugar": Column(np.zeros(n, np.uint16), np.zeros(n, np.bool_))})
    found = counted(compiled, fruit)
    assert found.missing["sugar"] == 4
    assert found.moments["sugar"] == Moments()
    assert found.moments["sugar"].sd() is None
    assert counted(compiled).merge(counted(compiled)).n == 0


def test_mean_hue_does_not_cross_the_seam(compiled: Compiled) -> None:
    """Hue angles 350 and 10 degrees average to 0, not to 180 (circular statistics)."""
    fruit = FruitBatch(
        source="s", run="r", seq=np.arange(2), lane=np.zeros(2, np.uint8),
        time_ms=Column(np.zeros(2, np.int64), np.zeros(2, np.bool_)),
        measures={"hue": Column(np.array([35000, 1000], np.uint16), np.ones(2, np.bool_))})
    assert counted(compiled, fruit).moments["hue"].mean == 0


@pytest.mark.parametrize(("start", "digits"), [(1.2, 12), (1_000_000.2, 9)])
def test_moments_keep_their_digits(start: float, digits: int) -> None:
    """NIST StRD univariate sets NumAcc2 and NumAcc3 (certified mean as the start, sd 0.1)."""
    values = [start] + [start - 0.1, start + 0.1] * 500
    total = Moments()
    for value in values:
        total = total.merge(Moments(1, value, 0.0))
    assert total.mean == pytest.approx(start, rel=10.0**-digits)
    assert total.sd() == pytest.approx(0.1, rel=1e-8)
