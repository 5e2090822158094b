"""What people do in a simulated shift: pulls, checks, changed cuts; and shifts drawn at random."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from fractions import Fraction

import numpy as np
import pytest

from service.api.checks import Check as CheckBody
from service.pull_model import PullIn
from service.simulator import Shift, random_plan, shipped_plans
from service.simulator.hand import moment
from service.simulator.plan import OBJECTS, Checks
from service.simulator.rules import standard_under
from tests.support.shifts import LOT, plan_of, read, whole

OFFSET = {"kind": "lane_offset", "size": 1.1}


def test_a_paired_pull_reads_the_same_fruit_by_hand() -> None:
    """The line reads 1.1 mm more: line minus hand is 1.1, with the errors of both."""
    shift = Shift(plan=plan_of(OFFSET, {"kind": "double_fruit", "size": 0.1},
                               pulls=[{"first_min": 2, "every_min": 0.5, "n": 40}]))
    part = whole(shift.lines["line-1"])
    assert len(shift.pulls) == 56
    differences = []
    for pull in shift.pulls:
        assert part.seconds[pull.fruit[-1]] < pull.seconds - 1.0
        assert np.array_equal(pull.seq, part.seq[pull.fruit])
        assert np.array_equal(pull.truth.hue_deg, part.truth.hue_deg[pull.fruit])
        for measure in ("diameter", "sugar", "firmness"):
            assert np.array_equal(pull.line_read[measure], read(part, measure)[pull.fruit],
                                  equal_nan=True)
        plain = part.acted[pull.fruit] == 1
        differences.append((pull.line_read["diameter"] - pull.hand["diameter_mm"])[plain])
    d = np.concatenate(differences)
    lanes = shift.lines["line-1"].offsets["diameter"]
    expected = 1.1 + np.average(lanes, weights=np.bincount(part.lane)[1:])
    assert len(d) > 1_500
    assert d.mean() == pytest.approx(expected, abs=5 * 0.7 / np.sqrt(len(d)))
    # Errors add: 0.6 of the line, 0.3 of the hand, spread of the lanes, two steps of 0.1.
    sd = np.sqrt(0.6**2 + 0.3**2 + lanes.var() + 2 * 0.1**2 / 12)
    assert d.std() == pytest.approx(sd, abs=5 * sd / np.sqrt(2 * len(d)))
    first = shift.pulls[0]
    assert first.hand["firmness_lbf"].shape == (40, 2)
    # 1 lbf = 4.4482216152605 N (NIST SP 811).
    both = np.concatenate([p.hand["firmness_lbf"].mean(axis=1) * 4.4482216152605
                           - p.truth.firmness_n for p in shift.pulls])
    assert both.mean() == pytest.approx(0.0, abs=5 * 4.45 / np.sqrt(2 * len(both)))


def test_a_pull_is_of_one_lot_and_its_body_can_be_posted() -> None:
    lots = [{**LOT, "id": f"L-{k}", "bins": 3, "bin_fruit": 960} for k in (1, 2)]
    plan = plan_of({"kind": "silent_lane", "lanes": [1]}, hours=0.1, lots=lots, pulls=[
        {"first_min": 0.05, "n": 200}, {"first_min": 1, "every_min": 1, "n": 60},
        {"first_min": 1.2, "n": 5, "paired": False}, {"first_min": 100}])
    shift = Shift(plan=plan)
    assert [round(p.seconds) for p in shift.pulls] == [60, 72, 120, 240, 300]
    # Lot L-1 has passed by 90 s, L-2 begins at 180 s: what lies on the belt at 120 s is L-1's.
    assert [p.lot.id for p in shift.pulls] == ["L-1", "L-1", "L-1", "L-2", "L-2"]
    paired, loose = shift.pulls[0], shift.pulls[1]
    at = moment(start_ms=shift.start_ms, seconds=paired.seconds, speed=2.0)
    assert at == datetime(2026, 7, 27, 11, 0, 30, tzinfo=UTC)
    body = PullIn.model_validate_json(_json(paired.body(drawn_at=at, run="x.1")))
    twins = [f.line_fruit for f in body.fruit]
    assert [t.seq for t in twins if t] == paired.seq[paired.seq > 0].tolist()
    assert {t.run for t in twins if t} == {"x.1"}
    assert None in twins
    body = PullIn.model_validate_json(_json(loose.body(drawn_at=at)))
    assert all(f.line_fruit is None for f in body.fruit)


def _json(value: object) -> str:
    import json

    return json.dumps(value)


def test_a_pull_across_a_restart_is_not_drawn() -> None:
    plan = plan_of({"kind": "sensor_restart", "start_min": 2}, hours=0.1,
                   pulls=[{"first_min": 2.02, "n": 30}, {"first_min": 3, "n": 30}])
    assert [p.seconds for p in Shift(plan=plan).pulls] == [180.0]


def test_checks_show_offsets_and_the_events_of_the_measurement() -> None:
    plan = plan_of(
        {"kind": "lane_offset", "size": 2.0, "lanes": [5], "start_min": 10},
        {"kind": "lane_scale", "size": 0.05, "lanes": [6], "start_min": 10},
        {"kind": "lamp_ageing", "size": -6.0, "start_min": 0},
        {"kind": "wet_fruit", "size": 0.2},
        {"kind": "frozen", "measure": "mass", "lanes": [1], "start_min": 10},
        {"kind": "silent_lane", "lanes": [8], "start_min": 10},
        {"kind": "dirty_lens", "size": 3.0, "lanes": [2], "start_min": 0},
        checks=[{"first_min": 5, "every_min": 15, "passes": 50}])
    shift = Shift(plan=plan)
    early, late = shift.checks
    assert (early.seconds, late.seconds) == (300, 1200)
    line = shift.lines["line-1"]

    def off(check: object, lane: int, measure: str, known: float) -> float:
        rows = [i for i, m in enumerate(late.measure if check is late else early.measure)
                if m == measure and check.lane[i] == lane and check.known[i] == known]  # type: ignore[attr-defined]
        (row,) = rows
        return float(check.reading[row] - known - line.offsets[measure][lane - 1])  # type: ignore[attr-defined]

    # A quarter of the noise of one fruit reading, mean of 50 passes.
    tight = 5 * 0.25 / np.sqrt(50)
    assert off(early, 5, "diameter", 55.0) == pytest.approx(0.0, abs=0.6 * tight)
    assert off(late, 5, "diameter", 55.0) == pytest.approx(2.0, abs=0.6 * tight)
    assert off(late, 4, "diameter", 75.0) == pytest.approx(0.0, abs=0.6 * tight)
    for known in (55.0, 75.0):
        assert off(late, 6, "diameter", known) == pytest.approx(0.05 * known, abs=0.6 * tight + .02)
    assert off(early, 4, "hue", 92.0) == pytest.approx(-1.0, abs=1.0 * tight)
    assert off(late, 4, "hue", 92.0) == pytest.approx(-4.0, abs=1.0 * tight)
    assert off(late, 4, "chroma", 45.0) == pytest.approx(2.0, abs=1.0 * tight)
    assert off(late, 2, "hue", 92.0) == pytest.approx(-4.0 + 2.0, abs=2.5 * tight)
    assert 8 in early.lane
    assert 8 not in late.lane
    frozen = late.reading[[i for i, m in enumerate(late.measure) if m == "mass"
                           and late.lane[i] == 1]]
    stuck = read(whole(line), "mass")[(whole(line).lane == 1) & (whole(line).seconds > 700)]
    assert round(float(frozen[0]), 1) == set(stuck.tolist()).pop()
    body = CheckBody.model_validate_json(_json(late.body(at=datetime(2026, 7, 27, tzinfo=UTC))))
    assert len(body.readings) == 7 * len(OBJECTS)


def test_a_line_that_is_wholly_silent_has_an_empty_check() -> None:
    plan = plan_of({"kind": "silent_lane"}, checks=[Checks(first_min=1).model_dump()])
    (check,) = Shift(plan=plan).checks
    assert len(check.lane) == len(check.reading) == len(check.known) == 0


def test_a_changed_cut_is_an_edition_of_its_own_and_moves_that_cut_only() -> None:
    plan = plan_of({"kind": "cut_change", "size": -1.5, "start_min": 10, "end_min": 20},
                   lot={"fruit": {"diameter_mm": 66.0, "diameter_sd_mm": 5.0}})
    shift = Shift(plan=plan)
    (event,) = shift.events
    assert (event.cause, event.cut_mm, event.size) == ("rule", 63.5, -1.5)
    parts = list(shift.lines["line-1"].slices(fruit=10**6))
    assert [(p.rule, p.first) for p in parts] == [(0, 0), (1, 600 * 32), (2, 1200 * 32)]
    names = [shift.standard(p).name for p in parts]
    assert names == ["house-long-distance@3", "house-long-distance@3-cut-62",
                     "house-long-distance@3"]
    table = next(t for t in shift.standard(parts[1]).sizing if t.basis == "diameter")
    assert [(b.low, b.high) for b in table.bands[:2]] == [
        (Fraction("57.15"), Fraction(62)), (Fraction(62), Fraction("69.85"))]
    batch = parts[1].batch
    now = shift.compiled(parts[1]).grade(batch=batch)
    before = shift.compiled(parts[1], as_opened=True).grade(batch=batch)
    diameter = batch.measures["diameter"].values
    assert np.array_equal(now.size != before.size, (diameter >= 6200) & (diameter < 6350))
    # Of N(66, 5) between 62.0 and 63.5: 9.7 %, as published for such a lot.
    assert (now.size != before.size).mean() == pytest.approx(0.097, abs=0.02)
    assert parts[1].acted.all()
    assert shift.changes(parts[0]) == ()


def test_a_cut_that_the_standard_has_not_is_refused() -> None:
    plan = plan_of({"kind": "cut_change", "size": 1.0, "cut_mm": 61.0})
    with pytest.raises(ValueError, match="no size cut at 61"):
        standard_under(standard="house-long-distance", changes=plan.event)


def test_random_shifts_are_of_every_cause_and_can_be_played() -> None:
    causes: Counter[str] = Counter()
    for seed in range(30):
        plan = random_plan(seed=seed)
        assert plan == random_plan(seed=seed)
        first = plan.event[0].about().cause if plan.event else "none"
        causes[first] += 1
        shift = Shift(plan=plan)
        line = shift.lines["line-1"]
        if first != "none":
            happening = shift.events[0]
            assert happening.number == 0
            assert 0.2 * len(line) < happening.first < 0.8 * len(line)
            if first == "fruit":
                begin = {b.fruit for b in shift.boundaries if b.kind == "bin"}
                assert happening.first in begin
        assert bool(shift.checks) == bool(shift.pulls) == ("with pulls" in plan.title)
    assert set(causes) == {"none", "fruit", "measurement", "rule"}
    assert min(causes.values()) >= 3


def test_what_a_random_shift_is_to_be_can_be_asked_for() -> None:
    plan = random_plan(seed=3, cause="measurement", hours=1.0, lines=2, evidence=False,
                       trouble=False)
    assert [e.about().cause for e in plan.event] == ["measurement"]
    assert [line.id for line in plan.line] == ["line-1", "line-2"]
    assert not any(line.pulls or line.checks or line.stops for line in plan.line)
    quiet = random_plan(seed=3, cause="none", evidence=True, trouble=False)
    assert quiet.event == ()
    assert Shift(plan=quiet).pulls


def test_lots_of_shipped_plans_can_be_opened_and_graded() -> None:
    for plan in shipped_plans():
        shift = Shift(plan=plan)
        for line in shift.lines.values():
            for first in line.schedule.lot_first[:-1].tolist():
                # Past the warm-up that one of them has.
                part = next(line.slices(start=first + 50_000, fruit=2_000))
                assert part.lot is line.lots[line.schedule.lot_of(fruit=first)]
                compiled = shift.compiled(part)
                assert compiled.profile is not None
                assert compiled.profile.produce in shift.standard(part).produce
                verdicts = compiled.grade(batch=part.batch)
                names = np.array(compiled.grade_names)[verdicts.grade]
                assert (names == "cull").mean() < 0.35
                assert (names == "undecided").mean() < 0.03
