"""Waiting for a condition with a deadline."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def within(seconds: float, condition: Callable[[], T], what: str) -> T:
    """Polls for a condition; what it was, once it holds."""
    deadline = time.monotonic() + seconds
    while True:
        found = condition()
        if found:
            return found
        assert time.monotonic() < deadline, f"not within {seconds:g} s: {what}"
        time.sleep(0.02)  # polls, decides nothing
