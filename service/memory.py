"""What the C library does with freed memory, and Python with garbage."""

from __future__ import annotations

import ctypes
import gc
from typing import Final

M_TRIM_THRESHOLD: Final = -1
M_MMAP_THRESHOLD: Final = -3
M_ARENA_MAX: Final = -8
ARENAS: Final = 2
"""Of the C library's memory: one for the event loop and one for all the threads beside it."""
KEEP_BYTES: Final = 64 * 2**20
GARBAGE: Final = (5_000, 20, 100)
"""How much is made before cycles are looked for, in each of the collector's generations."""


def keep_memory() -> None:
    """Tell glibc to keep freed blocks: bodies and answers of a hundred kilobytes would otherwise
    be mapped, zeroed and unmapped again for every request, on both threads. Threads share arenas:
    one each would hold on to the most that its thread ever needed, and the heap would grow for
    hours. Other C libraries do not know the call and are left as they are."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, KEEP_BYTES)
        mallopt(M_TRIM_THRESHOLD, 4 * KEEP_BYTES)
        mallopt(M_ARENA_MAX, ARENAS)


def spare_garbage() -> None:
    """Look for cycles less often, and not among what was loaded so far: the road of a record makes
    none, and to look through everything holds up every answer for tens of milliseconds. What is
    refused may leave some, with its body, so they are not left for long."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*GARBAGE)
