"""Chunks read back exactly, and damaged ones say so."""

from __future__ import annotations

import numpy as np
import pytest

from grading.quantities import PRIMARY_FIELD, UNIT_FIELDS
from grading.record import Column
from service.store.chunks import decode, encode
from service.store.content import record_of, same_content
from service.store.errors import ChunkDamaged
from tests.support.store_batches import (
    batch_of,
    packing_batch,
    packing_verdicts,
    same_batch,
    same_verdicts,
    verdicts_of,
)


def test_a_packing_chunk_reads_back_and_is_small() -> None:
    batch, verdicts = packing_batch(n=8192), packing_verdicts(n=8192)
    body = encode(batch=batch, verdicts=verdicts)
    again, codes = decode(blob=body, source="line-1", run="r1")
    assert same_batch(batch, again)
    assert same_verdicts(verdicts, codes)
    # Four whole measures of 2 bytes and a verdict of 9 bytes alone are 17 bytes a fruit.
    assert len(body) / 8192 < 17


def test_far_apart_seqs_and_times_read_back() -> None:
    batch = batch_of(seqs=[2**53, 0, 5])
    batch = type(batch)(
        **{k: getattr(batch, k) for k in batch.__slots__}
        | {"time_ms": Column(np.array([0, 4_102_444_799_999, 946_684_800_000]),
                             np.array([False, True, True]))}
    )
    again, _ = decode(
        blob=encode(batch=batch, verdicts=verdicts_of(batch=batch)), source="line-1", run="r1"
    )
    assert same_batch(batch, again)


def test_columns_in_which_nothing_is_said_are_left_out() -> None:
    batch = packing_batch(n=10)
    empty = Column(np.zeros(10, np.uint16), np.zeros(10, np.bool_))
    wider = type(batch)(
        **{k: getattr(batch, k) for k in batch.__slots__}
        | {"measures": {**batch.measures, "chroma": empty}}
    )
    verdicts = packing_verdicts(n=10)
    assert encode(batch=wider, verdicts=verdicts) == encode(batch=batch, verdicts=verdicts)


def test_verdicts_must_match_the_fruit() -> None:
    with pytest.raises(ValueError, match="10 fruit with 9 verdicts"):
        encode(batch=packing_batch(n=10), verdicts=packing_verdicts(n=9))


@pytest.mark.parametrize("at", [0, 5, 40, 200])
def test_damaged_bytes_are_told(at: int) -> None:
    body = bytearray(encode(batch=packing_batch(n=100), verdicts=packing_verdicts(n=100)))
    with pytest.raises(ChunkDamaged):
        decode(blob=bytes(body[:at]), source="s", run="r")
    body[0] ^= 1
    with pytest.raises(ChunkDamaged, match="starts with"):
        decode(blob=bytes(body), source="s", run="r")


def rows(*numbers: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(numbers, np.int64)


def test_same_content_sees_every_difference() -> None:
    batch = batch_of(seqs=list(range(1, 60)))
    every = np.arange(len(batch))
    fields = {k: getattr(batch, k) for k in batch.__slots__}

    def differs(**changed: object) -> list[int]:
        other = type(batch)(**fields | changed)
        same = same_content(left=batch, left_rows=every, right=other, right_rows=every)
        back = same_content(left=other, left_rows=every, right=batch, right_rows=every)
        assert same.tolist() == back.tolist()
        return np.flatnonzero(~same).tolist()

    def bumped(column: Column, row: int) -> Column:
        values = column.values.copy()
        values[row] += 1
        present = column.present.copy()
        present[row] = True
        return Column(values, present)

    lane = batch.lane.copy()
    lane[3] = 200
    assert differs() == []
    assert differs(lane=lane) == [3]
    assert differs(time_ms=bumped(batch.time_ms, 4)) == [4]
    diameter = batch.measures["diameter"]
    assert differs(measures={**batch.measures, "diameter": bumped(diameter, 5)}) == [5]
    sent = batch.originals["diameter_in"]
    assert differs(originals={"diameter_in": bumped(sent, 6)}) == [6]
    assert differs(originals={}) == np.flatnonzero(sent.present).tolist()
    assert differs(defects={}) == sorted(batch.defects)
    assert differs(judged={}) == sorted(batch.judged)
    unsaid = Column(np.zeros(59, np.uint16), np.zeros(59, np.bool_))
    assert differs(measures={**batch.measures, "pulp": unsaid}) == []
    shuffled = same_content(
        left=batch, left_rows=rows(3, 1), right=batch.take(rows=rows(1, 2, 3)),
        right_rows=rows(2, 0),
    )
    assert shuffled.all()


def test_a_refused_record_is_written_in_wire_fields() -> None:
    batch = batch_of(seqs=[1, 2, 3, 4, 5])
    for row in range(5):
        record = record_of(batch=batch, row=row)
        assert record["seq"] == batch.seq[row]
        sent = batch.originals["diameter_in"]
        wanted = "diameter_in" if sent.present[row] else PRIMARY_FIELD["diameter"]
        assert [f for f in record if f in UNIT_FIELDS and f.startswith("diameter")] == [wanted]
        assert ("sugar_brix" in record) == bool(batch.measures["sugar"].present[row])
