"""Bodies of 1,000 records over HTTP, graded, committed with full sync and acknowledged.

Two limits are measured in the same run: decoding the same bodies and doing nothing else, and a
server on the same stack that only decodes them and says so. The decoder is the fastest strict one
that the service uses (msgspec into typed records; for Arrow its own reader). The load generator
has the other core to itself as far as the service leaves it.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.request import Request, urlopen

import msgspec
import numpy as np
import pyarrow as pa

from benchmarks.report import Line
from grading.record import FruitRecord
from service.ingest.parse import parse_body

BODIES: Final = 1500
RECORDS: Final = 1000
CONNECTIONS: Final = 32
PORT: Final = 8799
ARROW: Final = "application/vnd.apache.arrow.stream"
BARS: Final = {"json": 0.6, "ndjson": 0.6, "arrow": 1.5}
"""Million fruit a second, durable."""
MEDIA: Final = {"json": "application/json", "ndjson": "application/x-ndjson", "arrow": ARROW}


def records_of(*, number: int, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Fruit as a line's controller would send them: two decimals of diameter, time in UTC."""
    n = RECORDS
    first = number * n
    diameter, hue = rng.normal(66, 5, n), rng.normal(94, 5, n)
    blush, mass = rng.beta(4, 3, n), rng.normal(150, 20, n)
    sugar, firmness = rng.normal(11.8, 1.1, n), rng.normal(56, 8, n)
    has_sugar, has_firmness = rng.random(n) < 0.4, rng.random(n) < 0.15
    records = []
    for i in range(n):
        ms = (first + i) * 31
        record: dict[str, Any] = {
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
    return records


def body(*, number: int, rng: np.random.Generator, media: str = "json") -> bytes:
    """One body of RECORDS fruit."""
    records = records_of(number=number, rng=rng)
    if media == "json":
        return msgspec.json.encode(records)
    if media == "ndjson":
        return msgspec.json.Encoder().encode_lines(records)
    names = dict.fromkeys(name for record in records for name in record)
    columns: dict[str, Any] = {
        name: pa.array([record.get(name) for record in records]) for name in names}
    columns["lane"] = columns["lane"].cast(pa.uint8())
    columns["time"] = columns["time"].cast(pa.timestamp("ms", "UTC"))
    batch = pa.RecordBatch.from_arrays(list(columns.values()), names=list(columns))
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as stream:
        stream.write_batch(batch)
    return bytes(sink.getvalue())


def decoder(media: str) -> Callable[[bytes], object]:
    """Bytes to typed records, or Arrow columns; nothing else."""
    if media == "json":
        return msgspec.json.Decoder(list[FruitRecord]).decode
    if media == "ndjson":
        return msgspec.json.Decoder(FruitRecord).decode_lines
    return lambda raw: pa.ipc.open_stream(raw).read_all()


def decode_only(port: int, media: str) -> None:
    """A server that decodes bodies and answers that it did."""
    import uvicorn

    from service.server import config_of

    decode = decoder(media)

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            while True:
                message = await receive()
                await send({"type": message["type"] + ".complete"})
                if message["type"] == "lifespan.shutdown":
                    return
        parts, more = [], True
        while more:
            message = await receive()
            parts.append(message.get("body", b""))
            more = message.get("more_body", False)
        if scope["method"] == "POST":
            decode(b"".join(parts))
        told = b'{"stored":1000,"outcomes":[]}'
        await send({"type": "http.response.start", "status": 201,
                    "headers": [(b"content-length", str(len(told)).encode())]})
        await send({"type": "http.response.body", "body": told})

    config = config_of(app)  # type: ignore[arg-type]  # any ASGI application
    config.port = port
    uvicorn.Server(config).run()


@dataclass
class Load:
    """What the load generator saw."""

    seconds: float
    stored: int
    latencies: list[float]

    @property
    def rate(self) -> float:
        """Bodies a second."""
        return len(self.latencies) / self.seconds

    def at(self, share: float) -> float:
        """A percentile of the latencies in ms."""
        return sorted(self.latencies)[int(len(self.latencies) * share)] * 1e3


async def _connection(port: int, head: bytes, bodies: deque[bytes], load: Load) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**22)
    while bodies:
        payload = bodies.popleft()
        start = time.perf_counter()
        writer.write(head + str(len(payload)).encode() + b"\r\n\r\n" + payload)
        got = await reader.readuntil(b"\r\n\r\n")
        if not got.startswith(b"HTTP/1.1 201"):
            raise SystemExit(f"the service answered {got[:200]!r}")
        length = next(int(line.split(b":")[1]) for line in got.lower().split(b"\r\n")
                      if line.startswith(b"content-length"))
        answer = await reader.readexactly(length)
        load.latencies.append(time.perf_counter() - start)
        if b'"stored":1000' not in answer and b"stored" not in answer:
            raise SystemExit(f"the service answered {answer[:200]!r}")
        load.stored += RECORDS
    writer.close()


def drive(*, port: int, media: str, run: str, bodies: deque[bytes]) -> Load:
    """Send all bodies over CONNECTIONS, each the next one when it was answered."""
    head = (f"POST /v1/records?source=bench&run={run}&lot=bench HTTP/1.1\r\nHost: bench\r\n"
            f"Content-Type: {MEDIA[media]}\r\nAccept: {ARROW if media == 'arrow' else '*/*'}\r\n"
            "Content-Length: ").encode()
    load = Load(0.0, 0, [])

    async def all_of_them() -> None:
        start = time.perf_counter()
        await asyncio.gather(
            *(_connection(port, head, bodies, load) for _ in range(CONNECTIONS)))
        load.seconds = time.perf_counter() - start

    asyncio.run(all_of_them())
    return load


@contextmanager
def running(code: str, *, port: int) -> Iterator[int]:
    """A server in a process of its own, by the Python that runs it."""
    server = subprocess.Popen([sys.executable, "-c", code], env={**os.environ})
    try:
        for _ in range(400):
            try:
                urlopen(f"http://127.0.0.1:{port}/health/ready", timeout=1).read()
                break
            except OSError:
                time.sleep(0.05)
        else:
            raise SystemExit("the server did not start")
        yield server.pid
    finally:
        server.terminate()
        server.wait()


def service_code(folder: str, port: int) -> str:
    """The Python that runs the service."""
    return ("from pathlib import Path; from service.server import run; "
            "from service.settings import Settings; "
            f"run(Settings(data_dir=Path({folder!r}) / 'data', port={port}))")


def open_lot(port: int) -> None:
    lot = {"id": "bench", "cultivar": "ember-lass", "standard": "house-long-distance"}
    urlopen(Request(f"http://127.0.0.1:{port}/v1/lots", msgspec.json.encode(lot),
                    {"Content-Type": "application/json"})).read()


def _rate(work: Callable[[bytes], object], bodies: list[bytes]) -> float:
    """Bodies a second, the best of several passes."""
    best = 0.0
    for _ in range(5):
        start = time.perf_counter()
        for payload in bodies:
            work(payload)
        best = max(best, len(bodies) / (time.perf_counter() - start))
    return best


def _of(media: str) -> list[Line]:
    rng = np.random.default_rng(20260714)
    made = [body(number=k, rng=rng, media=media) for k in range(100)]
    alone = _rate(decoder(media), made)
    parse = _rate(lambda b: parse_body(body=b, media=media, source="bench", run="r"), made)
    bodies = [body(number=k, rng=rng, media=media) for k in range(BODIES)]
    with running(f"from benchmarks.http import decode_only; decode_only({PORT}, {media!r})",
                 port=PORT):
        limit = drive(port=PORT, media=media, run="r", bodies=deque(bodies))
    with tempfile.TemporaryDirectory() as folder:
        with running(service_code(folder, PORT), port=PORT):
            open_lot(PORT)
            warm = [body(number=BODIES + k, rng=rng, media=media) for k in range(50)]
            drive(port=PORT, media=media, run="r", bodies=deque(warm))
            load = drive(port=PORT, media=media, run="r", bodies=deque(bodies))
        size = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file())
    fruit = len(bodies) * RECORDS
    if load.stored != fruit:
        raise SystemExit(f"{load.stored} of {fruit} fruit were stored")
    million = load.rate * RECORDS / 1e6
    return [
        Line(f"{media}: decoding alone, in a loop", f"{alone:,.0f} bodies/s",
             f"up to checked columns {parse:,.0f}"),
        Line("  read over HTTP and decoded", f"{limit.rate:,.0f} bodies/s", "the limit"),
        Line("  graded, durable, answered one by one",
             f"{load.rate:,.0f} bodies/s ({million:.2f} million fruit/s)",
             f"{load.rate / limit.rate:.0%} of the limit, bar {BARS[media]} million: "
             f"{'met' if million >= BARS[media] else 'NOT MET'}"),
        Line("  of decoding in a loop / to checked columns",
             f"{load.rate / alone:.0%} / {load.rate / parse:.0%}"),
        Line("  latency p50 / p99", f"{load.at(0.5):.1f} / {load.at(0.99):.1f} ms",
             f"{CONNECTIONS} connections"),
        Line("  on disk", f"{size / (fruit + 50 * RECORDS):.1f} bytes/fruit",
             "log of SQLite included"),
    ]


def run() -> list[Line]:
    return [line for media in BARS for line in _of(media)]
