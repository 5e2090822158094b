"""Steps that pulls and checks show, on invented ones."""

from __future__ import annotations

import numpy as np
import pytest

from grading.drift.shown import Told, find_step


def told(*values: float, se: float = 0.26, n: int = 30) -> list[Told]:
    return [Told(at_ms=1000 * k, value=v, se=se, n=n) for k, v in enumerate(values)]


def test_a_step_lies_between_the_last_good_one_and_the_first_bad_one() -> None:
    step = find_step(told=told(0.1, -0.1, 0.0, 3.1, 2.9), margin=1.5)
    assert step is not None
    assert (step.good_ms, step.bad_ms) == (2000, 3000)
    assert step.size == pytest.approx(3.0)
    assert step.ratio == pytest.approx(3.0 / 1.5)  # the margin is more than chance here


def test_what_was_never_right_is_held_against_zero() -> None:
    step = find_step(told=told(2.0, 2.1), margin=1.5)
    assert step is not None
    assert (step.good_ms, step.bad_ms) == (None, 0)
    assert step.size == pytest.approx(2.05)
    assert step.ratio > 1.0


def test_nothing_told_and_nothing_moved() -> None:
    assert find_step(told=[], margin=1.5) is None
    quiet = find_step(told=told(0.2, -0.1, 0.1), margin=1.5)
    assert quiet is not None
    assert quiet.ratio < 1.0


def test_vague_values_need_more() -> None:
    """The same step from pulls of 30 and of 3 fruit."""
    sure = find_step(told=told(0.0, 2.0, se=0.26, n=30), margin=0.5)
    vague = find_step(told=told(0.0, 2.0, se=0.8, n=3), margin=0.5)
    assert sure is not None
    assert vague is not None
    assert sure.ratio > 1.0 > vague.ratio


def test_false_steps_are_as_rare_as_claimed() -> None:
    """Steady errors, six pulls: at most 1 in 200 shows a step (0.04 % a look, five looks)."""
    rng = np.random.default_rng(5)
    found = [find_step(told=told(*(0.26 * rng.normal(size=6))), margin=0.01) for _ in range(1000)]
    assert sum(f is not None and f.ratio > 1.0 for f in found) <= 5
