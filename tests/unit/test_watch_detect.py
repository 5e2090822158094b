"""What the watch finds in invented minutes whose changes are known, because they were put in."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from grading.drift.cells import LaneTable
from service.watch.detect import Detector
from service.watch.finding import MINUTE_MS, Finding
from service.watch.minutes import Minute
from service.watch.quantities import ASKED, COLD_AFTER, LEARN, OVER, WARM_UP
from tests.support.minutes import FIRST, minutes

AT = 80


def step(size: float, at: int = AT, until: int = 10**6) -> Callable[[int], float]:
    return lambda k: size if at <= k < until else 0.0


def found(listed: list[Minute]) -> list[Finding]:
    detector = Detector()
    for minute in listed:
        detector.step(minute)
    return detector.found


def minute_of(ms: int) -> int:
    return ms // MINUTE_MS - FIRST


def test_nothing_is_found_where_nothing_happens() -> None:
    assert found(minutes(count=200)) == []


def test_a_lane_half_a_millimetre_off_is_found_within_five_minutes() -> None:
    (lane,) = found(minutes(count=AT + 10, lane={5: step(0.5)}))
    assert (lane.kind, lane.what, lane.lane, lane.open) == ("lane", "diameter", 5, True)
    assert 0 < minute_of(lane.found_ms) - AT <= 5
    assert minute_of(lane.from_ms) <= AT <= minute_of(lane.until_ms)
    assert abs(minute_of(lane.best_ms) - AT) <= 2
    assert lane.size == pytest.approx(0.5, abs=0.15)
    assert lane.ratio > 1.0


def test_without_weights_the_diameter_itself_finds_a_larger_offset() -> None:
    (lane,) = found(minutes(count=AT + 30, lane={5: step(-1.5)}, weighed=False))
    assert (lane.what, lane.lane) == ("diameter", 5)
    assert lane.size == pytest.approx(-1.5, abs=0.4)


def test_a_lane_that_was_off_all_along_is_found_by_its_diameter() -> None:
    (lane,) = found(minutes(count=120, lane={3: lambda k: 1.5}))
    assert (lane.what, lane.lane) == ("diameter", 3)


def test_a_lane_put_right_ends_its_finding() -> None:
    (lane,) = found(minutes(count=180, lane={5: step(0.8, until=110)}))
    assert lane.ended_ms is not None
    assert 110 < minute_of(lane.ended_ms) <= 110 + 30


def test_a_slow_lane_is_dated_better_as_time_goes_by() -> None:
    def slow(k: int) -> float:
        return max(0.0, 0.03 * (k - AT))

    (lane,) = found(minutes(count=AT + 90, lane={5: slow}))
    assert lane.shape == "ramp"
    assert abs(minute_of(lane.best_ms) - AT) <= 4


@pytest.mark.parametrize(("what", "size"), [("hue", -4.0), ("diameter", 2.0)])
def test_a_level_that_moves_inside_a_lot(what: str, size: float) -> None:
    (level,) = found(minutes(count=AT + 40, **{what: step(size)}))  # type: ignore[arg-type]
    assert (level.kind, level.what, level.lane, level.lot) == ("level", what, 0, "L-0417")
    assert level.size == pytest.approx(size, abs=1.0)
    assert abs(minute_of(level.best_ms) - AT) <= 2
    assert minute_of(level.from_ms) <= AT <= minute_of(level.until_ms)


def test_a_change_that_was_dated_too_early_at_first_is_put_right() -> None:
    """Ordinary swings just before a step draw its first date forward; later minutes settle it."""
    def drawn(k: int) -> float:
        return 2.4 if k >= AT else (0.5 if k >= AT - 25 else 0.0)

    (level,) = found(minutes(count=AT + 50, diameter=drawn))
    assert abs(minute_of(level.best_ms) - AT) <= 2


def test_another_lot_is_other_fruit() -> None:
    """The same step at a lot's beginning is nothing; what was found in a lot ends with it."""
    assert found(minutes(count=160, hue=step(-4.0), lot=lambda k: f"L-{k // AT}")) == []
    (level,) = found(minutes(count=160, hue=step(-4.0), lot=lambda k: f"L-{k // 130}"))
    assert level.ended_ms is not None
    assert minute_of(level.ended_ms) == 130


def test_a_level_that_goes_back_is_over_and_can_move_again() -> None:
    def twice(k: int) -> float:
        return -5.0 if 70 <= k < 100 or k >= 150 else 0.0

    first, second = found(minutes(count=190, hue=twice))
    assert first.ended_ms is not None
    assert 100 < minute_of(first.ended_ms) <= 100 + 2 * OVER
    assert second.open
    assert abs(minute_of(second.best_ms) - 150) <= 3


def test_culls_that_jump_and_another_rule() -> None:
    (share,) = found(minutes(count=120, culls=step(0.15)))
    assert (share.kind, share.what, share.unit) == ("share", "culls", "share")
    assert share.size == pytest.approx(0.15, abs=0.03)
    assert found(minutes(count=120, culls=step(0.15), rule=lambda k: int(k >= AT))) == []
    (ended,) = found(minutes(count=130, culls=step(0.15), rule=lambda k: int(k >= 110)))
    assert ended.ended_ms is not None
    assert minute_of(ended.ended_ms) == 110


def test_a_cold_line_is_not_judged() -> None:
    def warming(k: int) -> float:
        return 1.5 * np.exp(-k / 6.0)

    assert found(minutes(count=100, hue=lambda k: 5 * warming(k), lane={2: warming})) == []
    later = minutes(count=40, seed=2, hue=lambda k: 5 * warming(k),
                    first=FIRST + 100 + COLD_AFTER + 1)
    detector = Detector()
    for minute in [*minutes(count=100), *later]:
        detector.step(minute)
    assert detector.found == []
    assert len(detector.judged) == 100 - WARM_UP + 40 - WARM_UP


def test_a_long_rest_ends_what_was_found() -> None:
    detector = Detector()
    for minute in minutes(count=AT + 30, hue=step(-5.0), lane={5: step(1.0)}):
        detector.step(minute)
    assert len(detector.found) == 2
    detector.step(minutes(count=1, first=FIRST + 1_000)[0])
    assert not any(f.open for f in detector.found)


def test_minutes_with_few_fruit_are_not_judged() -> None:
    def few(k: int) -> int:
        return 150 if 70 <= k < 75 else 1_920

    odd = minutes(count=110, fruit=few, hue=lambda k: -20.0 if 70 <= k < 75 else 0.0)
    assert found(odd) == []


def test_minute_by_minute_is_the_same_as_from_any_moment_on() -> None:
    """Stopped after any minute and gone on from a copy, it finds what it finds in one go."""
    listed = minutes(count=150, hue=step(-4.0, until=120), lane={5: step(0.6)},
                     culls=step(0.1, at=100))
    whole = Detector()
    for k, minute in enumerate(listed):
        if k in (1, WARM_UP + LEARN, AT + 3, 125):
            part = copy.deepcopy(whole)
            for other in listed[k:]:
                part.step(other)
            anew = found(listed)
            assert part.found == anew
        whole.step(minute)
        if k % 40 == 39:
            assert whole.found == found(listed[:k + 1])


def test_it_is_dated_anew_at_declared_times_only() -> None:
    listed = minutes(count=AT + 60, lane={5: step(0.5)})
    detector, seen = Detector(), set()
    for k, minute in enumerate(listed):
        detector.step(minute)
        for f in detector.found:
            seen.add((k - minute_of(f.found_ms) + 1, f.best_ms, f.from_ms, f.until_ms))
    dates = sorted(seen)
    changes = {a[0] for before, a in itertools.pairwise(dates) if a[1:] != before[1:]}
    assert changes <= set(ASKED)


def test_a_lane_that_appears_later_begins_its_day() -> None:
    listed = minutes(count=120)
    wide = [replace(m, lanes={**m.lanes, "diameter": LaneTable(
        "diameter", (*range(1, 9), 9), np.full((9, 1), 240),
        np.vstack([m.lanes["diameter"].centre, [[68.0]]]), np.full((9, 1), 0.27))})
        if k >= 60 else m for k, m in enumerate(listed)]
    assert found(wide) == []


def test_looks_are_told_before_they_call_for_action() -> None:
    detector = Detector()
    seen = []
    for minute in minutes(count=AT + 60, hue=step(-2.2), seed=4):
        detector.step(minute)
        seen.append((bool(detector.looks()), bool(detector.found)))
    assert any(look and not act for look, act in seen)
