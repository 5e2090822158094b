"""Average run lengths against the published tables, and budgets made of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from grading.monitor.arl import (
    Chart,
    cusum_arl,
    cusum_arl_one_sided,
    ewma_arl,
    limit_for_arl,
    markov_arl,
    shewhart_arl,
)
from grading.monitor.budget import (
    Budget,
    chance_of_a_false_alarm,
    expected_false_alarms,
    levels_for,
)


def digits(printed: float, places: int = 3) -> float:
    """Half a unit in the last of `places` digits, or in the second decimal."""
    return max(0.5 * 10.0 ** (math.floor(math.log10(printed)) - places + 1), 0.0051)


@pytest.mark.parametrize(("weight", "limit", "printed"), [
    (.5, 3.071, [500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.58, 1.34, 1.07]),
    (.03, 2.437, [500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.49, 3.11, 2.55]),
])
def test_ewma_table(weight: float, limit: float, printed: list[float]) -> None:
    # Lucas and Saccucci, Technometrics 32:1 (1990), table 3.
    shifts = [0, .25, .5, .75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5]
    for shift, arl in zip(shifts, printed, strict=True):
        assert ewma_arl(weight=weight, limit=limit, shift=shift) == pytest.approx(
            arl, abs=1.01 * digits(arl))


def test_ewma_points_from_memory() -> None:
    # lambda .2, L 2.962: 500 and 10.5; lambda .1, L 2.7: about 369 (from memory).
    assert ewma_arl(weight=.2, limit=2.962) == pytest.approx(500, rel=1e-3)
    assert ewma_arl(weight=.2, limit=2.962, shift=1.0) == pytest.approx(10.5, abs=.05)
    assert ewma_arl(weight=.2, limit=2.96) == pytest.approx(496.8, abs=.05)
    assert ewma_arl(weight=.2, limit=3.0) == pytest.approx(559.9, abs=.05)
    assert ewma_arl(weight=.1, limit=2.7) == pytest.approx(369.0, abs=.05)
    for weight in (0.0, 1.0):
        with pytest.raises(ValueError, match="weight"):
            ewma_arl(weight=weight, limit=3.0)


def test_ewma_arl_is_that_of_its_markov_chain() -> None:
    # Brook and Evans 1972: the same chart cut into 401 states is another way to the same number.
    weight, limit, states = .2, 2.962, 401
    edge = limit * math.sqrt(weight / (2 - weight))
    width = 2 * edge / states
    middle = -edge + width * (np.arange(states) + .5)
    to = (middle + width / 2 - (1 - weight) * middle[:, None]) / weight
    moves = stats.norm.cdf(to) - stats.norm.cdf(to - width / weight)
    assert markov_arl(moves=moves, start=states // 2) == pytest.approx(
        ewma_arl(weight=weight, limit=limit), rel=1e-3)


SHIFTS = [0, .25, .5, .75, 1, 1.5, 2, 2.5, 3, 4]


@pytest.mark.parametrize(("decision", "head_start", "printed"), [
    # Lucas and Crosier, Technometrics 24:199 (1982), table 1.
    (4.0, 0.0, [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]),
    # The same table with the fast initial response, from memory.
    (4.0, 2.0, [149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.33, 1.07]),
    (5.0, 2.5, [430, 122, 28.7, 11.2, 6.35, 3.37, 2.36, 1.86, 1.54, 1.16]),
])
def test_cusum_table(decision: float, head_start: float, printed: list[float]) -> None:
    for shift, arl in zip(SHIFTS, printed, strict=True):
        assert cusum_arl(reference=.5, decision=decision, shift=shift, head_start=head_start
                         ) == pytest.approx(arl, abs=1.01 * digits(arl))


def test_cusum_of_5_and_one_sided_charts() -> None:
    # k .5: h 5 two-sided (465, 139, 38.0, ...), one-sided 336 and 930; all from memory.
    printed = {0: 465, .25: 139, .5: 38.0, .75: 17.0, 1: 10.4, 1.5: 5.75, 2: 4.01, 3: 2.57,
               4: 2.01}
    for shift, arl in printed.items():
        assert cusum_arl(reference=.5, decision=5.0, shift=shift) == pytest.approx(
            arl, abs=1.2 * digits(arl))
    assert cusum_arl_one_sided(reference=.5, decision=4.0) == pytest.approx(335.4, abs=.05)
    assert cusum_arl_one_sided(reference=.5, decision=5.0) == pytest.approx(930.9, abs=.05)


def test_shewhart_and_why_there_are_no_run_rules() -> None:
    # Champ and Woodall, Technometrics 29:393 (1987), table 1: 3 sigma alone, and with 2 of 3.
    shifts = [0, .4, 1, 2, 3]
    alone, with_rule = [370.40, 200.08, 43.89, 6.30, 2.00], [225.44, 104.46, 20.01, 3.65, 1.68]
    for shift, arl, ruled in zip(shifts, alone, with_rule, strict=True):
        assert shewhart_arl(limit=3.0, shift=shift) == pytest.approx(arl, abs=5.001e-3)
        assert markov_arl(moves=two_of_three(shift)) == pytest.approx(ruled, abs=5.001e-3)


def two_of_three(shift: float) -> np.ndarray:
    """Chain of the rule: which of the last two values lay beyond 2 sigma, and on which side."""
    cdf = stats.norm(loc=shift).cdf
    chance = {"-": cdf(-2) - cdf(-3), "0": cdf(2) - cdf(-2), "+": cdf(3) - cdf(2)}
    states = [a + b for a in "0-+" for b in "0-+" if a == "0" or a != b]
    moves = np.zeros((len(states), len(states)))
    for i, state in enumerate(states):
        for new, p in chance.items():
            if new == "0" or new not in state:
                moves[i, states.index(state[1] + new)] += p
    return moves


TABLE = [(370.4, 2.859, 2.701, 4.775, 3.000), (500, 2.962, 2.814, 5.071, 3.090),
         (1000, 3.187, 3.059, 5.757, 3.291), (5000, 3.652, 3.557, 7.361, 3.719),
         (11520, 3.870, 3.787, 8.194, 3.925)]
"""Independent calculation with other quadrature code (no publication prints it)."""


@pytest.mark.parametrize(("arl0", "slow", "slower", "cusum", "z"), TABLE)
def test_limits_for_an_arl(arl0: float, slow: float, slower: float, cusum: float, z: float) -> None:
    found = [limit_for_arl(chart="ewma", arl0=arl0), limit_for_arl(
        chart="ewma", arl0=arl0, weight=.1), limit_for_arl(chart="cusum", arl0=arl0),
        limit_for_arl(chart="shewhart", arl0=arl0)]
    assert found == pytest.approx([slow, slower, cusum, z], abs=5.5e-4)
    assert limit_for_arl(chart="shewhart", arl0=arl0) == pytest.approx(
        stats.norm.isf(.5 / arl0), abs=1e-8)


def test_limits_go_round() -> None:
    charts: tuple[Chart, ...] = ("shewhart", "ewma", "cusum")
    for chart in charts:
        limit = limit_for_arl(chart=chart, arl0=700.0, reference=.1)
        again = {"shewhart": shewhart_arl(limit=limit), "ewma": ewma_arl(weight=.2, limit=limit),
                 "cusum": cusum_arl(reference=.1, decision=limit)}
        assert again[chart] == pytest.approx(700.0, rel=1e-6)
    for arl0 in (9.0, 2e7):
        with pytest.raises(ValueError, match="10 million"):
            limit_for_arl(chart="ewma", arl0=arl0)


def test_one_false_act_a_week_over_48_charts() -> None:
    """8 lanes x 6 measures, 48 windows a shift, 5 shifts: 11,520 windows between false acts."""
    budget = Budget(charts=48, windows_per_week=240)
    assert budget.act_arl0 == 11_520
    levels = levels_for(budget=budget)
    assert (levels.look_z, levels.look_ewma) == pytest.approx((3.090, 2.962), abs=5e-4)
    assert (levels.act_z, levels.act_ewma) == pytest.approx((3.925, 3.870), abs=5e-4)
    assert expected_false_alarms(arl0=budget.act_arl0, charts=48, windows=240) == 1.0
    assert chance_of_a_false_alarm(arl0=budget.act_arl0, charts=48, windows=240) == pytest.approx(
        stats.poisson.sf(0, 1.0))
    # 48 charts at the usual 3 sigma: one false alarm about every 8 windows.
    often = expected_false_alarms(arl0=370.4, charts=48, windows=1)
    assert 1 / often == pytest.approx(7.7, abs=.05)
    assert Budget(charts=1, windows_per_week=10).act_arl0 == 500.0
    for charts, windows, acts in ((0, 1.0, 1.0), (1, 0.0, 1.0), (1, 1.0, 0.0)):
        with pytest.raises(ValueError, match="budget"):
            Budget(charts=charts, windows_per_week=windows, act_per_week=acts)
