"""The minutes of one line as they were stepped, with earlier states for fruit that come late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from itertools import takewhile
from typing import Any

from service.earlier import as_they_were, newest, still_kept
from service.watch.detect import Detector, Series
from service.watch.lanes import Lanes

Key = tuple[int, str]
"""(minute, lot)"""


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
        same = as_they_were(self.fruit.items(), counts.items())
        if same < len(self.fruit):
            self._back(self.dropped + same)
        return list(counts)[len(self.fruit):]

    def stepped(self, key: Key, fruit: int) -> None:
        """The detector has taken the next minute."""
        self.fruit[key] = fruit
        steps = self.dropped + len(self.fruit)
        self._earlier = still_kept({**self._earlier, steps: _apart(self.detector)}, steps=steps)

    def _back(self, steps: int) -> None:
        """To the newest kept state after at most `steps`, or to the beginning of the day."""
        to = newest(self._earlier, upto=steps, since=self.dropped)
        if not to:
            self.detector, self.fruit, self.dropped, self._earlier = Detector(), {}, 0, {}
            return
        self.detector = _apart(self._earlier[to])
        self.fruit = dict(list(self.fruit.items())[:to - self.dropped])
        self._earlier = {k: state for k, state in self._earlier.items() if k <= to}


def _apart(state: Any) -> Any:
    """A state that goes its own way: its lists, and its dictionaries of states; what is frozen, and
    what is never changed in place, is shared."""
    if isinstance(state, Detector | Lanes | Series):
        return replace(state, **{f.name: _apart(getattr(state, f.name)) for f in fields(state)})
    if isinstance(state, dict):
        return {name: value if isinstance(value, list) else _apart(value)
                for name, value in state.items()}
    return list(state) if isinstance(state, list) else state
