"""Lanes, levels and onsets: published tables, independent formulas, and simulations of known truth.

Median polish: the example of R's medpolish help (Tukey / Mosteller), from memory. EWMA: NIST
e-Handbook 6.3.2.4, twenty values. Hansen's limit for a step's interval: Econometrica 68:575 (2000),
table 1. No worked example of lane offsets was ever published, so lanes are judged by simulation.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from scipy import optimize, stats

from grading.drift.cells import LaneTable, diameter_at_mass, lane_table, trimmed
from grading.drift.follow import LaneRules, accept, follow, lane_rules, start, step
from grading.drift.lanes import against_others, lane_effects, window_levels
from grading.drift.level import against_baseline, drift_inside, ordinary_sd
from grading.drift.onset import find_onset, meets, place
from grading.drift.polish import median_polish

NIGHTLY = os.environ.get("DRUPE_NIGHTLY") == "1"
NIST_EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
             47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def _table(centre: np.ndarray, se: float = 1.0) -> LaneTable:
    n = np.full(centre.shape, 100)
    return LaneTable("diameter", tuple(range(1, len(centre) + 1)), n, centre,
                     np.where(np.isnan(centre), np.nan, se))


def test_median_polish_of_the_textbook_table() -> None:
    """Overall 8; rows 6 -1 0 2 -8; columns 0 -1 0; absolute residuals sum to 19."""
    table = np.array([(14, 15, 14), (7, 4, 7), (8, 2, 10), (15, 9, 10), (0, 2, 0)], float)
    found = median_polish(table=table)
    assert found.overall == 8.0 and found.settled
    assert found.rows.tolist() == [6, -1, 0, 2, -8] and found.columns.tolist() == [0, -1, 0]
    assert np.abs(found.residuals).sum() == 19.0
    whole = found.overall + found.rows[:, None] + found.columns + found.residuals
    assert np.allclose(whole, table)


def test_median_polish_of_exactly_additive_tables_with_holes() -> None:
    table = 60.0 + np.array([0.0, 0.5, 0, 0, 0])[:, None] + np.array([0.0, 2, -1, 0, 4])
    table[0, 1] = table[3, 4] = np.nan
    table[4] = np.nan
    found = median_polish(table=table)
    assert found.rows[:4] == pytest.approx([0, 0.5, 0, 0]) and np.isnan(found.rows[4])
    assert found.overall == pytest.approx(60.0)
    assert not median_polish(table=table, most=1).settled
    with pytest.raises(ValueError, match="at least one value"):
        median_polish(table=np.full((2, 2), np.nan))


def test_trimmed_means_are_scipys() -> None:
    """10 % cut at 100 fruit: whole fruit, so scipy's trim_mean and trimmed_stde apply."""
    x = np.random.default_rng(2).standard_t(3, 100)
    centre, se = trimmed(values=x)
    assert centre == pytest.approx(stats.trim_mean(x, 0.1), rel=1e-12)
    winsor = np.asarray(stats.mstats.winsorize(x, (0.1, 0.1)))
    assert se == pytest.approx(winsor.std(ddof=1) / 0.8 / 10, rel=0.02)


def test_a_histogram_is_trimmed_as_its_fruit() -> None:
    rng = np.random.default_rng(3)
    bins = rng.integers(0, 40, 300)
    counts = np.bincount(bins, minlength=40)
    middle = 60 + 0.1 * np.arange(40)
    assert trimmed(values=middle, weights=counts) == pytest.approx(trimmed(values=middle[bins]))
    assert np.isnan(trimmed(values=np.array([]))[0])
    one = trimmed(values=np.array([5.0]))
    assert one[0] == 5.0 and np.isnan(one[1])


def test_the_standard_error_covers() -> None:
    """Normal fruit: the trimmed mean lies within 1.96 se in 95 %, within 3 se of the share."""
    rng = np.random.default_rng(5)
    hits = [abs(c - 66) < 1.96 * s for c, s in
            (trimmed(values=rng.normal(66, 4.5, 240)) for _ in range(1000))]
    assert abs(np.mean(hits) - 0.95) < 3 * np.sqrt(0.95 * 0.05 / 1000)


def test_fruit_sorted_into_lanes_and_windows() -> None:
    values = np.array([1.0, 2, 3, 10, np.nan, 30, 7])
    table = lane_table(measure="mass", values=values, lane=np.array([1, 1, 1, 2, 2, 2, 1]),
                       window=np.array([0, 0, 0, 0, 0, 1, 1]), lanes=(1, 2, 9), windows=2, least=3)
    assert table.n.tolist() == [[3, 1], [1, 1], [0, 0]]
    assert table.centre[0, 0] == 2.0 and np.isnan(table.centre[0, 1])
    assert np.isnan(table.centre[1:]).all()


def test_a_sphere_at_its_own_mass_keeps_its_diameter() -> None:
    """d goes with the cube root of mass: twice the size is eight times the mass."""
    d = diameter_at_mass(diameter_mm=np.array([66.0, 132.0]), mass_g=np.array([150.0, 1200.0]))
    assert d == pytest.approx([66.0, 66.0])


def test_one_odd_lane_is_measured_against_the_others() -> None:
    found = against_others(centre=np.array([60.0, 60, 60, 62, 60, 60]), se=np.ones(6) * 0.1)
    assert found.effect == pytest.approx([0, 0, 0, 2, 0, 0], abs=0.05)
    assert found.common == pytest.approx(60.0, abs=0.05)
    assert found.effect[3] == pytest.approx(2.0) and found.se[3] == pytest.approx(
        0.1 * np.sqrt(1 + 1 / 5))


def test_lanes_missing_and_alone() -> None:
    gone = against_others(centre=np.full(3, np.nan), se=np.full(3, np.nan))
    assert np.isnan(gone.effect).all() and np.isnan(gone.common)
    alone = against_others(centre=np.array([np.nan, 60.0]), se=np.array([np.nan, 0.1]))
    assert np.isnan(alone.effect).all() and (alone.common, alone.common_se) == (60.0, 0.1)
    two = against_others(centre=np.array([60.0, 61, np.nan]), se=np.array([0.3, 0.4, np.nan]))
    assert two.effect[:2] == pytest.approx([-1, 1]) and two.se[:2] == pytest.approx([0.5, 0.5])


def test_lane_with_few_fruit_hardly_moves_the_others() -> None:
    found = against_others(centre=np.array([60.0, 60, 60, 75]), se=np.array([0.1, 0.1, 0.1, 5.0]))
    assert found.common == pytest.approx(60.0, abs=0.02)


def test_the_centre_minimises_hubers_loss() -> None:
    """Against scipy's minimiser of the Huber loss, k = 1.5, each lane by its own error."""
    x = np.array([60.0, 60.3, 59.8, 61.9, 60.1, 58.0, 60.2])
    se = np.array([0.2, 0.3, 0.2, 0.4, 0.25, 0.3, 0.2])

    def loss(m: float) -> float:
        u = np.abs(x - m) / se
        return float(np.where(u <= 1.5, u * u / 2, 1.5 * (u - 0.75)).sum())

    best = optimize.minimize_scalar(loss, bounds=(59, 61), method="bounded",
                                    options={"xatol": 1e-10}).x
    assert against_others(centre=x, se=se).common == pytest.approx(best, abs=1e-3)


def test_lane_effects_cover_the_truth() -> None:
    """Known offsets, bins common to all lanes: 95 % intervals hold it in 95 %, within 3 se."""
    rng = np.random.default_rng(8)
    truth = np.array([0, 0, 0.5, 0, 0, 0, -0.3, 0])
    held = []
    for _ in range(60):
        bins = np.cumsum(rng.normal(0, 1, 30))
        found = lane_effects(table=_table(
            truth[:, None] + bins + rng.normal(0, 0.3, (8, 30)), 0.3))
        held += [e.low <= truth[e.lane - 1] <= e.high for e in found]
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))


def test_lane_effects_leave_empty_lanes_out() -> None:
    centre = np.array([[1.0, 2], [1, 2], [np.nan, np.nan]])
    found = lane_effects(table=_table(centre))
    assert [(e.lane, e.windows) for e in found] == [(1, 2), (2, 2)]
    assert lane_effects(table=_table(np.full((2, 2), np.nan))) == ()
    level, se = window_levels(table=_table(centre))
    assert level == pytest.approx([1, 2]) and se == pytest.approx([0.5**0.5, 0.5**0.5])


def _scaled_ewma(values: np.ndarray, weight: float) -> np.ndarray:
    """EWMA from its target over its exact standard deviation, in unit sigma (the textbook form)."""
    z, out = 0.0, []
    for t, x in enumerate(values, 1):
        z = weight * x + (1 - weight) * z
        out.append(z / np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * t))))
    return np.array(out)


def test_the_lanes_ewma_is_nists() -> None:
    """NIST 6.3.2.4: lambda .3, start 50, s 2.0539: values 50.60 49.52 ... 51.99 and no signal.

    Two lanes, one of them exact and steady, so that the other's distance is the published series.
    """
    centre = np.array([NIST_EWMA, [50.0] * 20])
    se = np.array([[2.0539] * 20, [1e-9] * 20])
    table = LaneTable("x", (1, 2), np.full((2, 20), 9), centre, se)
    rules = LaneRules(memory=0.3, look=3.0, act=3.0, settle=10**9)
    found = follow(table=table, rules=rules)
    ours = np.array([r.offset[0] / r.se[0] for r in found])
    assert ours == pytest.approx(_scaled_ewma((np.array(NIST_EWMA) - 50) / 2.0539, 0.3), rel=1e-7)
    printed = {1: 50.60, 2: 49.52, 8: 49.85, 20: 51.99}
    for t, value in printed.items():
        spread = np.sqrt(0.3 / 1.7 * (1 - 0.7 ** (2 * t))) * 2.0539
        assert 50 + ours[t - 1] * spread == pytest.approx(value, abs=0.005)
    assert max(r.level.max() for r in found) == 0.0 and not found[-1].diverge


def test_detection_index_on_a_fixed_stream() -> None:
    """Unit noise, lane 3 two units up from window 40: where the textbook EWMA crosses its limit."""
    rng = np.random.default_rng(77)
    centre = rng.normal(0, 1, (8, 90)) + np.cumsum(rng.normal(0, 2, 90))
    centre[2, 40:] += 2.0
    rules = lane_rules(lanes=8, measures=1, windows_per_week=2400.0)
    found = follow(table=_table(centre), rules=rules)
    other = [against_others(centre=c, se=np.ones(8)) for c in centre.T]
    z = _scaled_ewma(np.array([a.effect[2] / a.se[2] for a in other]), 0.2)
    level = np.array([r.level[2] for r in found])
    scatter = np.array([r.scatter for r in found])
    assert np.argmax(level >= 1) == np.argmax(np.abs(z) > rules.look * scatter) == 44
    assert np.argmax(level == 2) == np.argmax(np.abs(z) > rules.act * scatter) == 49


def test_act_stays_until_the_lane_is_quiet_again() -> None:
    rules = LaneRules(memory=0.5, look=2.0, act=4.0, settle=10**6)
    centre = np.zeros((5, 12))
    centre[0, 2:6], centre[0, 6:9] = 8.0, 1.5
    levels = [r.level[0] for r in follow(table=_table(centre), rules=rules)]
    assert levels[2] == 2.0 and levels[7] == 2.0 and levels[-1] == 0.0


def test_bins_common_to_all_lanes_raise_no_lane() -> None:
    rng = np.random.default_rng(6)
    centre = np.repeat(rng.normal(0, 50, (1, 60)), 8, axis=0) + rng.normal(0, 1, (8, 60))
    rules = lane_rules(lanes=8, measures=6, windows_per_week=2400.0)
    assert max(r.level.max() for r in follow(table=_table(centre), rules=rules)) < 2.0


def test_scatter_beyond_the_fruits_widens_the_limits() -> None:
    """Twice the predicted scatter is found, also when neighbouring windows go together."""
    rng = np.random.default_rng(9)
    rules = lane_rules(lanes=8, measures=6, windows_per_week=2400.0)
    wild = follow(table=_table(rng.normal(0, 2, (8, 300))), rules=rules)[-1]
    assert wild.scatter == pytest.approx(2.0, rel=0.06)
    slow = np.zeros((8, 600))
    for t in range(1, 600):
        slow[:, t] = 0.8 * slow[:, t - 1] + rng.normal(0, 0.6 * 2, 8)
    found = follow(table=_table(slow), rules=rules)[-1]
    moving = np.abs(np.diff(slow, axis=1)).mean() / 1.128
    assert moving < 1.4 and found.scatter == pytest.approx(2.0, rel=0.15)


def test_a_lane_without_fruit_keeps_its_place() -> None:
    rules = lane_rules(lanes=4, measures=1, windows_per_week=2400.0)
    centre = np.zeros((4, 30))
    centre[1, :20] = 3.0
    centre[1, 20:] = np.nan
    centre[3] = np.nan
    found = follow(table=_table(centre), rules=rules)
    assert found[-1].offset[1] == pytest.approx(found[19].offset[1]) == pytest.approx(3.0)
    assert np.isnan(found[-1].offset[3]) and found[-1].level[3] == 0.0


def test_two_lanes_diverge_and_so_does_half_a_line() -> None:
    rules = LaneRules(look=3.0, act=4.0)
    two = np.zeros((2, 30))
    two[0] = 5.0
    assert follow(table=_table(two), rules=rules)[-1].diverge
    bank = np.zeros((8, 60))
    bank[4:] = 5.0
    assert follow(table=_table(bank), rules=rules)[-1].diverge
    bank[:] = 0.0
    bank[4] = 5.0
    assert not follow(table=_table(bank), rules=rules)[-1].diverge


def test_accepted_distances_are_no_drift() -> None:
    rng = np.random.default_rng(1)
    stand = np.array([0.0, 1.5, 0, 0, -1, 0])[:, None]
    table = _table(stand + rng.normal(0, 1, (6, 60)))
    accepted = accept(table=_table(table.centre[:, :30]))
    assert accepted.offset == pytest.approx(stand[:, 0], abs=0.8)
    rules = lane_rules(lanes=6, measures=6, windows_per_week=2400.0)
    rest = _table(table.centre[:, 30:])
    assert follow(table=rest, rules=rules)[-1].level.max() == 2.0
    quiet = follow(table=rest, rules=rules, accepted=accepted)[-1]
    assert quiet.level.max() < 2.0 and (quiet.se > follow(table=rest, rules=rules)[-1].se).all()
    empty = accept(table=_table(np.array([[1.0, 1], [1, 1], [np.nan, np.nan]])))
    assert empty.offset[2] == empty.se[2] == 0.0


def test_rules_are_checked() -> None:
    for wrong in ({"memory": 1.0}, {"look": 0.0}, {"act": 1.0}, {"allowance": -1.0}, {"settle": 0}):
        with pytest.raises(ValueError, match=r"look|allowance"):
            LaneRules(**{"look": 2.0, "act": 3.0, **wrong})  # type: ignore[arg-type]


def test_quiet_lanes_keep_the_false_alarm_budget() -> None:
    """Independent normal windows: false "look" findings as often as the average run length says.

    Signals come in clumps, so the count may lie 4 Poisson sd from 8 lanes x windows / 500.
    """
    windows = 100_000 if NIGHTLY else 4_000
    rules = lane_rules(lanes=8, measures=6, windows_per_week=2400.0)
    rng = np.random.default_rng(12)
    state, before, looks, acts = start(lanes=8), np.zeros(8), 0, 0
    for _ in range(windows):
        state, now = step(state=state, rules=rules, centre=rng.normal(0, 1, 8), se=np.ones(8))
        looks += int(((now.level >= 1) & (before < 1)).sum())
        acts += int(((now.level == 2) & (before < 2)).sum())
        before = now.level
    expected = 8 * windows / 500
    assert abs(looks - expected) < 4 * np.sqrt(expected)
    assert acts <= 3 * 8 * windows / (48 * 2400) + 3


def test_half_a_millimetre_is_found_in_five_minutes() -> None:
    """Fruit of 68 ± 4.3 mm at 4 a second a lane, windows of a minute, bins over all lanes, lanes
    standing 0.08 mm apart; diameter read to 0.6 mm, mass to 0.8 g, shape to 2 % of mass.

    "Act", with a budget of one false a week over 48 charts, in 12 shifts of 12 on the diameter at
    like mass; the plain diameter, with 6 times the spread, cannot (36 times the fruit).
    """
    rng = np.random.default_rng(31)
    rules = lane_rules(lanes=8, measures=6, windows_per_week=2400.0, allowance=0.1)
    lags = []
    for shift in range(12):
        stand = rng.normal(0, 0.08, 8)
        windows, n, moved = 60, 240, 50
        size = 68 + np.repeat(rng.normal(0, 1, windows), 8 * n)
        size += rng.normal(0, 4.3, windows * 8 * n)
        window = np.repeat(np.arange(windows), 8 * n)
        lane = np.tile(np.repeat(np.arange(8), n), windows)
        mass = 0.924e-3 * np.pi / 6 * size**3 * (1 + 0.02 * rng.normal(size=len(size)))
        read = size + stand[lane] + rng.normal(0, 0.6, len(size))
        read += 0.5 * (1 - 2 * (shift % 2)) * ((lane == shift % 8) & (window >= moved))
        table = lane_table(
            measure="diameter at mass", lane=lane, window=window, lanes=tuple(range(8)),
            windows=windows, values=diameter_at_mass(
                diameter_mm=read, mass_g=mass + rng.normal(0, 0.8, len(size))))
        first = LaneTable(table.measure, table.lanes, table.n[:, :30], table.centre[:, :30],
                          table.se[:, :30])
        level = np.array([r.level for r in follow(
            table=table, rules=rules, accepted=accept(table=first))])
        assert level[:moved].max() < 2.0
        lags.append(int(np.argmax(level[moved:, shift % 8] == 2.0)) + 1)
        assert level[-1, shift % 8] == 2.0
    assert max(lags) <= 5


# --- onset -------------------------------------------------------------------------------------


def test_a_step_is_dated_as_brute_force_does() -> None:
    """The best of all two-piece weighted means, and Hansen's 7.35 as the interval's limit."""
    rng = np.random.default_rng(14)
    se = rng.uniform(0.5, 1.5, 40)
    y = rng.normal(0, se) + 2.0 * (np.arange(40) >= 25)
    found = find_onset(values=y, se=se, shape="step")
    assert found is not None

    def cost(k: int) -> float:
        return sum(float((((y[s] - np.average(y[s], weights=se[s] ** -2)) / se[s]) ** 2).sum())
                   for s in (slice(0, k), slice(k, 40)))

    costs = np.array([cost(k) for k in range(1, 40)])
    assert found.window == int(costs.argmin()) + 1
    inside = np.flatnonzero(costs <= costs.min() + 7.3523) + 1
    assert (found.low, found.high) == (inside.min(), inside.max())
    k = found.window
    before, after = (np.average(y[s], weights=se[s] ** -2) for s in (slice(0, k), slice(k, 40)))
    assert (found.before, found.size) == pytest.approx((before, after - before))
    steady = float((((y - np.average(y, weights=se**-2)) / se) ** 2).sum())
    assert found.gain == pytest.approx(steady - costs.min())
    assert found.size_se == pytest.approx(
        np.sqrt(1 / (se[:k] ** -2).sum() + 1 / (se[k:] ** -2).sum()))


def test_hansens_critical_values() -> None:
    """Table 1: 5.94 at 90 %, 7.35 at 95 %, 10.59 at 99 %."""
    for level, limit in ((0.90, 5.94), (0.95, 7.35), (0.99, 10.59)):
        assert -2 * np.log(1 - np.sqrt(level)) == pytest.approx(limit, abs=0.005)


def test_a_ramp_is_told_from_a_step() -> None:
    t = np.arange(40)
    rng = np.random.default_rng(3)
    ramp = 60 + 0.3 * np.clip(t - 19, 0, None) + rng.normal(0, 0.2, 40)
    found = find_onset(values=ramp, se=np.full(40, 0.2))
    assert found is not None and found.shape == "ramp"
    assert found.low <= 20 <= found.high and found.slope == pytest.approx(0.3, abs=0.02)
    fit = optimize.least_squares(
        lambda p: ramp - p[0] - p[1] * np.clip(t - found.window + 1, 0, None), [60, 0.1])
    assert (found.before, found.slope) == pytest.approx(tuple(fit.x), rel=1e-6)
    assert found.size == pytest.approx(found.slope * (40 - found.window))
    step = find_onset(values=60 + 2.0 * (t >= 12) + rng.normal(0, 0.2, 40), se=np.full(40, 0.2))
    assert step is not None and step.shape == "step" and step.window == 12 and step.slope == 0.0


def test_onsets_are_covered_and_near() -> None:
    """Steps of 1 to 3 se: the 95 % interval holds the truth in 95 %, within 3 se of the share;
    of 3 se steps at least 90 % are dated within 2 windows."""
    rng = np.random.default_rng(15)
    held, near = [], []
    for i in range(300):
        size, at = 1.0 + i % 3, int(rng.integers(10, 50))
        found = find_onset(values=rng.normal(0, 1, 60) + size * (np.arange(60) >= at),
                           se=np.ones(60), shape="step")
        assert found is not None
        held.append(found.low <= at <= found.high)
        if size == 3.0:
            near.append(abs(found.window - at) <= 2)
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 300)
    assert np.mean(near) >= 0.9


def test_a_steady_series_shows_no_onset() -> None:
    """`chance` is an upper bound, so under 5 % in at most 5 % of steady series."""
    rng = np.random.default_rng(16)
    chances = [found.chance for _ in range(200) if (found := find_onset(
        values=rng.normal(0, 1, 30), se=np.ones(30))) is not None]
    assert len(chances) == 200 and np.mean(np.array(chances) < 0.05) <= 0.05
    assert find_onset(values=[1.0, np.nan, 2, 3], se=[1.0, 1, 1, 1]) is None


def test_windows_without_fruit_leave_doubt_about_the_start() -> None:
    y = np.array([0.0] * 10 + [np.nan] * 3 + [5.0] * 10)
    found = find_onset(values=y, se=np.full(23, 0.1), shape="step")
    assert found is not None
    assert (found.low, found.window, found.high) == (10, 13, 13)
    seq, ms = np.arange(24) * 100, np.arange(24) * 60_000
    span = place(onset=found, first_seq=seq, first_ms=ms)
    assert (span.from_seq, span.best_seq, span.to_seq) == (900, 1300, 1400)
    assert (span.from_ms, span.best_ms, span.to_ms) == (540_000, 780_000, 840_000)


def test_meeting_a_boundary_and_meeting_it_by_chance() -> None:
    found = find_onset(values=np.array([0.0] * 20 + [3.0] * 20), se=np.full(40, 0.5), shape="step")
    assert found is not None and (found.low, found.high) == (20, 20)
    rare = meets(onset=found, boundaries=[20, 35], windows=40)
    assert rare.inside == (0,) and rare.by_chance == pytest.approx(2 / 39)
    often = meets(onset=found, boundaries=list(range(1, 40)), windows=40)
    assert often.by_chance == 1.0
    assert meets(onset=found, boundaries=[], windows=40).inside == ()


# --- the line's own level ------------------------------------------------------------------------


def test_lots_against_the_baseline() -> None:
    level = np.array([60.0, 60.2, 63.0, 63.2, np.nan])
    found = against_baseline(levels=level, segment=np.array([1, 1, 2, 2, 3]), baseline=60.0,
                             ordinary_sd=0.5)
    assert [(s.segment, s.windows, s.beyond) for s in found] == [(1, 2, False), (2, 2, True)]
    half = stats.t.ppf(0.975, 29) * 0.5
    assert (found[1].low, found[1].high) == pytest.approx((3.1 - half, 3.1 + half))
    with pytest.raises(ValueError, match="ordinary sd"):
        against_baseline(levels=level, segment=level, baseline=0.0, ordinary_sd=-1.0)


def test_drift_inside_lots_is_regression_with_a_level_each() -> None:
    """Against ordinary least squares with one dummy a segment (numpy), t interval by scipy."""
    rng = np.random.default_rng(18)
    segment = np.repeat([1, 2, 3], 12)
    t = np.arange(36.0)
    y = np.array([60.0, 65, 58])[segment - 1] + 0.05 * t + rng.normal(0, 0.3, 36)
    y[5] = np.nan
    found = drift_inside(levels=y, segment=segment)
    assert found is not None
    good = np.isfinite(y)
    design = np.column_stack([t, *(segment == s for s in (1, 2, 3))])[good]
    beta, left, *_ = np.linalg.lstsq(design, y[good], rcond=None)
    se = np.sqrt(left[0] / (35 - 4) * np.linalg.inv(design.T @ design)[0, 0])
    half = stats.t.ppf(0.975, 31) * se
    assert (found.slope, found.low, found.high) == pytest.approx(
        (beta[0], beta[0] - half, beta[0] + half), rel=1e-9)
    assert found.p == pytest.approx(2 * stats.t.sf(beta[0] / se, 31), rel=1e-6)
    assert (found.windows, found.segments) == (35, 3)


def test_fruit_steps_alone_are_no_drift() -> None:
    found = drift_inside(levels=[60.0, 60, 60, 66, 66, 66], segment=[1, 1, 1, 2, 2, 2],
                         position=[0, 1, 2, 3, 4, 5])
    assert found is not None and found.slope == 0.0 and found.p == 1.0
    assert drift_inside(levels=[1.0, 2, 3], segment=[1, 1, 2]) is None


def test_ordinary_differences_of_stretches() -> None:
    """First-order autoregression (0.8, unit sd): sd of the difference of two neighbouring means of
    5, from its autocovariances; 3 standard errors of a median of 800 differences."""
    rng = np.random.default_rng(19)
    y = np.zeros(4000)
    for t in range(1, 4000):
        y[t] = 0.8 * y[t - 1] + 0.6 * rng.normal()
    lag = np.abs(np.subtract.outer(np.arange(10), np.arange(10)))
    weights = np.repeat([-0.2, 0.2], 5)
    truth = np.sqrt(weights @ 0.8**lag @ weights)
    found = ordinary_sd(levels=y, segment=np.repeat([1, 2], 2000), windows=5)
    assert found == pytest.approx(truth, rel=3 * 1.17 / np.sqrt(798))
    assert ordinary_sd(levels=y[:40], segment=np.ones(40), windows=5) is None
    assert ordinary_sd(levels=[], segment=[], windows=5) is None
    with pytest.raises(ValueError, match="at least one window"):
        ordinary_sd(levels=y, segment=y, windows=0)
