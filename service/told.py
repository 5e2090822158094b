"""What the next watermark of a stream says."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

import msgspec

from service.binding import Notes
from service.outcomes import OUTCOMES
from service.store.group import CONFLICT, DUPLICATE, LOT_CLOSED, STORED

_ENCODE: Final = msgspec.json.Encoder().encode


class Told:
    """Gathers until it is said. changed: outcomes, in JSON, that differ from what was answered."""

    def __init__(self) -> None:
        self.moved = False
        self.changed: list[bytes] = []
        self._mark: int | None = None
        self._counts = dict.fromkeys(OUTCOMES, 0)
        self._refused = 0
        self._clock: Counter[str] = Counter()
        self._skipped: tuple[int, int] | None = None

    def add(
        self, *, mark: int | None, counts: dict[int, int], refused: int, notes: Notes
    ) -> None:
        self.moved, self._mark = True, mark
        self._refused += refused
        for code, n in counts.items():
            self._counts[code] += n
        self._clock.update(notes.clock())
        self._skipped = notes.skipped or self._skipped

    def frame(self) -> bytes:
        head: dict[str, Any] = {
            "committed": self._mark, "stored": self._counts[STORED],
            "duplicates": self._counts[DUPLICATE], "conflicts": self._counts[CONFLICT],
            "lot_closed": self._counts[LOT_CLOSED], "refused": self._refused}
        if self._clock:
            head["clock"] = self._clock
        if self._skipped is not None:
            head["skipped"] = self._skipped
        return _ENCODE(head)[:-1] + b',"changed":[' + b",".join(self.changed) + b"]}"
