"""Windows in few bytes, as closed ones are kept in memory: most of their counts are zero.

Every number is a whole one: what is unpacked is what was packed.
"""

from __future__ import annotations

import math
import zlib
from typing import Final

import numpy as np

from grading.monitor.state import MeasureState, WindowState
from grading.quantities import MEASURES, Integers

_NAMES: Final = tuple(MEASURES)
_PARTS: Final = ("n", "repeats", "size_maturity", "grade_pack", "decisive", "any_reason")
_SUMS: Final = ("n", "total", "squares", "low", "high", "run", "run_q")
_HEAD: Final = 4
_QUICK: Final = 1
"""zlib's quickest: a window is packed once a minute, and read by whoever asks."""


def packed(*, values: Integers) -> bytes:
    """A vector of int64 as the places that are not 0: a byte or two for each small count."""
    at = np.flatnonzero(values)
    steps, large_steps = _bytes_and_larger(np.diff(at, prepend=0))
    found, large_found = _bytes_and_larger(values[at])
    head = np.array([len(values), len(at), len(large_steps), len(large_found)], np.int64)
    return zlib.compress(b"".join(
        part.tobytes() for part in (head, large_steps, large_found, steps, found)), _QUICK)


def unpacked(*, data: bytes) -> Integers:
    """The vector that `packed` was given."""
    raw = zlib.decompress(data)
    size, n, large_steps, large_found = np.frombuffer(raw, np.int64, _HEAD).tolist()
    large = np.frombuffer(raw, np.int64, large_steps + large_found, offset=8 * _HEAD)
    small = np.frombuffer(raw, np.uint8, 2 * n, offset=8 * (_HEAD + len(large)))
    values = np.zeros(size, np.int64)
    values[np.cumsum(_whole(small[:n], large[:large_steps]))] = _whole(
        small[n:], large[large_steps:])
    return values


def _bytes_and_larger(values: Integers) -> tuple[Integers, Integers]:
    """One byte for each, 0 where it takes more; and those."""
    fits = (values > 0) & (values < 256)
    return np.where(fits, values, 0).astype(np.uint8), values[~fits]


def _whole(small: Integers, larger: Integers) -> Integers:
    values = small.astype(np.int64)
    values[small == 0] = larger
    return values


def packed_window(state: WindowState) -> bytes:
    """A window of eight lanes and five measures in some four kilobytes."""
    shape = state.shape
    measures = state.measures.values()
    head = [len(state.lanes), shape.sizes, shape.maturities, shape.grades, shape.packs,
            len(measures), *state.lanes]
    for m in measures:
        head += [_NAMES.index(m.name), m.first, m.bins.shape[1]]
    arrays = [getattr(state, name) for name in _PARTS]
    for m in measures:
        arrays += [*(getattr(m, name) for name in _SUMS), m.bins]
    return packed(values=np.concatenate(
        [np.array(head, np.int64), *(a.reshape(-1) for a in arrays)]))


def unpacked_window(data: bytes) -> WindowState:
    """The window that `packed_window` was given."""
    values = _Values(unpacked(data=data))
    lanes, sizes, maturities, grades, packs, measures = values.whole(6)
    numbers = tuple(values.whole(lanes))
    heads = [values.whole(3) for _ in range(measures)]
    shapes = ((), (), (sizes, maturities), (grades, packs), (grades, 32), (grades, 32))
    parts = {name: values.array(lanes, *shape)
             for name, shape in zip(_PARTS, shapes, strict=True)}
    found = {}
    for code, first, width in heads:
        name = _NAMES[code]
        sums = {key: values.array(lanes) for key in _SUMS}
        found[name] = MeasureState(
            name=name, first=first, **sums, bins=values.array(lanes, width))
    return WindowState(lanes=numbers, measures=found, **parts)


class _Values:
    """A vector read from its beginning."""

    def __init__(self, values: Integers) -> None:
        self._values = values
        self._at = 0

    def array(self, *shape: int) -> Integers:
        begin, self._at = self._at, self._at + math.prod(shape)
        return self._values[begin:self._at].reshape(shape)

    def whole(self, n: int) -> list[int]:
        return self.array(n).tolist()  # type: ignore[no-any-return]  # of whole numbers
