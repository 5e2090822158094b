"""Reference objects and groups: NIST certified values (StRD, public domain), scipy, and R's lme4.

Norris, SiRstv, AtmWtAg, SmLs04: NIST/ITL Statistical Reference Datasets, data and certified values
as printed in their files. Dyestuff: Davies and Goldsmith 1972, figures of lme4's own tests.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from grading.drift.apart import pull_against_lot, wasserstein
from grading.drift.checks import check_chart, check_lane
from grading.drift.components import components
from grading.drift.pairs import judge, selection_bias

# y, x
NORRIS = np.array([
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
])
SIRSTV = np.array([
    196.3052, 196.1240, 196.1890, 196.2569, 196.3403, 196.3042, 196.3825, 196.1669, 196.3257,
    196.0422, 196.1303, 196.2005, 196.2889, 196.0343, 196.1811, 196.2795, 196.1748, 196.1494,
    196.1485, 195.9885, 196.2119, 196.1051, 196.1850, 196.0052, 196.2090,
]).reshape(5, 5)
# digits after 107.
ATMWTAG = 107.0 + 1e-7 * np.array([
    8681568, 8681465, 8681572, 8681785, 8681446, 8681903, 8681526, 8681494, 8681616, 8681587,
    8681519, 8681486, 8681419, 8681569, 8681508, 8681672, 8681385, 8681518, 8681662, 8681424,
    8681360, 8681333, 8681610, 8681477, 8681079, 8681344, 8681513, 8681197, 8681604, 8681385,
    8681642, 8681365, 8681151, 8681082, 8681517, 8681448, 8681198, 8681482, 8681334, 8681609,
    8681101, 8681512, 8681469, 8681360, 8681254, 8681261, 8681450, 8681368,
]).reshape(2, 24)
VISCOSITY = [34.05, 34.40, 33.59, 35.96, 34.70, 33.51, 33.79, 34.04, 34.52, 33.75, 33.27, 33.71,
             34.03, 34.58, 34.02, 33.97, 34.05, 34.04, 33.73, 34.05]
# Each treatment: one middle value, then 10 pairs a tenth below and above; 1,000,000 + tenths.
SMLS04 = np.array([[1e6 + 0.1 * t for t in (m, *(m - 1, m + 1) * 10)]
                   for m in (4, 3, 5, 3, 5, 3, 5, 3, 5)])
DYESTUFF = np.array([
    (1545, 1440, 1440, 1520, 1580), (1540, 1555, 1490, 1560, 1495), (1595, 1550, 1605, 1510, 1560),
    (1445, 1440, 1595, 1465, 1545), (1595, 1630, 1515, 1635, 1625), (1520, 1455, 1450, 1480, 1445),
], float)


def test_norris_as_a_check_of_one_lane() -> None:
    """Slope 1.00211681802045 (se 4.298e-4), intercept -.262323073774029 (se .232818), residual
    sd .884796: the error at a cut is intercept + (slope - 1) x cut, its interval by Student."""
    y, x = NORRIS.T
    cuts = (0.0, 500.0, 900.0)
    found = check_lane(lane=3, known=x, reading=y, cuts=cuts, tolerance=3.0, unit="mm",
                       repeat_sd=0.01)
    assert found.scale == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.predicted[0].error == pytest.approx(-0.262323073774029, rel=1e-9)
    t = stats.t.ppf(0.975, 34)
    assert found.predicted[0].high - found.predicted[0].error == pytest.approx(
        t * 0.232818234301152, rel=1e-9)
    sd, s_xx = 0.884796396144373, ((x - x.mean()) ** 2).sum()
    for cut, p in zip(cuts, found.predicted, strict=True):
        half = t * sd * math.sqrt(1 / 36 + (cut - x.mean()) ** 2 / s_xx)
        assert p.error == pytest.approx(-0.262323073774029 + 0.00211681802045 * cut, rel=1e-8)
        assert (p.low, p.high) == pytest.approx((p.error - half, p.error + half), rel=1e-8)


def test_two_spheres_give_offset_and_scale() -> None:
    """b = (r2 - r1)/(s2 - s1): arithmetic; spheres of 55 and 75 mm read 55.4 and 75.8."""
    found = check_lane(lane=1, known=[55.0, 75.0], reading=[55.4, 75.8], cuts=[63.5, 66.675],
                       tolerance=0.3, unit="mm", repeat_sd=0.05)
    assert found.scale == pytest.approx((75.8 - 55.4) / 20.0)
    assert found.predicted[0].error == pytest.approx(0.4 + 0.02 * 8.5)
    assert found.judgement == "fail"
    assert found.words.startswith("Lane 1 fails: more than ±0.3 mm; reads +0.63 mm")


def test_one_object_gives_an_offset_only() -> None:
    found = check_lane(lane=2, known=[92.0] * 3, reading=[92.1, 91.9, 92.15], cuts=(),
                       tolerance=1.0, unit="°", repeat_sd=0.2, known_u=0.1)
    assert found.scale is None and found.judgement == "pass"
    assert found.offset == pytest.approx(0.05)
    half = stats.t.ppf(0.975, 29) * math.sqrt(0.2**2 / 3 + 0.1**2)
    assert (found.low, found.high) == pytest.approx((0.05 - half, 0.05 + half))
    assert found.se == pytest.approx(half / stats.t.ppf(0.975, 29))
    assert "one object: offset only" in found.words


def test_too_few_readings_neither_pass_nor_fail() -> None:
    found = check_lane(lane=2, known=[60.0], reading=[60.2], cuts=[63.5], tolerance=0.3,
                       unit="mm", repeat_sd=0.2)
    assert found.judgement == "not enough"
    assert "not enough readings" in found.words


def test_calm_readings_keep_the_lanes_own_repeatability() -> None:
    """Six readings alike say nothing of a scatter that history puts at 0.3."""
    found = check_lane(lane=1, known=[60.0] * 6, reading=[60.1] * 6, cuts=[], tolerance=1.0,
                       unit="mm", repeat_sd=0.3)
    assert found.high - found.offset == pytest.approx(
        stats.t.ppf(0.975, 29) * 0.3 / math.sqrt(6))


def test_a_check_needs_readings() -> None:
    with pytest.raises(ValueError, match="as many readings"):
        check_lane(lane=1, known=[60.0], reading=[], cuts=[], tolerance=1, unit="mm",
                   repeat_sd=0.1)


def test_the_chart_of_checks() -> None:
    """Montgomery's viscosity batches 1 to 20 (qcc vignette): mean 34.088, sigma .5076521 with
    1.128, limits 32.56504 and 35.61096; compared to 4e-4, as books round 1.128379."""
    found = check_chart(errors=[*VISCOSITY, 36.0, 36.2, 36.4], tolerance=35.0, baseline=20)
    assert found.chart.values.centre == pytest.approx(34.088, rel=1e-6)
    assert found.chart.values.low == pytest.approx(32.56504, rel=4e-4)
    assert found.chart.values.high == pytest.approx(35.61096, rel=4e-4)
    assert found.outside == (3, 20, 21, 22)  # batch 4, 35.96, is above the upper limit
    assert found.recent == pytest.approx(36.2) and found.over
    assert not check_chart(errors=VISCOSITY, tolerance=35.0).over


def test_certified_analyses_of_variance() -> None:
    """F of SiRstv 1.18046237440255, AtmWtAg 15.9467335627930 (to 10 digits), SmLs04 21."""
    assert components(groups=SIRSTV).f == pytest.approx(1.18046237440255, rel=1e-9)
    assert components(groups=ATMWTAG).f == pytest.approx(15.9467335677930, rel=1e-8)
    assert components(groups=SMLS04).f == pytest.approx(21.0, rel=1e-6)


def test_dyestuff_batches() -> None:
    """lme4: mean 1527.5, between 1764.05, within 2451.25, REML criterion 319.654276842342."""
    found = components(groups=DYESTUFF)
    assert found.mean == pytest.approx(1527.5)
    assert found.between == pytest.approx(1764.05, rel=1e-9)
    assert found.within == pytest.approx(2451.25, rel=1e-9)
    v = np.kron(np.eye(6), found.between * np.ones((5, 5))) + found.within * np.eye(30)
    inverse, one = np.linalg.inv(v), np.ones(30)
    left = DYESTUFF.ravel() - found.mean
    deviance = (29 * math.log(2 * math.pi) + np.linalg.slogdet(v)[1]
                + math.log(one @ inverse @ one) + left @ inverse @ left)
    assert deviance == pytest.approx(319.654276842342, rel=1e-9)


def test_groups_that_differ_less_than_chance_have_no_variance_between() -> None:
    found = components(groups=[[0.0, 2.0], [2.0, 0.0]])
    assert (found.between, found.f, found.df_between, found.df_within) == (0.0, 0.0, 1, 2)
    with pytest.raises(ValueError, match="2 or more groups"):
        components(groups=[[1.0, 2.0]])
    with pytest.raises(ValueError, match="do not vary"):
        components(groups=[[1.0, 1.0], [2.0, 2.0]])


def test_the_published_equivalence_test() -> None:
    """Two one-sided tests, margins ±110, difference -8.1153846, SE 51.114285, df 27: p .02821 and
    .01436, so both are under 5 % and the two agree (worked example, tests of R's TOSTER)."""
    d, se, df = -8.1153846, 51.114285, 27
    assert stats.t.sf((110 - abs(d)) / se, df) == pytest.approx(0.02821, abs=1e-5)
    assert stats.t.sf((110 + abs(d)) / se, df) == pytest.approx(0.01436, abs=1e-5)
    assert judge(bias=d, se=se, df=df, margin=110.0, least=0.0) == "agrees"
    # At 2.821 % the narrower margin at which the one-sided test just fails:
    edge = abs(d) + stats.t.ppf(0.95, df) * se
    assert judge(bias=d, se=se, df=df, margin=edge * 0.999, least=0.0) == "undecided"
    with pytest.raises(ValueError, match="margin"):
        judge(bias=d, se=se, df=df, margin=0.0, least=0.0)


@pytest.mark.parametrize(("u", "expected"), [(1.5, 0.43), (0.8, 0.13)])
def test_the_selection_trap(u: float, expected: float) -> None:
    """Class mean 3.5 mm above the lot's, spread 4 mm (calculated figures of the method notes)."""
    bias = selection_bias(class_mean=66.5, lot_mean=63.0, sd=4.0, u=u)
    assert round(bias, 2) == expected
    with pytest.raises(ValueError, match="spread"):
        selection_bias(class_mean=66.5, lot_mean=63.0, sd=0.0, u=u)


def test_wasserstein_is_scipys() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.integers(0, 30, 200), rng.integers(0, 30, 200)
    middle = 20 + 0.1 * np.arange(200)
    assert wasserstein(counts_a=a, counts_b=b, width=0.1) == pytest.approx(
        stats.wasserstein_distance(middle, middle, a, b), rel=1e-9)
    with pytest.raises(ValueError, match="need fruit"):
        wasserstein(counts_a=a, counts_b=0 * b, width=0.1)


@pytest.mark.parametrize(
    ("n", "mean", "high"), [(25, 0.246, 0.41), (50, 0.176, 0.28), (100, 0.127, 0.21),
                            (200, 0.090, 0.15)])
def test_the_floor_of_a_pull(n: int, mean: float, high: float) -> None:
    """Two-digit figures by simulation (in units of the lot's spread), and a simulation here."""
    edges = np.linspace(-6, 6, 1201)
    lot = 1e6 * np.diff(stats.norm.cdf(edges))
    rng = np.random.default_rng(n)
    pulls = [np.histogram(rng.normal(size=n), edges)[0] for _ in range(300)]
    found = [pull_against_lot(pull=p, lot=lot, width=0.01) for p in pulls]
    assert found[0].floor == pytest.approx(mean, rel=0.05)
    assert found[0].floor_high == pytest.approx(high, rel=0.08)
    seen = np.array([f.distance for f in found])
    assert seen.mean() == pytest.approx(found[0].floor, rel=0.06)
    assert np.mean([f.beyond for f in found]) < 0.12
