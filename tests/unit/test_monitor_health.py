"""Sensors that stopped being sensors, and healthy ones that must not be accused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from grading.monitor.assemble import window_of
from grading.monitor.health import (
    HealthFinding,
    health,
    impossible_share,
    sequence_test,
)
from grading.monitor.state import WindowState
from grading.record import Column, FruitBatch
from tests.support.windows import SHAPE, codes, fruit, with_values

NAMES = ("diameter", "mass", "hue", "blush", "sugar")


def state_of(batch: FruitBatch) -> WindowState:
    return window_of(batch=batch, verdicts=codes(n=len(batch), seed=0), shape=SHAPE)


def signs(found: tuple[HealthFinding, ...]) -> list[tuple[str, int, str]]:
    return [(f.sign, f.lane, f.measure) for f in found]


def changed(batch: FruitBatch, name: str, rows: np.ndarray, values: object) -> FruitBatch:
    column = batch.measures[name].values.copy()
    column[rows] = values
    return with_values(batch, name, column)


def missing(batch: FruitBatch, name: str, rows: np.ndarray) -> FruitBatch:
    present = batch.measures[name].present & ~rows
    column = Column(np.where(present, batch.measures[name].values, 0).astype(np.uint16), present)
    return replace(batch, measures={**batch.measures, name: column})


@pytest.mark.parametrize("lanes", [1, 2, 8])
def test_healthy_lanes_are_left_alone(lanes: int) -> None:
    """4 windows of 600 fruit a lane: 0.05 false signs a week is none here."""
    for seed in range(4):
        batch = fruit(n=600 * lanes, seed=seed, lanes=lanes, names=NAMES, read=.95)
        assert health(state=state_of(batch)) == ()


def test_a_legal_pile_of_one_value_is_no_frozen_sensor() -> None:
    """60 % of a green batch have no blush at all, and masses come in whole grams."""
    batch = fruit(n=4800, seed=1, lanes=8, names=NAMES)
    green = np.random.default_rng(1).random(4800) < .6
    batch = changed(batch, "blush", green, 0)
    grams = batch.measures["mass"].values // 10 * 10
    batch = with_values(batch, "mass", grams)
    assert health(state=state_of(batch)) == ()
    # Everybody reads nothing but one value: a matter for the standard, not for a lane.
    same = with_values(batch, "blush", np.zeros(4800, int))
    assert health(state=state_of(same)) == ()


def test_silent_lanes() -> None:
    batch = fruit(n=4800, seed=2, lanes=8, names=NAMES)
    dark = missing(batch, "hue", batch.lane == 3)
    found = health(state=state_of(dark))
    assert signs(found) == [("silent", 3, "hue")]
    assert (found[0].seen, found[0].n) == (0.0, 600)
    assert found[0].chance is not None and found[0].chance < 1e-100
    rng = np.random.default_rng(2)
    dim = missing(batch, "hue", (batch.lane == 3) & (rng.random(4800) < .7))
    assert signs(health(state=state_of(dim))) == [("reads_less", 3, "hue")]
    slightly = missing(batch, "hue", (batch.lane == 3) & (rng.random(4800) < .2))
    assert health(state=state_of(slightly)) == ()
    start = batch.take(rows=np.arange(40))  # 5 fruit a lane unread among 35 read: 1 of 36 missed
    some = missing(start, "hue", (start.lane == 3) | (np.arange(40) % 3 == 0))
    assert health(state=state_of(some)) == ()
    # All lanes dark: only an earlier window shows that it was not always so.
    all_dark = replace(batch, measures={k: c for k, c in batch.measures.items() if k != "hue"})
    assert health(state=state_of(all_dark)) == ()
    found = health(state=state_of(all_dark), before=state_of(batch))
    assert signs(found) == [("silent", lane, "hue") for lane in range(1, 9)]


def test_a_lane_without_fruit() -> None:
    batch = fruit(n=4800, seed=2, lanes=8)
    seven = batch.take(rows=np.flatnonzero(batch.lane != 5))
    found = health(state=state_of(seven), before=state_of(batch))
    assert signs(found) == [("silent", 5, "")]
    # The chance of no fruit in 4200 at one eighth (scipy).
    assert found[0].chance == pytest.approx(stats.binom.pmf(0, 4200, 600 / 4801), rel=1e-9)
    few = seven.take(rows=np.arange(20))
    assert health(state=state_of(few), before=state_of(batch)) == ()


def test_frozen_readings() -> None:
    batch = fruit(n=4800, seed=3, lanes=8, names=NAMES)
    stuck = changed(batch, "diameter", (batch.lane == 4) & (batch.seq > 2000)
                    & (batch.seq < 2400), 6600)
    found = health(state=state_of(stuck))
    assert signs(found) == [("frozen", 4, "diameter")]
    assert found[0].seen == 50
    assert 1 < found[0].expected < 20
    # The whole window of a lane: compared with the other lanes, too even as well.
    whole = changed(batch, "diameter", batch.lane == 4, 6600)
    assert signs(health(state=state_of(whole))) == [
        ("frozen", 4, "diameter"), ("too_even", 4, "diameter")]


def test_frozen_readings_with_nothing_to_compare() -> None:
    batch = fruit(n=400, seed=3, lanes=1)
    whole = with_values(batch, "diameter", np.full(400, 6600))
    (found,) = health(state=state_of(whole))
    assert (found.sign, found.chance, found.seen) == ("frozen", None, 400)
    partly = changed(batch, "diameter", batch.seq < 100, 6600)
    assert signs(health(state=state_of(partly))) == [("frozen", 1, "diameter")]
    # One bin, but not one value: the fruit of a narrow window.
    narrow = with_values(batch, "diameter", np.where(batch.seq < 30, 6600, 6601 + batch.seq % 2))
    assert health(state=state_of(narrow)) == ()
    # Half of the fruit at one value by nature: 20 in a row come about by chance.
    coin = np.where(np.random.default_rng(0).random(4000) < .9, 0, 500)
    pile = with_values(fruit(n=4000, seed=3, lanes=1), "blush", coin)
    assert state_of(pile).measures["blush"].run[0] >= 20
    assert health(state=state_of(pile)) == ()


def test_the_bound_on_runs_holds() -> None:
    """Known law: P(run of at least r heads in n tosses) by recursion (Feller), below the bound."""
    n, r, p = 200, 8, .5
    no_run = [1.0] * r + [1 - p**r]
    for i in range(r + 1, n + 1):
        no_run.append(no_run[i - 1] - (1 - p) * p**r * no_run[i - r - 1])
    assert 1 - no_run[n] <= (n - r + 1) * p**r


def test_uneven_spread() -> None:
    batch = fruit(n=4800, seed=4, lanes=8, names=NAMES)
    lane = batch.lane == 6
    values = batch.measures["sugar"].values.astype(int)
    smooth = changed(batch, "sugar", lane, 1150 + (values[lane] - 1150) // 2)
    found = health(state=state_of(smooth))
    assert signs(found) == [("too_even", 6, "sugar")]
    assert found[0].seen / found[0].expected == pytest.approx(.5, abs=.05)
    noisy = changed(batch, "sugar", lane, 1150 + (values[lane] - 1150) * 2)
    assert signs(health(state=state_of(noisy))) == [("too_noisy", 6, "sugar")]
    # Others of two values, half each (kurtosis 1), and others that all lie in one bin.
    two = with_values(batch, "sugar", np.where(lane, values, 1100 + batch.seq // 8 % 2 * 100))
    assert signs(health(state=state_of(two))) == [("too_noisy", 6, "sugar")]
    one = with_values(batch, "sugar", np.where(lane, values, 1100 + batch.seq // 8 % 2))
    assert 6 not in {f.lane for f in health(state=state_of(one))}
    few = fruit(n=800, seed=4, lanes=4)  # 200 a lane: half as wide again is not enough to accuse
    peaked = 6600 + np.random.default_rng(4).laplace(0, 300, 800)
    wide = np.where(few.lane == 2, 6600 + (peaked - 6600) * 1.5, peaked)
    state = state_of(with_values(few, "diameter", np.clip(wide, 2000, 15000).astype(int)))
    sds = state.measures["diameter"].sd()
    assert sds[1] > 1.43 * sds[[0, 2, 3]].max()
    assert health(state=state) == ()
    assert signs(health(state=state, chance_max=.05)) == [("too_noisy", 2, "diameter")]
    small = fruit(n=1200, seed=4, lanes=8, names=NAMES)
    stuck = changed(small, "sugar", small.lane == 6, 1150)
    assert [f.sign for f in health(state=state_of(stuck))] == ["frozen"]  # 150: no word on spread


def test_the_spread_test_keeps_its_level() -> None:
    """Layard's statistic on flat (kurtosis 1.8) and on peaked fruit is near a normal deviate."""
    rng = np.random.default_rng(8)
    for name, kurtosis in (("flat", 1.8), ("peaked", 6.0)):
        ratios = []
        for _ in range(30):
            draw = rng.uniform(-1, 1, 2400) if name == "flat" else rng.laplace(0, 1, 2400)
            values = np.clip(np.rint(6600 + 200 * draw), 2000, 15000)
            state = state_of(with_values(fruit(n=2400, seed=1, lanes=4), "diameter", values))
            lane, line = state.measures["diameter"].sd(), values.std()
            ratios.extend((2 * np.log(lane / line)).tolist())
            assert health(state=state) == ()
        assert np.var(ratios) == pytest.approx((kurtosis - 1) * (1 / 600 - 1 / 2400), rel=.35)


def test_repeated_records() -> None:
    batch = fruit(n=2000, seed=5, lanes=4, names=NAMES)
    twice = np.sort(np.concatenate((np.arange(2000), np.arange(0, 2000, 20))))  # of lane 1
    double = FruitBatch(source="s", run="r", seq=np.arange(2100), lane=batch.lane[twice],
                        time_ms=batch.time_ms.take(twice),
                        measures={k: c.take(twice) for k, c in batch.measures.items()})
    found = health(state=state_of(double))
    assert signs(found) == [("repeated", 1, "")]
    assert found[0].seen == 100 / 600
    one = replace(double, measures={})
    assert health(state=state_of(one)) == ()
    # Coarse readings fall together now and then: expected, so no finding.
    coarse = fruit(n=2000, seed=5, lanes=4)
    for name in ("diameter", "hue"):
        coarse = with_values(coarse, name, 6000 + np.random.default_rng(1).integers(0, 2, 2000) * 9)
    assert state_of(coarse).repeats.sum() > 300
    assert health(state=state_of(coarse)) == ()


def test_impossible_readings() -> None:
    found = impossible_share(refused=40, fruit=2000, usual=.001, lane=2, measure="diameter")
    assert found is not None
    assert found.chance == pytest.approx(stats.binom.sf(39, 2000, .001), rel=1e-9)
    assert (found.sign, found.lane, found.seen) == ("impossible", 2, .02)
    assert impossible_share(refused=4, fruit=2000, usual=.001) is None
    assert impossible_share(refused=0, fruit=2000, usual=.9) is None
    with pytest.raises(ValueError, match="usual share"):
        impossible_share(refused=1, fruit=10, usual=0.0)


def test_readings_in_order() -> None:
    rng = np.random.default_rng(6)
    fresh = rng.normal(65, 4, 400)
    honest = sequence_test(values=fresh)
    assert honest is not None
    assert honest.ratio == pytest.approx(
        (np.diff(fresh) ** 2).sum() / 399 / fresh.var(), rel=1e-12)  # von Neumann's definition
    assert honest.chance_smoothed > 1e-3
    smooth = sequence_test(values=np.convolve(fresh, np.ones(4) / 4, "valid"))
    assert smooth is not None and smooth.chance_smoothed < 1e-12
    assert sequence_test(values=fresh[:19]) is None
    assert sequence_test(values=np.full(50, 65.0)) is None


def test_von_neumann_ratio_is_standard_normal_for_independent_readings() -> None:
    # Young 1941: variance of 1 - ratio/2 is (n - 2)/(n^2 - 1) for normal readings.
    rng = np.random.default_rng(9)
    found = [sequence_test(values=rng.normal(size=30)) for _ in range(2000)]
    z = np.array([f.z for f in found if f is not None])
    assert z.mean() == pytest.approx(0, abs=3 / np.sqrt(2000))
    assert z.var() == pytest.approx(1, abs=3 * np.sqrt(2 / 2000))
