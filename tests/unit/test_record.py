"""The fruit record: what is refused, what is kept, and that missing stays missing."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import msgspec
import numpy as np
import pytest

from grading.columns import Parsed, to_batch
from grading.quantities import MEASURES
from grading.record import Defect, FruitRecord, concat

DECODER = msgspec.json.Decoder(FruitRecord)


def parse(*bodies: str) -> Parsed:
    records = [DECODER.decode(f'{{"seq":{i}{"," if b else ""}{b}}}') for i, b in enumerate(bodies)]
    return to_batch(records=records, source="line-1", run="r1")


def quanta(parsed: Parsed, measure: str, row: int = 0) -> int | None:
    column = parsed.batch.measures.get(measure)
    return None if column is None or not column.present[row] else int(column.values[row])


@pytest.mark.parametrize(("body", "pointer", "code", "remedy"), [
    ('"diameter_mm":400', "/diameter_mm", "out_of_range", "inches"),
    ('"diameter_mm":2.5', "/diameter_mm", "out_of_range", "diameter_in"),
    ('"diameter_in":62.5', "/diameter_in", "out_of_range", "millimetres"),
    ('"ground_hue_deg":361', "/ground_hue_deg", "out_of_range", "hue angle"),
    ('"ground_hue_deg":-1', "/ground_hue_deg", "out_of_range", "hue angle"),
    ('"blush_fraction":1.2', "/blush_fraction", "out_of_range", "not percent"),
    ('"firmness_n":-5,"tip_mm":8', "/firmness_n", "out_of_range", "never zero"),
    ('"firmness_n":0,"tip_mm":8', "/firmness_n", "out_of_range", "never zero"),
    ('"firmness_lbf":0,"tip_mm":8', "/firmness_lbf", "out_of_range", "never zero"),
    ('"firmness_lbf":12', "/tip_mm", "tip_missing", "plunger diameter"),
    ('"diameter_mm":63.5,"diameter_in":2.5', "/diameter_in", "measured_twice", "one of them"),
    ('"defects":[{"kind":"scab","circle_mm":3,"area_mm2":7}]', "/defects/0/area_mm2",
     "measured_twice", "one of them"),
    ('"time_unix_ms":1770000000000,"time":"2026-07-01T08:00:00Z"', "/time", "time_given_twice",
     "one of them"),
    ('"time":"1999-12-31T23:59:59Z"', "/time", "out_of_range", "clock"),
    ('"time":"2100-01-01T00:00:00Z"', "/time", "out_of_range", "clock"),
])
def test_what_cannot_be_is_refused_and_says_what_to_do(
    body: str, pointer: str, code: str, remedy: str
) -> None:
    parsed = parse(body, '"diameter_mm":63.5')
    (finding,) = parsed.refused[0]
    assert (finding.pointer, finding.code) == (pointer, code)
    assert remedy in finding.remedy
    assert finding.message
    assert parsed.kept.tolist() == [1], "the good record beside it is kept"
    assert quanta(parsed, "diameter") == 6350


def test_the_message_names_the_value_and_the_range() -> None:
    (finding,) = parse('"diameter_mm":400').refused[0]
    assert "400 mm" in finding.message
    assert "20 to 150 mm" in finding.message


def test_hue_is_a_circle() -> None:
    """360 degrees is 0 degrees, also when it is rounded to it."""
    parsed = parse('"ground_hue_deg":360', '"ground_hue_deg":359.996', '"ground_hue_deg":0')
    assert not parsed.refused
    assert [quanta(parsed, "hue", r) for r in range(3)] == [0, 0, 0]


@pytest.mark.parametrize("value", [math.inf, -math.inf])
def test_infinite_is_not_a_number(value: float) -> None:
    parsed = to_batch(records=[FruitRecord(seq=0, mass_g=value)], source="line-1", run="r1")
    assert parsed.refused[0][0].code == "not_a_number"


def test_nan_is_not_measured() -> None:
    """Columnar senders write NaN for a gap; in JSON it cannot be written at all."""
    parsed = to_batch(records=[FruitRecord(seq=0, mass_g=math.nan, diameter_mm=60.0)],
                      source="line-1", run="r1")
    assert not parsed.refused
    assert quanta(parsed, "mass") is None
    with pytest.raises(msgspec.DecodeError):
        DECODER.decode('{"seq":0,"mass_g":NaN}')


@pytest.mark.parametrize("body", [
    '{"seq":0,"diametre_mm":63}', '{"seq":0,"diameter_mm":"63"}', '{"seq":-1}', '{}',
    '{"seq":0,"lane":0}', '{"seq":0,"lane":256}', '{"seq":9007199254740993}',
    '{"seq":0,"time":"2026-07-01T08:00:00"}', '{"seq":0,"time_unix_ms":5}',
    '{"seq":0,"defects":[{"kind":"Scab"}]}', '{"seq":0,"defects":[{"kind":"scab","size":3}]}',
    '{"seq":0,"defects":[{"kind":"scab","circle_mm":0}]}',
    '{"seq":0,"defects":[{"kind":"scab","surface_fraction":1.01}]}',
    '{"seq":0,"judged":{"mature":"yes"}}',
])
def test_the_decoder_is_strict(body: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        DECODER.decode(body)


def test_null_is_absent_and_neither_is_zero() -> None:
    parsed = parse('"sugar_brix":null,"blush_fraction":0', "", '"sugar_brix":11.5')
    assert not parsed.refused
    assert [quanta(parsed, "sugar", r) for r in range(3)] == [None, None, 1150]
    assert [quanta(parsed, "blush", r) for r in range(3)] == [0, None, None]
    assert parsed.batch.measures["sugar"].values.tolist() == [0, 0, 1150]
    assert "diameter" not in parsed.batch.measures


def test_units_are_exact_and_originals_are_kept() -> None:
    """2.5 in = 63.5 mm; 1 lbf = 4.4482216 N, 1 kgf = 9.80665 N (NIST SP 811, appendix B)."""
    parsed = parse('"diameter_in":2.5,"firmness_lbf":12,"tip_mm":8', '"diameter_mm":63.5',
                   '"diameter_mm":63.512345', '"firmness_kgf":5,"tip_mm":11')
    assert [quanta(parsed, "diameter", r) for r in range(4)] == [6350, 6350, 6351, None]
    assert [quanta(parsed, "firmness", r) for r in range(4)] == [5338, None, None, 4903]
    originals = parsed.batch.originals
    assert originals["diameter_in"].present.tolist() == [True, False, False, False]
    assert originals["diameter_in"].values[0] == 2.5
    assert originals["diameter_mm"].present.tolist() == [False, False, True, False]
    assert originals["diameter_mm"].values[2] == 63.512345
    assert originals["firmness_lbf"].values[0] == 12
    assert originals["firmness_kgf"].values[3] == 5
    assert "tip_mm" not in originals


def test_times_lanes_and_sparse_parts() -> None:
    moment = datetime(2026, 7, 1, 8, 0, 0, 250_000, tzinfo=UTC)
    parsed = parse('"time":"2026-07-01T08:00:00.250Z","lane":3', "",
                   f'"time_unix_ms":{int(moment.timestamp() * 1000)},"judged":{{"mature":true}},'
                   '"defects":[{"kind":"scab","circle_mm":3.5}]')
    batch = parsed.batch
    assert batch.time_ms.present.tolist() == [True, False, True]
    assert batch.time_ms.values[0] == batch.time_ms.values[2] == moment.timestamp() * 1000
    assert batch.lane.tolist() == [3, 0, 0]
    assert batch.defects == {2: (Defect(kind="scab", circle_mm=3.5),)}
    assert batch.judged == {2: {"mature": True}}
    every = parse('"time_unix_ms":1782892800000', '"time_unix_ms":1782892800001')
    assert every.batch.time_ms.present.all()


def test_no_records_and_narrow_records() -> None:
    class Narrow(msgspec.Struct):
        seq: int
        mass_g: float | None = None

    assert len(to_batch(records=[], source="line-1", run="r1").batch) == 0
    narrow = to_batch(records=[Narrow(seq=5, mass_g=150.0)], source="line-1", run="r1").batch
    assert narrow.seq.tolist() == [5]
    assert narrow.measures["mass"].values.tolist() == [1500]


def same(a: Any, b: Any) -> bool:
    return bool(np.array_equal(a.values, b.values) and np.array_equal(a.present, b.present))


def test_take_and_concat_keep_every_row() -> None:
    first = parse('"diameter_mm":60.001,"judged":{"mature":false}', '"mass_g":150').batch
    second = parse('"sugar_brix":12,"defects":[{"kind":"scab"}]', '"diameter_in":2.5').batch
    joined = concat(batches=[first, second])
    assert len(joined) == 4
    assert joined.measures["diameter"].values.tolist() == [6000, 0, 0, 6350]
    assert joined.measures["diameter"].present.tolist() == [True, False, False, True]
    assert joined.measures["sugar"].present.tolist() == [False, False, True, False]
    assert joined.originals["diameter_mm"].values.tolist() == [60.001, 0, 0, 0]
    assert (set(joined.defects), set(joined.judged)) == ({2}, {0})
    back = joined.take(rows=np.array([2, 3]))
    assert same(back.measures["sugar"], second.measures["sugar"])
    assert back.defects == second.defects
    assert not back.judged
    assert concat(batches=[first]) is first


@pytest.mark.parametrize(("measure", "digits"), [("diameter", 2), ("mass", 1), ("blush", 3)])
def test_a_measure_is_shown_with_the_digits_its_quantum_has(measure: str, digits: int) -> None:
    assert MEASURES[measure].decimals() == digits
    assert MEASURES[measure].value(quanta=1) == 10.0**-digits
