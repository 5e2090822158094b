"""What a bias does at a cut: shares by scipy's normal law and by its numerical integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from grading.drift.cuts import counts_at_cut, moved_cut, normal_at_cut

CUT, UPPER = 63.5, 69.85  # 2 1/2 in and 2 3/4 in
LOT = stats.norm(66, 5)


def _between(low: float, high: float) -> float:
    return float(integrate.quad(LOT.pdf, low, high, epsabs=1e-13)[0])


@pytest.mark.parametrize(
    ("bias", "too_high", "undersize_up"), [(1.1, 7.3, 9.5), (0.5, 3.4, 4.7), (1.5, 9.7, 12.3)])
def test_a_caliper_scenario(bias: float, too_high: float, undersize_up: float) -> None:
    """Sizes N(66, 5), cut 63.5: published percentages of the scenario, then 9 digits by scipy."""
    found = normal_at_cut(mean=66, sd=5, cut=CUT, bias=bias, upper=UPPER)
    assert round(100 * found.too_high, 1) == too_high
    assert round(100 * found.undersize_up, 1) == undersize_up
    over = _between(CUT - bias, CUT)
    assert found.too_high == pytest.approx(over, abs=1e-11)
    assert found.undersize_up == pytest.approx(over / LOT.sf(CUT - bias), abs=1e-9)
    assert found.undersize == pytest.approx(over / _between(CUT - bias, UPPER - bias), abs=1e-9)
    assert found.oversize == 0.0 and found.too_low == 0.0


def test_the_closed_class_is_worse_than_and_up() -> None:
    """15.4 % undersize in 2 1/2 to 2 3/4 in at +1.1 mm."""
    found = normal_at_cut(mean=66, sd=5, cut=CUT, bias=1.1, upper=UPPER)
    assert found.undersize is not None and round(100 * found.undersize, 1) == 15.4


def test_the_forgotten_cut() -> None:
    """63.5 lowered to 62.0: 9.7 %, of 23,400 about 2,260 fruit; 12.3 % undersize, 17 % closed."""
    found = moved_cut(mean=66, sd=5, declared=CUT, used=62.0, upper=UPPER)
    assert round(100 * found.too_high, 1) == 9.7
    assert round(23_400 * found.too_high, -1) == 2260
    assert round(100 * found.undersize_up, 1) == 12.3
    assert found.undersize is not None and round(100 * found.undersize) == 17
    assert found.undersize == pytest.approx(_between(62, CUT) / _between(62, UPPER), abs=1e-9)
    raised = moved_cut(mean=66, sd=5, declared=CUT, used=64.0)
    assert raised.too_low == pytest.approx(_between(CUT, 64.0)) and raised.undersize is None


@pytest.mark.parametrize(("bias", "noise"), [(0.0, 0.8), (1.1, 0.9), (-0.7, 0.3), (0.5, 1e-4)])
def test_bias_with_random_error_is_a_bivariate_normal(bias: float, noise: float) -> None:
    """True size and reading are jointly normal: quadrant chances by scipy's own bivariate cdf."""
    found = normal_at_cut(mean=66, sd=5, cut=CUT, bias=bias, upper=UPPER, noise_sd=noise)
    both = math.hypot(5.0, noise)
    joint = stats.multivariate_normal(
        [66, 66 + bias], [[25.0, 25.0], [25.0, both**2]], allow_singular=True, maxpts=10**7,
        abseps=1e-9, releps=1e-9)
    read = stats.norm(66 + bias, both)
    under_both = float(joint.cdf([CUT, CUT]))
    too_high = LOT.cdf(CUT) - under_both
    assert found.too_high == pytest.approx(too_high, abs=2e-7)
    assert found.too_low == pytest.approx(read.cdf(CUT) - under_both, abs=2e-7)
    assert found.undersize_up == pytest.approx(too_high / read.sf(CUT), abs=1e-6)
    inside = read.cdf(UPPER) - read.cdf(CUT)
    under = float(joint.cdf([CUT, UPPER])) - under_both
    over = inside - float(joint.cdf([UPPER, UPPER])) + float(joint.cdf([UPPER, CUT]))
    assert found.undersize == pytest.approx(under / inside, abs=2e-6)
    assert found.oversize == pytest.approx(over / inside, abs=2e-6)


def test_guide_98_4_global_consumer_risk() -> None:
    """N(0, 1), u .25, limits ±2: false accept .008, false reject .015 (Deaver, in the tests of an
    open uncertainty calculator). By symmetry half of each lies at either limit."""
    upper = normal_at_cut(mean=0, sd=1, cut=2.0, bias=0.0, noise_sd=0.25)
    assert round(2 * upper.too_low, 4) == 0.0080 and round(2 * upper.too_high, 3) == 0.015


def test_the_ends_of_the_bias_are_carried() -> None:
    found = normal_at_cut(mean=66, sd=5, cut=CUT, bias=1.1, bias_low=0.76, bias_high=1.44)
    assert found.too_high_low == pytest.approx(_between(CUT - 0.76, CUT))
    assert found.too_high_high == pytest.approx(_between(CUT - 1.44, CUT))


@pytest.mark.parametrize("bias", [1.1, 0.5, -0.8, 0.0])
def test_a_histogram_of_readings_says_the_same(bias: float) -> None:
    """Readings N(66 + bias, 5) in 0.1 mm bins hold the lot of N(66, 5): as the normal form."""
    edges = 20.0 + 0.1 * np.arange(901)
    counts = 1e9 * np.diff(stats.norm(66 + bias, 5).cdf(edges))
    seen = counts_at_cut(counts=counts, low=20.0, width=0.1, cut=CUT, bias=bias, upper=UPPER,
                         bias_low=bias - 0.1, bias_high=bias + 0.1)
    exact = normal_at_cut(mean=66, sd=5, cut=CUT, bias=bias, upper=UPPER)
    for name in ("too_high", "too_low", "undersize_up", "undersize", "oversize"):
        assert getattr(seen, name) == pytest.approx(getattr(exact, name), abs=2e-5), name
    assert seen.too_high_high == pytest.approx(
        max(0.0, stats.norm(66 + bias, 5).cdf(CUT + bias + 0.1)
            - stats.norm(66 + bias, 5).cdf(CUT)), abs=1e-5)


def test_whole_fruit_in_bins_are_counted_exactly() -> None:
    """Ten fruit to a bin of 1 mm from 60: [63, 64) and [64, 65) read too high by 2 at cut 63."""
    found = counts_at_cut(counts=[10] * 10, low=60, width=1, cut=63, bias=2, upper=66)
    assert found.too_high == pytest.approx(20 / 100)
    assert found.undersize_up == pytest.approx(20 / 70)
    assert found.undersize == pytest.approx(20 / 30)
    assert counts_at_cut(counts=[10] * 10, low=60, width=1, cut=63, bias=2).undersize is None
    empty = counts_at_cut(counts=[10], low=60, width=1, cut=70, bias=2, upper=72)
    assert (empty.too_high, empty.undersize_up, empty.undersize) == (0.0, 0.0, 0.0)


def test_cuts_far_from_all_fruit_do_nothing() -> None:
    low = normal_at_cut(mean=66, sd=5, cut=10, bias=1.1, noise_sd=0.5)
    assert (low.too_high, low.undersize_up) == (0.0, 0.0)
    high = normal_at_cut(mean=66, sd=5, cut=150, bias=1.1, noise_sd=0.5, upper=160)
    assert high.too_high == pytest.approx(0.0, abs=1e-12) and high.undersize == 0.0


def test_refusals() -> None:
    with pytest.raises(ValueError, match="spread"):
        normal_at_cut(mean=66, sd=0, cut=60, bias=1)
    with pytest.raises(ValueError, match="no fruit"):
        counts_at_cut(counts=[0, 0], low=0, width=1, cut=1, bias=0.5)
    with pytest.raises(ValueError, match="not empty"):
        moved_cut(mean=66, sd=5, declared=63.5, used=62.0, upper=63.0)
