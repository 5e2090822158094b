"""Earlier states of what is followed step by step, to go back to when something comes late.

Fruit come late to closed minutes: from a lane whose clock lags, from a source that sends every few
minutes, after a break. To go back to the beginning of the day for each of them would cost as much
as the day.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import takewhile
from typing import Final, TypeVar

State = TypeVar("State")

REACH: Final = 4
"""Nobody goes back by more than REACH times what had to be."""


def still_kept(states: Mapping[int, State], *, steps: int) -> dict[int, State]:
    """Of states by the number of steps that they come after, those to keep once there were `steps`.

    What comes after a multiple of 2^k steps is kept for REACH x 2^k more: two or three of each age.
    """
    return {k: state for k, state in states.items() if steps - k < REACH * (k & -k)}


def newest(states: Mapping[int, State], *, upto: int, since: int = 1) -> int:
    """The state to go on from when the first `upto` steps are as they were, or 0 for none.

    since: an earlier one will not do.
    """
    return max((k for k in states if since <= k <= upto), default=0)


def as_they_were(before: Iterable[object], now: Iterable[object]) -> int:
    """How many steps, from the first on, are the same."""
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1],
                                    zip(before, now, strict=False)))
