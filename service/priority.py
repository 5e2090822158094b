"""Which thread goes first where two share a core: answers to single fruit before all else.

The writer and the threads that count and draw yield to the event loop by a little only. A thread
that yields by much, and is put off by other programs while it holds the interpreter, would hold up
the event loop for a fifth of a second (measured with 19, and with the idle class).

Threads that count and draw also rest between pieces of their work. To answer one fruit the event
loop takes the interpreter several times, and would wait for its turn each time that it has to ask
for it; so it waits for one piece at most.
"""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Final

YIELDING: Final = 5
"""Added to the niceness of a thread."""
PIECE_S: Final = 0.0002
"""Processor time after which a worker rests."""
REST_S: Final = 0.0003
"""Long enough for the answers to a few fruit."""

_WORKER: Final = threading.local()


def yield_to_fruit() -> None:
    """Let the event loop go before the calling thread."""
    with suppress(OSError):  # a system whose threads have no niceness of their own
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), YIELDING)


def let_fruit_pass() -> None:
    """Called between pieces of long work: a worker rests if it has worked for a while. The event
    loop, the writer and programs without a service never do."""
    rested_s = getattr(_WORKER, "rested_s", None)
    if rested_s is not None and time.thread_time() - rested_s > PIECE_S:
        time.sleep(REST_S)
        _WORKER.rested_s = time.thread_time()


def workers() -> ThreadPoolExecutor:
    """The threads that read the store, count and draw."""
    return ThreadPoolExecutor(thread_name_prefix="beside", initializer=_begin_to_work)


def _begin_to_work() -> None:
    yield_to_fruit()
    _WORKER.rested_s = time.thread_time()
