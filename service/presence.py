"""Which sources are silent: they said so, or the broker did when it lost them."""

from __future__ import annotations

from typing import Final, NamedTuple

from service.clock import Clock
from service.metrics import Metrics

NAMES_KEPT: Final = 256
"""Sources are few; more names than this are a mistake of somebody who publishes."""


class Since(NamedTuple):
    """A moment in Unix ms and by the steady clock."""

    at_ms: int
    steady_ms: int


class Presence:
    """The last word on every source that ever told. Used from the event loop only."""

    def __init__(self, *, metrics: Metrics, clock: Clock) -> None:
        self._metrics = metrics
        self._clock = clock
        self._told: dict[str, Since | None] = {}

    def tell(self, *, source: str, silent: bool) -> bool:
        """Take a source's state, heard now; whether it was taken."""
        if source not in self._told and len(self._told) >= NAMES_KEPT:
            return False
        now = Since(self._clock.now_ms(), self._clock.steady_ms())
        self._told[source] = (self._told.get(source) or now) if silent else None
        self._metrics.source_silent.labels(source).set(silent)
        return True

    def forget(self, *, source: str) -> None:
        """The source was taken out of service; nothing is known of it any more."""
        if source in self._told:
            del self._told[source]
            self._metrics.source_silent.remove(source)

    def silent(self) -> dict[str, Since]:
        """Silent sources by name, with the moment from which."""
        return {name: since for name, since in sorted(self._told.items()) if since is not None}
