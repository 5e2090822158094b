"""10,000 malformed bodies: no 5xx, no restart, every answer a problem document."""

from __future__ import annotations

import http.client
import os
import random
from pathlib import Path

import msgspec
import pytest

from tests.support.app import LOT
from tests.support.process import Served

BODIES = 1_000_000 if os.environ.get("DRUPE_NIGHTLY") else 10_000
GOOD = (b'[{"seq":1,"lane":1,"time":"2026-07-14T06:00:00.000Z","diameter_mm":66.41,'
        b'"ground_hue_deg":97.2,"blush_fraction":0.41,"firmness_lbf":12.5,"tip_mm":8,'
        b'"defects":[{"kind":"bruise","circle_mm":9}]}]')
TOKENS = (b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-1", b"0x10", b"null", b"true", b"[]",
          b"{}", b'""', b'"\\ud800"', b'"\xff"', b"99999999999999999999999", b"1.5", b'"7"')
BROKEN = (b"{", b"}", b"[", b"]", b",", b":", b'"', b"\\", b"\x00", b"\xc3", b"\xff", b"/*")


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


@pytest.mark.faults
def test_malformed_bodies_are_answered_and_never_hurt(tmp_path: Path) -> None:
    rng = random.Random(20260714)
    served = Served(tmp_path / "data")
    served.start()
    pid = served.pid
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=30)
    wrong = []
    for number in range(BODIES):
        media, body = malformed(rng, number)
        connection.request("POST", "/v1/records?source=line-1&run=r&lot=L-0417", body,
                           {"Content-Type": media})
        answer = connection.getresponse()
        raw = answer.read()
        problem = answer.headers["content-type"] == "application/problem+json"
        if not (400 <= answer.status < 500 and problem and msgspec.json.decode(raw)["errors"]):
            wrong.append((answer.status, media, body[:200], raw[:300]))
    connection.close()
    assert not wrong[:5], f"{len(wrong)} answers of {BODIES}"
    status, lot = served.request("GET", "/v1/lots/L-0417")
    assert (status, lot["fruit"]) == (200, 0)
    assert lot["in_quarantine"] > 0
    assert served.pid == pid
    assert served.stop() == 0
