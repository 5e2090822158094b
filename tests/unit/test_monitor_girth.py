"""Diameter at a reference mass by lane and minute, against `diameter_at_mass` fruit by fruit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grading.drift.cells import diameter_at_mass
from grading.monitor.girth import BIN_MM, BINS, LOW_MM, GirthSeries, girth_table
from grading.quantities import MEASURES
from grading.record import Column, FruitBatch
from tests.support.windows import START_MS, fruit


def weighed(*, n: int = 4_000, seed: int = 1, lanes: int = 4, rate_ms: int = 50) -> FruitBatch:
    """Spheres of 0.924 g a cubic centimetre, give or take 2 %."""
    rng = np.random.default_rng(seed)
    batch = fruit(n=n, seed=seed, lanes=lanes, rate_ms=rate_ms)
    mm = batch.measures["diameter"].values / 100
    grams = 0.924 * np.pi / 6000 * mm**3 * (1 + 0.02 * rng.normal(size=n))
    mass = Column(np.rint(10 * grams).astype(MEASURES["mass"].dtype), np.ones(n, np.bool_))
    return replace(batch, measures={**batch.measures, "mass": mass})


def test_each_lane_s_fruit_are_where_their_formula_puts_them() -> None:
    batch = weighed()
    series = GirthSeries().add(batch=batch)
    exact = diameter_at_mass(diameter_mm=batch.measures["diameter"].values / 100,
                             mass_g=batch.measures["mass"].values / 10)
    minute = batch.time_ms.values // 60_000
    for index, girth in series.minutes.items():
        for lane, counts in girth.counts.items():
            mine = exact[(minute == index) & (batch.lane == lane)]
            assert int(counts.sum()) == len(mine)
            middle = LOW_MM + BIN_MM * (np.arange(BINS) + 0.5)
            assert counts @ middle / len(mine) == pytest.approx(mine.mean(), abs=BIN_MM / 4)


def test_any_cut_gives_the_same_series() -> None:
    batch = weighed()
    whole = GirthSeries().add(batch=batch)
    for cut in (1, 777, 2_500):
        rows = np.arange(len(batch))
        parts = GirthSeries().add(batch=batch.take(rows=rows[cut:])).add(
            batch=batch.take(rows=rows[:cut]))
        assert parts.minutes.keys() == whole.minutes.keys()
        for index, girth in whole.minutes.items():
            for lane, counts in girth.counts.items():
                assert np.array_equal(parts.minutes[index].counts[lane], counts)


def test_a_lane_s_offset_stands_out_of_the_sizes() -> None:
    batch = weighed()
    values = batch.measures["diameter"].values + np.where(batch.lane == 3, 50, 0)
    moved = replace(batch, measures={**batch.measures, "diameter": Column(
        values.astype(np.uint16), batch.measures["diameter"].present)})
    table = girth_table(minutes=GirthSeries().add(batch=moved).minutes, least=20)
    full = table.centre[:, 1]
    assert full[2] - np.median(full) == pytest.approx(0.5, abs=0.15)
    assert (table.se[:, 1] < 0.1).all()


def test_fruit_that_cannot_be_compared_are_left_out() -> None:
    batch = weighed(n=100)
    assert not GirthSeries().add(batch=batch.take(rows=np.arange(0))).minutes
    plain = replace(batch, measures={"diameter": batch.measures["diameter"]})
    assert not GirthSeries().add(batch=plain).minutes
    assert not GirthSeries().add(batch=replace(
        batch, measures={"mass": batch.measures["mass"]})).minutes
    unknown = replace(batch, lane=np.zeros(100, np.uint8))
    assert not GirthSeries().add(batch=unknown).minutes
    some = replace(batch, time_ms=Column(batch.time_ms.values, np.arange(100) % 2 == 0))
    series = GirthSeries().add(batch=some)
    assert sum(int(c.sum()) for g in series.minutes.values() for c in g.counts.values()) == 50


def test_clocks_that_jump_do_not_make_minutes_in_between() -> None:
    batch = weighed(n=60)
    times = np.where(np.arange(60) < 30, START_MS, START_MS + 10**10)
    series = GirthSeries().add(batch=replace(batch, time_ms=Column(times, np.ones(60, np.bool_))))
    assert len(series.minutes) == 2


def test_lanes_with_few_fruit_stay_empty() -> None:
    batch = weighed(n=60)
    table = girth_table(minutes=GirthSeries().add(batch=batch).minutes, least=1_000)
    assert np.isnan(table.centre).all()
    assert table.n.sum() == 60


def test_a_minute_without_fruit_in_between_is_no_minute() -> None:
    batch = weighed(n=4_000)
    minute = batch.time_ms.values // 60_000
    kept = batch.take(rows=np.flatnonzero(minute != minute.min() + 1))
    assert int(minute.min()) + 1 not in GirthSeries().add(batch=kept).minutes
    assert len(GirthSeries().add(batch=kept).minutes) > 1
