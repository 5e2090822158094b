"""The minutes of one line as they were stepped, with earlier states to go back to.

Fruit come late to minutes that were judged already: from a lane whose clock lags, from a source
that sends every few minutes, after a break. Then the watch goes back to before the first of those
minutes instead of to the beginning of the day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from itertools import takewhile
from typing import Any, Final

from service.watch.detect import Detector, Series
from service.watch.lanes import Lanes

Key = tuple[int, str]
"""(minute, lot)"""
REACH: Final = 4
"""A state after a multiple of 2^k steps is kept for REACH x 2^k more: a few of each age, and one
never goes back by more than REACH times what had to be."""


@dataclass(slots=True)
class Steps:
    """One line's last day. fruit: of each minute when it was stepped, in the order of the steps.
    dropped: steps before those, forgotten since."""

    detector: Detector = field(default_factory=Detector)
    fruit: dict[Key, int] = field(default_factory=dict)
    dropped: int = 0
    _earlier: dict[int, Detector] = field(default_factory=dict)

    def due(self, counts: Mapping[Key, int]) -> list[Key]:
        """The minutes to step now, oldest first; goes back to before the first one that is no
        longer as it was stepped. counts: fruit of every closed minute of the day, in time order."""
        for key in list(takewhile(lambda k: k not in counts, self.fruit)):
            del self.fruit[key]
            self.dropped += 1
        same = sum(1 for _ in takewhile(
            lambda pair: pair[0] == pair[1], zip(self.fruit.items(), counts.items(), strict=False)))
        if same < len(self.fruit):
            self._back(self.dropped + same)
        return list(counts)[len(self.fruit):]

    def stepped(self, key: Key, fruit: int) -> None:
        """The detector has taken the next minute."""
        self.fruit[key] = fruit
        number = self.dropped + len(self.fruit)
        self._earlier[number] = _apart(self.detector)
        self._earlier = {k: kept for k, kept in self._earlier.items()
                         if k >= self.dropped and number - k < REACH * (k & -k)}

    def _back(self, number: int) -> None:
        """To the newest kept state after at most `number` steps, or to the day's beginning."""
        kept = [k for k in self._earlier if self.dropped <= k <= number]
        if not kept:
            self.detector, self.fruit, self.dropped, self._earlier = Detector(), {}, 0, {}
            return
        self.detector = _apart(self._earlier[max(kept)])
        self.fruit = dict(list(self.fruit.items())[:max(kept) - self.dropped])
        self._earlier = {k: self._earlier[k] for k in kept}


def _apart(state: Any) -> Any:
    """A state that goes its own way: its lists, and its dictionaries of states; what is frozen, and
    what is never changed in place, is shared."""
    if isinstance(state, Detector | Lanes | Series):
        return replace(state, **{f.name: _apart(getattr(state, f.name)) for f in fields(state)})
    if isinstance(state, dict):
        return {name: value if isinstance(value, list) else _apart(value)
                for name, value in state.items()}
    return list(state) if isinstance(state, list) else state
