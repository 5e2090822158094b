"""Any stretch of a simulated line made alone is the same stretch of the whole."""

from __future__ import annotations

from functools import cache

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from service.simulator import LineShift, Slice
from service.simulator.events import READ
from tests.support.shifts import LOT, line_of

FRUIT = 28_000


def made() -> LineShift:
    return line_of(
        {"kind": "double_fruit", "size": 0.05, "start_min": 2, "end_min": 9},
        {"kind": "silent_lane", "lanes": [3], "start_min": 6, "end_min": 8},
        {"kind": "sensor_restart", "start_min": 7},
        {"kind": "smoothed", "lanes": [5], "size": 3, "start_min": 1},
        {"kind": "cut_change", "size": -1.0, "start_min": 5, "end_min": 6},
        hours=0.25, lots=[{**LOT, "id": "L-1", "bins": 7}, {**LOT, "id": "L-2", "bins": 7}])


@cache
def everything() -> tuple[Slice, ...]:
    return tuple(made().slices(fruit=10**6))


def column(parts: tuple[Slice, ...], name: str) -> np.ndarray:
    return np.concatenate([
        getattr(p, name) if hasattr(p, name) else getattr(p.truth, name) if hasattr(p.truth, name)
        else p.readings.quanta[name] for p in parts])


@given(start=st.integers(0, FRUIT), length=st.integers(1, 9_000), fruit=st.integers(50, 9_000))
def test_a_stretch_alone_is_the_stretch_of_the_whole(start: int, length: int, fruit: int) -> None:
    line = made()
    stop = min(start + length, len(line))
    parts = tuple(line.slices(start=start, stop=start + length, fruit=fruit))
    assert sum(map(len, parts)) == max(stop - start, 0)
    if not parts:
        return
    assert all(len(p) <= fruit for p in parts)
    assert [p.first for p in parts] == [start, *np.cumsum([len(p) for p in parts])[:-1] + start]
    for name in ("seq", "lane", "bin", "seconds", "ahead_s", "acted", "diameter_mm", "hue_deg",
                 "firmness_n", "defect", *READ):
        assert np.array_equal(column(parts, name), column(everything(), name)[start:stop]), name
    labels = [(p.lot.id, p.run, p.rule) for p in everything() for _ in range(len(p))]
    for part in parts:
        assert set(labels[part.first:part.first + len(part)]) == {
            (part.lot.id, part.run, part.rule)}
