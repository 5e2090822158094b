"""Windows as plain data and bytes, so that a past board can be drawn again.

Counts are mostly zero, so arrays are written as the places that are not. Every number is a whole
one: what is read back is what was written.
"""

from __future__ import annotations

import math
import zlib
from typing import Any, Final

import msgspec
import numpy as np

from grading.monitor.state import MeasureState, WindowState
from grading.quantities import Integers

FORMAT: Final = 1
_PARTS: Final = ("n", "repeats", "size_maturity", "grade_pack", "decisive", "any_reason")
_SUMS: Final = ("n", "total", "squares", "low", "high", "run", "run_q")

_LARGEST: Final = 1 << 26
"""Counts in one array of a stored window, far above any that is written."""


class _Sparse(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """shape: of the array; at: flat places that are not 0, each as the step from the last one;
    values: what stands there."""

    shape: list[int]
    at: list[int]
    values: list[int]


class _Measure(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    first: int
    bins: _Sparse
    sums: dict[str, list[int]]


class _Window(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: int
    lanes: list[int]
    parts: dict[str, _Sparse]
    measures: dict[str, _Measure]


def to_plain(*, state: WindowState) -> dict[str, Any]:
    """The window as dicts, lists, words and whole numbers, fit for JSON."""
    plain: dict[str, Any] = msgspec.to_builtins(_Window(
        format=FORMAT, lanes=list(state.lanes),
        parts={name: _sparse(getattr(state, name)) for name in _PARTS},
        measures={name: _Measure(
            first=m.first, bins=_sparse(m.bins),
            sums={key: getattr(m, key).tolist() for key in _SUMS},
        ) for name, m in state.measures.items()}))
    return plain


def from_plain(*, plain: Any) -> WindowState:
    """The window that `to_plain` wrote. Raises ValueError for anything else."""
    window = msgspec.convert(plain, _Window)
    if window.format != FORMAT or set(window.parts) != set(_PARTS):
        raise ValueError(f"window format {window.format} is not {FORMAT}, or parts are missing")
    if any(set(m.sums) != set(_SUMS) for m in window.measures.values()):
        raise ValueError("sums of a measure are missing")
    return WindowState(
        lanes=tuple(window.lanes),
        measures={name: MeasureState(
            name=name, first=m.first, bins=_dense(m.bins),
            **{key: np.array(values, np.int64) for key, values in m.sums.items()},
        ) for name, m in window.measures.items()},
        **{name: _dense(part) for name, part in window.parts.items()})


def to_bytes(*, state: WindowState) -> bytes:
    """The window as compressed JSON, a few kilobytes a window of eight lanes."""
    return zlib.compress(msgspec.json.encode(to_plain(state=state)), 6)


def from_bytes(*, data: bytes) -> WindowState:
    """The window that `to_bytes` wrote. Raises ValueError for anything else."""
    try:
        return from_plain(plain=msgspec.json.decode(zlib.decompress(data)))
    except zlib.error as problem:
        raise ValueError(f"not a stored window: {problem}") from problem


def _sparse(array: Integers) -> _Sparse:
    flat = array.reshape(-1)
    at = np.flatnonzero(flat)
    return _Sparse(list(array.shape), np.diff(at, prepend=0).tolist(), flat[at].tolist())


def _dense(part: _Sparse) -> Integers:
    size = math.prod(part.shape)
    at = np.cumsum(np.array(part.at, np.int64))
    if min(part.shape) < 0 or size > _LARGEST or len(at) != len(part.values) or (
            len(at) and not 0 <= at.min() <= at.max() < size):
        raise ValueError("places of a stored count lie outside its array")
    flat = np.zeros(size, np.int64)
    flat[at] = part.values
    return flat.reshape(part.shape)
