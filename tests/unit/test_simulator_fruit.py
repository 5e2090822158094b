"""The simulator's fruit and records: the same for a seed, of the wire's form, and as a lot is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.ingest.parse import parse_body
from service.simulator import Plan, Shift, Slice
from service.simulator.events import READ
from service.simulator.records import body_of, records_of
from tests.support.shifts import LOT, line_of, plan_of, read, whole

EVEN: dict[str, Any] = {
    f"{name}_sd{unit}": 0.0 for name in ("bin_size", "wander_size") for unit in ("_mm",)} | {
    "bin_ripeness_sd": 0.0, "wander_ripeness_sd": 0.0, "bin_defect_log_sd": 0.0,
    "wander_defect_log_sd": 0.0}
"""A lot whose bins and hours are all alike."""


def same(one: Slice, other: Slice) -> None:
    for name in ("seq", "lane", "bin", "seconds", "acted"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name
    for name in one.truth.__dataclass_fields__:
        assert np.array_equal(getattr(one.truth, name), getattr(other.truth, name),
                              equal_nan=True), name
    for measure in READ:
        assert np.array_equal(one.readings.quanta[measure], other.readings.quanta[measure])


def test_a_seed_gives_the_same_shift_and_another_seed_another() -> None:
    plan = plan_of({"kind": "double_fruit", "size": 0.02})
    first, again = (whole(Shift(plan=plan).lines["line-1"]) for _ in range(2))
    same(first, again)
    other = whole(Shift(plan=plan, seed=12).lines["line-1"])
    assert not np.array_equal(first.truth.diameter_mm, other.truth.diameter_mm)
    assert not np.array_equal(first.lane, other.lane)


def test_two_lines_have_nothing_in_common() -> None:
    plan = Plan.model_validate({"name": "two", "hours": 0.2, "line": [
        {"id": f"line-{k}", "lots": [{**LOT, "id": f"L-{k}"}]} for k in (1, 2)]})
    one, two = (whole(line).truth.diameter_mm for line in Shift(plan=plan).lines.values())
    assert abs(np.corrcoef(one, two)[0, 1]) < 4 / np.sqrt(len(one))


def test_records_read_back_are_the_batch() -> None:
    """The batch made in memory is what the service's strict decoder makes of the JSON bodies."""
    line = line_of({"kind": "double_fruit", "size": 0.05}, hours=0.05)
    part = whole(line)
    body = parse_body(body=body_of(records=records_of(part=part)), media="json",
                      source=part.source, run="r1")
    assert part.impossible.sum() > 5
    assert sorted(body.parsed.refused) == np.flatnonzero(
        part.impossible[part.sent]).tolist()
    parsed, made = body.parsed.batch, part.batch
    assert np.array_equal(parsed.seq, made.seq)
    assert np.array_equal(parsed.lane, made.lane)
    assert np.array_equal(parsed.time_ms.values, made.time_ms.values)
    assert parsed.measures.keys() == made.measures.keys()
    for name, column in made.measures.items():
        assert column.values.dtype == parsed.measures[name].values.dtype
        assert np.array_equal(column.values, parsed.measures[name].values), name
        assert np.array_equal(column.present, parsed.measures[name].present), name
    assert not any(column.present.any() for column in parsed.originals.values())
    assert parsed.defects == made.defects
    assert len(made.defects) > 100
    assert np.array_equal(part.rows, np.flatnonzero(part.sent & ~part.impossible))


def test_numbers_lanes_and_times() -> None:
    line = line_of()
    part = whole(line)
    assert len(part) == 0.5 * 3600 * 32
    assert np.array_equal(part.seq, np.arange(1, len(part) + 1))
    assert np.allclose(np.diff(part.seconds), 1 / 32)
    assert part.seconds[0] == 0.0
    share = np.bincount(part.lane, minlength=9)[1:] / len(part)
    assert share.sum() == 1.0
    assert 0.09 < share.min() < 0.125 < share.max() < 0.16
    early = part.batch_of(run="x", start_ms=1_000_000_000_000, speed=10.0)
    assert early.run == "x"
    assert early.time_ms.values[-1] == 1_000_000_000_000 + round(100 * float(part.seconds[-1]))


def test_fruit_are_as_their_lot_says() -> None:
    """Means and spreads against those of the plan, at 5 standard errors of 57,600 fruit."""
    part = whole(line_of(lot={**EVEN, "fruit": {"diameter_mm": 66.0, "diameter_sd_mm": 5.0}}))
    n, truth = len(part), part.truth
    assert truth.diameter_mm.mean() == pytest.approx(66.0, abs=5 * 5.0 / np.sqrt(n))
    assert truth.diameter_mm.std() == pytest.approx(5.0, abs=5 * 5.0 / np.sqrt(2 * n))
    assert truth.ripeness.mean() == pytest.approx(0.0, abs=5 / np.sqrt(n))
    assert np.corrcoef(truth.diameter_mm, truth.ripeness)[0, 1] == pytest.approx(
        0.25, abs=5 / np.sqrt(n))
    slope, mean = np.polyfit(truth.ripeness, truth.hue_deg, 1)
    assert slope == pytest.approx(-4.0, abs=5 * 2.0 / np.sqrt(n))
    assert mean == pytest.approx(99.5, abs=5 * 2.0 / np.sqrt(n))
    assert (truth.defect > 0).mean() == pytest.approx(0.06, abs=5 * np.sqrt(0.06 * 0.94 / n))
    # A sphere of 66 mm is 150.5 cm3; 0.924 g per cm3 of greatest diameter is the 85 g of 56 mm
    # that a published trade rule equates.
    ratio = truth.mass_g / (np.pi / 6 * (truth.diameter_mm / 10) ** 3)
    assert ratio.mean() == pytest.approx(0.924, abs=5 * 0.02 / np.sqrt(n))
    seen = part.batch.defects
    assert len(seen) / (truth.defect > 0).sum() == pytest.approx(0.93, abs=0.025)


def test_later_picks_are_riper_larger_and_sweeter() -> None:
    first, third = (whole(line_of(lot={"pick": pick})).truth for pick in (1, 3))
    assert third.diameter_mm.mean() - first.diameter_mm.mean() == pytest.approx(2.4, abs=1e-9)
    assert third.ripeness.mean() - first.ripeness.mean() == pytest.approx(1.2, abs=1e-9)
    assert third.hue_deg.mean() < first.hue_deg.mean() - 4
    assert third.firmness_n.mean() < first.firmness_n.mean() * 0.9
    assert third.sugar_brix.mean() > first.sugar_brix.mean() + 1.0


def test_readings_are_the_truth_with_offset_noise_and_step() -> None:
    line = line_of()
    part = whole(line)
    for measure, field, noise, step in (
        ("diameter", "diameter_mm", 0.6, 0.1), ("hue", "hue_deg", 1.0, 0.1),
        ("mass", "mass_g", 0.8, 0.1), ("chroma", "chroma", 1.0, 0.1),
        ("sugar", "sugar_brix", 0.6, 0.1), ("firmness", "firmness_n", 4.0, 0.1),
    ):
        told = read(part, measure)
        error = told - getattr(part.truth, field)
        assert np.nanmax(np.abs(told / step - np.rint(told / step))) < 1e-6
        for lane in range(1, 9):
            of_lane = error[(part.lane == lane) & np.isfinite(error)]
            assert of_lane.mean() == pytest.approx(
                line.offsets[measure][lane - 1], abs=5 * noise / np.sqrt(len(of_lane)))
            assert of_lane.std() == pytest.approx(
                np.hypot(noise, step / np.sqrt(12)), abs=5 * noise / np.sqrt(2 * len(of_lane)))
    for measure, share in (("sugar", 0.40), ("firmness", 0.15)):
        assert np.isfinite(read(part, measure)).mean() == pytest.approx(share, abs=0.01)
    tip = part.batch.measures["tip"]
    assert np.array_equal(tip.present, part.batch.measures["firmness"].present)
    assert set(tip.values[tip.present].tolist()) == {800}


def dispersion(part: Slice, width: int = 1_920) -> tuple[float, int]:
    """Chi-square of the undersize share over windows, and its degrees of freedom (the test shown
    beside a share chart: Wetherill and Brown 1991, as given in the qcc manual)."""
    small = part.truth.diameter_mm < 63.5
    windows = small[:len(small) // width * width].reshape(-1, width).mean(axis=1)
    p = small.mean()
    return float(width * ((windows - p) ** 2).sum() / (p * (1 - p))), len(windows) - 1


def test_shares_vary_more_than_chance_as_bins_and_time_move_them() -> None:
    uneven, df = dispersion(whole(line_of()))
    even, _ = dispersion(whole(line_of(lot=EVEN)))
    low, high = stats.chi2.ppf([0.0001, 0.9999], df)
    assert uneven > 2 * high
    assert low < even < high


def test_wander_has_a_memory() -> None:
    """With bins alike, the means of half minutes follow each other: minutes apart, not hours."""
    part = whole(line_of(lot={**EVEN, "wander_size_sd_mm": 2.0, "bins": 75}, hours=1.5))
    means = part.truth.diameter_mm[:160 * 960].reshape(160, 960).mean(axis=1)
    assert means.std() == pytest.approx(2.0, rel=0.5)
    near = np.corrcoef(means[:-1], means[1:])[0, 1]
    assert near > 0.8
    assert np.abs(np.diff(means)).mean() < 0.5 * np.abs(means[20:] - means[:-20]).mean()


def test_bins_follow_each_other_and_mingle_a_little() -> None:
    line = line_of(lot={"bin_size_sd_mm": 5.0, "wander_size_sd_mm": 0.0})
    part = whole(line)
    first = line.schedule.bin_first
    assert np.bincount(part.bin)[1:].sum() == len(part)
    plain = np.searchsorted(first, np.arange(len(part)), side="right")
    away = np.abs(np.arange(len(part))[:, None] - first[None, :]).min(axis=1) > 60
    assert np.array_equal(part.bin[away], plain[away])
    assert (part.bin[~away] != plain[~away]).sum() > 100
    means = [part.truth.diameter_mm[part.bin == b].mean() for b in range(1, part.bin.max())]
    assert np.std(means) == pytest.approx(5.0, rel=0.5)


def test_stops_gaps_and_the_end_of_the_shift() -> None:
    lots = [{**LOT, "id": f"L-{k}", "bins": 5, "bin_fruit": 960} for k in (1, 2, 3)]
    line = line_of(hours=0.16, lots=lots, gap_s=60.0, uneven=0.0,
                   stops=[{"at_min": 1.0, "seconds": 30.0}, {"at_min": 1.2, "seconds": 5.0}])
    schedule = line.schedule
    seconds = schedule.seconds(fruit=np.arange(len(line)))
    jumps = np.flatnonzero(np.diff(seconds) > 0.04)
    assert np.all(np.diff(seconds) > 0)
    assert seconds[-1] < 576 <= seconds[-1] + 1 / 32 + 1e-9
    # The second stop falls inside the first, so both are one pause at 60 s.
    assert seconds[jumps[0]] == pytest.approx(60 - 1 / 32, abs=1e-6)
    assert seconds[jumps[0] + 1] == pytest.approx(95.0, abs=1e-6)
    assert jumps[1:].tolist() == (schedule.lot_first[1:3] - 1).tolist()
    assert np.diff(seconds)[jumps[1]] == pytest.approx(60.0 + 1 / 32)
    for at in (0.0, 59.99, 60.0, 80.0, 95.0, 333.3, 575.0, 900.0):
        assert schedule.next_at(seconds=at) == int(np.searchsorted(seconds, at))
    parts = list(line.slices(fruit=10**6))
    assert [p.lot.id for p in parts] == ["L-1", "L-2", "L-3"]
    assert parts[1].bin[0] == 1
    assert [lot.id for lot in line.lots] == ["L-1", "L-2", "L-3"]


def test_lots_after_the_end_of_the_shift_never_run() -> None:
    lots = [{**LOT, "id": f"L-{k}", "bins": 10} for k in (1, 2, 3)]
    events = [{"kind": "riper", "lot": "L-3", "size": 1.0}, {"kind": "lane_offset", "size": 1.0,
                                                            "start_min": 100}]
    shift = Shift(plan=plan_of(*events, hours=0.25, lots=lots))
    assert [lot.id for lot in shift.lines["line-1"].lots] == ["L-1", "L-2"]
    assert shift.events == ()
    assert {b.lot for b in shift.boundaries} == {"L-1", "L-2"}
    early = Shift(plan=plan_of(hours=0.1, lots=lots, stops=[{"at_min": 1, "seconds": 900}]))
    assert len(early.lines["line-1"]) == 60 * 32
