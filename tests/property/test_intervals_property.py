"""Laws that exact intervals and lot rules keep for any count.

Each is a property of the method itself (Clopper and Pearson, Biometrika 26:404, 1934; Wilson, JASA
22:209, 1927), checked with chances summed term by term from binomial coefficients.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.intervals import (
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

Count = tuple[int, int]
LEVELS = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99, 0.999])
SHARES = st.floats(1e-4, 1 - 1e-4)
PERCENTS = st.integers(1, 99).map(lambda k: Fraction(k, 100))


def counts(most: int) -> st.SearchStrategy[Count]:
    """(x, n) with 0 <= x <= n and 1 <= n <= most."""
    return st.integers(1, most).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def terms(n: int, p: float) -> list[float]:
    """P(x of n) for x = 0 to n."""
    return [math.comb(n, x) * p**x * (1 - p) ** (n - x) for x in range(n + 1)]


@given(counts(10_000_000), LEVELS)
def test_an_interval_holds_the_observed_share(count: Count, level: float) -> None:
    x, n = count
    for found in (clopper_pearson(x=x, n=n, level=level), wilson(x=x, n=n, level=level)):
        assert 0.0 <= found.low <= x / n <= found.high <= 1.0
        assert found.low < found.high
        assert (found.low == 0.0) == (x == 0)
        assert (found.high == 1.0) == (x == n)


@given(counts(1_000_000), LEVELS)
def test_bounds_rise_with_the_count(count: Count, level: float) -> None:
    x, n = count
    for method in (clopper_pearson, wilson):
        here, more = method(x=x, n=n + 1, level=level), method(x=x + 1, n=n + 1, level=level)
        assert here.low < more.low
        assert here.high < more.high


@given(counts(1_000_000), LEVELS)
def test_one_more_sound_fruit_lowers_both_bounds(count: Count, level: float) -> None:
    x, n = count
    before = clopper_pearson(x=x, n=n, level=level)
    after = clopper_pearson(x=x, n=n + 1, level=level)
    assert after.high < before.high
    assert after.low < before.low or x == 0


@given(counts(1_000_000), st.lists(LEVELS, min_size=2, max_size=2, unique=True).map(sorted))
def test_more_confidence_is_a_wider_interval(count: Count, levels: list[float]) -> None:
    x, n = count
    for method in (clopper_pearson, wilson):
        narrow, wide = (method(x=x, n=n, level=level) for level in levels)
        assert wide.low <= narrow.low
        assert narrow.high <= wide.high
        assert wide.high - wide.low > narrow.high - narrow.low


@given(counts(1_000_000), LEVELS)
def test_bad_and_sound_are_mirror_images(count: Count, level: float) -> None:
    # x bad of n at share p is n - x sound at share 1 - p.
    x, n = count
    for method in (clopper_pearson, wilson):
        bad, sound = method(x=x, n=n, level=level), method(x=n - x, n=n, level=level)
        assert bad.low == pytest.approx(1.0 - sound.high, abs=1e-12)
        assert bad.high == pytest.approx(1.0 - sound.low, abs=1e-12)


@given(st.integers(1, 60), SHARES, LEVELS)
def test_the_exact_interval_covers_at_least_its_level(n: int, p: float, level: float) -> None:
    # The defining promise, summed over every possible count.
    low, high = clopper_pearson_many(x=np.arange(n + 1), n=n, level=level)
    covered = math.fsum(t for t, a, b in zip(terms(n, p), low, high, strict=True) if a <= p <= b)
    assert covered >= level - 1e-9


@given(counts(120), LEVELS)
def test_each_bound_leaves_half_the_risk_outside(count: Count, level: float) -> None:
    # The bounds' own definition: P(at least x) at the lower one and P(at most x) at the upper one.
    x, n = count
    found, half = clopper_pearson(x=x, n=n, level=level), (1.0 - level) / 2.0
    if x:
        assert math.fsum(terms(n, found.low)[x:]) == pytest.approx(half, rel=1e-9)
    if x < n:
        assert math.fsum(terms(n, found.high)[: x + 1]) == pytest.approx(half, rel=1e-9)


@given(st.integers(1, 10_000_000).flatmap(lambda n: st.tuples(
    st.lists(st.integers(0, n), min_size=1, max_size=20), st.just(n))), LEVELS)
def test_many_counts_at_once_give_what_one_does(case: tuple[list[int], int], level: float) -> None:
    xs, n = case
    low, high = clopper_pearson_many(x=xs, n=n, level=level)
    for i, x in enumerate(xs):
        one = clopper_pearson(x=x, n=n, level=level)
        assert (low[i], high[i]) == pytest.approx((one.low, one.high), rel=0.0, abs=1e-12)


@given(counts(100_000), st.sampled_from([0.9, 0.95, 0.99]))
def test_one_sided_bounds_are_the_wider_pairs(count: Count, level: float) -> None:
    # Each end of a two-sided 90 % interval is a one-sided 95 % bound.
    x, n = count
    pair = clopper_pearson(x=x, n=n, level=1.0 - 2.0 * (1.0 - level))
    assert upper_bound(x=x, n=n, level=level) == pytest.approx(pair.high, rel=1e-9)
    assert lower_bound(x=x, n=n, level=level) == pytest.approx(pair.low, rel=1e-9)
    assert upper_bound(x=x, n=n, level=level) <= clopper_pearson(x=x, n=n, level=level).high


@given(st.integers(2, 60).flatmap(lambda lot: st.integers(1, lot).flatmap(
    lambda n: st.tuples(st.integers(0, n), st.just(n), st.just(lot)))), LEVELS)
def test_a_finite_lot_bound_is_the_last_likely_number(
    case: tuple[int, int, int], level: float
) -> None:
    # Every number of bad fruit the lot can hold, tried in whole numbers.
    x, n, lot = case
    ways = math.comb(lot, n) * (1 - Fraction(str(level)))
    likely = [bad for bad in range(x, lot - n + x + 1) if sum(
        math.comb(bad, i) * math.comb(lot - bad, n - i) for i in range(x + 1)) > ways]
    assert finite_lot_upper(x=x, n=n, lot=lot, level=level) == max(likely)


@given(counts(2_000), st.integers(1, 200_000))
def test_a_finite_lot_is_never_less_certain_than_a_stream(count: Count, more: int) -> None:
    # Drawing without replacement tells more, up to the rounding to whole fruit.
    x, n = count
    lot = n + more
    assert finite_lot_upper(x=x, n=n, lot=lot) <= upper_bound(x=x, n=n) * lot + 1


@given(st.integers(1, 3_000), PERCENTS, LEVELS)
def test_the_three_rules_stand_in_order(n: int, tolerance: Fraction, level: float) -> None:
    # The buyer's guarantee is the strictest, the packer's the widest; the literal rule lies
    # between (the binomial's median lies within one of its mean: Kaas and Buhrman 1980).
    buyer, literal, packer = (
        largest_accepted(rule=rule, n=n, tolerance=tolerance, level=level)
        for rule in ("confidence", "point", "aql"))
    assert -1 <= buyer < packer <= n
    assert buyer <= literal <= packer + 1
    assert Fraction(literal, n) <= tolerance < Fraction(literal + 1, n)


@given(st.sampled_from(["point", "aql", "confidence"]), st.integers(1, 3_000),
       st.lists(PERCENTS, min_size=2, max_size=2).map(sorted))
def test_a_wider_tolerance_never_accepts_less(
    rule: LotRule, n: int, tolerances: list[Fraction]
) -> None:
    tight, wide = (largest_accepted(rule=rule, n=n, tolerance=t) for t in tolerances)
    assert tight <= wide
    assert largest_accepted(rule=rule, n=n + 1, tolerance=tolerances[0]) in (tight, tight + 1)


@given(st.integers(0, 40), PERCENTS)
def test_the_sample_size_is_the_least_that_the_rule_accepts(c: int, tolerance: Fraction) -> None:
    n = sample_for_confidence(accept=c, tolerance=tolerance)
    assert largest_accepted(rule="confidence", n=n, tolerance=tolerance) >= c
    assert n == c + 1 or largest_accepted(rule="confidence", n=n - 1, tolerance=tolerance) < c


@given(counts(2_000), PERCENTS)
def test_the_fruit_needed_tells_and_one_fewer_does_not(count: Count, tolerance: Fraction) -> None:
    x, n = count
    needed = fruit_needed(x=x, n=n, tolerance=tolerance)
    if Fraction(x, n) == tolerance:
        assert needed is None
        return
    assert needed is not None
    after = interval_after(x=x, n=n, extra=needed)
    assert after.high <= tolerance or after.low > tolerance
    if needed:
        before = interval_after(x=x, n=n, extra=needed - 1)
        assert before.low <= tolerance < before.high
