"""Which sources are silent: they said so, or the broker did when it lost them."""

from __future__ import annotations

from typing import Final

from service.metrics import Metrics

NAMES_KEPT: Final = 256
"""Sources are few; more names than this are a mistake of somebody who publishes."""


class Presence:
    """The last word on every source that ever told. Used from the event loop only."""

    def __init__(self, *, metrics: Metrics) -> None:
        self._metrics = metrics
        self._told: dict[str, int | None] = {}

    def tell(self, *, source: str, silent: bool, at_ms: int) -> bool:
        """Take a source's state; whether it was taken. at_ms: Unix ms, when it was heard."""
        if source not in self._told and len(self._told) >= NAMES_KEPT:
            return False
        before = self._told.get(source)
        self._told[source] = (at_ms if before is None else before) if silent else None
        self._metrics.source_silent.labels(source).set(silent)
        return True

    def forget(self, *, source: str) -> None:
        """The source was taken out of service; nothing is known of it any more."""
        if source in self._told:
            del self._told[source]
            self._metrics.source_silent.remove(source)

    def silent(self) -> dict[str, int]:
        """Silent sources by name, with the Unix ms from which."""
        return {name: since for name, since in sorted(self._told.items()) if since is not None}
