"""Bodies that lie about themselves, on a bare socket: too long, cut short, packed small, in other
letters. Each is refused before it is read or unpacked, and costs the service no memory."""

from __future__ import annotations

import gzip
import http.client
import io
import json
import socket
import struct
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from service.ingest import parquet as reader
from service.ingest.parse import BodyError, parse_body
from tests.support.app import LOT
from tests.support.calls import PROBLEM, Answer
from tests.support.memory import family, resident_bytes
from tests.support.process import Served
from tests.support.streaming import Socket, fruit
from tests.support.waiting import within

PATH = "/v1/records?source=line-1&run=r&lot=L-0417"
LIMIT = 2**20
"""Bytes of a body that this service takes."""
BUFFERS = 12 * 2**20
"""More than what a connection's buffers hold on both sides of it."""
GROWN = 64 * 2**20
"""Bytes; a library that is loaded for the first time takes some, any of the bombs far more."""

pytestmark = pytest.mark.faults


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("bodies")
    config = folder / "drupe.toml"
    config.write_text(f"body_bytes = {LIMIT}\n", encoding="utf-8")
    found = Served(folder / "data", "--config", str(config))
    found.start()
    try:
        assert found.request("POST", "/v1/lots", LOT)[0] == 201
        within(120, lambda: warm(found), "it has loaded what it keeps")
        pid = found.pid
        yield found
        assert found.pid == pid
        assert found.stop() == 0
    finally:
        found.kill()


def warm(served: Served) -> bool:
    """Whether bodies of every kind, small and large, leave its memory and its processes alone."""
    before = resident_bytes(served.pid), len([*family(served.pid)])
    for media in ("application/json", "text/csv", "application/vnd.apache.parquet",
                  "application/vnd.apache.arrow.stream"):
        for size in (1, LIMIT - 1):
            ask(served, b"{".ljust(size), media=media)
    now = resident_bytes(served.pid), len([*family(served.pid)])
    return now[0] - before[0] < 2**20 and now[1] == before[1]


@pytest.fixture(autouse=True)
def flat(served: Served) -> Iterator[None]:
    """Nothing of a body stays in memory, and nothing of it is stored."""
    before, kept = resident_bytes(served.pid), stored(served)
    yield
    assert resident_bytes(served.pid) - before < GROWN
    assert stored(served) == kept


def stored(served: Served) -> int:
    status, lot = served.request("GET", "/v1/lots/L-0417")
    assert status == 200
    return int(lot["fruit"])


class Wire:
    """One connection, and what was answered on it."""

    def __init__(self, port: int) -> None:
        self.bare = socket.create_connection(("127.0.0.1", port), timeout=30)

    def head(self, *more: str, media: str = "application/json") -> None:
        self.bare.sendall("\r\n".join([
            f"POST {PATH} HTTP/1.1", "Host: test", f"Content-Type: {media}", *more, "", ""
        ]).encode())

    def answer(self) -> Answer:
        """The next answer, with its problem document."""
        raw = b""
        while b"\r\n\r\n" not in raw:
            raw += self._more()
        head, _, body = raw.partition(b"\r\n\r\n")
        status, *lines = head.decode().split("\r\n")
        said = {k.lower(): v for k, _, v in (line.partition(": ") for line in lines)}
        while len(body) < int(said["content-length"]):
            body += self._more()
        return Answer(int(status.split()[1]), said["content-type"].split(";")[0],
                      said.get("retry-after"), json.loads(body))

    def _more(self) -> bytes:
        part = self.bare.recv(65_536)
        assert part, "the service said nothing"
        return part


@contextmanager
def wire(served: Served) -> Iterator[Wire]:
    opened = Wire(served.port)
    with closing(opened.bare):
        yield opened


def ask(served: Served, body: bytes, *more: str, media: str = "application/json") -> Answer:
    with wire(served) as to:
        to.head(f"Content-Length: {len(body)}", *more, media=media)
        to.bare.sendall(body)
        return to.answer()


def refused(answer: Answer, status: int, *codes: str) -> None:
    """With a problem document; codes: of its errors, else of the problem itself."""
    assert (answer.status, answer.media) == (status, PROBLEM), answer
    assert answer.told_plainly
    found = {e["code"] for e in answer.body["errors"]} or {answer.body["type"].split(":")[-1]}
    assert found <= set(codes), answer.body
    assert all(isinstance(e["pointer"], str) for e in answer.body["errors"])


def test_a_body_that_says_it_is_too_long_is_refused_unread(served: Served) -> None:
    with wire(served) as to:
        to.head("Content-Length: 10000000000")
        refused(to.answer(), 413, "body_too_large")


@pytest.mark.parametrize("length", ["99999999999999999999999999", "-1", "1e3", "0x10", "1, 2"])
def test_a_length_that_is_none(served: Served, length: str) -> None:
    with wire(served) as to:
        to.head(f"Content-Length: {length}")
        refused(to.answer(), 400, "http")


def test_a_body_that_does_not_say_how_long_it_is_is_cut_off_at_the_limit(served: Served) -> None:
    """It would go on for a gigabyte; the answer comes after the limit and what was under way."""
    with wire(served) as to:
        to.head("Transfer-Encoding: chunked")
        chunk = b"%x\r\n%b\r\n" % (65_536, b" " * 65_536)
        sent = 0
        to.bare.setblocking(False)
        while sent < 2**30:
            with suppress(BlockingIOError):
                sent += to.bare.send(chunk[sent % len(chunk):])
            with suppress(BlockingIOError):
                if to.bare.recv(1, socket.MSG_PEEK):
                    break
        to.bare.settimeout(30)
        refused(to.answer(), 413, "body_too_large")
        assert LIMIT < sent < LIMIT + BUFFERS


def test_a_header_without_end(served: Served) -> None:
    with wire(served) as to:
        to.bare.sendall(b"GET /health/live HTTP/1.1\r\nHost: test\r\nX-Long: ")
        with pytest.raises(OSError):  # whichever of them meets the closed end
            for _ in range(2**10):
                to.bare.sendall(b"a" * 65_536)
            to.bare.recv(1)
            raise AssertionError("64 MiB of header were read")
    with wire(served) as to:
        to.bare.sendall(b"GET / HTTP/1.1\r\nX-Long: " + b"a" * 70_000)
        refused(to.answer(), 431, "http")


@pytest.fixture(scope="module")
def packed() -> bytes:
    """A quarter of a gigabyte of spaces as gzip."""
    sink = io.BytesIO()
    with gzip.GzipFile(fileobj=sink, mode="wb", compresslevel=6) as file:
        for _ in range(256):
            file.write(b" " * 2**20)
    assert len(sink.getvalue()) < LIMIT
    return sink.getvalue()


@pytest.mark.parametrize("encoding", ["gzip", "br", "zstd", "gzip, gzip"])
def test_a_packed_body_is_not_unpacked(served: Served, packed: bytes, encoding: str) -> None:
    refused(ask(served, packed, f"Content-Encoding: {encoding}"), 415, "content_encoding")


def parquet(table: Any, **how: Any) -> bytes:
    sink = io.BytesIO()
    pq.write_table(table, sink, compression="zstd", store_schema=False, **how)
    return sink.getvalue()


def repeated(text: str, n: int) -> Any:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, np.int32)), pa.array([text]))


def in_defects(text: str, n: int) -> Any:
    kinds = pa.StructArray.from_arrays([repeated(text, n)], ["kind"])
    return pa.ListArray.from_arrays(pa.array(np.arange(n + 1, dtype=np.int32)), kinds)


def arrow(table: Any, *, rows: int | None = None, **how: Any) -> bytes:
    """rows: of one record batch."""
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, table.schema, **how) as stream:
        stream.write_table(table, max_chunksize=rows)
    return sink.getvalue()


N = 100_000
BOMBS = {
    "one number in 50 million rows": (
        "parquet", lambda: parquet(pa.table({"seq": np.zeros(50_000_000, np.int8)})),
        "too_many_records"),
    "one long text in every row": (
        "parquet", lambda: parquet(pa.table(
            {"seq": np.arange(N), "defects": repeated(" " * 100_000, N)})), "too_long"),
    "one long text in every defect": (
        "parquet", lambda: parquet(pa.table(
            {"seq": np.arange(N), "defects": in_defects("a" * 100_000, N)})), "too_long"),
    "300 MB of spaces": (
        "parquet", lambda: parquet(pa.table(
            {"seq": np.arange(3 * N), "defects": repeated(" " * 1000, 3 * N)}),
            use_dictionary=False), "too_long"),
    "a list of twenty million": (
        "parquet", lambda: parquet(pa.table({"seq": [1], "defects": pa.ListArray.from_arrays(
            [0, 20_000_000], pa.StructArray.from_arrays(
                [pa.array(np.zeros(20_000_000, np.int8))], ["count"]))})), "too_long"),
    "an Arrow stream with packed buffers": (
        "arrow", lambda: arrow(
            pa.table({"seq": np.zeros(10_000_000, np.int64)}),
            options=pa.ipc.IpcWriteOptions(compression="zstd")), "compressed_buffers"),
    "one long text in every row of an Arrow stream": (
        "arrow", lambda: arrow(pa.table(
            {"seq": np.arange(N // 2, dtype=np.int32), "defects": repeated(" " * 10_000, N // 2)})),
        "too_long"),
    "one long text in every row of many batches": (
        "arrow", lambda: arrow(pa.table(
            {"seq": np.arange(N // 5, dtype=np.int32), "defects": repeated(" " * 10_000, N // 5)}),
            rows=1000), "too_long"),
}


@pytest.mark.parametrize("name", BOMBS)
def test_a_table_that_is_small_only_while_it_is_packed(served: Served, name: str) -> None:
    media, make, code = BOMBS[name]
    kind = {"parquet": "application/vnd.apache.parquet",
            "arrow": "application/vnd.apache.arrow.stream"}[media]
    body = make()
    assert len(body) < LIMIT, len(body)
    refused(ask(served, body, media=kind), 400, code)


def test_a_table_of_defects_is_read_whole() -> None:
    """What keeps bombs out lets real tables in: texts said often, lists and gaps among them."""
    rows = [{"seq": k, "diameter_mm": 60 + k / 10, "time": "2026-07-14T06:00:00Z",
             "defects": [{"kind": "scar", "circle_mm": 3.5}] * (k % 3) or None,
             "judged": {"well_formed": k % 2 == 0}} for k in range(50)]
    found = parse_body(body=parquet(pa.Table.from_pylist(rows)), media="parquet",
                       source="a", run="b").parsed
    assert not found.refused
    assert {k: [d.kind for d in v] for k, v in found.batch.defects.items()} == {
        k: ["scar"] * (k % 3) for k in range(50) if k % 3}
    assert found.batch.judged[7] == {"well_formed": False}
    assert found.batch.time_ms.present.all()


def test_a_table_that_takes_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "WAIT_S", 1e-6)
    with pytest.raises(BodyError) as caught:
        parse_body(body=b"PAR1", media="parquet", source="a", run="b")
    assert [f.code for f in caught.value.findings] == ["too_long"]


CUT = [b"5\r\n[{\"se", b"zz\r\n", b"5\r\nabcdefgh\r\n", b"-5\r\n", b"FFFFFFFFFFFFFFFFFF\r\n", b""]


@pytest.mark.parametrize("chunks", CUT)
def test_a_chunked_body_that_breaks_off(served: Served, chunks: bytes) -> None:
    """The sender half closes: it is told; or it is gone: nobody is."""
    with wire(served) as to:
        to.head("Transfer-Encoding: chunked")
        to.bare.sendall(b"2\r\n[]\r\n" + chunks)
        to.bare.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    with wire(served) as to:
        to.head("Transfer-Encoding: chunked")
        to.bare.sendall(b"2\r\n[]\r\n" + chunks)
        to.bare.shutdown(socket.SHUT_WR)
        said = b"".join(iter(lambda: to.bare.recv(65_536), b""))
        assert not said or b" 400 " in said.split(b"\r\n")[0]
        assert not said or PROBLEM.encode() in said
    assert served.request("GET", "/health/live")[0] == 200


def test_a_body_shorter_than_it_says(served: Served) -> None:
    good = json.dumps([fruit(1)]).encode()
    with wire(served) as to:
        to.head(f"Content-Length: {len(good) + 10}")
        to.bare.sendall(good)
    within(10, lambda: served.request("GET", "/health/live")[0] == 200, "it lives")


@pytest.mark.parametrize(("body", "media", "codes"), [
    ('[{"seq":1}]'.encode("utf-16"), "application/json; charset=utf-16", ("not_utf8",)),
    ('[{"seq":1}]'.encode("utf-32-le"), "application/json", ("not_json",)),
    ('{"seq":1,"defects":[{"kind":"caf\xe9"}]}'.encode("latin-1"),
     "application/json; charset=iso-8859-1", ("not_utf8",)),
    ("seq,defects\n1,caf\xe9\n".encode("latin-1"), "text/csv; charset=windows-1252",
     ("not_utf8",)),
    ("seq,diameter_mm\n1,66\n".encode("utf-16"), "text/csv; charset=utf-16", ("not_utf8",)),
    (b"seq,mass_g\n1,1\x00\n", "text/csv", ("not_csv",)),
    (b'{"seq":1,"defects":[{"kind":"\xed\xa0\x80"}]}', "application/json", ("not_utf8",)),
])
def test_other_letters_than_utf_8(
    served: Served, body: bytes, media: str, codes: tuple[str, ...]
) -> None:
    refused(ask(served, body, media=media), 400, *codes)


@pytest.mark.parametrize(("body", "codes"), [
    (b'{"seq":1,"defects":[{"kind":"\\ud800"}]}', ("not_json",)),
    (b'{"seq":1,"defects":[{"kind":"\\udc00\\ud800"}]}', ("not_json",)),
    (b'{"seq":1,"\\ud83d":2}', ("not_json",)),
    (b'{"seq":1,"\\u0000":2}', ("unknown_field",)),
    (b'{"seq":1,"lane":1,"lane":1}', ("given_twice",)),
    (b'{"seq":1,"se\\u0071":2}', ("given_twice",)),
    (b'{"seq":1,"defects":[{"kind":"scar","kind":"scar"}]}', ("given_twice",)),
    (b'{"seq":' + b"9" * 100_000 + b"}", ("out_of_range", "wrong_type")),
    (b'{"seq":1,"mass_g":1e' + b"9" * 10_000 + b"}", ("out_of_range",)),
    (b'{"seq":1,"mass_g":0.' + b"0" * 500_000 + b"1e400000}", ("out_of_range",)),
    (b'{"seq":1,"defects":' + b"[" * 400_000, ("not_json", "too_deep")),
    (b'{"seq":1,"defects":' + b'[{"kind":' * 50_000, ("not_json", "too_deep")),
    (b'{"seq":NaN}', ("not_a_number",)),
    (b'{"seq":1,"mass_g":-Infinity}', ("not_a_number",)),
])
def test_json_that_is_none_or_no_record(
    served: Served, body: bytes, codes: tuple[str, ...]
) -> None:
    """A lone surrogate is no character (RFC 8259, 8.2); a name that comes twice has no one
    meaning (RFC 8259, 4)."""
    answer = ask(served, body)
    assert answer.status in (400, 422)
    refused(answer, answer.status, *codes)


def test_nesting_of_any_depth(served: Served) -> None:
    """Where the interpreter's own limit lies, what can be read may be too deep to be said again."""
    line = Socket(served.port, "source=line-9&run=deep&lot=L-0417")
    depths = [*range(100, 900, 100), *range(900, 1010)]
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)) as to:
        for depth in depths:
            for media, body in (
                ("application/json", b"[" * depth + b"]" * depth),
                ("application/json", b'{"seq":1,"defects":' + b"[" * depth + b"]" * depth + b"}"),
                ("application/x-ndjson", b'{"a":' * depth + b"1" + b"}" * depth),
            ):
                to.request("POST", PATH, body, {"Content-Type": media})
                answer = to.getresponse()
                raw = answer.read()
                assert answer.status in (400, 422), (depth, raw)
    for depth in depths:
        line.send(Socket.framed(b"[" * depth + b"]" * depth))
        line.send(Socket.framed(b"\x91" * depth + b"\x90", opcode=2))
        line.send(Socket.framed(b"\x81\xa1a" * depth + b"\x90", opcode=2))
    line.until(lambda: len(line.answers) + len(line.errors) == 3 * len(depths))
    line.close()


@pytest.mark.parametrize("target", [
    "/v1/records?source=%ED%A0%80&run=r&lot=L-0417", "/v1/records?source=a&run=r&lot=%FF",
    "/v1/records?source=" + "a" * 60_000 + "&run=r&lot=L-0417", "/v1/lots/%ED%A0%80/close",
    "/v1/records?source=a%00b&run=r&lot=L-0417", "/v1/lots/%00/close",
])
def test_addresses_in_other_letters(served: Served, target: str) -> None:
    with wire(served) as to:
        to.bare.sendall(f"POST {target} HTTP/1.1\r\nHost: test\r\nContent-Length: 0\r\n\r\n"
                        .encode())
        answer = to.answer()
    assert answer.status in (404, 422)
    assert answer.media == PROBLEM and answer.told_plainly


def test_a_stream_is_told_of_each_bad_frame_and_goes_on(served: Served) -> None:
    """The same kinds of nonsense as frames; the fruit after them is taken."""
    line = Socket(served.port, "source=line-9&run=frames&lot=L-0417")
    bad = [b'{"seq":1,"defects":[{"kind":"\\ud800"}]}', b'{"seq":1,"lane":1,"lane":2}',
           b"[" * 100_000, b'{"seq":' + b"9" * 100_000 + b"}", b'{"seq":NaN}', b"", b"[]]",
           b'{"seq":1,"diameter_mm":1e999}', b"\x00"]
    for frame in bad:
        line.send(Socket.framed(frame))
        line.send(Socket.framed(frame, opcode=2))
    told = 2 * len(bad)
    line.until(lambda: len(line.errors) + len(line.answers) == told)
    assert all("outcome" in a and a["outcome"] == "refused" for a in line.answers)
    line.until(lambda: line.total("refused") == told)
    line.close()
