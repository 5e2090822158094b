"""Going back for late fruit ends where a watch ends that had all fruit in time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.earlier import REACH
from service.watch.detect import Detector
from service.watch.minutes import Minute
from service.watch.steps import Key, Steps
from tests.support.minutes import FIRST, minutes

FRUIT = 1_000


def counts(listed: list[Minute]) -> dict[Key, int]:
    return {(m.index, m.lot): FRUIT for m in listed}


def step(steps: Steps, now: dict[Key, int], known: dict[Key, Minute]) -> int:
    """Step what is due, and say how many that were."""
    due = steps.due(now)
    for key in due:
        steps.detector.step(known[key])
        steps.stepped(key, now[key])
    assert list(steps.fruit.items()) == list(now.items())
    return len(due)


def told(detector: Detector) -> str:
    with np.printoptions(precision=17, threshold=100_000):
        return repr(detector)


@pytest.mark.parametrize("late", [1, 2, 5, 30, 95])
def test_a_minute_that_changed_late_is_stepped_as_if_it_had_been_so(late: int) -> None:
    before = minutes(count=100)
    after = minutes(count=100, lane={5: lambda k: 2.0 if k == 100 - late else 0.0})
    keys = list(counts(before))
    steps = Steps()
    for n in range(1, 101):
        assert step(steps, counts(before[:n]), dict(zip(keys, before, strict=True))) == 1
    assert step(steps, counts(before), {}) == 0
    changed = {**counts(after), keys[-late]: FRUIT + 1}
    assert late <= step(steps, changed, dict(zip(keys, after, strict=True))) <= REACH * late
    straight = Detector()
    for minute in after:
        straight.step(minute)
    assert told(steps.detector) == told(straight)


@given(st.data())
@settings(max_examples=30, deadline=None)
def test_whatever_comes_late_the_end_is_that_of_a_straight_day(data: st.DataObject) -> None:
    """Minutes are added, changed and put between others."""
    (model,) = minutes(count=1)
    known: dict[Key, Minute] = {}
    steps, now = Steps(), 0
    for _ in range(data.draw(st.integers(1, 25))):
        match data.draw(st.sampled_from(("next", "next", "late", "between"))):
            case "next":
                for _ in range(data.draw(st.integers(1, 40))):
                    known[FIRST + now, "a"] = replace(model, index=FIRST + now, lot="a")
                    now += 1
            case "late" if known:
                key = data.draw(st.sampled_from(sorted(known)))
                known[key] = replace(known[key], n=known[key].n + data.draw(st.integers(1, 9)))
            case "between" if known:
                key = data.draw(st.sampled_from(sorted(known)))[0], "b"
                known.setdefault(key, replace(model, index=key[0], lot="b"))
        known = dict(sorted(known.items()))
        step(steps, {key: minute.n for key, minute in known.items()}, known)
    straight = Detector()
    for minute in known.values():
        straight.step(minute)
    assert told(steps.detector) == told(straight)


def test_going_back_is_bounded_by_the_delay_and_few_states_are_kept() -> None:
    """Four times the delay at most; two to three states of each age."""
    (model,) = minutes(count=1)
    for n in (1, 7, 64, 101):
        listed = [replace(model, index=FIRST + k, n=0) for k in range(n)]  # too few to judge
        known = dict(zip(counts(listed), listed, strict=True))
        for late in range(1, n + 1):
            steps = Steps()
            step(steps, counts(listed), known)
            assert len(steps._earlier) <= 2 * n.bit_length() + 1
            changed = {**counts(listed), list(known)[-late]: FRUIT + 1}
            assert late <= step(steps, changed, known) <= REACH * late


def test_what_is_older_than_a_day_is_forgotten_and_not_gone_back_to() -> None:
    (model,) = minutes(count=1)
    listed = [replace(model, index=FIRST + k) for k in range(60)]
    known = dict(zip(counts(listed), listed, strict=True))
    steps = Steps()
    step(steps, counts(listed), known)
    day = counts(listed[50:])
    assert step(steps, day, known) == 0
    assert steps.dropped == 50
    assert step(steps, {**day, (FIRST + 58, model.lot): FRUIT + 1}, known) <= 2 * REACH
    assert steps.dropped == 50
    # All that is left of the day: it begins anew.
    assert step(steps, {**day, (FIRST + 50, model.lot): FRUIT + 1}, known) == 10
    assert len(steps.detector.judged) <= 10
