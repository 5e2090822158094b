"""Windows add up in any order and grouping; charts stopped and restarted are the same charts."""

from __future__ import annotations

import itertools
import math
from functools import reduce

import msgspec
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from grading.monitor.budget import Levels
from grading.monitor.charts import Cusum, Ewma
from grading.monitor.kept import OPEN, Kept
from grading.monitor.packed import packed, packed_window, unpacked, unpacked_window
from grading.monitor.series import Span, WindowSeries
from grading.monitor.shares import laney_chart
from grading.monitor.state import merged, no_fruit
from grading.monitor.tracks import Track, TrackState, TrackWindow
from tests.support.windows import SHAPE, assert_same, codes, fruit

LEVELS = Levels(look_z=3.09, act_z=3.9, look_ewma=2.96, act_ewma=3.8, weight=0.2)
NAMES = ("diameter", "hue", "firmness")


def series(kind: str = "time", size: int = 10_000) -> WindowSeries:
    span = Span(kind="time" if kind == "time" else "fruit", size=size)
    return WindowSeries(lot="L-0417", line="line-1", span=span, shape=SHAPE)


@given(st.integers(0, 2**32), st.lists(st.integers(0, 240), max_size=4),
       st.randoms(use_true_random=False))
def test_any_cut_and_any_order_give_the_same_windows(
    seed: int, cuts: list[int], order: object
) -> None:
    batch, given_codes = fruit(n=240, seed=seed, names=NAMES, read=.9), codes(n=240, seed=seed)
    for kind, size in (("time", 5_000), ("fruit", 70)):
        whole = series(kind, size).add(batch=batch, verdicts=given_codes)
        edges = sorted({0, 240, *cuts})
        parts = []
        for a, b in itertools.pairwise(edges):
            rows = np.arange(a, b)
            parts.append(series(kind, size).add(
                batch=batch.take(rows=rows), verdicts=given_codes.take(rows=rows)))
        order.shuffle(parts)  # type: ignore[attr-defined]
        joined = reduce(WindowSeries.merge, parts)
        assert list(joined.windows) == list(whole.windows) == sorted(whole.windows)
        for index, state in whole.windows.items():
            assert_same(state, joined.windows[index], runs=False)
        assert whole.total().fruit == 240


@given(st.integers(0, 2**32), st.tuples(*[st.integers(0, 300)] * 3))
def test_merging_is_associative_commutative_and_has_a_nothing(
    seed: int, sizes: tuple[int, int, int]
) -> None:
    a, b, c = (series().add(
        batch=fruit(n=n, seed=seed + i, lanes=2 + i, names=NAMES[i:], read=(0.0, .8, 1.0)[i]),
        verdicts=codes(n=n, seed=seed + i)).total() for i, n in enumerate(sizes))
    assert_same(a.merge(b).merge(c), a.merge(b.merge(c)))
    assert_same(a.merge(b), b.merge(a))
    assert_same(a.merge(no_fruit(shape=SHAPE)), a)
    assert_same(merged(states=(c, a, b), shape=SHAPE), a.merge(b).merge(c))


@given(st.integers(0, 2**32), st.integers(0, 400))
def test_a_packed_window_is_the_window(seed: int, n: int) -> None:
    state = series().add(batch=fruit(n=n, seed=seed, names=NAMES, read=.7),
                         verdicts=codes(n=n, seed=seed)).total()
    found = unpacked_window(packed_window(state))
    assert_same(found, state)
    assert found.shape == state.shape


@given(st.lists(st.one_of(st.just(0), st.integers(-3, 300), st.integers(-2**63, 2**63 - 1)),
                max_size=2_000), st.integers(0, 2_000))
def test_packed_numbers_are_the_numbers(values: list[int], zeros: int) -> None:
    given_values = np.array([*values, *[0] * zeros, *values[:5]], np.int64)
    found = unpacked(data=packed(values=given_values))
    assert found.dtype == np.int64
    assert np.array_equal(found, given_values)


@given(st.lists(st.dictionaries(st.integers(-1, 9), st.integers(), max_size=4), max_size=8))
def test_values_are_kept_whatever_is_packed(changes: list[dict[int, int]]) -> None:
    """Against a dict; only the newest are as they were given."""
    packing: list[int] = []

    def pack(value: int) -> bytes:
        packing.append(value)
        return str(value).encode()

    kept, plain = Kept(pack=pack, unpack=int), {}
    for change in changes:
        packing.clear()
        kept, plain = kept.changed(change), plain | change
        assert list(kept.items()) == sorted(plain.items())
        assert kept.keys() == plain.keys()
        assert len(kept) == len(plain)
        assert kept.get(10) is None
        newest = sorted(plain)[-OPEN:]
        assert set(packing) <= {plain[k] for k in plain if k not in newest}


VALUES = st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=60)


@given(VALUES, st.floats(.02, 1.0), st.floats(-10, 10))
def test_ewma_at_every_prefix_is_the_weighted_sum(
    values: list[float], weight: float, target: float
) -> None:
    chart = Ewma(target=target, sigma=1.0, weight=weight)
    x = np.array(values)
    for t, state in enumerate(chart.run(values=values), start=1):
        w = weight * (1 - weight) ** np.arange(t - 1, -1, -1.0)
        assert math.isclose(state.value, w @ x[:t] + (1 - weight) ** t * target,
                            rel_tol=1e-10, abs_tol=1e-10)
        assert math.isclose(state.variance, w @ w, rel_tol=1e-10)


@given(VALUES, st.floats(0, 2))
def test_cusum_at_every_prefix_is_the_highest_climb(values: list[float], reference: float) -> None:
    """C+ = the plain sum less its least value so far (Page 1954)."""
    chart = Cusum(target=1.0, sigma=2.0, reference=reference)
    z = (np.array(values) - 1.0) / 2.0
    up = np.concatenate(([0.0], np.cumsum(z - reference)))
    down = np.concatenate(([0.0], np.cumsum(-z - reference)))
    for t, state in enumerate(chart.run(values=values), start=1):
        assert math.isclose(state.up, up[t] - up[:t + 1].min(), rel_tol=1e-10, abs_tol=1e-8)
        assert math.isclose(state.down, down[t] - down[:t + 1].min(), rel_tol=1e-10, abs_tol=1e-8)


def shares(seed: int, lots: int) -> list[TrackWindow]:
    rng = np.random.default_rng(seed)
    found = []
    for i in range(lots * 15):
        lot = i // 15
        n = int(rng.integers(100, 4000))
        x = int(rng.binomial(n, .05 + .1 * lot / lots))
        found.append(TrackWindow(index=i, lot=f"L-{lot}", n=n, value=x / n,
                                 excluded="stop, by QC" if rng.random() < .05 else ""))
    return found


@given(st.integers(0, 2**32), st.integers(1, 3), st.integers(0, 44))
def test_a_track_restored_from_plain_data_goes_on_as_before(
    seed: int, lots: int, cut: int
) -> None:
    track, windows = Track(levels=LEVELS), shares(seed, lots)
    _, whole = track.run(windows=windows)
    state, first = track.run(windows=windows[:cut])
    back = TrackState.from_plain(msgspec.json.decode(msgspec.json.encode(state.to_plain())))
    assert back == state
    assert first + track.run(windows=windows[cut:], state=back)[1] == whole


@given(st.integers(0, 2**32))
def test_a_track_is_laneys_chart_and_the_ewma_of_it(seed: int) -> None:
    """Streaming against a batch recalculation of the first lot at every prefix."""
    windows = shares(seed, 1)
    track = Track(levels=LEVELS, baseline_windows=6, spread_df=5)
    _, points = track.run(windows=windows)
    used = [w for w in windows if w.n >= 200 and not w.excluded]
    base, later = used[:6], used[6:]
    n = np.array([w.n for w in base])
    chart = laney_chart(x=np.rint([w.value * w.n for w in base]), n=n)
    sigma = chart.spread.used
    assert sigma >= max(1.0, chart.sigma, math.sqrt(chart.spread.squares / 5))
    judged = {p.window.index: p for p in points if p.trend is not None}
    assert list(judged) == [w.index for w in later]
    z = []
    for w in later:
        sd = math.sqrt(chart.centre * (1 - chart.centre) / w.n) * sigma
        z.append((w.value - chart.centre) / sd)
        point = judged[w.index]
        assert point.baseline is not None
        assert math.isclose(point.baseline.sigma, sigma, rel_tol=1e-10)
        assert point.z is not None and math.isclose(point.z, z[-1], rel_tol=1e-10, abs_tol=1e-10)
        weights = .2 * .8 ** np.arange(len(z) - 1, -1, -1.0)
        assert point.trend is not None
        assert math.isclose(point.trend, weights @ z, rel_tol=1e-10, abs_tol=1e-10)
        apart = 1 + w.n / n.sum() * point.baseline.sharing
        assert point.act is not None
        assert math.isclose(point.act, LEVELS.act_z * sd * math.sqrt(apart), rel_tol=1e-10)
