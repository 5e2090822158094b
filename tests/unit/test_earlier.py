"""Which earlier states are kept, and how far somebody has to go back to one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.earlier import REACH, as_they_were, newest, still_kept


def kept_after(steps: int) -> dict[int, str]:
    states: dict[int, str] = {}
    for k in range(1, steps + 1):
        states = still_kept({**states, k: f"after {k}"}, steps=k)
    return states


@given(st.integers(1, 3_000), st.data())
def test_nobody_goes_back_by_more_than_a_few_times_the_delay(
    steps: int, data: st.DataObject
) -> None:
    states = kept_after(steps)
    late = data.draw(st.integers(1, steps))
    to = newest(states, upto=steps - late)
    assert late <= steps - to <= REACH * late
    assert not to or states[to] == f"after {to}"
    assert steps in states
    assert len(states) <= 2 * steps.bit_length() + 1


def test_all_at_once_keeps_what_step_by_step_keeps() -> None:
    assert still_kept({k: f"after {k}" for k in range(1, 701)}, steps=700) == kept_after(700)


def test_a_state_from_before_is_not_taken() -> None:
    states = kept_after(20)
    assert newest(states, upto=20, since=21) == 0
    assert newest(states, upto=0) == 0
    assert newest({}, upto=9) == 0


def test_steps_are_as_they_were_up_to_the_first_that_is_not() -> None:
    assert as_they_were("abcd", "abxd") == 2
    assert as_they_were("abc", "abcdef") == 3
    assert as_they_were("", "abc") == 0
    assert as_they_were(iter([1, 2]), iter([1])) == 1
