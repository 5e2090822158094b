"""Bodies of 1,000 JSON records over HTTP, graded, committed with full sync and acknowledged.

The limit is decoding the same bodies and doing nothing else, with the fastest strict decoder that
the service uses (msgspec into typed records; it is also timed up to checked columns, which is what
the road calls parsing). Both run in this one run; the load generator has the other core.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.request import Request, urlopen

import msgspec
import numpy as np

from benchmarks.report import Line
from grading.record import FruitRecord
from service.ingest.parse import parse_body

BODIES = 1500
RECORDS = 1000
CONNECTIONS = 6
PORT = 8799


def body(*, number: int, rng: np.random.Generator) -> bytes:
    """One body as a line's controller would send it: two decimals of diameter, time in UTC."""
    n = RECORDS
    first = number * n
    diameter, hue = rng.normal(66, 5, n), rng.normal(94, 5, n)
    blush, mass = rng.beta(4, 3, n), rng.normal(150, 20, n)
    sugar, firmness = rng.normal(11.8, 1.1, n), rng.normal(56, 8, n)
    has_sugar, has_firmness = rng.random(n) < 0.4, rng.random(n) < 0.15
    records = []
    for i in range(n):
        ms = (first + i) * 31
        record: dict[str, object] = {
            "seq": first + i, "lane": i % 8 + 1,
            "time": f"2026-07-14T{6 + ms // 3_600_000 % 12:02d}:{ms // 60_000 % 60:02d}:"
                    f"{ms // 1000 % 60:02d}.{ms % 1000:03d}Z",
            "diameter_mm": round(float(np.clip(diameter[i], 40, 100)), 2),
            "ground_hue_deg": round(float(hue[i]), 1), "blush_fraction": round(float(blush[i]), 3),
            "mass_g": round(float(max(mass[i], 40)), 1),
        }
        if has_sugar[i]:
            record["sugar_brix"] = round(float(sugar[i]), 1)
        if has_firmness[i]:
            record["firmness_n"] = round(float(max(firmness[i], 5)), 1)
            record["tip_mm"] = 8
        records.append(record)
    return msgspec.json.encode(records)


@dataclass
class Load:
    """What the load generator saw."""

    seconds: float
    stored: int
    latencies: list[float]


async def _connection(port: int, path: bytes, bodies: deque[bytes], load: Load) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**22)
    while bodies:
        payload = bodies.popleft()
        start = time.perf_counter()
        writer.write(b"POST " + path + b" HTTP/1.1\r\nHost: bench\r\nContent-Type: application/json"
                     b"\r\nContent-Length: " + str(len(payload)).encode() + b"\r\n\r\n" + payload)
        head = await reader.readuntil(b"\r\n\r\n")
        if not head.startswith(b"HTTP/1.1 201"):
            raise SystemExit(f"the service answered {head[:200]!r}")
        length = next(int(line.split(b":")[1]) for line in head.lower().split(b"\r\n")
                      if line.startswith(b"content-length"))
        answer = await reader.readexactly(length)
        load.latencies.append(time.perf_counter() - start)
        load.stored += int(answer.split(b'"stored":', 1)[1].split(b",", 1)[0])
    writer.close()


async def _all(port: int, path: bytes, bodies: deque[bytes]) -> Load:
    load = Load(0.0, 0, [])
    start = time.perf_counter()
    await asyncio.gather(*(_connection(port, path, bodies, load) for _ in range(CONNECTIONS)))
    load.seconds = time.perf_counter() - start
    return load


def _ready(port: int) -> None:
    for _ in range(400):
        try:
            urlopen(f"http://127.0.0.1:{port}/health/ready", timeout=1).read()
            return
        except OSError:
            time.sleep(0.05)
    raise SystemExit("the service did not start")


def _rate(work: Callable[[bytes], object], bodies: list[bytes]) -> float:
    """Bodies a second, the best of several passes."""
    best = 0.0
    for _ in range(5):
        start = time.perf_counter()
        for payload in bodies:
            work(payload)
        best = max(best, len(bodies) / (time.perf_counter() - start))
    return best


def run() -> list[Line]:
    rng = np.random.default_rng(20260714)
    made = [body(number=k, rng=rng) for k in range(150)]
    decode = msgspec.json.Decoder(list[FruitRecord]).decode
    alone = _rate(decode, made)
    parse = _rate(lambda b: parse_body(body=b, media="json", source="bench", run="r"), made)
    bodies = deque(body(number=k, rng=rng) for k in range(BODIES))
    fruit = len(bodies) * RECORDS
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen(
            [sys.executable, "-c",
             "import sys; from pathlib import Path; from service.server import run; "
             "from service.settings import Settings; "
             f"run(Settings(data_dir=Path({folder!r}) / 'data', port={PORT}))"],
            env={**os.environ})
        try:
            _ready(PORT)
            lot = {"id": "bench", "cultivar": "ember-lass", "standard": "house-long-distance"}
            urlopen(Request(f"http://127.0.0.1:{PORT}/v1/lots", msgspec.json.encode(lot),
                            {"Content-Type": "application/json"})).read()
            load = asyncio.run(_all(PORT, b"/v1/records?source=bench&run=r&lot=bench", bodies))
        finally:
            server.terminate()
            server.wait()
        size = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file())
    if load.stored != fruit:
        raise SystemExit(f"{load.stored} of {fruit} fruit were stored")
    rate = len(load.latencies) / load.seconds
    late = sorted(load.latencies)
    share = rate / alone
    return [
        Line("decoding alone, typed records", f"{alone:,.0f} bodies/s", "the limit"),
        Line("decoding alone, up to checked columns", f"{parse:,.0f} bodies/s",
             f"{parse / alone:.0%} of the limit"),
        Line("over HTTP, graded, durable, answered",
             f"{rate:,.0f} bodies/s ({rate * RECORDS / 1e6:.2f} million fruit/s)",
             f"{share:.0%} of decoding alone, bar 50 %: {'met' if share >= 0.5 else 'NOT MET'}"),
        Line("  of decoding up to checked columns", f"{rate / parse:.0%}"),
        Line("  latency p50 / p99", f"{late[len(late) // 2] * 1e3:.1f} / "
             f"{late[len(late) * 99 // 100] * 1e3:.1f} ms", f"{CONNECTIONS} connections"),
        Line("  on disk", f"{size / fruit:.1f} bytes/fruit", "log of SQLite included"),
    ]
