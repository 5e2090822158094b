"""All chance of a simulated shift: one counter-based stream for every purpose, line and block.

A stream is found by its numbers, not by drawing those before it, so any stretch of a shift can be
made alone and is the same stretch of the whole (Philox: Salmon et al., SC 2011).
"""

from __future__ import annotations

from typing import Final

import numpy as np

BLOCK: Final = 8192
"""Fruit of one block of draws."""
(FEED, TRUTH, READING, DEFECT, BINS, WANDER, LANES, FREEZE, PULL, CHECK, PLAN,
 ORDER) = range(12)


def stream(*, seed: int, line: int, purpose: int, block: int = 0) -> np.random.Generator:
    """The generator of one purpose (FEED to ORDER) of line number `line` (0 up) and one block."""
    return np.random.Generator(np.random.Philox(
        key=[seed, line], counter=[0, 0, block, purpose]))
