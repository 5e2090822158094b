"""Sets of sequence numbers as disjoint ranges.

A run of a source counts up, so all that was ever stored of it is a handful of ranges: small
enough to keep in memory for ever, which makes the key of a fruit permanent at no cost.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator

import numpy as np

from grading.quantities import Flags, Integers


class SeqSet:
    """Whole numbers kept as sorted, disjoint, never adjacent ranges with inclusive ends."""

    __slots__ = ("_highs", "_lows", "count")

    def __init__(self) -> None:
        self._lows: list[int] = []
        self._highs: list[int] = []
        self.count = 0

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(zip(self._lows, self._highs, strict=True))

    def __contains__(self, seq: int) -> bool:
        i = bisect_left(self._highs, seq)
        return i < len(self._lows) and self._lows[i] <= seq

    @property
    def highest(self) -> int | None:
        return self._highs[-1] if self._highs else None

    def overlaps(self, *, low: int, high: int) -> bool:
        """Whether any number from low to high is in the set."""
        i = bisect_left(self._highs, low)
        return i < len(self._lows) and self._lows[i] <= high

    def contains(self, *, seqs: Integers) -> Flags:
        """Which of `seqs` (n,) are in the set."""
        if len(seqs) < len(self._highs):
            return np.fromiter((s in self for s in seqs.tolist()), np.bool_, len(seqs))
        if not self._highs:
            return np.zeros(len(seqs), np.bool_)
        at = np.searchsorted(np.array(self._highs, np.int64), seqs)
        lows = np.array([*self._lows, np.iinfo(np.int64).max], np.int64)
        return np.asarray(lows[at] <= seqs)

    def add(self, *, low: int, high: int) -> int:
        """Adds low to high; how many of them were new."""
        lows, highs = self._lows, self._highs
        if not highs or low > highs[-1] + 1:
            lows.append(low)
            highs.append(high)
            new = high - low + 1
        else:
            i = bisect_left(highs, low - 1)
            j = bisect_right(lows, high + 1)
            held = sum(highs[k] - lows[k] + 1 for k in range(i, j))
            if i < j:
                low, high = min(low, lows[i]), max(high, highs[j - 1])
            lows[i:j] = [low]
            highs[i:j] = [high]
            new = high - low + 1 - held
        self.count += new
        return new

    def add_ranges(self, *, ranges: Integers) -> int:
        """Adds ranges (k, 2) of inclusive ends; how many numbers were new."""
        return sum(self.add(low=low, high=high) for low, high in ranges.tolist())

    def gaps(self) -> list[tuple[int, int]]:
        """The missing ranges between the lowest and the highest number."""
        return [
            (high + 1, low - 1)
            for high, low in zip(self._highs[:-1], self._lows[1:], strict=True)
        ]


def ascending(*, seqs: Integers) -> bool:
    """Whether every number is above the one before it."""
    return len(seqs) < 2 or bool((seqs[1:] > seqs[:-1]).all())


def ranges_of(*, seqs: Integers) -> Integers:
    """The ranges (k, 2) that numbers (n,), n > 0, in any order make up; int64."""
    ordered = seqs if ascending(seqs=seqs) else np.unique(seqs)
    cuts = np.flatnonzero(ordered[1:] - ordered[:-1] != 1)
    lows = ordered[np.concatenate(([0], cuts + 1))]
    highs = ordered[np.concatenate((cuts, [len(ordered) - 1]))]
    return np.stack((lows, highs), axis=1)
