"""Range sets of sequence numbers, against plain sets."""

from __future__ import annotations

import numpy as np

from service.store.chunks import pack_ranges, unpack_ranges
from service.store.seqs import SeqSet, ascending, ranges_of


def made(*ranges: tuple[int, int]) -> SeqSet:
    found = SeqSet()
    for low, high in ranges:
        found.add(low=low, high=high)
    return found


def test_neighbours_and_overlaps_join() -> None:
    found = made((5, 9), (20, 30))
    assert found.add(low=10, high=12) == 3
    assert found.add(low=1, high=3) == 3
    assert list(found) == [(1, 3), (5, 12), (20, 30)]
    assert found.add(low=4, high=25) == 8
    assert list(found) == [(1, 30)]
    assert found.add(low=7, high=8) == 0
    assert found.count == 30
    assert found.highest == 30


def test_gaps_lie_between_lowest_and_highest() -> None:
    assert made((3, 4), (8, 8), (10, 12)).gaps() == [(5, 7), (9, 9)]
    assert SeqSet().gaps() == []
    assert SeqSet().highest is None


def test_membership() -> None:
    found = made((3, 4), (8, 8))
    assert found.contains(seqs=np.array([2, 3, 4, 5, 8, 9])).tolist() == [
        False, True, True, False, True, False]
    assert found.overlaps(low=5, high=8)
    assert not found.overlaps(low=5, high=7)
    assert not found.overlaps(low=9, high=2**53)


def test_ranges_of_any_order_and_back_from_bytes() -> None:
    seqs = np.array([9, 1, 2, 2, 2**53, 3, 8])
    ranges = ranges_of(seqs=seqs)
    assert ranges.tolist() == [[1, 3], [8, 9], [2**53, 2**53]]
    blob = pack_ranges(ranges=ranges)
    assert unpack_ranges(blob=blob, low=1, high=2**53).tolist() == ranges.tolist()
    one = ranges_of(seqs=np.array([4, 5]))
    assert pack_ranges(ranges=one) is None
    assert unpack_ranges(blob=None, low=4, high=5).tolist() == [[4, 5]]


def test_ascending_is_strict() -> None:
    assert ascending(seqs=np.array([7]))
    assert ascending(seqs=np.array([1, 2, 9]))
    assert not ascending(seqs=np.array([1, 2, 2]))
