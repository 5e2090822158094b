"""Changes of level inside a lot, against the model written out as matrices, and simulated."""

from __future__ import annotations

import numpy as np
import pytest

from grading.drift.swing import Swings, find_move, limits_for, ordinary_sd

HUE = Swings(own_sd=1.0, wander_sd=0.6, margin=1.5)
AT = np.array([0, 1, 2, 5, 6, 7, 9, 12, 13, 14, 20, 21], np.float64)


def model_sd(at: np.ndarray, k: int, own: float, wander: float, memory: float) -> float:
    """Of (mean after - mean before), from the covariance matrix of all windows."""
    n = len(at)
    weight = np.r_[np.full(k, -1 / k), np.full(n - k, 1 / (n - k))]
    covariance = wander**2 * np.exp(-abs(at[:, None] - at[None]) / memory) + own**2 * np.eye(n)
    return float(np.sqrt(weight @ covariance @ weight))


def wandering(rng: np.random.Generator, n: int) -> np.ndarray:
    """HUE's own model: first-order autoregression and independent windows."""
    keep = np.exp(-1 / HUE.memory)
    wander = np.zeros(n)
    wander[0] = rng.normal()
    for k in range(1, n):
        wander[k] = keep * wander[k - 1] + np.sqrt(1 - keep**2) * rng.normal()
    return HUE.wander_sd * wander + HUE.own_sd * rng.normal(size=n)


def test_the_standard_deviation_is_the_model_s() -> None:
    """Steady levels: nothing widens the ordinary spreads, so sd is that of the matrix."""
    y = np.r_[np.zeros(6), np.full(6, 3.0)]
    found = find_move(values=y, se=np.zeros(12), at=AT, swings=HUE)
    assert found is not None
    assert (found.window, found.before, found.after, found.size) == (6, 0.0, 3.0, 3.0)
    assert found.sd == pytest.approx(model_sd(AT, 6, 1.0, 0.6, 8.0), rel=1e-9)
    assert found.z == pytest.approx(3.0 / found.sd)
    assert found.low <= 6 <= found.high


def test_ordinary_sd_is_the_model_s_too() -> None:
    sd = ordinary_sd(values=np.zeros(7), se=np.zeros(7), at=AT[:7], later=AT[7:], swings=HUE)
    assert sd == pytest.approx(model_sd(AT, 7, 1.0, 0.6, 8.0), rel=1e-9)
    alone = ordinary_sd(values=[], se=[], at=[], later=[3], swings=HUE)
    assert alone == pytest.approx(np.sqrt(2 * (1.0 + 0.36)))


def test_noisier_windows_widen_it_and_quiet_ones_never_narrow_it() -> None:
    rng = np.random.default_rng(3)
    calm, rough = (ordinary_sd(values=s * rng.normal(size=40), se=np.zeros(40), at=np.arange(40),
                               later=np.arange(40, 60), swings=HUE) for s in (0.01, 4.0))
    assert calm == pytest.approx(model_sd(np.arange(60.0), 40, 1.0, 0.6, 8.0), rel=1e-9)
    assert rough > 1.5 * calm


def test_too_few_windows_say_nothing() -> None:
    assert find_move(values=np.zeros(8), se=np.zeros(8), at=np.arange(8), swings=HUE) is None


def test_only_the_reach_is_looked_at() -> None:
    near = Swings(own_sd=1.0, wander_sd=0.6, margin=1.5, far=20)
    y = np.r_[np.full(50, 40.0), np.zeros(10), np.full(10, 5.0)]
    found = find_move(values=y, se=np.zeros(70), at=np.arange(70), swings=near)
    assert found is not None
    assert (found.window, found.before) == (60, 0.0)


def test_ordinary_lots_rarely_call_for_action() -> None:
    """400 lots of 60 windows, 24,000 in all: the limit is for one finding in 9,600 of them."""
    act = limits_for(charts=4, windows_per_week=2400).act
    rng = np.random.default_rng(8)
    called = 0
    for _ in range(400):
        y = wandering(rng, 60)
        found = [find_move(values=y[:n], se=np.zeros(n), at=np.arange(n), swings=HUE)
                 for n in range(9, 61, 3)]
        called += any(f is not None and abs(f.z) > act for f in found)
    assert called <= 4


def test_a_change_is_found_where_it_began() -> None:
    """Five times what bins do: within two windows of its true place in 95 of 100 lots."""
    rng = np.random.default_rng(9)
    off = []
    for _ in range(60):
        y = wandering(rng, 40) + 5.0 * (np.arange(40) >= 22)
        found = find_move(values=y, se=np.zeros(40), at=np.arange(40), swings=HUE)
        assert found is not None
        off.append(abs(found.window - 22) <= 2)
    assert np.mean(off) >= 0.95


def test_limits_follow_the_budget() -> None:
    one, many = (limits_for(charts=c, windows_per_week=2400) for c in (1, 100))
    assert one.look < one.act < many.act
    assert one.look == many.look
    rare = limits_for(charts=1, windows_per_week=10, act_per_week=5.0)
    assert rare.look == rare.act


@pytest.mark.parametrize("wrong", [
    {"own_sd": 0.0}, {"memory": 0.0}, {"margin": -1.0}, {"base": 1}, {"least": 0}, {"far": 8}])
def test_refused_rules(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"must be|needs"):
        Swings(**{"own_sd": 1.0, "wander_sd": 1.0, "margin": 1.0, **wrong})  # type: ignore[arg-type]
