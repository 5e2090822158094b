"""Each kind of event does to the readings, or to the fruit, what the truth says: a shift with it
against the same shift without, and both against the true values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from grading.errors import StandardError
from service.simulator import KINDS, Happening, Shift, Slice, load_plan, read_plan, shipped_plans
from service.simulator.events import READ
from service.simulator.plan import Plan
from tests.support.shifts import LOT, plan_of, read, whole


def twins(*events: dict[str, Any], **more: Any) -> tuple[Slice, Slice, tuple[Happening, ...]]:
    """(with the events, without them, the events as they took place)."""
    plan = plan_of(*events, **more)
    shift = Shift(plan=plan)
    bare = Shift(plan=plan.model_copy(update={"event": ()}))
    return whole(shift.lines["line-1"]), whole(bare.lines["line-1"]), shift.events


def unchanged(one: Slice, other: Slice, but: tuple[str, ...] = (), rows: Any = slice(None)) -> None:
    for measure in READ:
        if measure not in but:
            assert np.array_equal(one.readings.quanta[measure][rows],
                                  other.readings.quanta[measure][rows]), measure
            assert np.array_equal(one.truth.diameter_mm, other.truth.diameter_mm)


def moved(one: Slice, other: Slice, measure: str) -> Any:
    return read(one, measure) - read(other, measure)


@pytest.mark.parametrize(("measure", "size"), [
    ("diameter", 0.5), ("diameter", -1.3), ("hue", 3.0), ("mass", 4.0), ("sugar", 1.0),
    ("firmness", -5.0), ("chroma", -6.0)])
def test_a_lane_offset_moves_that_lane_by_its_size(measure: str, size: float) -> None:
    """Sizes are whole steps of the sensor, so that the reading moves by exactly that."""
    one, other, (event,) = twins({"kind": "lane_offset", "measure": measure, "size": size,
                                  "lanes": [5], "start_min": 10, "end_min": 20})
    inside = (one.seconds >= 600) & (one.seconds < 1200) & (one.lane == 5)
    assert (event.cause, event.lanes, event.start_s, event.end_s) == (
        "measurement", (5,), 600, 1200)
    assert np.array_equal(one.acted > 0, inside)
    assert event.first == 600 * 32
    assert event.after == 1200 * 32
    by = moved(one, other, measure)[inside]
    by = by[np.isfinite(by)]
    assert (np.abs(by - size) < 1e-6).mean() > 0.999
    assert np.abs(by - size).max() < 0.1001  # a tie may round to the other step
    unchanged(one, other, rows=~inside)
    unchanged(one, other, but=(measure,))


def test_without_a_named_measure_an_offset_is_of_the_diameter() -> None:
    one, other, (event,) = twins({"kind": "lane_offset", "size": 1.0})
    assert event.measure == "diameter"
    assert event.lanes == tuple(range(1, 9))
    assert np.median(moved(one, other, "diameter")) == pytest.approx(1.0)


def test_a_scale_error_grows_with_the_value() -> None:
    one, other, _ = twins({"kind": "lane_scale", "size": 0.02, "lanes": [1, 2], "start_min": 5})
    inside = one.acted > 0
    assert np.array_equal(inside, (one.seconds >= 300) & (one.lane <= 2))
    by = moved(one, other, "diameter")[inside]
    true = one.truth.diameter_mm[inside]
    slope, rest = np.polyfit(true, by, 1)
    assert slope == pytest.approx(0.02, abs=0.001)
    assert rest == pytest.approx(0.0, abs=0.07)
    unchanged(one, other, but=("diameter",))


def test_lamps_drift_in_hue_and_chroma_from_start_to_end() -> None:
    one, other, (event,) = twins({"kind": "lamp_ageing", "size": -4.0, "start_min": 5,
                                  "end_min": 25})
    assert event.shape == "ramp"
    inside = one.acted > 0
    level = -4.0 * (one.seconds[inside] - 300) / 1200
    assert np.abs(moved(one, other, "hue")[inside] - level).max() < 0.1 + 1e-6
    assert np.abs(moved(one, other, "chroma")[inside] + level / 2).max() < 0.1 + 1e-6
    assert moved(one, other, "hue")[inside].mean() == pytest.approx(-2.0, abs=0.01)
    unchanged(one, other, but=("hue", "chroma"))
    unchanged(one, other, rows=~inside)


def test_a_bank_of_lanes_may_age_alone() -> None:
    one, other, _ = twins({"kind": "lamp_ageing", "size": 3.0, "lanes": [1, 2, 3, 4]})
    far = one.lane > 4
    unchanged(one, other, rows=far)
    assert moved(one, other, "hue")[~far].mean() == pytest.approx(1.5, abs=0.02)


def test_warm_up_fades_to_a_fiftieth() -> None:
    one, other, _ = twins({"kind": "warm_up", "size": 5.0, "end_min": 20})
    by = moved(one, other, "hue")
    at = [by[(one.seconds >= 60 * m) & (one.seconds < 60 * m + 30)].mean() for m in (0, 10, 19.5)]
    assert at[0] == pytest.approx(5.0, rel=0.06)
    assert at[1] == pytest.approx(5.0 / np.sqrt(50), rel=0.06)
    assert at[2] == pytest.approx(0.1, abs=0.02)
    assert np.all(by[one.seconds >= 1200] == 0)


def test_a_dirty_lens_biases_and_grows_noisy() -> None:
    one, other, _ = twins({"kind": "dirty_lens", "size": -4.0, "lanes": [3], "start_min": 0})
    late = (one.lane == 3) & (one.seconds > 1740)
    error = (read(one, "hue") - one.truth.hue_deg)[late]
    plain = (read(other, "hue") - other.truth.hue_deg)[late]
    assert error.mean() - plain.mean() == pytest.approx(-4.0, abs=0.6)
    # At its end noise is 1 + 4 / 2 = 3 times that of one reading.
    assert error.std() / plain.std() == pytest.approx(2.95, rel=0.15)
    assert moved(one, other, "blush")[late].mean() == pytest.approx(0.005 * 4, abs=0.006)
    unchanged(one, other, rows=one.lane != 3)
    unchanged(one, other, but=("hue", "chroma", "blush"))


def test_wet_fruit_look_redder_on_every_lane() -> None:
    one, other, _ = twins({"kind": "wet_fruit", "size": 0.05, "start_min": 10, "end_min": 20})
    inside = one.acted > 0
    assert np.array_equal(inside, (one.seconds >= 600) & (one.seconds < 1200))
    assert np.median(moved(one, other, "blush")[inside]) == pytest.approx(0.05)
    assert moved(one, other, "hue")[inside].mean() == pytest.approx(-1.0, abs=0.01)
    assert moved(one, other, "chroma")[inside].mean() == pytest.approx(1.0, abs=0.01)
    unchanged(one, other, but=("blush", "hue", "chroma"))


def test_two_fruit_seen_as_one() -> None:
    one, other, _ = twins({"kind": "double_fruit", "size": 0.04, "lanes": [2], "start_min": 5})
    lane = (one.lane == 2) & (one.seconds >= 300)
    lost = np.flatnonzero(~one.sent)
    assert len(lost) / lane.sum() == pytest.approx(0.04, abs=0.01)
    assert np.all(lane[lost])
    rows = np.flatnonzero(lane)
    before = rows[np.searchsorted(rows, lost) - 1]
    assert np.array_equal(np.flatnonzero(one.acted), np.sort(np.concatenate([before, lost])))
    both = one.truth.mass_g[before] + one.truth.mass_g[lost]
    assert np.abs(read(one, "mass")[before] - both).max() < 6
    assert np.all(read(one, "diameter")[before] > 1.2 * one.truth.diameter_mm[before])
    assert 0 < one.impossible.sum() < len(lost)
    assert np.all(read(one, "diameter")[one.impossible] > 150)
    assert np.array_equal(one.seq[one.sent], np.arange(1, one.sent.sum() + 1))
    rest = one.acted == 0
    unchanged(one, other, rows=rest)


@pytest.mark.parametrize("measure", ["hue", "diameter", "mass"])
def test_a_frozen_lane_repeats_one_value(measure: str) -> None:
    one, other, _ = twins({"kind": "frozen", "measure": measure, "lanes": [4, 6],
                           "start_min": 10, "end_min": 12})
    for lane in (4, 6):
        inside = (one.acted > 0) & (one.lane == lane)
        assert inside.sum() > 300
        (value,) = set(read(one, measure)[inside].tolist())
        true = {"hue": 99.5, "diameter": 68.5, "mass": 155.5}[measure]
        assert value == pytest.approx(true, rel=0.35)
    unchanged(one, other, but=(measure,))
    unchanged(one, other, rows=one.acted == 0)


def test_a_silent_lane_sends_nothing_and_leaves_no_gap_in_the_numbers() -> None:
    one, other, _ = twins({"kind": "silent_lane", "lanes": [7], "start_min": 10, "end_min": 15},
                          {"kind": "double_fruit", "size": 0.2, "lanes": [7, 8]})
    silent = (one.lane == 7) & (one.seconds >= 600) & (one.seconds < 900)
    assert np.all(~one.sent[silent])
    assert np.array_equal(one.seq[one.sent], np.arange(1, one.sent.sum() + 1))
    unchanged(one, other, rows=one.lane < 7)


@pytest.mark.parametrize("kind", ["duplicated", "smoothed"])
def test_data_made_up_from_neighbours(kind: str) -> None:
    one, other, _ = twins({"kind": kind, "size": 4, "lanes": [1], "start_min": 5})
    inside = one.acted > 0
    assert np.array_equal(inside, (one.lane == 1) & (one.seconds >= 300))
    told, true = read(one, "diameter")[inside], read(other, "diameter")[inside]
    same = np.diff(told) == 0
    assert same.mean() == pytest.approx(0.75, abs=0.02)
    if kind == "duplicated":
        # Within a run of four the first keeps its own reading.
        assert (told == true).mean() == pytest.approx(0.25, abs=0.02)
        assert told.std() == pytest.approx(true.std(), rel=0.05)
    else:
        assert told.std() == pytest.approx(true.std() / 2, rel=0.1)
    assert told.mean() == pytest.approx(true.mean(), abs=0.3)
    unchanged(one, other, rows=~inside)


def test_riper_larger_and_worse_bins_are_true_changes() -> None:
    for kind, size in (("riper", 1.0), ("larger", 2.5), ("more_defects", 4.0)):
        one, other, (event,) = twins({"kind": kind, "lot": "L-0417", "from_bin": 6, "to_bin": 15,
                                      "size": size})
        inside = (one.bin >= 6) & (one.bin <= 15)
        assert np.array_equal(one.acted > 0, inside)
        assert event.cause == "fruit"
        assert event.bins == (6, 15)
        at = [b for b in Shift(plan=plan_of()).boundaries if b.bin in (6, 16)]
        assert [b.fruit for b in at] == [event.first, event.after]
        assert (event.start_s, event.end_s) == pytest.approx([b.seconds for b in at])
        riper = one.truth.ripeness - other.truth.ripeness
        larger = one.truth.diameter_mm - other.truth.diameter_mm
        assert riper[inside] == pytest.approx(1.0 if kind == "riper" else 0.0)
        assert larger[inside] == pytest.approx(2.5 if kind == "larger" else 0.0)
        assert not riper[~inside].any()
        assert not larger[~inside].any()
        bad, plain = ((t.truth.defect[inside] > 0).mean() for t in (one, other))
        assert bad / plain == pytest.approx(4.0 if kind == "more_defects" else 1.0, rel=0.1)
        if kind == "riper":
            assert (one.truth.hue_deg - other.truth.hue_deg)[inside] == pytest.approx(-4.0)
            assert moved(one, other, "hue")[inside].mean() == pytest.approx(-4.0, abs=0.01)
            # The logarithm of firmness falls by 0.13 a unit of ripeness.
            assert np.log(one.truth.firmness_n / other.truth.firmness_n)[inside] == pytest.approx(
                -0.13)
    shift = Shift(plan=plan_of({"kind": "riper", "lot": "L-0417", "from_bin": 20, "size": 1.0}))
    assert shift.events[0].after == len(shift.lines["line-1"])


def test_clocks_say_another_time_and_nothing_else() -> None:
    one, other, _ = twins({"kind": "clock_skew", "size": 60.0, "start_min": 5, "end_min": 15},
                          {"kind": "clock_jump", "size": -90.0, "start_min": 20})
    ahead = one.time_ms() - other.time_ms()
    skew = np.where((one.seconds >= 300) & (one.seconds < 900), (one.seconds - 300) / 10, 0.0)
    assert np.abs(ahead - 1000 * (skew - 90 * (one.seconds >= 1200))).max() <= 1
    assert np.array_equal(one.seconds, other.seconds)
    unchanged(one, other)


def test_a_restart_begins_a_new_run() -> None:
    shift = Shift(plan=plan_of({"kind": "sensor_restart", "start_min": 10},
                               {"kind": "sensor_restart", "start_min": 20}))
    line = shift.lines["line-1"]
    parts = list(line.slices(fruit=10**6))
    assert [(p.run, p.first, p.seq[0], p.batch.run) for p in parts] == [
        (1, 0, 1, "r1"), (2, 600 * 32, 1, "r2"), (3, 1200 * 32, 1, "r3")]
    assert [e.cause for e in shift.events] == ["none", "none"]


def test_events_in_a_pause_or_after_the_end_act_on_nothing() -> None:
    shift = Shift(plan=plan_of(
        {"kind": "lane_offset", "size": 9.0, "start_min": 5.1, "end_min": 5.9},
        {"kind": "sensor_restart", "start_min": 40},
        stops=[{"at_min": 5, "seconds": 60}]))
    part = whole(shift.lines["line-1"])
    assert [e.kind for e in shift.events] == ["lane_offset"]
    assert shift.events[0].first == shift.events[0].after == 300 * 32
    assert not part.acted.any()


def test_every_kind_is_described() -> None:
    assert {k.cause for k in KINDS.values()} == {"fruit", "measurement", "rule", "none"}
    assert all(k.size for k in KINDS.values())


@pytest.mark.parametrize(("event", "said"), [
    ({"kind": "wet_fruit", "lanes": [1]}, "names no lanes"),
    ({"kind": "lane_offset", "lanes": [9]}, "lanes 1 to 8"),
    ({"kind": "lane_scale", "measure": "hue"}, "cannot be about hue"),
    ({"kind": "warm_up", "start_min": 5, "end_min": 5}, "ends before it starts"),
    ({"kind": "riper", "lot": "L-9"}, "packs no lot 'L-9'"),
    ({"kind": "riper", "lot": "L-0417", "from_bin": 31}, "has 30 bins"),
    ({"kind": "riper", "lot": "L-0417", "from_bin": 5, "to_bin": 4}, "comes before its first"),
    ({"kind": "smoothed", "size": 1}, "at least 2 fruit"),
    ({"kind": "double_fruit", "size": 0.7}, "at most 0.5"),
    ({"kind": "frozen", "line": "line-9"}, "no line 'line-9'"),
])
def test_an_event_that_cannot_be_is_refused(event: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        plan_of(event)


def test_plans_are_read_from_toml_and_faults_told() -> None:
    text = """
name = "mine"
hours = 1
[[line]]
id = "line-1"
[[line.lots]]
id = "L-1"
grower = "Quarry Creek Farm"
block = "QC-11"
cultivar = "tansy-flare"
bins = 3
fruit = { blush = 0.5 }
"""
    plan = read_plan(text=text)
    assert plan.line[0].lots[0].fruit == {"blush": 0.5}
    assert plan.digest() == read_plan(text=text + "\n# a remark\n").digest()
    assert plan.digest() != read_plan(text=text.replace("bins = 3", "bins = 4")).digest()
    for wrong, code in ((text + "nonsense = 1", "extra_forbidden"), (text + "= 1", "not_toml"),
                        (text.replace("blush", "blsh"), "value_error")):
        with pytest.raises(StandardError) as caught:
            read_plan(text=wrong, name="mine.toml")
        assert code in [f.code for f in caught.value.findings] or code in str(
            caught.value.findings), caught.value.findings
    lot = {**LOT, "id": "L-1"}
    for lines in ([{"id": "line-1", "lots": [lot]}, {"id": "line-1", "lots": [LOT]}],
                  [{"id": "line-1", "lots": [lot, lot]}]):
        with pytest.raises(ValueError, match="one id"):
            Plan.model_validate({"name": "x", "line": lines})


def test_shipped_plans_are_found_by_name_and_others_by_path(tmp_path: Any) -> None:
    names = [plan.name for plan in shipped_plans()]
    assert {"quiet-day", "noisy-day", "lane-offset", "lamp-ageing", "forgotten-cut",
            "network-trouble"} <= set(names)
    assert load_plan("quiet-day").event == ()
    path = tmp_path / "own.toml"
    path.write_text('name = "own"\n[[line]]\nid = "a"\nlots = [{ id = "L", grower = "", block = "",'
                    ' cultivar = "cobble-gold", bins = 1 }]\n')
    assert load_plan(str(path)).name == "own"
    for name, code in (("no-such", "unknown"), (str(tmp_path / "none.toml"), "not_readable")):
        with pytest.raises(StandardError) as caught:
            load_plan(name)
        assert [f.code for f in caught.value.findings] == [code]
