"""Frames of a stream: the quick way never takes what the slow way refuses, and both agree."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.quantities import UNIT_FIELDS
from grading.record import FruitRecord
from service.ingest.faults import BodyError
from service.ingest.frames import Sent, is_array, read_json, read_packed, records_of

PACK = msgspec.msgpack.encode
T = "2026-07-14T12:00:00"


def of(frame: bytes, *, packed: bool = False) -> list[Sent]:
    return list(records_of(frame=frame, packed=packed))


def codes(frame: bytes, *, packed: bool = False) -> list[list[str]]:
    return [[f.code for f in sent.findings] for sent in of(frame, packed=packed)]


@pytest.mark.parametrize("text", [
    '{"seq":1}', ' { "seq" : 1 , "diameter_mm" : 66.1 } ', '{"seq":1,"lane":3,"sugar_brix":11}',
    f'{{"seq":1,"time":"{T}Z"}}', '{"seq":1,"time_unix_ms":1784030400000}'])
def test_plain_records_are_read_at_once(text: str) -> None:
    record = read_json(text)
    assert record == read_json(text.encode()) == of(text.encode())[0].record
    assert record is not None and record.seq == 1


@pytest.mark.parametrize(("text", "usable"), [
    (f'{{"seq":1,"time":"{T}+05:00"}}', True),
    ('{"seq":1,"lane":null}', True),
    ('{"seq":1,"defects":[{"kind":"scar"}],"judged":{"clean":true}}', True),
    ('{"\\u0073eq":1}', True),
    (f'{{"seq":1,"time":"{T.replace(":", chr(92) + "u003a")}Z"}}', True),
    ('{"seq":1,"seq":1}', False),
    ('{"seq":1,"lane":2,"lane":null}', False),
    (f'{{"seq":1,"time":"{T}Z","time":null}}', False),
    ('{"seq":1,"lane":1,"lane":1,"lane":1,"time":"' + T.replace(":", "\\u003a") + 'Z"}', False),
    ('{"seq":1,"judged":{"clean":true,"clean":false}}', False),
    ('{"seq":"1"}', False), ('{"lane":1}', False), ('{"seq":1,"size":2}', False),
])
def test_whatever_is_not_plain_is_looked_at_closely(text: str, usable: bool) -> None:
    assert read_json(text) is None and read_json(text.encode()) is None
    sent = of(text.encode())[0]
    assert (sent.record is not None) is usable
    assert bool(sent.findings) is not usable
    assert sent.raw == text.encode()


@pytest.mark.parametrize(("frame", "code"), [
    (b"", "not_json"), (b"{", "not_json"), (b"[{}", "not_json"), (b"5", "wrong_type"),
    (b'"a"', "wrong_type"), (b'{"seq":1}{"seq":2}', "not_json"), (b"\xff{", "not_utf8"),
    (b"[" * 100_000, "too_deep"), (b'{"seq":NaN}', "not_a_number")])
def test_a_frame_that_nobody_can_read(frame: bytes, code: str) -> None:
    assert read_json(frame) is None
    with pytest.raises(BodyError) as caught:
        of(frame)
    assert caught.value.findings[0].code == code


def test_an_array_is_read_record_by_record() -> None:
    frame = b'[{"seq":1},{"seq":2,"seq":3},5,{"seq":4}]'
    assert [s.record.seq if s.record else None for s in of(frame)] == [1, None, None, 4]
    assert codes(frame) == [[], ["given_twice"], ["not_an_object"], []]
    assert codes(b'[{"seq":1,"diameter_mm":1e999}]') == [["out_of_range"]]
    assert of(b"[]") == []
    assert is_array(frame=frame, packed=False) and not is_array(frame=b' {"seq":1}', packed=False)


@pytest.mark.parametrize("value", [
    {"seq": 1}, {"seq": 1, "diameter_mm": 66.1, "lane": 3},
    {"seq": 1, "time": datetime(2026, 7, 14, 12, tzinfo=UTC)}, {"seq": 1, "time": f"{T}Z"},
    {**{name: 8.0 for name in UNIT_FIELDS}, "seq": 2**40, "time_unix_ms": 1_784_030_400_000}])
def test_plain_packed_records_are_read_at_once(value: dict[str, Any]) -> None:
    record = read_packed(PACK(value))
    assert record is not None
    assert record == of(PACK(value), packed=True)[0].record == msgspec.convert(value, FruitRecord)


SEQ = PACK("seq") + PACK(1)


@pytest.mark.parametrize(("frame", "found"), [
    (PACK({"seq": 1, "lane": None}), []),
    (PACK({"seq": 1, "defects": [{"kind": "scar"}], "judged": {"clean": True}}), []),
    (b"\xde\x00\x02" + SEQ + PACK("lane") + PACK(None), []),
    (b"\x82" + SEQ + SEQ, ["given_twice"]),
    (b"\xde\x00\x02" + SEQ + SEQ, ["given_twice"]),
    (b"\xdf\x00\x00\x00\x02" + SEQ + SEQ, ["given_twice"]),
    (b"\x82" + SEQ + PACK("judged") + b"\x82" + (PACK("clean") + PACK(True)) * 2,
     ["given_twice"]),
    (b"\x82" + SEQ + PACK("defects") + b"\x91\x82" + (PACK("kind") + PACK("scar")) * 2,
     ["given_twice"]),
    (PACK({"seq": 1, "defects": [5]}), ["wrong_type"]),
    (PACK({"seq": 1, "defects": 5, "judged": b"x"}), ["wrong_type", "wrong_type"]),
    (PACK({"seq": 1, "defects": [{"kind": "scar", "length_mm": float("nan")}]}),
     ["out_of_range", "not_a_number"]),
    (PACK({"seq": 1, "size": 4}), ["unknown_field"]),
    (PACK({1: 2}), ["not_an_object"]),
    (PACK({b"seq": 1}), ["not_an_object"]),
])
def test_packed_records_that_are_not_plain(frame: bytes, found: list[str]) -> None:
    assert read_packed(frame) is None
    assert codes(frame, packed=True) == [found]
    sent = of(frame, packed=True)[0]
    assert (sent.record is None) is bool(found)
    sent.raw.decode()


def test_a_packed_number_that_is_none() -> None:
    frame = PACK({"seq": 7, "sugar_brix": float("nan")})
    assert codes(frame, packed=True) == [["not_a_number"]]
    assert of(frame, packed=True)[0].raw == b'{"seq": 7, "sugar_brix": NaN}'


def test_packed_arrays_and_frames_that_nobody_can_read() -> None:
    frame = PACK([{"seq": 1}, 5, {"seq": 2}])
    assert codes(frame, packed=True) == [[], ["not_an_object"], []]
    assert is_array(frame=frame, packed=True) and is_array(frame=b"\xdc\x00\x00", packed=True)
    assert not is_array(frame=PACK({"seq": 1}), packed=True)
    for broken, code in ((b"", "not_messagepack"), (PACK({"seq": 1})[:-1], "not_messagepack"),
                         (b"\xc1", "not_messagepack"), (PACK(5), "wrong_type")):
        assert read_packed(broken) is None
        with pytest.raises(BodyError) as caught:
            of(broken, packed=True)
        assert caught.value.findings[0].code == code


@given(st.binary(max_size=60), st.booleans())
def test_no_bytes_break_it(frame: bytes, packed: bool) -> None:
    quick = (read_packed if packed else read_json)(frame)
    try:
        sent = of(frame, packed=packed)
    except BodyError:
        assert quick is None
        return
    assert quick is None or [s.record for s in sent] == [quick]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-2**63, 2**64 - 1) | st.floats() | st.text(max_size=4)
    | st.binary(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["kind", "circle_mm", "clean"]) | st.text(max_size=3), inner, max_size=3),
    max_leaves=6)
RECORDS = st.dictionaries(
    st.sampled_from(FruitRecord.__struct_fields__) | st.text(max_size=3), VALUES, max_size=5)


@given(RECORDS | st.lists(RECORDS, max_size=3))
def test_whatever_is_packed_becomes_records_or_findings(value: Any) -> None:
    for sent in of(PACK(value), packed=True):
        assert (sent.record is None) is bool(sent.findings)
