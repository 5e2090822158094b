"""Line against hand: published examples of paired comparison, typed in from their sources.

Peak flow: Bland and Altman, Lancet 1986 i:307, table 1 (17 subjects, first and second reading by
two meters). Sen's data and the six-point case: tests of the R package deming 1.4-1. Arsenate:
Ripley and Thompson, Analyst 112:377 (1987), figures in the same package's tests. Straight line:
NIST StRD Norris (public domain). Quantiles and powers: scipy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from grading.drift.fits import deming, deming_known_errors, passing_bablok
from grading.drift.pairs import (
    bias_of,
    bland_altman,
    concordance,
    judge,
    pairs_needed,
    selection_bias,
)
from grading.drift.student import central_chance, normal_quantile, t_quantile, two_sided_p

WRIGHT = np.array([
    (494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415), (442, 431),
    (650, 638), (433, 429), (417, 420), (656, 633), (267, 275), (478, 492), (178, 165), (423, 372),
    (427, 421)], float)
MINI = np.array([
    (512, 525), (430, 415), (520, 508), (428, 444), (500, 500), (600, 625), (364, 460), (380, 390),
    (658, 642), (445, 432), (432, 420), (626, 605), (260, 227), (477, 467), (259, 268), (350, 370),
    (451, 443)], float)
# aas, its sd, aes, its sd
ARSENATE = np.array([
    (8.71, 1.92, 7.35, 2.07), (7.01, 1.56, 7.92, 2.23), (3.28, .76, 3.4, .96),
    (5.6, 1.26, 5.44, 1.53), (1.55, .39, 2.07, .59), (1.75, .43, 2.29, .65), (.73, .22, .66, .19),
    (3.66, .84, 3.43, .97), (.9, .25, 1.25, .36), (9.39, 2.07, 6.58, 1.85), (4.39, 1., 3.31, .93),
    (3.69, .84, 2.72, .77), (.34, .13, 2.32, .66), (1.94, .47, 1.5, .43), (2.07, .5, 3.5, .99),
    (1.38, .36, 1.17, .33), (1.81, .45, 2.31, .66), (1.27, .33, 1.88, .54), (.82, .23, .44, .13),
    (1.88, .46, 1.37, .4), (5.66, 1.27, 7.04, 1.98), (0., .06, 0., .01), (0., .06, .49, .15),
    (.4, .15, 1.29, .37), (0., .06, .37, .12), (1.98, .48, 2.16, .62), (10.21, 2.24, 12.53, 3.51),
    (4.64, 1.05, 3.9, 1.1), (5.66, 1.27, 4.66, 1.31), (19.25, 4.18, 15.86, 4.45)])


def test_bland_and_altman_1986() -> None:
    """Bias -2.1, s 38.8, limits -79.7 and 75.5, SE 9.4, interval -22.0 to 17.8.

    The limits' intervals (-114.3..-45.1, 40.9..110.1) are from memory; the paper works from
    rounded figures, hence 0.3.
    """
    b = bland_altman(line=WRIGHT[:, 0], hand=MINI[:, 0], factor=2.0)
    assert (round(b.bias, 1), round(b.sd, 1), round(b.se, 1)) == (-2.1, 38.8, 9.4)
    assert b.lower == pytest.approx(-79.7, abs=0.3) and b.upper == pytest.approx(75.5, abs=0.3)
    assert b.low == pytest.approx(-22.0, abs=0.3) and b.high == pytest.approx(17.8, abs=0.3)
    assert b.lower_low == pytest.approx(-114.3, abs=0.3)
    assert b.lower_high == pytest.approx(-45.1, abs=0.3)
    assert b.upper_low == pytest.approx(40.9, abs=0.3)
    assert b.upper_high == pytest.approx(110.1, abs=0.3)
    assert (b.t, b.p) == pytest.approx(tuple(stats.ttest_rel(WRIGHT[:, 0], MINI[:, 0])), rel=1e-9)


def test_limits_of_all_software_take_1_96() -> None:
    b = bland_altman(line=WRIGHT[:, 0], hand=MINI[:, 0])
    d = WRIGHT[:, 0] - MINI[:, 0]
    assert b.lower == pytest.approx(np.mean(d) - 1.96 * np.std(d, ddof=1), rel=1e-12)
    line = stats.linregress((WRIGHT[:, 0] + MINI[:, 0]) / 2, d)
    assert (b.slope, b.slope_p) == pytest.approx((line.slope, line.pvalue), rel=1e-9)


def test_limits_for_single_readings_add_the_spread_within_a_fruit_back() -> None:
    """Bland and Altman 1999, section 5: variance of single differences = that of the means
    plus (1 - 1/r) of each method's within-subject variance (formula from memory)."""
    within = [math.sqrt(((m[:, 0] - m[:, 1]) ** 2 / 2).mean()) for m in (WRIGHT, MINI)]
    means = bland_altman(
        line=WRIGHT.mean(axis=1), hand=MINI.mean(axis=1), line_repeats=2,
        line_repeat_sd=within[0], hand_repeats=2, hand_repeat_sd=within[1])
    spread = np.std(WRIGHT.mean(axis=1) - MINI.mean(axis=1), ddof=1)
    assert means.sd**2 == pytest.approx(spread**2 + within[0] ** 2 / 2 + within[1] ** 2 / 2)


def test_lin_on_the_same_pairs() -> None:
    """rho_c .943 with standard error .029 (from memory to three digits)."""
    c = concordance(line=WRIGHT[:, 0], hand=MINI[:, 0])
    assert round(c.value, 3) == 0.943 and round(c.correlation, 4) == 0.9433
    assert round(c.accuracy, 4) == 0.9994
    assert (round(c.low, 4), round(c.high, 4)) == (0.8505, 0.9787)


def test_lin_at_its_ends() -> None:
    up = np.arange(5.0)
    assert concordance(line=up, hand=up).value == pytest.approx(1.0)
    flat = concordance(line=np.array([0.0, 1, 1, 0]), hand=np.array([0.0, 0, 1, 1]))
    assert (flat.value, flat.low, flat.high) == (0.0, -1.0, 1.0)
    with pytest.raises(ValueError, match="vary"):
        concordance(line=up, hand=np.ones(5))


def test_the_bias_of_the_caliper_scenario() -> None:
    """+1.1 mm, sd 0.9, n 30: 0.76 to 1.44, t 6.7; scipy's t interval."""
    se, low, high = bias_of(n=30, mean=1.1, sd=0.9)
    assert (round(low, 2), round(high, 2), round(1.1 / se, 1)) == (0.76, 1.44, 6.7)
    assert (low, high) == pytest.approx(stats.t.interval(0.95, 29, 1.1, 0.9 / math.sqrt(30)))


@pytest.mark.parametrize("df", [1, 2, 3, 4, 5, 9, 29, 30, 117, 1000, 99_999])
def test_students_t_is_scipys(df: int) -> None:
    for level in (0.5, 0.9, 0.95, 0.99, 0.9999):
        assert t_quantile(level=level, df=df) == pytest.approx(
            stats.t.ppf(0.5 + level / 2, df), rel=1e-9)
    for t in (0.0, 0.3, 1.0, 2.5, 7.0):
        assert two_sided_p(t=-t, df=df) == pytest.approx(2 * stats.t.sf(t, df), abs=1e-12)


def test_refusals_of_quantiles() -> None:
    with pytest.raises(ValueError, match="confidence level"):
        normal_quantile(level=1.0)
    with pytest.raises(ValueError, match="degrees of freedom"):
        central_chance(t=1.0, df=0)


@pytest.mark.parametrize(("bias", "sd"), [(0.5, 1.0), (0.3, 0.9), (1.0, 1.0), (0.25, 1.3)])
def test_pairs_needed_reach_the_power_by_the_noncentral_t(bias: float, sd: float) -> None:
    def power(n: int) -> float:
        t, shift = stats.t.ppf(0.975, n - 1), bias / sd * math.sqrt(n)
        return float(stats.nct.sf(t, n - 1, shift) + stats.nct.cdf(-t, n - 1, shift))

    n = pairs_needed(bias=bias, sd=sd, power=0.9)
    assert power(n + 1) >= 0.9 and power(n - 2) < 0.9


def test_passing_and_bablok_on_sens_data() -> None:
    """Slope 4, intercept 6; 93 % interval of the slope 26/7 to 35/8."""
    t, y = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]
    fit = passing_bablok(line=y, hand=t, level=0.93)
    assert (fit.slope, fit.intercept) == (4.0, 6.0)
    assert (fit.slope_low, fit.slope_high) == pytest.approx((26 / 7, 35 / 8), rel=1e-12)
    sen = stats.theilslopes(y, t, alpha=0.93)
    assert (fit.slope, fit.slope_low, fit.slope_high) == pytest.approx(
        (sen.slope, sen.low_slope, sen.high_slope))


def test_passing_and_bablok_on_six_points() -> None:
    fit = passing_bablok(line=[2, 1.2, 4.1, 3.5, 6.3, 3], hand=[1, 2, 3, 4, 5, 6])
    assert (fit.slope, fit.intercept) == pytest.approx((1.05, 0.125), rel=1e-12)


def test_passing_and_bablok_leaves_out_slopes_without_meaning() -> None:
    """Two fruit alike give no slope, a slope of exactly -1 is left out (Passing and Bablok 1983).

    Left: slopes 1 (0,0)-(2,2), 1 (1,1)-(2,2) twice..., so the line is y = x.
    """
    fit = passing_bablok(line=[0.0, 1, 1, 0, 2, 3], hand=[0.0, 1, 1, 1, 2, 3])
    assert fit.slope == 1.0 and fit.intercept == 0.0
    assert not fit.scale_off and not fit.offset_off


def test_deming_on_the_arsenate_pairs() -> None:
    """Intercept .106448, slope .973000 as printed in the R package's tests, to 1.5e-5."""
    aas, aas_sd, aes, aes_sd = ARSENATE.T
    intercept, slope = deming_known_errors(line=aes, hand=aas, line_sd=aes_sd, hand_sd=aas_sd)
    assert (intercept, slope) == pytest.approx((0.106448, 0.973000), abs=1.5e-5)

    def weighted(p: np.ndarray) -> float:
        return float(((aes - p[0] - p[1] * aas) ** 2 / (aes_sd**2 + (p[1] * aas_sd) ** 2)).sum())

    found = optimize.minimize(weighted, (0.0, 1.0), method="Nelder-Mead",
                              options={"xatol": 1e-9, "fatol": 1e-12})
    assert (intercept, slope) == pytest.approx(tuple(found.x), abs=1e-6)


@pytest.mark.parametrize("ratio", [0.25, 1.0, 3.0])
def test_deming_with_one_ratio_is_the_maximum_of_its_likelihood(ratio: float) -> None:
    """Against least squares over the line and every true size (scipy); Linnet's jackknife."""
    rng = np.random.default_rng(11)
    true = rng.normal(66, 5, 20)
    hand = true + rng.normal(0, 0.5, 20)
    line = 1.0 + 0.99 * true + rng.normal(0, 0.5 * math.sqrt(ratio), 20)
    fit = deming(line=line, hand=hand, error_ratio=ratio)

    def peer(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
        def misses(p: np.ndarray) -> np.ndarray:
            return np.concatenate((x - p[2:], (y - p[0] - p[1] * p[2:]) / math.sqrt(ratio)))

        found = optimize.least_squares(misses, np.concatenate(([1.0, 0.99], x)), xtol=1e-13,
                                       ftol=1e-13, gtol=1e-13, x_scale="jac")
        return float(found.x[0]), float(found.x[1])

    assert (fit.intercept, fit.slope) == pytest.approx(peer(hand, line), rel=1e-4)
    keep = ~np.eye(20, dtype=bool)
    slopes = np.array([peer(hand[k], line[k])[1] for k in keep])
    se = math.sqrt(19 / 20 * ((slopes - slopes.mean()) ** 2).sum())
    half = stats.t.ppf(0.975, 18) * se
    assert fit.slope_high - fit.slope == pytest.approx(half, rel=1e-3)
    assert fit.error_at(hand=60.0) == pytest.approx(fit.intercept + fit.slope * 60.0 - 60.0)


def test_selection_from_a_size_drop() -> None:
    """u² / (sd² + u²) x 3.5 mm, by integrating truth over the readings of a class (scipy)."""
    sd, u, low, high = 4.0, 1.5, 66.0, 67.0
    both = math.hypot(sd, u)
    reading = stats.truncnorm((low - 63) / both, (high - 63) / both, loc=63, scale=both)
    expected = reading.mean() - (63 + sd**2 / both**2 * (reading.mean() - 63))
    assert selection_bias(class_mean=reading.mean(), lot_mean=63.0, sd=sd, u=u) == pytest.approx(
        expected)


def test_judging_agreement() -> None:
    """Two one-sided tests at 5 % (Schuirmann 1987) against scipy's t."""
    cases = {"agrees": (0.1, 0.1), "disagrees": (1.1, 0.164), "undecided": (0.4, 0.3)}
    for decision, (bias, se) in cases.items():
        assert judge(bias=bias, se=se, df=29, margin=0.5, least=0.3) == decision
        both = max(stats.t.sf((bias + 0.5) / se, 29), stats.t.sf((0.5 - bias) / se, 29))
        assert (both < 0.05) == (decision == "agrees")
    assert judge(bias=0.2, se=0.01, df=29, margin=0.15, least=0.3) == "undecided"


def test_refusals_of_pairs_and_lines() -> None:
    three = [1.0, 2.0, 3.0]
    with pytest.raises(ValueError, match="2 pairs"):
        bias_of(n=1, mean=1.0, sd=0.5)
    with pytest.raises(ValueError, match="3 or more pairs"):
        bland_altman(line=three, hand=three[:2])
    with pytest.raises(ValueError, match="power"):
        pairs_needed(bias=0.0, sd=1.0)
    with pytest.raises(ValueError, match="4 or more pairs"):
        passing_bablok(line=three, hand=three)
    with pytest.raises(ValueError, match="error ratio"):
        deming(line=[*three, 5.0], hand=[*three, 4.0], error_ratio=0.0)
    with pytest.raises(ValueError, match="do not go together"):
        deming(line=[1.0, 1.0, 1.0, 1.0], hand=[*three, 4.0], error_ratio=1.0)
    with pytest.raises(ValueError, match="error sd"):
        deming_known_errors(line=[*three, 4.0], hand=[*three, 4.0], line_sd=[0.0] * 4,
                            hand_sd=[0.0] * 4)


def test_pairs_without_scatter() -> None:
    """No scatter at all: the bias is exact, t without end; alike throughout: no bias."""
    off = bland_altman(line=[61.0, 62.0, 63.0], hand=[60.0, 61.0, 62.0])
    assert (off.bias, off.se, off.t, off.p) == (1.0, 0.0, math.inf, 0.0)
    same = bland_altman(line=[60.0, 60.0, 60.0], hand=[60.0, 60.0, 60.0])
    assert (same.t, same.p, same.slope, same.slope_p) == (0.0, 1.0, 0.0, 1.0)
    grows = bland_altman(line=[1.0, 2.0, 3.0], hand=[0.0, 0.0, 0.0])
    assert grows.slope == 2.0 and grows.slope_p == 0.0
