"""Whatever the bytes, parsing gives every record one outcome or says why it cannot."""

from __future__ import annotations

import json
import random

import pytest

from fixtures.packing_day import records
from service.ingest.parse import BodyError, parse_body

BODIES = 2_000
_WORDS = (b"NaN", b"null", b"1e999", b'"', b"{", b"}", b"[", b"]", b",", b":", b"\\u003a", b"\xff",
          b"-", b"\n", b'"seq":7,', b"true", b"9" * 30, b"\0", b"0x1", b"=")


def _mutated(body: bytes, rng: random.Random) -> bytes:
    raw = bytearray(body)
    for _ in range(rng.randint(1, 6)):
        at = rng.randrange(len(raw) + 1)
        kind = rng.randrange(4)
        if kind == 0:
            raw[at:at + rng.randint(1, 40)] = b""
        elif kind == 1:
            raw[at:at] = rng.choice(_WORDS)
        elif kind == 2 and at < len(raw):
            raw[at] = rng.randrange(256)
        else:
            raw[at:at] = raw[at:at + rng.randint(1, 60)]
    return bytes(raw)


@pytest.mark.parametrize("media", ["json", "ndjson", "csv"])
def test_mutated_bodies_never_raise_anything_but_body_error(media: str) -> None:
    rng = random.Random(f"drupe {media}")
    listed = records(seed=4, line="line-1", start=2_000, stop=2_012)
    if media == "json":
        body = json.dumps(listed).encode()
    elif media == "ndjson":
        body = b"\n".join(json.dumps(r).encode() for r in listed)
    else:
        names = ("seq", "lane", "time", "diameter_mm", "mass_g")
        body = "\n".join([",".join(names)] + [
            ",".join(str(r[n]) for n in names) for r in listed]).encode()
    unreadable = partly = 0
    for k in range(BODIES):
        # Unmutated bodies between the others keep the quick way in play.
        raw = body if k % 10 == 0 else _mutated(body, rng)
        try:
            found = parse_body(body=raw, media=media, source="fuzz", run="r")
        except BodyError as error:
            assert error.findings
            unreadable += 1
            continue
        places = sorted([*found.parsed.kept.tolist(), *found.parsed.refused])
        assert places == list(range(found.n))
        assert len(found.parsed.batch) == len(found.parsed.kept)
        partly += bool(found.parsed.refused)
        for position, findings in found.parsed.refused.items():
            assert findings
            assert all(f.code and f.message for f in findings)
            found.raw(position)
            found.seq(position)
    assert unreadable + partly > BODIES // 4
