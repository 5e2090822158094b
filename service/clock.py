"""Time as one injected object, so that nothing else asks the machine.

Moments that are shown or stored are wall time, which a person or a time service may set at any
moment. How long something has lasted is told by the steady clock, which nobody sets: it begins
anew with the machine, so nothing of it is stored.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from service.store.errors import Refused

SET_FROM_MS: Final = 1_577_836_800_000  # 2020-01-01T00:00:00Z, before this program was written


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _steady_ms() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


@dataclass(frozen=True, slots=True)
class Clock:
    """now_ms: Unix milliseconds, UTC. steady_ms: milliseconds that only go forward, also while the
    machine sleeps."""

    now_ms: Callable[[], int] = _now_ms
    steady_ms: Callable[[], int] = _steady_ms


def check_set(*, now_ms: int) -> None:
    """Raises Refused if the clock was never set, as on a machine without a battery or network."""
    if now_ms < SET_FROM_MS:
        shown = datetime.fromtimestamp(now_ms / 1000, UTC)
        raise Refused(
            f"the clock of this machine shows {shown:%Y-%m-%d}, so arrival times would be wrong; "
            "set it (date --set, or a time service), then start again"
        )
