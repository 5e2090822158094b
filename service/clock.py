"""Wall time as one injected object, so that nothing else asks the machine."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


@dataclass(frozen=True, slots=True)
class Clock:
    """now_ms: Unix milliseconds, UTC."""

    now_ms: Callable[[], int] = _now_ms
