"""Bodies to columns: every form, every way through, every fault named."""

from __future__ import annotations

import io
import json
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fixtures.packing_day import records
from service.ingest import parse
from service.ingest.narrow import REST, TRIES_MAX, Shapes
from service.ingest.parse import Body, BodyError, parse_body, split_array
from tests.support.store_batches import same_batch


@pytest.fixture(autouse=True)
def _fresh_shapes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parse, "_SHAPES", Shapes())


def take(body: bytes | str | Any, media: str = "json", source: str = "line-1") -> Body:
    raw = body if isinstance(body, bytes) else (
        body.encode() if isinstance(body, str) else json.dumps(body).encode())
    return parse_body(body=raw, media=media, source=source, run="r1")


def codes(body: Body) -> dict[int, list[tuple[str, str]]]:
    return {i: [(f.pointer, f.code) for f in found] for i, found in body.parsed.refused.items()}


def csv_of(listed: list[dict[str, Any]]) -> str:
    names = list(dict.fromkeys(k for r in listed for k in r))
    lines = [",".join(names)]
    for r in listed:
        cells = (json.dumps(r[n]) if isinstance(r.get(n), list | dict) else str(r.get(n, ""))
                 for n in names)
        lines.append(",".join('"' + c.replace('"', '""') + '"' if "," in c or '"' in c else c
                              for c in cells))
    return "\n".join(lines) + "\n"


def parquet_of(listed: list[dict[str, Any]]) -> bytes:
    flat = [{k: json.dumps(v) if isinstance(v, list | dict) else v for k, v in r.items()}
            for r in listed]
    names = list(dict.fromkeys(k for r in flat for k in r))
    sink = io.BytesIO()
    pq.write_table(pa.table({n: [r.get(n) for r in flat] for n in names}), sink)
    return sink.getvalue()


def test_every_form_gives_the_same_columns() -> None:
    listed = records(seed=1, line="line-1", start=5_000, stop=5_600)
    want = take(listed)
    assert want.n == 600
    assert len(want.parsed.refused) + len(want.parsed.kept) == 600
    others = {
        "ndjson": "\n\n".join(json.dumps(r) for r in listed),
        "csv": csv_of(listed),
        "parquet": parquet_of(listed),
    }
    for media, body in others.items():
        found = take(body, media)
        assert found.n == 600
        assert same_batch(found.parsed.batch, want.parsed.batch), media
        assert found.parsed.kept.tolist() == want.parsed.kept.tolist()
        assert codes(found) == codes(want)


def test_the_quick_way_gives_what_the_full_way_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    listed = records(seed=2, line="line-1", start=70_000, stop=71_000)
    full = take(listed)
    ways = []
    whole = parse._whole

    def seen(*args: Any) -> Any:
        ways.append("whole")
        return whole(*args)

    monkeypatch.setattr(parse, "_whole", seen)
    quick = take(listed)
    assert ways == []
    assert same_batch(full.parsed.batch, quick.parsed.batch)
    assert codes(full) == codes(quick)


@pytest.mark.parametrize("time", [
    "2026-02-28T23:59:59Z", "2024-02-29T00:00:00.5Z", "2026-07-27T08:15:02.120+02:00",
    "2026-07-27T08:15:02.000500-07:00", "2026-07-27T08:15:02.001500-07:00",
    "2026-07-27T08:15:02.123456Z", "2026-07-27 08:15:02Z", "2026-07-27T08:15:02.1234567Z",
])
def test_times_of_every_form_are_read_alike_both_ways(time: str) -> None:
    listed = [{"seq": i, "time": time} for i in range(300, 310)]
    full = take(listed).parsed
    again = take(listed).parsed
    assert full.batch.time_ms.values.tolist() == again.batch.time_ms.values.tolist()
    assert len(full.kept) == 10


@pytest.mark.parametrize("time", [
    "2026-02-29T12:00:00Z", "2026-13-01T12:00:00Z", "2026-07-27T24:00:00Z", "2026-07-27T12:60:00Z",
    "2026-07-27T12:00:61Z", "2026-07-27T12:00:00", "noon",
])
def test_a_time_that_is_none_is_refused_both_ways(time: str) -> None:
    good = [{"seq": i, "time": "2026-07-27T12:00:00Z"} for i in range(300, 303)]
    take(good)
    take(good)
    found = take([good[0], {"seq": 301, "time": time}, good[2]])
    assert found.parsed.kept.tolist() == [0, 2]
    assert [p for p, _ in codes(found)[1]] == ["/time"]


def test_known_milliseconds() -> None:
    """1785140102120: `date -ud 2026-07-27T08:15:02Z +%s` of GNU coreutils, and 120 ms."""
    listed = [{"seq": 500 + i, "time": "2026-07-27T08:15:02.120Z"} for i in range(3)]
    for _ in range(3):
        assert take(listed).parsed.batch.time_ms.values.tolist() == [1_785_140_102_120] * 3


def test_a_source_that_sends_nulls_keeps_the_quick_way(monkeypatch: pytest.MonkeyPatch) -> None:
    listed = [{"seq": 300 + i, "mass_g": 150.5, "sugar_brix": 12.5 if i % 3 else None}
              for i in range(50)]
    first = take(listed)
    monkeypatch.setattr(parse, "_whole", lambda *args: pytest.fail("took the full way"))
    again = take(listed)
    assert same_batch(first.parsed.batch, again.parsed.batch)
    assert int(again.parsed.batch.measures["sugar"].present.sum()) == 33


def test_a_source_that_keeps_failing_rests_and_still_is_read() -> None:
    """Sequence numbers of changing width never fit the quick way."""
    listed = [{"seq": s, "diameter_mm": 65.0} for s in (1, 300, 70_000)]
    for _ in range(TRIES_MAX + REST // 50):
        assert take(listed).parsed.batch.seq.tolist() == [1, 300, 70_000]


def test_a_bad_record_does_not_block_its_neighbours() -> None:
    found = take([{"seq": 1, "diameter_mm": 65}, {"seq": 2, "diamter_mm": 65},
                  {"seq": 3, "diameter_mm": "wide", "lane": 300}, 7, {"seq": 5}])
    assert found.n == 5
    assert found.parsed.kept.tolist() == [0, 4]
    assert codes(found) == {
        1: [("/diamter_mm", "unknown_field")],
        2: [("/diameter_mm", "wrong_type"), ("/lane", "out_of_range")],
        3: [("", "not_an_object")],
    }
    unknown = found.parsed.refused[1][0]
    assert "diameter_mm" in unknown.remedy
    assert '"wide"' in found.parsed.refused[2][0].message
    assert [found.seq(i) for i in (1, 2, 3)] == [2, 3, None]
    assert json.loads(found.raw(1)) == {"seq": 2, "diamter_mm": 65}


@pytest.mark.parametrize(("record", "pointer", "code"), [
    ('{"diameter_mm": 60}', "/seq", "missing_field"),
    ('{"seq": -1}', "/seq", "out_of_range"),
    ('{"seq": 1.0}', "/seq", "wrong_type"),
    ('{"seq": true}', "/seq", "wrong_type"),
    ('{"seq": 9007199254740993}', "/seq", "out_of_range"),
    ('{"seq": 1, "seq": 2}', "/seq", "given_twice"),
    ('{"seq": 1, "mass_g": 150, "mass_g": 150}', "/mass_g", "given_twice"),
    ('{"seq": 1, "defects": [{"kind": "bruise", "kind": "scab"}]}', "/kind", "given_twice"),
    ('{"seq": 1, "diameter_mm": 400}', "/diameter_mm", "out_of_range"),
    ('{"seq": 1, "ground_hue_deg": 361}', "/ground_hue_deg", "out_of_range"),
    ('{"seq": 1, "blush_fraction": 1.2}', "/blush_fraction", "out_of_range"),
    ('{"seq": 1, "firmness_n": -3, "tip_mm": 8}', "/firmness_n", "out_of_range"),
    ('{"seq": 1, "firmness_n": 30}', "/tip_mm", "tip_missing"),
    ('{"seq": 1, "mass_g": 1e999}', "", "out_of_range"),
    ('{"seq": 1, "time": "2026-07-27T12:00:00"}', "/time", "time_without_zone"),
    ('{"seq": 1, "time": "noon"}', "/time", "not_a_time"),
    ('{"seq": 1, "defects": [{"circle_mm": 3}]}', "/defects/0/kind", "missing_field"),
    ('{"seq": 1, "defects": [{"kind": "bruise", "size": 3}]}', "/defects/0/size", "unknown_field"),
    ('{"seq": 1, "defects": [{"kind": "bruise", "circle_mm": -3}]}', "/defects/0/circle_mm",
     "out_of_range"),
    ('{"seq": 1, "defects": [{"kind": "Bruise!"}]}', "/defects/0/kind", "wrong_form"),
    ('{"seq": 1, "defects": [{"kind": "bruise", "severity": "bad"}]}', "/defects/0/severity",
     "not_allowed"),
    ('{"seq": 1, "judged": {"well_formed": 1}}', "/judged", "wrong_type"),
    ('{"seq": 1, "a/b~c": 1}', "/a~1b~0c", "unknown_field"),
])
def test_faults_of_one_record(record: str, pointer: str, code: str) -> None:
    for body in (record, f"[{record}]", record.replace("\n", " ")):
        found = take(body)
        assert (pointer, code) in codes(found)[0]
        assert all(f.message and f.remedy for f in found.parsed.refused[0])
    assert (pointer, code) in codes(take(record, "ndjson"))[0]


def test_a_key_given_twice_is_seen_on_the_quick_way_too() -> None:
    good = [{"seq": 300 + i, "diameter_mm": 65.0, "time": "2026-07-27T12:00:00Z"}
            for i in range(5)]
    take(good)
    twice = json.dumps(good).replace('"diameter_mm": 65.0', '"diameter_mm": 64, "diameter_mm": 65',
                                     1)
    assert codes(take(twice)) == {0: [("/diameter_mm", "given_twice")]}


@pytest.mark.parametrize(("body", "code", "byte"), [
    (b"", "empty", None), (b"  ", "empty", None), (b"null", "wrong_type", None),
    (b'"x"', "wrong_type", None), (b'[{"seq":1},]', "not_json", 11),
    (b'[{"seq":1,"mass_g":NaN}]', "not_a_number", 19),
    (b'[{"seq":1,"mass_g":-Infinity}]', "not_a_number", 19),
    (b'{"seq":1', "not_json", None), (b'{"seq":1}{"seq":2}', "not_json", 9),
    (b'{"seq":1} \n x', "not_json", 12),
    (b'[{"seq":1,"judged":{"\xff":true}}]', "not_utf8", 21), (b"[" * 9000, "too_deep", None),
])
def test_faults_of_a_whole_body(body: bytes, code: str, byte: int | None) -> None:
    with pytest.raises(BodyError) as caught:
        take(body)
    (finding,) = caught.value.findings
    assert finding.code == code
    assert byte is None or f"byte {byte}" in finding.message
    assert str(caught.value)


def test_ndjson_lines_stand_alone() -> None:
    found = take(b'{"seq":1}\r\n\n \n{"seq":2,\n{"seq":3}{"seq":4}\n[{"seq":5}]\n\xff\n{"seq":6}',
                 "ndjson")
    assert found.n == 6
    assert found.parsed.kept.tolist() == [0, 5]
    assert {i: c[0][1] for i, c in codes(found).items()} == {
        1: "not_json", 2: "not_json", 3: "not_an_object", 4: "not_utf8"}
    assert take(b"", "ndjson").n == 0


def test_csv_rows_stand_alone() -> None:
    text = ('\ufeffseq,diameter_mm,time,defects,judged\r\n'
            '1,65.5,2026-07-27T12:00:00Z,"[{""kind"":""bruise""}]","{""well_formed"":true}"\r\n'
            '2,wide,,,\n3,66,,\n4, 67 ,,,\nx,66,,,\n6,nan,,,\n7,66,,[oops,\n')
    found = take(text, "csv")
    assert found.n == 7
    assert found.parsed.kept.tolist() == [0, 3]
    assert found.parsed.batch.measures["diameter"].values.tolist() == [6550, 6700]
    assert found.parsed.batch.defects[0][0].kind == "bruise"
    assert found.parsed.batch.judged == {0: {"well_formed": True}}
    assert {i: c[0] for i, c in codes(found).items()} == {
        1: ("/diameter_mm", "wrong_type"), 2: ("", "wrong_columns"), 4: ("/seq", "wrong_type"),
        5: ("/diameter_mm", "wrong_type"), 6: ("/defects", "wrong_type")}
    assert json.loads(found.raw(1)) == {"seq": 2, "diameter_mm": "wide"}


@pytest.mark.parametrize(("text", "code"), [
    ("", "empty"), ("seq;diameter_mm\n1;65\n", "not_csv"), ("seq,diamter_mm\n", "unknown_field"),
    ("diameter_mm\n65\n", "missing_field"), ("seq,seq\n1,1\n", "given_twice"),
    ("seq\n1\0\n", "not_csv"),
])
def test_a_useless_csv_header_is_one_error(text: str, code: str) -> None:
    with pytest.raises(BodyError) as caught:
        take(text, "csv")
    assert code in [f.code for f in caught.value.findings]


def test_csv_numbers_are_decimal() -> None:
    found = take("seq,lane\n0x10,1\n17,0x1\n18,1\n", "csv")
    assert found.parsed.batch.seq.tolist() == [18]


def test_parquet_nan_is_refused_and_null_is_missing() -> None:
    table = pa.table({"seq": [1, 2, 3], "mass_g": pa.array([150.0, float("nan"), None])})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    found = take(sink.getvalue(), "parquet")
    assert found.parsed.kept.tolist() == [0, 2]
    assert codes(found)[1][0] == ("/mass_g", "not_a_number")
    assert found.seq(1) is None or found.seq(1) == 2
    with pytest.raises(BodyError):
        take(b"PAR1 no", "parquet")


def test_unknown_media_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="none of json"):
        take(b"{}", "xml")


def test_split_array_takes_one_object_as_one() -> None:
    assert split_array(body=b' [{"seq":1}, {"seq":2}]') == [b'{"seq":1}', b'{"seq":2}']
    assert split_array(body=b'{"seq":1}') == [b'{"seq":1}']
