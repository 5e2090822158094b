"""10,000 malformed bodies, by grammar and by byte: no 5xx, no restart, memory flat, every answer a
problem document whose errors point at the place."""

from __future__ import annotations

import http.client
import os
import random
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.support.app import LOT
from tests.support.memory import resident_bytes
from tests.support.process import Served

BODIES = 1_000_000 if os.environ.get("DRUPE_NIGHTLY") else 10_000
GOOD = (b'[{"seq":1,"lane":1,"time":"2026-07-14T06:00:00.000Z","diameter_mm":66.41,'
        b'"ground_hue_deg":97.2,"blush_fraction":0.41,"firmness_lbf":12.5,"tip_mm":8,'
        b'"defects":[{"kind":"bruise","circle_mm":9}]}]')
TOKENS = (b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-1", b"0x10", b"null", b"true", b"[]",
          b"{}", b'""', b'"\\ud800"', b'"\xff"', b"99999999999999999999999", b"1.5", b'"7"')
GROWN = 24 * 2**20
"""Bytes that the service may have grown by after its first thousand bodies."""
RUN_BYTES = 3_000
"""What it remembers for ever of each run that it stored fruit of, at most: their keys."""
BROKEN = (b"{", b"}", b"[", b"]", b",", b":", b'"', b"\\", b"\x00", b"\xc3", b"\xff", b"/*")


PARQUET = "application/vnd.apache.parquet"


def tables() -> dict[str, bytes]:
    """The good record in each format."""
    rows = pa.Table.from_pylist([{**msgspec.json.decode(GOOD)[0], "seq": k} for k in range(3)])
    arrow, parquet = pa.BufferOutputStream(), pa.BufferOutputStream()
    with pa.ipc.new_stream(arrow, rows.schema) as stream:
        stream.write_table(rows)
    pq.write_table(rows, parquet)
    return {
        "application/json": GOOD, "application/x-ndjson": GOOD[1:-1] + b"\n" + GOOD[1:-1],
        "text/csv": b"seq,lane,diameter_mm,time\n1,1,66.4,2026-07-14T06:00:00Z\n2,,65,\n",
        "application/vnd.apache.arrow.stream": arrow.getvalue().to_pybytes(),
        PARQUET: parquet.getvalue().to_pybytes()}


TABLES = tables()


def mutated(rng: random.Random, number: int) -> tuple[str, bytes]:
    """A good body of any format with a few bytes changed, cut out, doubled or put in. It may still
    be usable."""
    # A Parquet body takes a process of its own each.
    media = PARQUET if number % 250 == 0 else list(TABLES)[number % 4]
    raw = bytearray(TABLES[media])
    for _ in range(rng.randrange(1, 5)):
        at = rng.randrange(len(raw) + 1)
        how = rng.randrange(5)
        if how == 0:
            raw[at:at + rng.randrange(1, 40)] = b""
        elif how == 1:
            raw[at:at] = rng.choice(TOKENS + BROKEN)
        elif how == 2:
            raw[at:at] = raw[at:at + rng.randrange(1, 60)]
        elif how == 3:
            raw[at:at + 8] = rng.choice((b"\xff" * 8, bytes(8), rng.randbytes(8)))
        elif raw:
            raw[at % len(raw)] ^= 1 << rng.randrange(8)
    return media, bytes(raw)


def malformed(rng: random.Random, number: int) -> tuple[str, bytes]:
    """A media type and a body that holds no usable record."""
    how = number % 8
    if how == 0:  # a value that cannot be one
        field = rng.choice(["seq", "lane", "diameter_mm", "ground_hue_deg", "blush_fraction",
                            "tip_mm", "time", "defects"])
        bad = {"seq": b"-1", "lane": b"0", "diameter_mm": b"400", "ground_hue_deg": b"361",
               "blush_fraction": b"1.2", "tip_mm": b"0", "time": b'"noon"', "defects": b"[1]"}
        return "application/json", b'{"seq":1,"%b":%b}' % (field.encode(), bad[field])
    if how == 1:  # cut short
        return "application/json", GOOD[:rng.randrange(1, len(GOOD) - 1)]
    if how == 2:  # a token that JSON or the record does not have, as the number
        return "application/json", b'{"seq":%b}' % rng.choice(TOKENS[:8] + TOKENS[8:12])
    if how == 3:  # a broken byte inside the structure
        place = rng.randrange(1, 14)
        return "application/json", GOOD[:place] + rng.choice(BROKEN[8:]) + GOOD[place:]
    if how == 4:  # nesting
        depth = rng.randrange(50, 5000)
        return "application/json", b"[" * depth + b"]" * rng.choice((0, depth))
    if how == 5:  # an unknown or repeated field
        return "application/json", rng.choice((
            b'{"seq":1,"colour":"red"}', b'{"seq":1,"seq":2}', b'{"Seq":1}', b'{"seq":1,"":2}'))
    if how == 6:  # not a table
        return "text/csv", rng.choice((
            b"diameter_mm\n66\n", b"seq,colour\n1,red\n", b"seq,diameter_mm\n1,big\n", b"\n",
            b"seq,seq\n1,2\n", bytes(rng.randrange(256) for _ in range(30))))
    return "application/x-ndjson", rng.choice((
        b'{"seq":1}}\n', b'{"seq":1,"mass_g":-5}\n', b"seq=1\n", b'[{"seq":1}]\n[1]\n', b"\xff\n"))


def posted(to: http.client.HTTPConnection, path: str, media: str, body: bytes
           ) -> tuple[int, str, bytes]:
    """Status, media type and body of the answer. A connection that was idle for too long, as on a
    machine that is busy elsewhere, is opened again; a service that is gone does not come back."""
    for last in (False, True):
        try:
            to.request("POST", path, body, {"Content-Type": media})
            answer = to.getresponse()
            return answer.status, str(answer.headers["content-type"]), answer.read()
        except (OSError, http.client.HTTPException):
            to.close()
            if last:
                raise
    raise AssertionError


@pytest.mark.faults
def test_malformed_bodies_are_answered_and_never_hurt(tmp_path: Path) -> None:
    served = Served(tmp_path / "data")
    served.start()
    try:
        pid = served.pid
        assert served.request("POST", "/v1/lots", LOT)[0] == 201
        taken = flood(served, random.Random(20260714))
        status, lot = served.request("GET", "/v1/lots/L-0417")
        assert (status, lot["fruit"]) == (200, taken)
        assert lot["in_quarantine"] > 0
        assert served.pid == pid
        assert served.stop() == 0
    finally:
        served.kill()


def flood(served: Served, rng: random.Random) -> int:
    """Every body answered as it should be; how many fruit were in them after all."""
    wrong: list[Any] = []
    taken = before = runs = 0
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=120)) as to:
        for number in range(BODIES):
            by_byte = number % 2 == 1
            media, body = (mutated if by_byte else malformed)(rng, number // 2)
            status, said, raw = posted(
                to, f"/v1/records?source=line-1&run=r{number}&lot=L-0417", media, body)
            if by_byte and status in (200, 201):
                taken += len({o["seq"] for o in msgspec.json.decode(raw)["outcomes"]
                              if o["outcome"] in ("stored", "duplicate")})
                runs += 1
            elif not (400 <= status < 500 and pointed(said, raw)):
                wrong.append((status, media, body[:200], raw[:300]))
            if number == 1_000:
                before = resident_bytes(served.pid)
    assert not wrong[:5], f"{len(wrong)} answers of {BODIES}"
    assert resident_bytes(served.pid) - before < GROWN + RUN_BYTES * runs
    return taken


def pointed(media: str, raw: bytes) -> bool:
    """Whether it is a problem document, each of whose errors has a JSON pointer (RFC 6901)."""
    if media != "application/problem+json":
        return False
    errors = msgspec.json.decode(raw)["errors"]
    return bool(errors) and all(
        (not e["pointer"] or e["pointer"].startswith("/")) and e["message"] for e in errors)
