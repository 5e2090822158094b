"""Exact chances, intervals and lot rules against published examples and scipy."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from grading.chances import (
    acceptance_chance,
    binomial_cdf,
    binomial_pmf,
    hypergeometric_cdf,
    hypergeometric_pmf,
)
from grading.intervals import (
    Interval,
    LotRule,
    clopper_pearson,
    clopper_pearson_many,
    finite_lot_upper,
    fruit_needed,
    interval_after,
    largest_accepted,
    lower_bound,
    sample_for_confidence,
    upper_bound,
    wilson,
)

TENTH = Fraction(1, 10)
SIZES = (1, 2, 3, 7, 16, 50, 263, 1_000, 40_000, 10_000_000)


def some_counts(n: int) -> list[int]:
    """Counts at both ends of 0 to n and spread between them."""
    spread = np.linspace(0, n, 41).astype(int).tolist()
    return sorted({*range(min(n, 12) + 1), *range(max(0, n - 12), n + 1), *spread})


# --- chances -----------------------------------------------------------------------------------


def test_published_binomial_curve() -> None:
    # Kiermeier 2008, J. Stat. Software 26(6), section 3.1: n = 10, c = 3 at 0, 1, ... 10 %.
    printed = [1.0000000, .9999980, .9999695, .9998529, .9995574, .9989715, .9979707, .9964239,
               .9941987, .9911662, .9872048]
    for percent, chance in enumerate(printed):
        assert acceptance_chance(n=10, accept=3, p=percent / 100) == pytest.approx(
            chance, abs=6e-8)


def test_published_plan_of_20_and_0() -> None:
    # Kiermeier 2008: Pa(.05) misses the producer's .95, Pa(.15) meets the consumer's .075.
    assert acceptance_chance(n=20, accept=0, p=0.05) == pytest.approx(.35848592, abs=6e-9)
    assert acceptance_chance(n=20, accept=0, p=0.15) == pytest.approx(.03875953, abs=6e-9)


@pytest.mark.parametrize("n", SIZES)
@pytest.mark.parametrize("p", [1e-6, 0.003, 0.1, 0.31, 0.5, 0.9, 0.9999])
def test_binomial_against_scipy(n: int, p: float) -> None:
    # scipy.stats.binom. Around the mean and in both tails, where chances are above 1e-280.
    middle, sd = n * p, math.sqrt(n * p * (1 - p))
    for z in (-9, -3, -1, -0.1, 0, 0.2, 1, 4, 9):
        k = min(n, max(0, round(middle + z * sd)))
        assert binomial_cdf(k=k, n=n, p=p) == pytest.approx(stats.binom.cdf(k, n, p), rel=2e-9)
        assert binomial_pmf(k=k, n=n, p=p) == pytest.approx(stats.binom.pmf(k, n, p), rel=2e-9)


def test_binomial_at_its_edges() -> None:
    # Definitions of the distribution.
    assert binomial_cdf(k=-1, n=5, p=0.2) == 0.0
    assert binomial_cdf(k=5, n=5, p=0.2) == binomial_cdf(k=9, n=5, p=0.2) == 1.0
    assert [binomial_cdf(k=k, n=5, p=0.0) for k in (-1, 0, 4)] == [0.0, 1.0, 1.0]
    assert [binomial_cdf(k=k, n=5, p=1.0) for k in (0, 4, 5)] == [0.0, 0.0, 1.0]
    assert [binomial_pmf(k=k, n=5, p=0.0) for k in (0, 1)] == [1.0, 0.0]
    assert [binomial_pmf(k=k, n=5, p=1.0) for k in (4, 5)] == [0.0, 1.0]
    assert binomial_pmf(k=0, n=0, p=0.3) == binomial_cdf(k=0, n=0, p=0.3) == 1.0


@pytest.mark.parametrize(
    ("lot", "bad", "n"),
    [(100, 7, 50), (500, 43, 50), (2_000, 181, 50), (30, 12, 10), (12, 10, 8), (10, 3, 10),
     (1_000_000, 90_000, 5_000)])
def test_hypergeometric_against_scipy(lot: int, bad: int, n: int) -> None:
    # scipy.stats.hypergeom.
    for k in sorted({*range(min(n, 60) + 1), 420, 450, 480, n} & set(range(n + 1))):
        assert hypergeometric_pmf(k=k, n=n, bad=bad, lot=lot) == pytest.approx(
            stats.hypergeom.pmf(k, lot, bad, n), rel=1e-8, abs=1e-250)
        assert hypergeometric_cdf(k=k, n=n, bad=bad, lot=lot) == pytest.approx(
            stats.hypergeom.cdf(k, lot, bad, n), rel=1e-8, abs=1e-250)


def test_hypergeometric_against_counted_draws() -> None:
    # Binomial coefficients in whole numbers: C(8,k) C(12,5-k) / C(20,5).
    for k in range(6):
        ways = math.comb(8, k) * math.comb(12, 5 - k)
        assert hypergeometric_pmf(k=k, n=5, bad=8, lot=20) == pytest.approx(
            ways / math.comb(20, 5), rel=1e-13)


def test_hypergeometric_at_its_edges() -> None:
    # Definitions: at least n - (lot - bad) and at most min(n, bad) can be drawn.
    assert hypergeometric_pmf(k=1, n=8, bad=10, lot=12) == 0.0
    assert hypergeometric_cdf(k=5, n=8, bad=10, lot=12) == 0.0
    assert hypergeometric_cdf(k=8, n=8, bad=10, lot=12) == 1.0
    assert hypergeometric_cdf(k=0, n=3, bad=0, lot=9) == 1.0
    assert hypergeometric_cdf(k=-1, n=3, bad=2, lot=9) == 0.0
    assert hypergeometric_pmf(k=0, n=0, bad=0, lot=0) == 1.0


def test_a_small_lot_has_its_own_curve() -> None:
    # scipy.stats.hypergeom and binom: type A against type B chance of the plan 50/5.
    assert acceptance_chance(n=50, accept=5, p=0.1, lot=200) == pytest.approx(
        stats.hypergeom.cdf(5, 200, 20, 50), rel=1e-11)
    assert acceptance_chance(n=50, accept=5, p=0.1) == pytest.approx(
        stats.binom.cdf(5, 50, 0.1), rel=1e-11)


def test_curve_of_a_50_fruit_pull() -> None:
    # Chance of at most 5 bad in 50, whole percents; and of no decay in 50 at a true 1 %: table of
    # the binomial distribution, worked with scipy.
    percents = {0.05: 96, 0.08: 79, 0.10: 62, 0.12: 44, 0.15: 22, 0.20: 5}
    for p, percent in percents.items():
        assert round(100 * acceptance_chance(n=50, accept=5, p=p)) == percent
        assert round(100 * float(stats.binom.cdf(5, 50, p))) == percent
    assert round(binomial_pmf(k=0, n=50, p=0.01), 2) == round(0.99**50, 2) == 0.61


@pytest.mark.parametrize(
    ("n", "c", "p", "chance"),
    [(84, 3, 0.015, .9620), (84, 4, 0.025, .9403), (84, 13, 0.10, .9612), (800, 95, 0.10, .9635),
     (84, 0, 0.0025, .8104)])
def test_plans_of_a_food_regulation(n: int, c: int, p: float, chance: float) -> None:
    # Plans of 7 CFR 42.109 at their AQL; chances worked with scipy.stats.binom.
    assert acceptance_chance(n=n, accept=c, p=p) == pytest.approx(chance, abs=6e-5)
    assert acceptance_chance(n=n, accept=c, p=p) == pytest.approx(
        stats.binom.cdf(c, n, p), rel=1e-11)


# --- intervals ---------------------------------------------------------------------------------


def test_published_intervals_of_20_fruit() -> None:
    # R package binom, in the result file of statsmodels' proportion tests.
    exact, score = clopper_pearson(x=4, n=20), wilson(x=4, n=20)
    assert exact.low == pytest.approx(.05733399705003, abs=1e-13)
    assert exact.high == pytest.approx(.436614002996668, abs=1e-13)
    assert score.low == pytest.approx(.0806576625797981, abs=1e-13)
    assert score.high == pytest.approx(.4160174322518935, abs=1e-13)
    exact, score = clopper_pearson(x=18, n=20), wilson(x=18, n=20)
    assert exact.low == pytest.approx(.6830172859809176, abs=1e-13)
    assert exact.high == pytest.approx(.9876514728297052, abs=1e-13)
    assert score.low == pytest.approx(.6989663547715128, abs=1e-13)
    assert score.high == pytest.approx(.972133518786232, abs=1e-13)


@pytest.mark.parametrize(
    ("x", "n", "score", "exact"),
    [
        (81, 263, (.2553, .3662), (.2527, .3676)), (15, 148, (.0624, .1605), (.0578, .1617)),
        (0, 20, (0.0, .1611), (0.0, .1684)), (1, 29, (.0061, .1718), (.0009, .1776)),
    ])
def test_published_comparison_of_methods(
    x: int, n: int, score: tuple[float, float], exact: tuple[float, float]
) -> None:
    # Newcombe 1998, Statistics in Medicine 17:857, Table I (figures from memory).
    found = wilson(x=x, n=n)
    assert (found.low, found.high) == pytest.approx(score, abs=6e-5)
    found = clopper_pearson(x=x, n=n)
    assert (found.low, found.high) == pytest.approx(exact, abs=6e-5)


@pytest.mark.parametrize(
    ("x", "n", "low", "high"),
    [(0, 50, 0.0, 7.1), (1, 50, 0.1, 10.6), (5, 50, 3.3, 21.8), (7, 50, 5.8, 26.7),
     (12, 200, 3.1, 10.2), (20, 200, 6.2, 15.0), (50, 500, 7.5, 13.0)])
def test_intervals_in_percent(x: int, n: int, low: float, high: float) -> None:
    # scipy.stats.beta quantiles (Clopper and Pearson 1934), to the one decimal that is shown.
    found = clopper_pearson(x=x, n=n)
    assert (round(100 * found.low, 1), round(100 * found.high, 1)) == (low, high)


@pytest.mark.parametrize("n", SIZES)
@pytest.mark.parametrize("level", [0.1, 0.5, 0.9, 0.95, 0.999])
def test_intervals_against_scipy(n: int, level: float) -> None:
    # scipy.stats.beta.ppf, the quantile form of the Clopper-Pearson bounds.
    x = np.array(some_counts(n))
    tail = (1 - level) / 2
    with np.errstate(all="ignore"):
        low = np.where(x == 0, 0.0, stats.beta.ppf(tail, x, n - x + 1))
        high = np.where(x == n, 1.0, stats.beta.ppf(1 - tail, x + 1, n - x))
    many = clopper_pearson_many(x=x, n=n, level=level)
    np.testing.assert_allclose(many[0], low, rtol=0, atol=2e-11)
    np.testing.assert_allclose(many[1], high, rtol=0, atol=2e-11)
    for i, count in enumerate(x.tolist()):
        one = clopper_pearson(x=count, n=n, level=level)
        assert (one.low, one.high) == pytest.approx((low[i], high[i]), rel=0, abs=2e-11)
        assert (one.low, one.high) == pytest.approx(
            (float(many[0][i]), float(many[1][i])), rel=1e-11, abs=1e-12)


def test_one_sided_bounds() -> None:
    # scipy.stats.beta.ppf; 1 of 50 has the one-sided 95 % limit 9.140 %, and to rule out 1 % of
    # decay takes 299 sound fruit, one more than the often-quoted 298 (0.99^298 is 5.003 %).
    assert upper_bound(x=1, n=50) == pytest.approx(stats.beta.ppf(0.95, 2, 49), abs=1e-12)
    assert round(100 * upper_bound(x=1, n=50), 2) == 9.14
    assert lower_bound(x=5, n=50) == pytest.approx(stats.beta.ppf(0.05, 5, 46), abs=1e-12)
    assert lower_bound(x=0, n=50) == 0.0
    assert upper_bound(x=50, n=50) == 1.0
    assert upper_bound(x=0, n=299) < 0.01 < upper_bound(x=0, n=298)


def test_no_fruit_says_nothing() -> None:
    # By definition every share is still possible.
    for found in (clopper_pearson(x=0, n=0), wilson(x=0, n=0),
                  interval_after(x=0, n=0, extra=50)):
        assert (found.low, found.high) == (0.0, 1.0)
    low, high = clopper_pearson_many(x=[[0, 0]], n=0)
    assert low.tolist() == [[0.0, 0.0]]
    assert high.tolist() == [[1.0, 1.0]]


def test_many_keeps_the_shape_and_repeats() -> None:
    # R package binom by way of statsmodels, as above: 4 of 20.
    low, high = clopper_pearson_many(x=[[4, 0], [20, 4]], n=20)
    assert low.shape == high.shape == (2, 2)
    assert low[0, 0] == low[1, 1] == pytest.approx(.05733399705003, abs=1e-13)
    assert (low[0, 1], high[1, 0]) == (0.0, 1.0)
    empty = clopper_pearson_many(x=[], n=20)
    assert empty[0].shape == empty[1].shape == (0,)


def test_wilson_touches_the_ends_exactly() -> None:
    # Newcombe 1998: the score interval of 0/n starts at 0, that of n/n ends at 1.
    assert wilson(x=0, n=7).low == 0.0
    assert wilson(x=7, n=7).high == 1.0


def test_an_interval_names_its_method_and_level() -> None:
    # The two names are this project's own; levels are as given.
    assert clopper_pearson(x=0, n=0, level=0.9) == Interval(0.0, 1.0, 0.9, "exact")
    assert wilson(x=0, n=0, level=Fraction(9, 10)) == Interval(0.0, 1.0, 0.9, "wilson")


@pytest.mark.parametrize(
    ("lot", "bad"), [(100, 7), (500, 43), (2_000, 181)])
def test_finite_lot_bound(lot: int, bad: int) -> None:
    # scipy.stats.hypergeom: 1 of 50 bad; the bound is the last number still likely enough.
    assert finite_lot_upper(x=1, n=50, lot=lot) == bad
    assert stats.hypergeom.cdf(1, lot, bad, 50) > 0.05 >= stats.hypergeom.cdf(1, lot, bad + 1, 50)


def test_finite_lot_bound_against_scipy_everywhere() -> None:
    # scipy.stats.hypergeom over every count of 12 fruit from 40.
    for x in range(13):
        likely = [d for d in range(x, 40 - 12 + x + 1) if stats.hypergeom.cdf(x, 40, d, 12) > 0.05]
        assert finite_lot_upper(x=x, n=12, lot=40) == max(likely)


def test_a_whole_lot_seen_is_known() -> None:
    # Every fruit was looked at: nothing is left to bound.
    assert finite_lot_upper(x=3, n=20, lot=20) == 3


def test_a_finite_lot_tie_is_decided_in_whole_numbers() -> None:
    # One bad of 20 stays unseen in 19 with chance exactly 1/20, which is not above 5 %.
    assert finite_lot_upper(x=0, n=19, lot=20, level=0.95) == 0
    assert finite_lot_upper(x=0, n=19, lot=20, level=0.951) == 1


# --- lot rules ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "point", "aql", "confidence"), [(50, 5, 9, 1), (500, 50, 61, 38), (1_000, 100, 116, 84)])
def test_three_rules_that_all_sound_like_ten_percent(
    n: int, point: int, aql: int, confidence: int
) -> None:
    # Limits at a 10 % tolerance, worked with scipy.stats.binom.
    limits: dict[LotRule, int] = {"point": point, "aql": aql, "confidence": confidence}
    for rule, limit in limits.items():
        assert largest_accepted(rule=rule, n=n, tolerance=TENTH) == limit
    assert stats.binom.cdf(aql, n, 0.1) >= 0.95 > stats.binom.cdf(aql - 1, n, 0.1)
    assert stats.binom.cdf(confidence, n, 0.1) <= 0.05 < stats.binom.cdf(confidence + 1, n, 0.1)


@pytest.mark.parametrize(
    ("c", "chances"),
    [(5, (.962, .616, .219)), (9, (.9998, .975, .791)), (1, (.279, .034, .003))])
def test_chances_of_the_three_rules(c: int, chances: tuple[float, ...]) -> None:
    # Acceptance of 50/c at 5, 10 and 15 %, worked with scipy.stats.binom to three figures.
    for p, chance in zip((0.05, 0.10, 0.15), chances, strict=True):
        assert acceptance_chance(n=50, accept=c, p=p) == pytest.approx(chance, abs=6e-4)


def whole_cdf(k: int, n: int, t: Fraction) -> Fraction:
    """P(at most k of n), term by term in fractions: the definition."""
    return sum((math.comb(n, i) * t**i * (1 - t) ** (n - i) for i in range(k + 1)), Fraction(0))


@pytest.mark.parametrize("tolerance", [Fraction(0), Fraction(1, 200), TENTH, Fraction(1, 3),
                                       Fraction(1, 2), Fraction(19, 20), Fraction(1)])
@pytest.mark.parametrize("level", [Fraction(1, 2), Fraction(7, 8), Fraction(95, 100)])
@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 9, 25, 40])
def test_rules_against_their_definitions(n: int, tolerance: Fraction, level: Fraction) -> None:
    # The definitions of the rules in exact fractions, written out anew here. Level 7/8 at a
    # tolerance of 1/2 makes exact ties: P(no bad of 3) = 1/8.
    cdf = [whole_cdf(k, n, tolerance) for k in range(n + 1)]
    point = max(k for k in range(n + 1) if Fraction(k, n) <= tolerance)
    aql = min(k for k in range(n + 1) if cdf[k] >= level)
    confident = [k for k in range(n) if cdf[k] <= 1 - level] + [n] * (tolerance == 1)
    assert largest_accepted(rule="point", n=n, tolerance=tolerance, level=level) == point
    assert largest_accepted(rule="aql", n=n, tolerance=tolerance, level=level) == aql
    assert largest_accepted(
        rule="confidence", n=n, tolerance=tolerance, level=level) == max(confident, default=-1)


def test_the_point_rule_has_no_binary_rounding() -> None:
    # 15 % of 50 fruit is 7.5, so 7; 29 % of 100 is 29 exactly, where 0.29 * 100 is below 29.
    assert largest_accepted(rule="point", n=50, tolerance=Fraction(15, 100)) == 7
    assert 0.29 * 100 < 29
    assert largest_accepted(rule="point", n=100, tolerance=Fraction(29, 100)) == 29


def test_rules_on_a_season_of_fruit() -> None:
    # scipy.stats.binom.ppf at 10 million fruit.
    n = 10_000_000
    assert largest_accepted(rule="aql", n=n, tolerance=TENTH) == stats.binom.ppf(0.95, n, 0.1)
    assert largest_accepted(rule="confidence", n=n, tolerance=TENTH) == (
        stats.binom.ppf(0.05, n, 0.1) - 1)


def test_the_confidence_rule_agrees_with_the_upper_bound() -> None:
    # Clopper and Pearson 1934: the bound is at most t just when P(at most x at t) <= 5 %.
    for n in (30, 50, 167):
        limit = largest_accepted(rule="confidence", n=n, tolerance=TENTH)
        assert upper_bound(x=limit, n=n) <= 0.1 < upper_bound(x=limit + 1, n=n)


def test_the_95_90_table() -> None:
    # The familiar reliability table for 95 % confidence of at most 10 %, 0 to 10 bad (from
    # memory; each figure confirmed with scipy.stats.binom here).
    table = [29, 46, 61, 76, 89, 103, 116, 129, 142, 154, 167]
    for c, n in enumerate(table):
        assert sample_for_confidence(accept=c, tolerance=TENTH) == n
        assert stats.binom.cdf(c, n, 0.1) <= 0.05 < stats.binom.cdf(c, n - 1, 0.1)


def test_fruit_to_see_one_decayed() -> None:
    # 0.99^n <= 0.05 from n = ln 0.05 / ln 0.99 = 298.07 on; the often-quoted 298 just misses.
    assert sample_for_confidence(accept=0, tolerance=Fraction(1, 100)) == 299
    assert 0.99**299 <= 0.05 < 0.99**298


def test_a_sample_size_tie_counts_as_shown() -> None:
    # (1/2)^3 is 1/8, exactly the risk left by a level of 7/8.
    assert sample_for_confidence(accept=0, tolerance=Fraction(1, 2), level=Fraction(7, 8)) == 3


# --- how much more fruit -----------------------------------------------------------------------


def test_the_interval_after_more_fruit() -> None:
    # scipy.stats.beta with the expected counts: 5 of 50 kept up gives 10 of 100, and 5.2 of 52.
    for extra, x, n in ((0, 5.0, 50), (50, 10.0, 100), (2, 5.2, 52)):
        found = interval_after(x=5, n=50, extra=extra)
        assert found.low == pytest.approx(stats.beta.ppf(0.025, x, n - x + 1), abs=1e-12)
        assert found.high == pytest.approx(stats.beta.ppf(0.975, x + 1, n - x), abs=1e-12)


@pytest.mark.parametrize(
    ("x", "n", "tolerance"),
    [(5, 50, Fraction(8, 100)), (5, 50, Fraction(20, 100)), (0, 20, TENTH),
     (20, 20, Fraction(9, 10)), (7, 50, TENTH), (12, 200, TENTH), (103, 1_000, TENTH)])
def test_the_fruit_needed_is_the_least_that_tells(x: int, n: int, tolerance: Fraction) -> None:
    # scipy.stats.beta at the expected counts, tried one fruit fewer and exactly.
    needed = fruit_needed(x=x, n=n, tolerance=tolerance)
    assert needed is not None

    def tells(extra: int) -> bool:
        m = n + extra
        k = x * m / n
        low = stats.beta.ppf(0.025, k, m - k + 1) if k else 0.0
        high = stats.beta.ppf(0.975, k + 1, m - k) if k < m else 1.0
        return bool(high <= tolerance or low > tolerance)

    assert tells(needed)
    assert needed == 0 or not tells(needed - 1)


def test_no_fruit_are_needed_where_the_interval_tells_already() -> None:
    # scipy.stats.beta: 0 of 50 reaches 7.1 %, and 20 of 50 starts at 26 %.
    assert fruit_needed(x=0, n=50, tolerance=TENTH) == 0
    assert fruit_needed(x=20, n=50, tolerance=TENTH) == 0


def test_no_number_of_fruit_settles_a_share_on_the_tolerance() -> None:
    # The interval always holds the observed share.
    assert fruit_needed(x=5, n=50, tolerance=TENTH) is None
    assert fruit_needed(x=0, n=0, tolerance=TENTH) is None
    assert fruit_needed(x=0, n=40, tolerance=Fraction(0)) is None
    assert fruit_needed(x=103, n=1_000, tolerance=TENTH, most=1_000) is None


# --- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("x", "n"), [(-1, 5), (6, 5), (0, -1)])
def test_impossible_counts_are_refused(x: int, n: int) -> None:
    # Common practice, no source.
    for act in (clopper_pearson, wilson, upper_bound, lower_bound):
        with pytest.raises(ValueError, match="is not a count"):
            act(x=x, n=n)
    with pytest.raises(ValueError, match="is not a count"):
        binomial_pmf(k=x, n=n, p=0.5)
    with pytest.raises(ValueError, match="is not a count"):
        fruit_needed(x=x, n=n, tolerance=TENTH)
    with pytest.raises(ValueError, match="is not a count"):
        finite_lot_upper(x=x, n=n, lot=9)
    with pytest.raises(ValueError, match="counts must lie"):
        clopper_pearson_many(x=[x], n=n)


def test_other_impossible_input_is_refused() -> None:
    # Common practice, no source.
    with pytest.raises(ValueError, match="whole numbers"):
        clopper_pearson_many(x=[1.5], n=5)
    for level in (0.0, 1.0, math.nan, Fraction(2)):
        with pytest.raises(ValueError, match="confidence level"):
            clopper_pearson(x=1, n=5, level=level)
    for p in (-0.1, 1.1, math.nan):
        with pytest.raises(ValueError, match="share"):
            binomial_cdf(k=1, n=5, p=p)
        with pytest.raises(ValueError, match="share"):
            acceptance_chance(n=5, accept=1, p=p, lot=50)
    with pytest.raises(ValueError, match="is not a count"):
        binomial_cdf(k=0, n=-1, p=0.5)
    with pytest.raises(ValueError, match="does not fit a lot"):
        hypergeometric_cdf(k=0, n=10, bad=0, lot=9)
    with pytest.raises(ValueError, match="does not fit a lot"):
        hypergeometric_pmf(k=0, n=5, bad=10, lot=9)
    with pytest.raises(ValueError, match="does not fit a lot"):
        finite_lot_upper(x=0, n=10, lot=9)
    with pytest.raises(ValueError, match="is not a count"):
        largest_accepted(rule="point", n=0, tolerance=TENTH)
    with pytest.raises(ValueError, match="tolerance"):
        largest_accepted(rule="point", n=5, tolerance=Fraction(11, 10))
    with pytest.raises(ValueError, match="more fruit"):
        interval_after(x=1, n=5, extra=-1)
    for accept, tolerance in ((-1, TENTH), (0, Fraction(0)), (0, Fraction(1))):
        with pytest.raises(ValueError, match="accept"):
            sample_for_confidence(accept=accept, tolerance=tolerance)
