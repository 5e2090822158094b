"""Windows of fruit: counts are recounts, sums are exact, charts get the tables they need."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import groupby

import numpy as np
import pytest

from grading.kernel import compile_standard
from grading.monitor import (
    TEN_MINUTES,
    Shape,
    Span,
    WindowSeries,
    merged,
    no_fruit,
    window_of,
)
from grading.monitor.series import NO_TIME, quantile_factor
from grading.quantities import MEASURES
from grading.record import Column, FruitBatch, concat
from grading.tally import tally
from service.library import Library
from tests.support.windows import (
    CULL,
    SHAPE,
    SPREADS,
    START_MS,
    assert_same,
    codes,
    fruit,
    with_values,
)
from tests.unit.test_tally import batch as tally_batch


def series(span: Span = TEN_MINUTES, digest: str = "", run: str = "") -> WindowSeries:
    return WindowSeries(lot="L-0417", line="line-1", span=span, shape=SHAPE, digest=digest, run=run)


def test_a_window_agrees_with_the_tally_of_the_same_fruit() -> None:
    """The lot tally is other code with its own recount tests."""
    library = Library()
    compiled = compile_standard(standard=library.standard("house-long-distance"),
                                profile=library.profile("ember-lass"))
    fruits = tally_batch(n=3000, seed=4, without=("sugar",))
    fruits = replace(fruits, lane=(np.arange(3000) % 7).astype(np.uint8))
    verdicts = compiled.grade(batch=fruits)
    counted = tally(batch=fruits, verdicts=verdicts, compiled=compiled)
    state = window_of(batch=fruits, verdicts=verdicts, shape=Shape.of(compiled=compiled))
    assert state.lanes == tuple(range(7))
    line = state.together()
    assert line.fruit == state.fruit == counted.n
    assert np.array_equal(line.size_maturity[0], counted.counts.sum(axis=(2, 3)))
    assert np.array_equal(line.grade_pack[0], counted.counts.sum(axis=(0, 1)))
    assert np.array_equal(line.decisive[0], counted.decisive)
    assert np.array_equal(line.any_reason[0], counted.any_reason)
    for name, measure in line.measures.items():
        moments = counted.moments[name]
        assert measure.n[0] == moments.n == counted.n - counted.missing[name]
        assert measure.mean()[0] == pytest.approx(moments.mean, rel=1e-12)
        assert measure.m2()[0] == pytest.approx(moments.m2, rel=1e-10)
        bins = counted.histograms[name]
        low = measure.first
        assert np.array_equal(measure.bins[0], bins[low:low + measure.bins.shape[1]])
        assert measure.bins.sum() == measure.n[0]


def test_lanes_are_counted_apart() -> None:
    batch, verdicts = fruit(n=2000, seed=1, lanes=3, read=.8), codes(n=2000, seed=1)
    state = window_of(batch=batch, verdicts=verdicts, shape=SHAPE)
    for lane in (1, 2, 3):
        mine, one = batch.lane == lane, state.lane(number=lane)
        assert one.lanes == (lane,)
        assert one.fruit == mine.sum()
        for g, p in {(g, p) for g in range(3) for p in range(3)}:
            both = mine & (verdicts.grade == g) & (verdicts.pack == p)
            assert one.grade_pack[0, g, p] == both.sum()
        c = batch.measures["diameter"]
        values = c.values[mine & c.present].astype(float)
        found = one.measures["diameter"]
        assert found.mean()[0] == pytest.approx(values.mean())
        assert found.sd()[0] == pytest.approx(values.std(ddof=1))
        assert (found.low[0], found.high[0]) == (values.min(), values.max())
        for share in (.1, .5, .9):
            assert found.quantile(share=share)[0] == pytest.approx(
                np.quantile(values, share), abs=MEASURES["diameter"].bin_q)
    nobody = state.lane(number=9)
    assert (nobody.lanes, nobody.fruit, int(nobody.measures["hue"].n[0])) == ((9,), 0, 0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        found.quantile(share=1.0)


@pytest.mark.parametrize(("centre", "step"), [(6000, 500), (6000, 1)])
def test_sums_keep_every_digit(centre: int, step: int) -> None:
    """NIST StRD NumAcc2 and NumAcc3 (from memory: 1.2, then 1.1 and 1.3 x 500; mean the centre,
    sd one step), as whole quanta."""
    values = np.array([centre] + [centre - step, centre + step] * 500)
    batch = with_values(fruit(n=1001, seed=0), "diameter", values)
    state = window_of(batch=batch, verdicts=codes(n=1001, seed=0), shape=SHAPE).together()
    assert state.measures["diameter"].mean()[0] == centre
    assert state.measures["diameter"].sd()[0] == step


def test_every_tenth_of_a_millimetre_lands_in_a_bin_of_its_own() -> None:
    """20.0, 20.1 ... 109.9 mm: binary floats would put 360 of the 900 into the wrong bin."""
    batch = with_values(fruit(n=900, seed=0), "diameter", np.arange(2000, 11000, 10))
    state = window_of(batch=batch, verdicts=codes(n=900, seed=0), shape=SHAPE).together()
    assert state.measures["diameter"].first == 0
    assert state.measures["diameter"].bins.tolist() == [[1] * 900]


def test_hue_does_not_break_at_0_degrees() -> None:
    """350 and 10 degrees have the mean 0 (circular statistics)."""
    batch = with_values(fruit(n=4, seed=0, lanes=1), "hue", np.array([35000, 1000, 500, 35500]))
    other = with_values(fruit(n=4, seed=0, lanes=1), "hue", np.array([9000, 9000, 9000, 9000]))
    hue = window_of(batch=batch, verdicts=codes(n=4, seed=0), shape=SHAPE).measures["hue"]
    assert hue.mean()[0] == 0
    assert (hue.low[0], hue.high[0]) == (-1000, 1000)
    assert hue.quantile()[0] == pytest.approx(0, abs=500)
    both = merged(shape=SHAPE, states=(
        window_of(batch=b, verdicts=codes(n=4, seed=0), shape=SHAPE) for b in (batch, other)))
    assert both.measures["hue"].mean()[0] == 4500
    assert both.measures["hue"].bins.sum() == 8
    assert both.measures["hue"].quantile(share=.99)[0] == pytest.approx(9000, abs=50)


def test_runs_and_repeats() -> None:
    rng = np.random.default_rng(3)
    batch = fruit(n=1200, seed=3, lanes=3)
    values = rng.integers(5000, 8000, 1200)
    values[(batch.lane == 2) & (batch.seq > 500) & (batch.seq < 600)] = 6611  # 33 of lane 2
    values[(batch.lane == 3) & (batch.seq < 54)] = 6000  # 18 of lane 3: too few to write down
    values[(batch.lane == 3) & (batch.seq > 1100)] = 6000
    state = window_of(batch=with_values(batch, "diameter", values), verdicts=codes(n=1200, seed=3),
                      shape=SHAPE)
    wanted = {}
    for lane in (1, 2, 3):
        runs = [(len(list(g)), int(v)) for v, g in groupby(values[batch.lane == lane])]
        longest = max(runs)
        wanted[lane] = longest if longest[0] >= 20 else (0, -1)
    m = state.measures["diameter"]
    assert {lane: (int(m.run[i]), int(m.run_q[i])) for i, lane in enumerate(state.lanes)} == wanted
    assert wanted[2][0] == 33
    assert state.together().measures["diameter"].run[0] == 33 or wanted[3][0] > 33
    # The same record under the next number: all readings equal to the fruit before.
    twice = np.sort(np.concatenate((np.arange(1200), np.arange(0, 1200, 100))))
    double = batch.take(rows=np.arange(1200))
    double = FruitBatch(source="s", run="r", seq=np.arange(1212), lane=batch.lane[twice],
                        time_ms=batch.time_ms.take(twice),
                        measures={k: c.take(twice) for k, c in double.measures.items()})
    found = window_of(batch=double, verdicts=codes(n=1212, seed=1), shape=SHAPE)
    assert found.repeats.sum() == 12
    # One measure alone is no repeat, however equal.
    one = replace(double, measures={"diameter": double.measures["diameter"]})
    assert window_of(batch=one, verdicts=codes(n=1212, seed=1), shape=SHAPE).repeats.sum() == 0


def test_windows_by_time_and_by_fruit() -> None:
    batch, verdicts = fruit(n=1000, seed=2, rate_ms=3000), codes(n=1000, seed=2)
    by_time = series().add(batch=batch, verdicts=verdicts)
    stamps = Counter((batch.time_ms.values // 600_000).tolist())
    assert {i: s.fruit for i, s in by_time.windows.items()} == stamps
    by_fruit = series(Span(kind="fruit", size=300), run="r1").add(batch=batch, verdicts=verdicts)
    assert [s.fruit for s in by_fruit.windows.values()] == [300, 300, 300, 100]
    assert by_fruit.window(index=3).fruit == 100
    assert by_fruit.window(index=99).fruit == 0
    # Fruit after a long stop, fruit in disorder, and fruit without a time.
    late = batch.time_ms.values.copy()
    late[500:] += 10**10
    gap = series().add(batch=replace(batch, time_ms=replace(batch.time_ms, values=late)),
                       verdicts=verdicts)
    assert {i: s.fruit for i, s in gap.windows.items()} == Counter((late // 600_000).tolist())
    order = np.random.default_rng(1).permutation(1000)
    mixed = series().add(batch=batch.take(rows=order), verdicts=verdicts.take(rows=order))
    assert {i: s.fruit for i, s in mixed.windows.items()} == stamps
    quiet = batch.time_ms.values.copy()
    quiet[900:] += 1_200_000  # a window in between stays empty
    assert NO_TIME not in series().add(
        batch=replace(batch, time_ms=replace(batch.time_ms, values=quiet)),
        verdicts=verdicts).windows
    timeless = Column(batch.time_ms.values, np.arange(1000) % 10 > 0)
    some = series().add(batch=replace(batch, time_ms=timeless), verdicts=verdicts)
    assert some.windows[NO_TIME].fruit == 100
    assert series().add(batch=batch.take(rows=order[:0]), verdicts=verdicts.take(rows=order[:0])
                        ).windows == {}
    with pytest.raises(ValueError, match="at least 1"):
        Span(kind="time", size=0)


def test_what_cannot_be_merged() -> None:
    a = series().add(batch=fruit(n=10, seed=0), verdicts=codes(n=10, seed=0))
    with pytest.raises(ValueError, match="one lot"):
        a.merge(series(digest="other"))
    with pytest.raises(ValueError, match="different shape"):
        a.total().merge(window_of(batch=fruit(n=10, seed=0), verdicts=codes(n=10, seed=0),
                                  shape=replace(SHAPE, sizes=9)))
    assert no_fruit(shape=SHAPE).shape == SHAPE
    assert series().total().fruit == 0
    none = window_of(batch=fruit(n=10, seed=0).take(rows=np.arange(0)),
                     verdicts=codes(n=0, seed=0), shape=SHAPE)
    assert none.lanes == ()


def test_tables_for_charts() -> None:
    batch, verdicts = fruit(n=4000, seed=6, rate_ms=600, lanes=4), codes(n=4000, seed=6)
    found = series().add(batch=batch, verdicts=verdicts)
    index = batch.time_ms.values // 600_000
    excluded = {int(index[0]): "start-up, by QC"}
    shares = found.share_windows(grades=(CULL,), excluded=excluded)
    assert [w.excluded for w in shares[:2]] == ["start-up, by QC", ""]
    levels = found.level_windows(measure="diameter", excluded=excluded)
    table = found.lane_table(measure="diameter")
    assert (table.lanes, table.indexes) == ((1, 2, 3, 4), tuple(found.windows))
    values = batch.measures["diameter"].values / 100
    for row, (share, level) in enumerate(zip(shares, levels, strict=True)):
        rows = index == share.index
        assert share.n == level.n == rows.sum()
        assert share.value == pytest.approx((verdicts.grade[rows] == CULL).mean())
        assert level.value == pytest.approx(np.median(values[rows]), abs=.1)
        assert level.sd == pytest.approx(
            1.2533 * values[rows].std(ddof=1) / np.sqrt(rows.sum()), rel=1e-4)
        for column, lane in enumerate(table.lanes):
            mine = rows & (batch.lane == lane)
            assert table.n[row, column] == mine.sum()
            assert table.value[row, column] == pytest.approx(np.median(values[mine]), abs=.1)
            assert table.sd[row, column] == pytest.approx(
                1.2533 * values[mine].std(ddof=1) / np.sqrt(mine.sum()), rel=1e-4)
    lane2 = found.share_windows(grades=(CULL,), lane=2)[0]
    rows = (index == lane2.index) & (batch.lane == 2)
    assert lane2.value == pytest.approx((verdicts.grade[rows] == CULL).mean())
    assert found.level_windows(measure="diameter", lane=2)[0].n == rows.sum()
    assert found.share_windows(grades=(CULL,), lane=9)[0] == replace(lane2, n=0, value=0.0)
    assert found.level_windows(measure="mass") == ()
    assert found.level_windows(measure="diameter", lane=9) == ()
    assert np.isnan(found.lane_table(measure="mass").value).all()
    # Normal order statistics: 1.2533 for the median (tables), 1.71 for the 10 % quantile.
    assert quantile_factor(share=.5) == pytest.approx(1.2533, abs=5e-5)
    assert quantile_factor(share=.1) == pytest.approx(.3 / .17549833, rel=1e-6)


def test_windows_are_kept_small_whatever_comes_late() -> None:
    """All but the newest two are packed; figures are those of the windows."""
    batch = fruit(n=5_000, seed=1, lanes=8, names=tuple(SPREADS), rate_ms=100)
    verdicts = codes(n=5_000, seed=1)
    whole = series(Span(kind="time", size=60_000)).add(batch=batch, verdicts=verdicts)
    rng = np.random.default_rng(5)
    late = series(Span(kind="time", size=60_000))
    for rows in np.array_split(rng.permutation(5_000), 7):
        late = late.add(batch=batch.take(rows=rows), verdicts=verdicts.take(rows=rows))
    assert list(late.windows) == list(whole.windows) == list(whole.figures)
    assert late.figures == whole.figures
    for index, state in whole.windows.items():
        assert_same(state, late.windows[index], runs=False)
        assert whole.figures[index].fruit == state.fruit
        assert sum(whole.figures[index].by_grade) == state.fruit
        assert whole.figures[index].by_grade[CULL] == state.grade_pack[:, CULL].sum()
    kept = list(whole.windows._values.values())
    assert [isinstance(v, bytes) for v in kept] == [True] * (len(kept) - 2) + [False] * 2
    assert max(len(v) for v in kept[:-2] if isinstance(v, bytes)) < 6_000
    assert START_MS % 600_000 == 0


def test_windows_of_the_same_lanes_add_up_whatever_each_measured() -> None:
    """Against one window of all the fruit; hue is read in the second part only."""
    first = fruit(n=300, seed=1, names=("diameter",))
    second = fruit(n=300, seed=2, first=300, names=("diameter", "hue"), read=.8)
    given = codes(n=600, seed=3)
    parts = [window_of(batch=b, verdicts=given.take(rows=rows), shape=SHAPE)
             for b, rows in ((first, slice(0, 300)), (second, slice(300, 600)))]
    whole = window_of(batch=concat(batches=[first, second]), verdicts=given, shape=SHAPE)
    for some in (parts, parts[::-1]):
        assert_same(merged(states=some, shape=SHAPE), whole, runs=False)
