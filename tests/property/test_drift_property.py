"""Laws of the drift methods, on any data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from grading.drift.cells import LaneTable, trimmed
from grading.drift.cuts import normal_at_cut
from grading.drift.fits import passing_bablok
from grading.drift.follow import LaneRules, follow, start, step
from grading.drift.lanes import against_others, lane_effects
from grading.drift.onset import find_onset
from grading.drift.pairs import bland_altman, pairs_needed
from grading.drift.polish import median_polish

RULES = LaneRules(look=3.0, act=4.0)
NUMBERS = st.floats(-50, 50).map(lambda x: round(x, 3))


def _tables() -> st.SearchStrategy[np.ndarray]:
    return hnp.arrays(np.float64, hnp.array_shapes(min_dims=2, max_dims=2, min_side=3, max_side=8),
                      elements=NUMBERS)


def _table(centre: np.ndarray, se: np.ndarray) -> LaneTable:
    return LaneTable("diameter", tuple(range(len(centre))), np.full(centre.shape, 50), centre, se)


@given(_tables(), st.integers(0, 2**32 - 1))
def test_a_change_common_to_all_lanes_moves_no_lane(centre: np.ndarray, seed: int) -> None:
    rng = np.random.default_rng(seed)
    se = rng.uniform(0.5, 2, centre.shape)
    fruit = rng.normal(0, 20, centre.shape[1])
    a, b = (follow(table=_table(c, se), rules=RULES)[-1] for c in (centre, centre + fruit))
    assert b.offset == pytest.approx(a.offset, abs=1e-8)
    assert b.se == pytest.approx(a.se, rel=1e-6)
    assert b.common == pytest.approx(a.common + fruit[-1], abs=1e-8)


@given(_tables(), st.integers(0, 2**32 - 1))
def test_lanes_may_come_in_any_order(centre: np.ndarray, seed: int) -> None:
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(centre))
    se = rng.uniform(0.5, 2, centre.shape)
    se[rng.random(centre.shape) < 0.2] = np.nan
    centre = np.where(np.isnan(se), np.nan, centre + rng.normal(0, 1e-3, centre.shape))
    whole = follow(table=_table(centre, se), rules=RULES)[-1]
    turned = follow(table=_table(centre[order], se[order]), rules=RULES)[-1]
    assert turned.offset == pytest.approx(whole.offset[order], abs=1e-7, nan_ok=True)
    if not np.isnan(centre).all():
        a, b = lane_effects(table=_table(centre, se)), lane_effects(
            table=_table(centre[order], se[order]))
        there = {e.lane: e.effect for e in a}
        assert {int(order[e.lane]): e.effect for e in b} == pytest.approx(there, abs=1e-6)


@given(_tables(), st.integers(0, 2**32 - 1))
def test_streaming_is_the_weighted_sum_at_every_prefix(centre: np.ndarray, seed: int) -> None:
    """The EWMA of lane distances written out at once: sum of decayed precision x distance."""
    rng = np.random.default_rng(seed)
    se = rng.uniform(0.5, 2, centre.shape)
    state = start(lanes=len(centre))
    each = [against_others(centre=centre[:, w], se=se[:, w]) for w in range(centre.shape[1])]
    for w in range(centre.shape[1]):
        state, now = step(state=state, rules=RULES, centre=centre[:, w], se=se[:, w])
        decay = 0.8 ** np.arange(w, -1, -1)[:, None]
        precision = np.array([a.se for a in each[:w + 1]]) ** -2.0 * decay
        total = precision.sum(axis=0)
        offset = (precision * np.array([a.effect for a in each[:w + 1]])).sum(axis=0) / total
        spread = np.sqrt((precision * decay).sum(axis=0)) / total
        assert now.offset == pytest.approx(offset, rel=1e-10, abs=1e-10)
        assert now.se == pytest.approx(now.scatter * spread, rel=1e-10)


@given(_tables())
def test_polish_keeps_the_table_and_centres_its_effects(table: np.ndarray) -> None:
    found = median_polish(table=table)
    again = found.overall + found.rows[:, None] + found.columns + found.residuals
    assert again == pytest.approx(table, abs=1e-9)
    assert np.median(found.columns) == pytest.approx(0.0, abs=1e-9)
    assert np.median(found.rows) == pytest.approx(0.0, abs=1e-9)


@given(hnp.arrays(np.float64, st.integers(4, 40), elements=NUMBERS), NUMBERS)
def test_trimmed_means_shift_with_their_fruit(values: np.ndarray, by: float) -> None:
    a, b = trimmed(values=values), trimmed(values=values + by)
    assert b == pytest.approx((a[0] + by, a[1]), abs=1e-8)
    assert values.min() - 1e-9 <= a[0] <= values.max() + 1e-9


@given(hnp.arrays(np.float64, st.integers(4, 25), elements=NUMBERS), NUMBERS,
       st.floats(0.5, 4).map(lambda x: round(x, 2)))
def test_onsets_do_not_depend_on_zero_and_unit(y: np.ndarray, by: float, unit: float) -> None:
    se = np.full(len(y), 1.0)
    y = y + np.random.default_rng(len(y)).normal(0, 0.01, len(y))
    a = find_onset(values=y, se=se)
    b = find_onset(values=by + unit * y, se=unit * se)
    assert a is not None and b is not None
    assert (b.shape, b.window, b.low, b.high) == (a.shape, a.window, a.low, a.high)
    assert b.size == pytest.approx(unit * a.size, abs=1e-6)
    assert 1 <= a.low <= a.window <= a.high <= len(y) - 1


@settings(max_examples=40)
@given(st.integers(5, 30), NUMBERS, st.integers(0, 2**32 - 1))
def test_comparisons_move_with_a_bias(n: int, bias: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    hand = rng.normal(66, 5, n)
    line = hand + rng.normal(0, 1, n)
    a, b = (bland_altman(line=x, hand=hand) for x in (line, line + bias))
    assert (b.bias, b.sd) == pytest.approx((a.bias + bias, a.sd), abs=1e-8)
    assert b.low < b.bias < b.high
    fit, moved = (passing_bablok(line=x, hand=hand) for x in (line, line + bias))
    assert (moved.slope, moved.intercept) == pytest.approx((fit.slope, fit.intercept + bias))


@given(st.floats(-3, 3), st.floats(0.0, 1.5), st.floats(50, 80))
def test_shares_at_a_cut_are_shares(bias: float, noise: float, cut: float) -> None:
    found = normal_at_cut(mean=66, sd=5, cut=cut, bias=bias, noise_sd=noise, upper=cut + 4)
    for share in (found.too_high, found.too_low, found.undersize_up, found.undersize,
                  found.oversize):
        assert share is not None and -1e-12 <= share <= 1 + 1e-12
    mirror = normal_at_cut(mean=66, sd=5, cut=132 - cut, bias=-bias, noise_sd=noise)
    assert mirror.too_low == pytest.approx(found.too_high, abs=1e-9)


@given(st.floats(0.1, 5), st.floats(0.1, 3))
def test_smaller_biases_need_more_pairs(bias: float, sd: float) -> None:
    assert pairs_needed(bias=bias, sd=sd) >= pairs_needed(bias=-2 * bias, sd=sd) >= 3
