"""More outside figures for monitoring: points beyond limits, misgrade by random error, and the
repeatability of gauges, each in the form that this package states it in.

What the outside lists hold and this package does not: run rules (it has none, on purpose),
Page-Hinkley (an estimated mean without a table of run lengths; the EWMA is used), gauge studies
with several operators, and kappa between graders.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from grading.drift.components import components
from grading.drift.cuts import normal_at_cut
from grading.monitor.charts import Ewma, ewma_signals


@pytest.mark.parametrize("values", [(0, 3.2, -3.5, 2.9), (0, 3.2, -3.4, 3)])
def test_points_beyond_three_sigma(values: tuple[float, ...]) -> None:
    """Test file of the R package qcc (Western Electric and Nelson lists): 2 and 3 of 4; a value of
    exactly 3 is inside. A moving average that forgets all at once is the plain chart."""
    chart = Ewma(target=0.0, sigma=1.0, weight=1.0)
    assert [i + 1 for i in ewma_signals(chart=chart, states=chart.run(values=values))] == [2, 3]


@pytest.mark.parametrize(("inside", "published"), [
    (.6, 8.260082), (.7, 5.723220), (.8, 3.632271), (.9, 1.798804)])
def test_false_accept_among_the_accepted(inside: float, published: float) -> None:
    """Limits ±1, true values N(0, sp) of which this share lies inside, reading error sp/4: per cent
    of what is accepted that lies outside (draft tables of a standards body, in the tests of an
    open uncertainty calculator)."""
    sp = 1.0 / stats.norm.ppf(.5 + inside / 2)
    found = normal_at_cut(mean=0, sd=sp, cut=-1.0, upper=1.0, bias=0.0, noise_sd=sp / 4)
    assert found.undersize is not None and found.oversize is not None
    assert 100 * (found.undersize + found.oversize) == pytest.approx(published, abs=1e-6)


@pytest.mark.parametrize(("u", "out"), [(.4, 4.263), (.8, 8.202), (1.5, 14.525)])
def test_a_narrow_class_is_spoilt_by_the_error_not_by_the_cut(u: float, out: float) -> None:
    """True N(63, 4) in a class of 61 to 67 mm (calculated elsewhere, no publication prints it)."""
    found = normal_at_cut(mean=63, sd=4, cut=61, upper=67, bias=0.0, noise_sd=u)
    assert found.undersize is not None and found.oversize is not None
    assert 100 * (found.undersize + found.oversize) == pytest.approx(out, abs=5.1e-4)


def test_one_limit_read_with_an_error() -> None:
    """True N(60, 4), least 56 mm, error .8: 2.024 % of the packed are under it, .02167 of the lot
    are lost though good (calculated elsewhere)."""
    found = normal_at_cut(mean=60, sd=4, cut=56, bias=0.0, noise_sd=.8)
    assert 100 * found.undersize_up == pytest.approx(2.024, abs=5.1e-4)
    assert found.too_low == pytest.approx(.02167, abs=5.1e-6)


def test_repeatability_pooled_over_gauges() -> None:
    """NIST/SEMATECH e-Handbook 2.4.4.4: sums of squares .48115 .69209 .48483 1.21752 .30076 with 60
    degrees of freedom each; the sd of their sum 3.17635 with 300 is .10290."""
    rng = np.random.default_rng(4)
    groups = []
    for squares in (.48115, .69209, .48483, 1.21752, .30076):
        x = rng.normal(size=61)
        x -= x.mean()
        groups.append(x * np.sqrt(squares / (x @ x)))
    found = components(groups=groups)
    assert (found.df_within, found.within * 300) == (300, pytest.approx(3.17635, abs=1e-9))
    assert found.within**.5 == pytest.approx(.10290, abs=5.1e-6)
