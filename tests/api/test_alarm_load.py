"""How many alarms a bad day makes: no more than a person can attend to.

Limits: on the long-run average not more than 6 an hour for one operator, and not more than 10 in
any 10 minutes (EEMUA 191 and ANSI/ISA-18.2 as commonly cited); no alarm calls again within 60 s.
The day is the simulator's noisy one: two lines with warm-up, dirt, wet fruit, stops, a restart, a
broken cable, a frozen lane, a silent lane, smoothed readings and a clock that jumps. One operator
has both lines, and acknowledges every call after a minute.
"""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import pytest

from service.simulator import Plan
from service.simulator.plan import load_plan
from tests.support.shift_service import Watched, watched

NIGHTLY = os.environ.get("DRUPE_NIGHTLY") == "1"
SEEDS = range(20260801, 20260821) if NIGHTLY else (20260727,)
SLOWER = 1 if NIGHTLY else 2
"""The belt and its bins: the same day with half the fruit."""


def _day(seed: int) -> Plan:
    plan = load_plan("noisy-day")
    return plan.model_copy(update={"seed": seed, "line": tuple(
        line.model_copy(update={"per_lane": line.per_lane / SLOWER, "lots": tuple(
            lot.model_copy(update={"bin_fruit": lot.bin_fruit // SLOWER}) for lot in line.lots)})
        for line in plan.line)})


def _check_load(shift: Watched) -> None:
    calls = sorted(shift.announced())
    assert len(calls) <= 6 * shift.plan.hours, calls
    for k, (at_s, _, _) in enumerate(calls):
        near = [c for c in calls[k:] if c[0] - at_s < 600]
        assert len(near) <= 10, near
    for _, own in itertools.groupby(sorted(calls, key=lambda c: c[1:]), key=lambda c: c[1:]):
        times = [c[0] for c in own]
        assert all(b - a >= 60 for a, b in itertools.pairwise(times)), times


def _check_found(shift: Watched) -> None:
    """What does need somebody was called for while it lasted, or the count above says nothing."""
    calls = [(at_s / 60, kind, subject) for at_s, kind, subject in shift.announced()]
    for kind, subject, from_min, until_min in (
        ("frozen_sensor", "line-2-sizer/4/hue", 60, 65),
        ("lane_silent", "line-2-sizer/1", 150, 155),
        ("repeated_readings", "line-2-sizer/7", 200, 210),
        ("clock_off", "line-2-sizer", 300, 305),
    ):
        assert any(c[1:] == (kind, subject) and from_min <= c[0] <= until_min for c in calls), calls


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_a_noisy_shift_stays_within_what_one_operator_can_attend_to(
    seed: int, tmp_path: Path
) -> None:
    with watched(tmp_path, _day(seed)) as shift:
        shift.run()
    _check_load(shift)
    _check_found(shift)
