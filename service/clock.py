"""Wall time as one injected object, so that nothing else asks the machine."""

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


@dataclass(frozen=True, slots=True)
class Clock:
    """now_ms: Unix milliseconds, UTC."""

    now_ms: Callable[[], int] = _now_ms


def check_set(*, now_ms: int) -> None:
    """Raises Refused if the clock was never set, as on a machine without a battery or network."""
    if now_ms < SET_FROM_MS:
        shown = datetime.fromtimestamp(now_ms / 1000, UTC)
        raise Refused(
            f"the clock of this machine shows {shown:%Y-%m-%d}, so arrival times would be wrong; "
            "set it (date --set, or a time service), then start again"
        )
