"""Control charts against the limits that books and packages print."""

from __future__ import annotations

import itertools
import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy import integrate, stats

from grading.monitor.charts import (
    Cusum,
    Ewma,
    ewma_signals,
    first_signal,
    individuals,
    range_constants,
    standardised,
    subgroups,
)
from grading.monitor.shares import dispersion_test, laney_chart, p_chart
from grading.monitor.special import chi_square_tails, normal_cdf, normal_pdf, normal_tail
from tests.support.published import (
    EMERGENCY_N,
    EMERGENCY_X,
    MORTGAGE_COSTS,
    ORANGE_JUICE,
    PISTON_RINGS,
    PURCHASES_N,
    PURCHASES_X,
    VISCOSITY,
)

ROUNDED_D2 = 4e-4
"""Books divide by 1.128 and 1.12838; this package by 2/sqrt(pi)."""


# --- shares ------------------------------------------------------------------------------------


def test_orange_juice() -> None:
    # qcc 3.0 vignette, p chart of the trial samples.
    chart = p_chart(x=ORANGE_JUICE, n=[50] * 30)
    assert chart.centre == pytest.approx(.2313333, abs=5e-8)
    assert chart.low[0] == pytest.approx(.05242755, abs=5e-9)
    assert chart.high[0] == pytest.approx(.4102391, abs=5e-8)
    assert (np.flatnonzero(chart.outside) + 1).tolist() == [15, 23]


def test_orange_juice_without_the_two_samples_that_had_a_cause() -> None:
    # qcc 3.0 vignette.
    kept = [x for i, x in enumerate(ORANGE_JUICE, start=1) if i not in (15, 23)]
    chart = p_chart(x=kept, n=[50] * 28)
    assert chart.centre == pytest.approx(.215, abs=5e-8)
    assert chart.low[0] == pytest.approx(.04070284, abs=5e-9)
    assert chart.high[0] == pytest.approx(.3892972, abs=5e-8)


def test_purchase_orders_with_unequal_windows() -> None:
    # Montgomery, section 7.3.2: centre .096 and sample 11 out, from memory. Limits: arithmetic.
    chart = p_chart(x=PURCHASES_X, n=PURCHASES_N)
    assert chart.centre == pytest.approx(234 / 2450, abs=1e-12)
    by_n = dict(zip(PURCHASES_N, chart.high, strict=True))
    assert by_n[100] == pytest.approx(.18369, abs=5e-6)
    assert by_n[80] == pytest.approx(.19409, abs=5e-6)
    assert (np.flatnonzero(chart.outside) + 1).tolist() == [11]
    assert chart.z[10] == pytest.approx(3.0798, abs=5e-5)


def test_emergency_attendances_need_the_wider_limits() -> None:
    # Mohammed et al. 2013 tell the story; the numbers are arithmetic with 1.128 for d2.
    plain = p_chart(x=EMERGENCY_X, n=EMERGENCY_N)
    assert plain.centre == pytest.approx(.952899711, abs=5e-10)
    assert plain.outside.sum() == 16
    assert plain.low[0] == pytest.approx(.9516996, abs=5e-8)
    assert plain.high[0] == pytest.approx(.9540999, abs=5e-8)
    chart = laney_chart(x=EMERGENCY_X, n=EMERGENCY_N)
    assert chart.spread.sigma_z == pytest.approx(10.640, rel=ROUNDED_D2)
    assert chart.sigma == chart.spread.sigma_z
    assert not chart.outside.any()
    width = 3 * chart.sd[0] * chart.sigma
    assert width == pytest.approx((.9656698 - .9401296) / 2, rel=ROUNDED_D2)
    assert chart.low[0] == pytest.approx(.9401296, abs=6e-6)
    assert chart.high[0] == pytest.approx(.9656698, abs=6e-6)


def test_laney_with_little_over_dispersion_is_nearly_the_p_chart() -> None:
    # sigma_z .966 by arithmetic on Montgomery's table 7.4 (no publication prints it).
    chart = laney_chart(x=PURCHASES_X, n=PURCHASES_N)
    assert chart.sigma == pytest.approx(.966, abs=5e-4 + ROUNDED_D2)
    known = laney_chart(x=PURCHASES_X, n=PURCHASES_N, centre=0.1)
    assert known.centre == 0.1
    assert known.sd[0] == pytest.approx(math.sqrt(.09 / 100))


def test_published_dispersion() -> None:
    # Wetherill and Brown 1991 in the qcc reference: 30 counts of 50.
    x = [12, 11, 18, 11, 10, 16, 9, 11, 14, 15, 11, 9, 10, 13, 12, 8, 12, 13, 10, 12, 13, 16, 12,
         18, 16, 10, 16, 10, 12, 14]
    found = dispersion_test(x=x, n=[50] * 30)
    assert found is not None
    assert found.ratio == pytest.approx(.7644566, abs=5e-8)
    assert found.statistic == pytest.approx(22.16924, abs=5e-6)
    assert found.chance_over == pytest.approx(.81311, abs=5e-6)
    assert found.chance_under + found.chance_over == pytest.approx(1.0, abs=1e-12)
    # The contingency test of unequal windows is the same statistic (scipy).
    bad, n = np.array(PURCHASES_X), np.array(PURCHASES_N)
    other = dispersion_test(x=bad, n=n)
    table = stats.chi2_contingency(np.stack([bad, n - bad]), correction=False)
    assert other is not None
    assert other.statistic == pytest.approx(table.statistic, rel=1e-12)
    assert other.chance_over == pytest.approx(table.pvalue, rel=1e-10)


def test_what_has_no_dispersion() -> None:
    assert dispersion_test(x=[3], n=[50]) is None
    assert dispersion_test(x=[0, 0], n=[50, 60]) is None
    assert dispersion_test(x=[50, 60], n=[50, 60]) is None


@pytest.mark.parametrize(("x", "n"), [([], []), ([1], [0]), ([-1], [5]), ([6], [5])])
def test_no_chart_of_what_is_no_share(x: list[int], n: list[int]) -> None:
    with pytest.raises(ValueError, match="0 <= x <= n"):
        p_chart(x=x, n=n)


def test_a_share_of_nothing_has_no_width() -> None:
    chart = laney_chart(x=[0, 0, 0], n=[50, 60, 70])
    assert chart.z.tolist() == [0, 0, 0]
    assert not chart.outside.any()


# --- measured values ---------------------------------------------------------------------------


def test_piston_rings() -> None:
    # qcc vignette, groups 1 to 25; it divides by 2.326 where d2(5) is 2.325929.
    chart = subgroups(values=np.array(PISTON_RINGS).reshape(25, 5))
    assert chart.means.centre == pytest.approx(74.00118, abs=5e-6)
    assert chart.means.sigma == pytest.approx(.009785039, rel=4e-5)
    assert chart.means.low == pytest.approx(73.98805, abs=5e-6)
    assert chart.means.high == pytest.approx(74.0143, abs=5e-5)
    assert chart.ranges.centre == pytest.approx(.02276, abs=1e-12)
    assert chart.ranges.low == 0.0
    assert chart.ranges.high == pytest.approx(.04812533, rel=4e-5)


def test_range_constants_are_the_printed_ones() -> None:
    # d2 and d3 of every control-chart table (from memory: Montgomery, appendix VI).
    printed = {2: (1.128, .853), 3: (1.693, .888), 5: (2.326, .864), 10: (3.078, .797),
               25: (3.931, .708)}
    for size, (mean, sd) in printed.items():
        assert range_constants(size=size) == pytest.approx((mean, sd), abs=6e-4)

    def slice_of(x: float) -> float:
        return float(1 - stats.norm.cdf(x) ** 7 - stats.norm.sf(x) ** 7)

    area, _ = integrate.quad(slice_of, -10, 10)
    assert range_constants(size=7)[0] == pytest.approx(area, abs=1e-9)
    for size in (1, 101):
        with pytest.raises(ValueError, match="2 to 100"):
            range_constants(size=size)


def test_viscosity() -> None:
    # qcc vignette, sigma from the moving range over 1.128.
    chart = individuals(values=VISCOSITY)
    assert chart.values.centre == pytest.approx(34.088, abs=5e-7)
    assert chart.values.sigma == pytest.approx(.5076521, rel=ROUNDED_D2)
    assert chart.values.low == pytest.approx(32.56504, abs=1e-3)
    assert chart.values.high == pytest.approx(35.61096, abs=1e-3)


def test_mortgage_costs_detect_weeks_39_and_40() -> None:
    # Montgomery, example 6.5 (figures from memory, with 1.128 and 3.267).
    chart = individuals(values=MORTGAGE_COSTS[:20])
    assert chart.values.centre == 300.5
    assert chart.range_centre == pytest.approx(7.7895, abs=5e-5)
    assert chart.values.low == pytest.approx(279.78, abs=1.4e-2)
    assert chart.values.high == pytest.approx(321.22, abs=1.4e-2)
    assert chart.range_high == pytest.approx(25.448, abs=1e-2)
    z = standardised(values=MORTGAGE_COSTS, limits=chart.values)
    assert (np.flatnonzero(np.abs(z) > 3) + 1).tolist() == [39, 40]
    with pytest.raises(ValueError, match="at least 2"):
        individuals(values=[1.0])


# --- EWMA --------------------------------------------------------------------------------------


def test_ewma_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4; the page rounds sqrt(.3/1.7) to .4201.
    x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
         51.2, 52.6, 52.4, 53.6, 52.1]
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
               49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = Ewma(target=50.0, sigma=2.0539, weight=0.3)
    states = chart.run(values=x)
    assert [s.value for s in states] == pytest.approx(printed, abs=5.001e-3)
    limits = chart.asymptotic_limits(width=3.0)
    assert limits.high == pytest.approx(52.5884, abs=2e-4)
    assert limits.low == pytest.approx(47.4115, abs=2e-4)
    # The page finds no signal with the asymptotic limits; the exact ones are narrower early on.
    assert all(limits.low < s.value < limits.high for s in states)
    assert ewma_signals(chart=chart, states=states) == []


def test_ewma_limits_of_the_piston_rings() -> None:
    # qcc vignette: lambda .2, 3 sigma, group means.
    groups = np.array(PISTON_RINGS).reshape(25, 5)
    means = subgroups(values=groups).means
    chart = Ewma(target=means.centre, sigma=means.sigma / math.sqrt(5), weight=0.2)
    states = chart.run(values=groups.mean(axis=1).tolist())
    for t, low, high in ((1, 73.99855, 74.00380), (2, 73.99781, 74.00454),
                         (25, 73.99680, 74.00555)):
        limits = chart.limits(state=states[t - 1])
        assert (limits.low, limits.high) == pytest.approx((low, high), abs=6e-6)


def test_ewma_variance_is_the_exact_one() -> None:
    # Lucas and Saccucci, Technometrics 32:1 (1990): sigma^2 lambda/(2-lambda) [1-(1-lambda)^2t].
    chart = Ewma(target=0.0, sigma=3.0, weight=0.1)
    for t, state in enumerate(chart.run(values=[0.0] * 30), start=1):
        assert chart.sd(state=state) == pytest.approx(
            3.0 * math.sqrt(0.1 / 1.9 * (1 - 0.9 ** (2 * t))), rel=1e-12)


@pytest.mark.parametrize("phi", [0.3, 0.8])
def test_ewma_variance_under_autocorrelation(phi: float) -> None:
    # Definition: Var = sum of w_i w_j phi^|i-j| over the weights of the EWMA.
    chart = Ewma(target=0.0, sigma=1.0, weight=0.2, phi=phi, centre_variance=0.25)
    for t, state in enumerate(chart.run(values=[0.0] * 25), start=1):
        w = 0.2 * 0.8 ** np.arange(t - 1, -1, -1)
        lag = np.abs(np.subtract.outer(np.arange(t), np.arange(t)))
        wanted = w @ phi**lag @ w + 0.25 * w.sum() ** 2
        assert chart.sd(state=state) == pytest.approx(math.sqrt(wanted), rel=1e-12)


# --- CUSUM -------------------------------------------------------------------------------------


def test_cusum_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3 (data and figures from memory); sums in the data's unit.
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
         324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
    chart = Cusum(target=325.0, sigma=1.0, reference=.3175, decision=4.1959)
    states = chart.run(values=x)
    assert [s.up for s in states[12:]] == pytest.approx(
        [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=1e-9)
    assert first_signal(chart=chart, states=states) == 13  # the 14th
    assert states[13].n_up == 2  # the rise began with the 13th
    assert sum(x) - 20 * 325.0 == pytest.approx(19.075, abs=1e-9)


def test_a_cusum_equal_to_its_limit_is_no_signal() -> None:
    # Test file of the R package qcc: centre 0, sd 1, k .5, h 1.
    chart = Cusum(target=0.0, sigma=1.0, reference=0.5, decision=1.0)
    states = chart.run(values=[1.5, .5, .6, -1.5, -.5, -.8])
    assert [s.up for s in states] == pytest.approx([1, 1, 1.1, 0, 0, 0])
    assert [-s.down for s in states] == pytest.approx([0, 0, 0, -1, -1, -1.3])
    assert [chart.signal(state=s) for s in states] == [None, None, "up", None, None, "down"]
    assert first_signal(chart=chart, states=states[:2]) is None


def test_head_start() -> None:
    """Lucas and Crosier 1982: the sums begin at h/2."""
    chart = Cusum(target=10.0, sigma=2.0, decision=4.0, head_start=2.0)
    state = chart.step(state=chart.start(), x=13.0)
    assert (state.up, state.down) == (3.0, 0.0)


# --- the laws behind them ----------------------------------------------------------------------


def test_normal_law_against_scipy() -> None:
    x = np.linspace(-12, 12, 97)
    assert normal_cdf(x=x) == pytest.approx(stats.norm.cdf(x), rel=1e-12)
    assert normal_pdf(x=x) == pytest.approx(stats.norm.pdf(x), rel=1e-12)
    assert normal_tail(z=1.0) == pytest.approx(1 - NormalDist().cdf(1.0), rel=1e-12)


def test_chi_square_against_scipy() -> None:
    for df, x in itertools.product((1, 2, 7, 29, 400), (1e-6, .3, 1., 5., 22.169, 90., 700.)):
        under, over = chi_square_tails(x=x, df=df)
        assert under == pytest.approx(stats.chi2.cdf(x, df), rel=1e-10, abs=1e-300)
        assert over == pytest.approx(stats.chi2.sf(x, df), rel=1e-9, abs=1e-15)
    assert chi_square_tails(x=0.0, df=3) == (0.0, 1.0)
    for wrong_x, wrong_df in ((-1.0, 3), (1.0, 0)):
        with pytest.raises(ValueError, match="chi-square"):
            chi_square_tails(x=wrong_x, df=wrong_df)
