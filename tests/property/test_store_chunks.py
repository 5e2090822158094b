"""Whatever a batch says, its chunk says it again exactly."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from grading.quantities import MEASURES, UNIT_FIELDS
from grading.record import SEQ_MAX, TIME_HIGH_MS, TIME_LOW_MS, Column, Defect, FruitBatch
from grading.verdicts import Verdicts
from service.store.chunks import decode, encode, pack_ranges, unpack_ranges
from service.store.seqs import SeqSet, ranges_of
from tests.support.store_batches import same_batch, same_verdicts

DEFECTS = st.builds(
    Defect,
    kind=st.from_regex(r"\A[a-z][a-z0-9_]{1,39}\Z"),
    circle_mm=st.none() | st.floats(0.001, 400),
    count=st.none() | st.integers(1, 999),
    healed=st.none() | st.booleans(),
    severity=st.sampled_from([None, "none", "injury", "damage", "serious"]),
)


def column(draw: Any, n: int, values: Any, dtype: Any) -> Column:
    said = draw(st.lists(st.none() | values, min_size=n, max_size=n))
    return Column(
        np.array([0 if v is None else v for v in said], dtype),
        np.array([v is not None for v in said], np.bool_),
    )


@st.composite
def batches(draw: Any) -> FruitBatch:
    n = draw(st.integers(1, 12))
    rows = st.integers(0, n - 1)
    names = draw(st.sets(st.sampled_from(sorted(MEASURES)), max_size=4))
    fields = draw(st.sets(st.sampled_from(sorted(UNIT_FIELDS)), max_size=2))
    finite = st.floats(allow_nan=False, allow_infinity=False)
    return FruitBatch(
        source=draw(st.text(max_size=5)),
        run=draw(st.text(max_size=5)),
        seq=np.array(
            draw(st.lists(st.integers(0, SEQ_MAX), min_size=n, max_size=n, unique=True)), np.int64
        ),
        lane=np.array(draw(st.lists(st.integers(0, 255), min_size=n, max_size=n)), np.uint8),
        time_ms=column(draw, n, st.integers(TIME_LOW_MS, TIME_HIGH_MS - 1), np.int64),
        measures={
            k: column(
                draw, n, st.integers(MEASURES[k].low_q, MEASURES[k].high_q), MEASURES[k].dtype
            ) for k in sorted(names)
        },
        originals={k: column(draw, n, finite, np.float64) for k in sorted(fields)},
        defects=draw(st.dictionaries(
            rows, st.lists(DEFECTS, min_size=1, max_size=3).map(tuple), max_size=3)),
        judged=draw(st.dictionaries(
            rows, st.dictionaries(st.text(max_size=8), st.booleans(), max_size=3), max_size=3)),
    )


@given(batch=batches(), data=st.data())
def test_fruit_and_verdicts_read_back(batch: FruitBatch, data: st.DataObject) -> None:
    n = len(batch)

    def codes(high: int, dtype: Any) -> Any:
        return np.array(
            data.draw(st.lists(st.integers(0, high), min_size=n, max_size=n)), dtype)

    verdicts = Verdicts(
        codes(255, np.uint8), codes(255, np.uint8), codes(255, np.uint8), codes(255, np.uint8),
        codes(2**32 - 1, np.uint32), codes(255, np.uint8),
    )
    again, graded = decode(
        blob=encode(batch=batch, verdicts=verdicts), source=batch.source, run=batch.run)
    assert same_batch(batch, again)
    assert same_verdicts(verdicts, graded)
    assert all(
        getattr(graded, k).dtype == getattr(verdicts, k).dtype for k in Verdicts.__slots__)


@given(seqs=st.lists(st.integers(0, SEQ_MAX) | st.integers(0, 40), min_size=1, max_size=60))
def test_ranges_say_exactly_the_numbers(seqs: list[int]) -> None:
    ranges = ranges_of(seqs=np.array(seqs, np.int64))
    told = [low + k for low, high in ranges.tolist() for k in range(min(high - low + 1, 100))]
    assert told == sorted(set(seqs))
    back = unpack_ranges(blob=pack_ranges(ranges=ranges), low=min(seqs), high=max(seqs))
    assert back.tolist() == ranges.tolist()


@given(spans=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 8)), max_size=25))
def test_a_seq_set_is_a_set(spans: list[tuple[int, int]]) -> None:
    plain: set[int] = set()
    found = SeqSet()
    for low, more in spans:
        new = set(range(low, low + more + 1))
        assert found.overlaps(low=low, high=low + more) == bool(new & plain)
        assert found.add(low=low, high=low + more) == len(new - plain)
        plain |= new
    assert found.count == len(plain)
    every = np.arange(80)
    assert found.contains(seqs=every).tolist() == [int(k) in plain for k in every]
    missing = [k for low, high in found.gaps() for k in range(low, high + 1)]
    assert missing == (
        [k for k in range(min(plain), max(plain)) if k not in plain] if plain else [])
    ends = list(found)
    assert all(a[1] + 1 < b[0] for a, b in pairwise(ends))
