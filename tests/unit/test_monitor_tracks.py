"""A followed share or level: lots start again, small windows are only shown, noise stays noise."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from grading.monitor.budget import Budget, levels_for
from grading.monitor.charts import Ewma
from grading.monitor.shares import Spread
from grading.monitor.tracks import Track, TrackPoint, TrackState, TrackWindow

LEVELS = levels_for(budget=Budget(charts=20, windows_per_week=240))
TRACK = Track(levels=LEVELS)


def quiet(
    *, lots: int, windows: int = 12, seed: int = 1, n: int = 4000, between: float = 0.0,
    phi: float = 0.0,
) -> list[TrackWindow]:
    """Reject shares that change from lot to lot, and between windows by an AR(1) sd."""
    rng = np.random.default_rng(seed)
    found: list[TrackWindow] = []
    for lot in range(lots):
        centre, e = rng.uniform(.1, .2), rng.normal(0, between)
        for _ in range(windows):
            e = phi * e + rng.normal(0, between) * np.sqrt(1 - phi**2)
            found.append(TrackWindow(
                index=len(found), lot=f"L-{lot:04}", n=n,
                value=rng.binomial(n, np.clip(centre + e, .001, .999)) / n))
    return found


def counts(points: tuple[TrackPoint, ...]) -> Counter[str]:
    return Counter(p.status for p in points)


def test_a_lot_change_is_no_signal() -> None:
    """Shares of 10 to 20 % in turn: every lot learns its own centre first."""
    _, points = TRACK.run(windows=quiet(lots=10))
    assert counts(points)["act"] == 0
    assert TRACK.baseline_windows == 6
    by_lot = [[p for p in points if p.window.lot == f"L-{i:04}"] for i in range(10)]
    assert [p.status for p in by_lot[0]] == ["learning"] * 12  # 11 degrees of freedom: too few
    assert [p.status for p in by_lot[1][:7]] == ["learning"] * 6 + ["quiet"]
    centres = {p.baseline.centre for p in by_lot[5] if p.baseline}
    first = [p.window for p in by_lot[5][:6]]
    assert list(centres) == [pytest.approx(sum(w.value for w in first) / 6, rel=1e-15)]


def test_a_step_inside_a_lot_is_found_at_once() -> None:
    windows = quiet(lots=4)
    for i in range(42, 48):
        windows[i] = replace(windows[i], value=windows[i].value + .05)
    _, points = TRACK.run(windows=windows)
    assert counts(points[:42])["act"] == 0
    found = points[42]
    assert (found.status, found.found, found.side) == ("act", "window", "up")
    assert found.look is not None and found.act is not None and found.baseline is not None
    assert found.window.value - found.baseline.centre > found.act > found.look


def test_a_slow_change_is_found_by_the_trend() -> None:
    """2.6 spreads: too little for one window (4.4 with this baseline), enough for the EWMA."""
    sd = np.sqrt(.15 * .85 / 4000)
    later = [TrackWindow(index=i, lot="L-x", n=4000, value=.15 - 2.6 * sd * (i >= 10))
             for i in range(40)]
    chance_alone = Spread(moving=200 * 1.128379, squares=200.0, df=200, lots=10)
    _, points = TRACK.run(windows=later, state=TRACK.start(pooled=chance_alone))
    assert {p.status for p in points[6:10]} == {"quiet"}
    first = next(p for p in points if p.status == "act")
    assert (first.found, first.side) == ("trend", "down")
    assert 12 < first.window.index < 25
    assert [p.status for p in points[10:first.window.index]].count("look") > 0
    assert all(p.found == "trend" for p in points if p.status == "look")


def test_small_and_excluded_windows_are_shown_but_not_used() -> None:
    windows = quiet(lots=3)
    state, _ = TRACK.run(windows=windows[:30])
    for window, status in ((TrackWindow(index=99, lot="L-0002", n=199, value=.9), "too_few"),
                           (TrackWindow(index=99, lot="L-0002", n=4000, value=.9,
                                        excluded="stop, by QC"), "excluded")):
        after, point = TRACK.step(state=state, window=window)
        assert after == state
        assert point.status == status
        assert point.z is not None and point.act is not None and point.look is not None
        assert point.z > 10
    none = TRACK.step(state=state, window=TrackWindow(index=99, lot="L-0002", n=0, value=0.0))[1]
    assert (none.status, none.z) == ("too_few", None)
    # The limits of a small window are its own: wider by the root of n.
    small = TRACK.step(state=state, window=replace(windows[29], n=100))[1]
    large = TRACK.step(state=state, window=windows[29])[1]
    assert small.act is not None and large.act is not None
    assert large.baseline is not None
    drawn = large.baseline.sharing / large.baseline.weight
    assert small.act / large.act == pytest.approx(
        np.sqrt((4000 / 100) * (1 + 100 * drawn) / (1 + 4000 * drawn)))
    start, point = TRACK.step(state=TRACK.start(), window=replace(windows[0], n=20))
    assert (start.learning, point.status, point.look) == ((), "too_few", None)


def test_a_lot_that_ends_while_learning_still_tells_the_spread() -> None:
    state, _ = TRACK.run(windows=quiet(lots=5, windows=3))
    assert (state.pooled.df, state.pooled.lots) == (8, 4)
    assert state.baseline is None
    state, points = TRACK.run(windows=quiet(lots=12, windows=3))
    assert counts(points) == {"learning": 36}


def test_more_spread_than_chance_widens_the_limits() -> None:
    """sigma_z = sqrt(1 + n sigma_b^2 / (p (1 - p))): 1 % between windows of 4000 at 15 %: 2.04."""
    state, points = TRACK.run(windows=quiet(lots=80, between=.01))
    spread = state.pooled
    assert spread.sigma_z == pytest.approx(2.04, rel=.1)
    assert spread.sigma_long == pytest.approx(2.04, rel=.1)
    last = points[-1].baseline
    assert last is not None
    assert last.sigma >= max(last.sigma_z or 0, last.sigma_long or 0)
    assert last.sigma == pytest.approx(2.04, rel=.1)


def test_alike_neighbours_are_seen_in_the_long_term_spread() -> None:
    """AR(1): the moving range sees sqrt(1 - phi) of the spread; chance among fruit dilutes phi."""
    state, _ = TRACK.run(windows=quiet(lots=20, windows=48, n=50_000, between=.02, phi=.5))
    spread = state.pooled
    assert spread.sigma_z is not None and spread.sigma_long is not None
    assert spread.sigma_z / spread.sigma_long == pytest.approx(np.sqrt(.5), abs=.06)
    assert spread.phi == pytest.approx(.5, abs=.08)


def test_phi_of_short_lots_is_not_taken_for_less() -> None:
    """In a lot of 6 windows the mean follows the drift: the squares about it see less than all
    of the variance. Definition: E = sigma^2 x (1 - mean correlation of two windows)."""
    phi, m = .6, 6
    lag = np.abs(np.subtract.outer(np.arange(m), np.arange(m)))
    inside = 1 - (phi**lag).sum() / m**2  # expected mean square about the mean, over sigma^2
    df = 5 * 1000
    spread = Spread(moving=df * 1.1283792 * 3 * np.sqrt(1 - phi), df=df, lots=1000,
                    squares=9 * inside * m * 1000)
    assert spread.phi == pytest.approx(phi, abs=1e-6)
    assert spread.used == pytest.approx(3.0, rel=1e-6)


def test_spread_that_is_not_known() -> None:
    assert (Spread().sigma_z, Spread().sigma_long, Spread().phi, Spread().used) == (
        None, None, 0.0, 1.0)
    tied = Spread(moving=.1, df=10, squares=1000.0, lots=1)
    assert tied.phi == pytest.approx(.9)
    still = Spread(df=10, lots=1)
    assert (still.sigma_z, still.phi, still.used) == (0.0, 0.0, 1.0)
    smooth = Spread(moving=1.0, squares=.1, df=10, lots=1)
    assert smooth.used == 1.0
    assert smooth.sigma_z == pytest.approx(.1 / 1.128379, rel=1e-6)


@pytest.mark.parametrize(("between", "phi"), [(0.0, 0.0), (.01, 0.0), (.01, .5), (.01, .8)])
def test_forty_quiet_shifts(between: float, phi: float) -> None:
    """8 weeks: 20 charts, 2 a quantity, share one false "act" a week: 0.8 a quantity in all."""
    _, points = TRACK.run(windows=quiet(lots=80, windows=24, between=between, phi=phi, seed=7))
    assert counts(points)["quiet"] > 1000
    assert len({p.window.lot for p in points if p.status == "act"}) <= 3  # more: chance .009
    assert len({p.window.lot for p in points if p.status == "look"}) <= 15  # 2 x 1,400/500 marks


def test_a_shift_is_found_as_fast_as_the_tables_say() -> None:
    # Lambda .2, L 2.962, 1 sigma: 10.5 windows with asymptotic limits (from memory).
    chart = Ewma(target=0.0, sigma=1.0)
    edge = chart.asymptotic_limits(width=2.962).high
    rng = np.random.default_rng(5)
    lengths = []
    for _ in range(1000):
        state = chart.start()
        while abs(state.value) <= edge:
            state = chart.step(state=state, x=rng.normal(1.0))
        lengths.append(state.t)
    assert np.mean(lengths) == pytest.approx(10.5, abs=3 * np.std(lengths) / np.sqrt(1000))


def test_a_lot_without_rejects_can_still_have_one() -> None:
    windows = [TrackWindow(index=i, lot="L", n=1000, value=0.0) for i in range(20)]
    track = Track(levels=LEVELS, spread_df=3)
    state, points = track.run(windows=windows)
    assert counts(points) == {"learning": 6, "quiet": 14}
    found = track.step(state=state, window=TrackWindow(index=20, lot="L", n=1000, value=.02))[1]
    assert found.status == "act"


def test_levels_are_judged_by_their_own_error() -> None:
    rng = np.random.default_rng(4)
    windows = [TrackWindow(index=i, lot="L", n=400, value=64 + rng.normal(0, .3), sd=.28)
               for i in range(40)]
    state, points = TRACK.run(windows=windows)
    assert counts(points)["act"] == 0
    assert state.baseline is not None
    assert (state.baseline.weight, state.baseline.windows) == (13.0, 13)
    moved = TRACK.step(state=state, window=replace(windows[0], index=40, value=66.0))[1]
    assert (moved.status, moved.side) == ("act", "up")
    after = TRACK.step(state=state, window=replace(windows[0], index=40, value=66.0))[0]
    assert after.now == state.now  # an "act" window says nothing about the ordinary spread


def test_rules_that_make_no_sense() -> None:
    for wrong in ({"baseline_windows": 1}, {"spread_df": 0}, {"fruit_min": 0}):
        with pytest.raises(ValueError, match="track needs"):
            Track(levels=LEVELS, **wrong)
    known = TRACK.start(pooled=Spread(moving=20.0, squares=20.0, df=20, lots=2))
    _, points = TRACK.run(windows=quiet(lots=1), state=known)
    assert counts(points)["learning"] == 6  # the spread is known from earlier lots
    assert TrackState.from_plain(known.to_plain()) == known
