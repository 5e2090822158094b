"""Differences of shares against Newcombe's table, and the cull report of a grower's question."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from grading.monitor.causes import (
    Estimate,
    came_in,
    causes_of,
    counted_causes,
    difference,
    estimate,
)
from grading.monitor.series import TEN_MINUTES, WindowSeries
from grading.reasons import Reason, reasons_of
from tests.support.windows import CULL, SHAPE, codes, fruit


@pytest.mark.parametrize(("a", "n", "b", "m", "low", "high"), [
    # Newcombe, Statistics in Medicine 17:873 (1998), table II, method 10 (from memory).
    (56, 70, 48, 80, .0524, .3339), (9, 10, 3, 10, .1705, .8090), (6, 7, 2, 7, .0582, .8062),
    (5, 56, 0, 29, -.0381, .1926), (0, 10, 0, 20, -.1611, .2775), (0, 10, 0, 10, -.2775, .2775),
    (10, 10, 0, 20, .6791, 1.0), (10, 10, 0, 10, .6075, 1.0),
])
def test_newcombe(a: int, n: int, b: int, m: int, low: float, high: float) -> None:
    found = difference(first=estimate(x=a, n=n), second=estimate(x=b, n=m))
    assert found.value == pytest.approx(a / n - b / m)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5)
    assert found.sure == (low > 0)
    other = confint_proportions_2indep(a, n, b, m, method="newcomb")
    assert (found.low, found.high) == pytest.approx(other, abs=1e-9)
    back = difference(first=estimate(x=b, n=m), second=estimate(x=a, n=n))
    assert (back.low, back.high) == pytest.approx((-high, -low), abs=5.1e-5)
    assert back.sure == (low > 0)


def test_wilson_with_a_design_effect() -> None:
    found = estimate(x=81, n=263)  # Newcombe 1998, Statistics in Medicine 17:857, table I
    assert (found.low, found.high) == pytest.approx((.2553, .3662), abs=5e-5)
    # Twice the spread: a quarter of the fruit (statsmodels).
    wide = estimate(x=80, n=400, spread=2.0)
    assert (wide.low, wide.high) == pytest.approx(
        proportion_confint(20, 100, method="wilson"), abs=1e-9)
    assert estimate(x=0, n=0) == Estimate(share=0.0, low=0.0, high=1.0, n=0)
    assert estimate(x=5, n=5).high == 1.0
    for x, n, spread, level in ((6, 5, 1.0, .95), (1, 5, .5, .95), (1, 5, 1.0, 1.0)):
        with pytest.raises(ValueError, match="not a share"):
            estimate(x=x, n=n, spread=spread, level=level)
    with pytest.raises(ValueError, match="differ"):
        difference(first=estimate(x=1, n=5), second=estimate(x=1, n=5, level=.9))
    with pytest.raises(ValueError, match="part"):
        estimate(x=1, n=5).scaled(by=1.5)


def test_difference_covers_the_truth_as_often_as_it_says() -> None:
    """Exact coverage of two binomials (scipy) near 95 %: .93 to .99 at these shares."""
    for n, m, p, q in ((40, 100, .05, .09), (50, 50, .2, .2), (30, 200, .1, .02)):
        one = [estimate(x=x, n=n) for x in range(n + 1)]
        two = [estimate(x=x, n=m) for x in range(m + 1)]
        pmf = stats.binom.pmf(np.arange(n + 1), n, p)[:, None] * stats.binom.pmf(
            np.arange(m + 1), m, q)
        covered = 0.0
        for i, j in np.argwhere(pmf > 1e-9):
            found = difference(first=one[i], second=two[j])
            covered += pmf[i, j] * (found.low <= p - q <= found.high)
        assert .93 < covered < .99


def test_a_grower_asks_where_the_bruises_came_from() -> None:
    """100 culls of a lot with 21 % culls, 132 marks, 41 bruised; 2 of 40 bruised at receiving.

    Worked case, common practice, no source: 41 % (31 to 51) of the culls, 8.6 % of the lot;
    receiving 5 % (0.6 to 16.9): cannot say yet. Exact intervals: scipy.
    """
    bruise, small, soft, scab, pit, shape = (
        Reason.DEFECT, Reason.BELOW_SIZE, Reason.TOO_SOFT, Reason.SERIOUS_DEFECT, Reason.DECAY,
        Reason.JUDGED_FAILED)
    found = counted_causes(
        fruit=100, culls=100,
        any_n={bruise: 41, small: 30, soft: 22, scab: 18, pit: 12, shape: 9},
        decisive_n={bruise: 35, small: 30, soft: 17, scab: 10, pit: 8})
    assert found.marks == 132
    assert sum(c.decisive_n for c in found.causes) == 100
    top = found.causes[0]
    exact = stats.binomtest(41, 100).proportion_ci()
    assert (top.reason, top.any_n) == (bruise, 41)
    assert (top.any_share.low, top.any_share.high) == pytest.approx((exact.low, exact.high))
    assert (round(100 * top.any_share.low), round(100 * top.any_share.high)) == (31, 51)
    line = estimate(x=41, n=100).scaled(by=.21)
    assert round(100 * line.share, 1) == 8.6
    answer = came_in(received_x=2, received_n=40, line=line)
    assert answer.origin == "cannot_tell"
    assert answer.fruit_for_answer is not None
    more = came_in(received_x=round(.05 * answer.fruit_for_answer),
                   received_n=answer.fruit_for_answer, line=line)
    assert more.origin == "added_here"
    assert more.fruit_for_answer is None


def test_where_faults_come_from() -> None:
    line = estimate(x=800, n=10_000)
    assert came_in(received_x=1, received_n=200, line=line).origin == "added_here"
    assert came_in(received_x=60, received_n=200, line=line).origin == "fewer_than_came_in"
    same = came_in(received_x=160, received_n=2000, line=line)
    assert (same.origin, same.fruit_for_answer) == ("came_in", None)
    assert same.added.high <= .02
    rare = came_in(received_x=0, received_n=40, line=estimate(x=478, n=140_863))
    assert rare.origin == "cannot_tell"  # under the margin, but nobody saw it come
    assert rare.fruit_for_answer is not None
    assert rare.fruit_for_answer > 3 / (478 / 140_863)  # 0 of n rules out about 3/n (rule of three)
    assert came_in(received_x=0, received_n=rare.fruit_for_answer,
                   line=estimate(x=478, n=140_863)).origin == "added_here"
    nothing = came_in(received_x=0, received_n=0, line=line)
    assert (nothing.origin, nothing.fruit_for_answer) == ("cannot_tell", None)
    # A line seen in 10 fruit will never tell, however many are looked at in receiving.
    vague = came_in(received_x=1, received_n=10, line=estimate(x=1, n=10))
    assert (vague.origin, vague.fruit_for_answer) == ("cannot_tell", None)
    with pytest.raises(ValueError, match="margin"):
        came_in(received_x=1, received_n=10, line=line, margin=0.0)


def test_causes_are_a_recount_of_the_culls() -> None:
    batch, verdicts = fruit(n=3000, seed=5), codes(n=3000, seed=5)
    total = WindowSeries(lot="L", line="1", span=TEN_MINUTES, shape=SHAPE).add(
        batch=batch, verdicts=verdicts).total()
    for state, rows in ((total, np.ones(3000, bool)), (total.lane(number=2), batch.lane == 2)):
        culls = rows & (verdicts.grade == CULL)
        found = causes_of(state=state, grades=(CULL,))
        assert found.fruit == rows.sum()
        assert found.culls == culls.sum() == sum(c.decisive_n for c in found.causes)
        every = [r for bits in verdicts.reasons[culls].tolist() for r in reasons_of(bits=bits)]
        assert {c.reason: c.any_n for c in found.causes} == {r: every.count(r) for r in set(every)}
        assert found.marks == len(every)
        decisive = verdicts.decisive[culls].tolist()
        assert all(c.decisive_n == decisive.count(c.reason) for c in found.causes)
        assert found.causes[0].decisive_n == max(c.decisive_n for c in found.causes)
