"""Which thread goes first where two share a core: answers to single fruit before all else.

The writer and the threads that count and draw yield to the event loop by a little only. A thread
that yields by much, and is put off by other programs while it holds the interpreter, would hold up
the event loop for a fifth of a second (measured with 19, and with the idle class).
"""

from __future__ import annotations

import os
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Final

YIELDING: Final = 5
"""Added to the niceness of a thread."""


def yield_to_fruit() -> None:
    """Let the event loop go before the calling thread."""
    with suppress(OSError):  # a system whose threads have no niceness of their own
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), YIELDING)


def workers() -> ThreadPoolExecutor:
    """The threads that read the store, count and draw."""
    return ThreadPoolExecutor(thread_name_prefix="beside", initializer=yield_to_fruit)
