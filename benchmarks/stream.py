"""Single fruit over WebSockets at a fixed pace: graded and answered each, committed behind.

The limit is a server that sends every frame back as it came, on the same stack (uvicorn, uvloop
and the service's own short cut), under the same load in the same run. The load generator spins
on the other core, so that its own timers do not blur the round trips.
"""

from __future__ import annotations

import json
import os
import select
import socket
import sys
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from benchmarks.http import open_lot, records_of, running, service_code
from benchmarks.report import Line

RATE: Final = 3200
SECONDS: Final = 10
WARM_UP: Final = RATE
"""Fruit before anything is measured: one second."""
CONNECTIONS: Final = (1, 8)
PORT: Final = 8798
MASK: Final = b"\x5a\x01\xff\x33"


def echo(port: int) -> None:
    """A server that does nothing but send frames back."""
    import uvicorn

    from service.server import SWITCH_S, config_of
    from service.wire import EXTENSION

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            while True:
                message = await receive()
                await send({"type": message["type"] + ".complete"})
                if message["type"] == "lifespan.shutdown":
                    return
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b""})
            return
        await receive()
        await send({"type": "websocket.accept"})
        scope["extensions"][EXTENSION].quick = lambda frame, binary: frame
        while (await receive())["type"] == "websocket.receive":
            pass

    sys.setswitchinterval(SWITCH_S)
    config = config_of(app)  # type: ignore[arg-type]  # any ASGI application
    config.port = port
    uvicorn.Server(config).run()


@dataclass
class Load:
    """What the load generator saw. server_s: processor time that the server took meanwhile."""

    trips_s: list[float] = field(default_factory=list)
    others: list[bytes] = field(default_factory=list)
    seconds: float = 0.0
    server_s: float = 0.0

    def at(self, share: float) -> float:
        """A percentile of the round trips, in ms."""
        return self.trips_s[min(len(self.trips_s) - 1, int(len(self.trips_s) * share))] * 1e3

    @property
    def core(self) -> float:
        """The share of one core that the server took."""
        return self.server_s / self.seconds


class _Connection:
    def __init__(self, path: str) -> None:
        self.socket = socket.create_connection(("127.0.0.1", PORT))
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket.sendall(
            f"GET {path} HTTP/1.1\r\nHost: bench\r\nUpgrade: websocket\r\n"
            "Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
            "Sec-WebSocket-Version: 13\r\n\r\n".encode())
        self.rest = b""
        while b"\r\n\r\n" not in self.rest:
            self.rest += self.socket.recv(65536)
        if not self.rest.startswith(b"HTTP/1.1 101"):
            raise SystemExit(f"the service answered {self.rest[:200]!r}")
        self.rest = self.rest.split(b"\r\n\r\n", 1)[1]
        self.socket.setblocking(False)
        self.sent_at: deque[float] = deque()

    def frames(self, data: bytes) -> Iterator[bytes]:
        data = self.rest + data
        at = 0
        while len(data) - at >= 4:
            size, start = data[at + 1], at + 2
            if size == 126:
                size, start = int.from_bytes(data[at + 2:at + 4], "big"), at + 4
            if len(data) < start + size:
                break
            yield data[start:start + size]
            at = start + size
        self.rest = data[at:]


def _framed(payload: bytes) -> bytes:
    size = len(payload)
    head = bytes((0x81, 0x80 | size)) if size < 126 else b"\x81\xfe" + size.to_bytes(2, "big")
    return head + MASK + bytes(b ^ MASK[i % 4] for i, b in enumerate(payload))


def _processor_s(pid: int) -> float:
    with open(f"/proc/{pid}/stat", encoding="ascii") as stat:
        fields = stat.read().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def drive(*, pid: int, paths: list[str], frames: list[bytes], rate: int = RATE) -> Load:
    """Send the frames at `rate` over the connections in turn; wait for every answer."""
    load = Load()
    connections = [_Connection(path) for path in paths]
    poll = select.epoll()
    by_number = {c.socket.fileno(): c for c in connections}
    for number in by_number:
        poll.register(number, select.EPOLLIN)
    start = time.perf_counter()
    sent = answered = 0
    busy_s = measured_from = 0.0
    while answered < len(frames):
        now = time.perf_counter()
        if sent < len(frames) and now >= start + sent / rate:
            if sent == WARM_UP:
                busy_s, measured_from = _processor_s(pid), now
            one = connections[sent % len(connections)]
            one.sent_at.append(time.perf_counter())
            one.socket.sendall(frames[sent])
            sent += 1
        for number, _ in poll.poll(0):
            one = by_number[number]
            data = one.socket.recv(1 << 18)
            now = time.perf_counter()
            if not data:
                raise SystemExit("the service closed a stream")
            for frame in one.frames(data):
                if not frame.startswith(b'{"seq":'):
                    load.others.append(frame)
                    continue
                answered += 1
                trip_s = now - one.sent_at.popleft()
                if answered > WARM_UP:
                    load.trips_s.append(trip_s)
    load.seconds = time.perf_counter() - measured_from
    load.server_s = _processor_s(pid) - busy_s
    load.trips_s.sort()
    for one in connections:
        one.socket.close()
    return load


def framed(record: dict[str, Any]) -> bytes:
    """One record as a masked frame."""
    return _framed(json.dumps(record, separators=(",", ":")).encode())


def fruit_frames() -> list[bytes]:
    """Fruit as masked frames of one record each."""
    import numpy as np

    rng = np.random.default_rng(20260714)
    n = RATE * SECONDS + WARM_UP
    records = [record for number in range(-(-n // 1000))
               for record in records_of(number=number, rng=rng)]
    return [framed(r) for r in records[:n]]


def run() -> list[Line]:
    frames = fruit_frames()
    with running(f"from benchmarks.stream import echo; echo({PORT})", port=PORT) as pid:
        limits = {n: drive(pid=pid, paths=["/"] * n, frames=frames) for n in CONNECTIONS}
    with (tempfile.TemporaryDirectory() as folder,
          running(service_code(folder, PORT), port=PORT) as pid):
        open_lot(PORT)
        loads = {n: drive(pid=pid, frames=frames, paths=[
            f"/v1/stream?source=belt-{k}&run=n{n}&lot=bench" for k in range(n)])
            for n in CONNECTIONS}
    lines = []
    for n in CONNECTIONS:
        limit, load = limits[n], loads[n]
        if any(b'"error"' in other or b'"changed":[{' in other for other in load.others):
            raise SystemExit("the service had trouble")
        met = "met" if load.at(0.5) < 0.15 and load.at(0.99) < 2.0 else "NOT MET"
        core = "met" if load.core < 0.25 else "NOT MET"
        lines += [
            Line(f"{n} stream{'s' * (n > 1)}, {RATE:,} fruit/s, sent back as they came",
                 f"p50 {limit.at(0.5):.3f}, p99 {limit.at(0.99):.2f} ms",
                 f"the limit, {limit.core:.1%} of a core"),
            Line("  graded, answered, committed",
                 f"p50 {load.at(0.5):.3f}, p99 {load.at(0.99):.2f}, p99.9 {load.at(0.999):.2f} ms",
                 f"{load.at(0.5) / limit.at(0.5):.1f} times the limit at p50, bars 0.15 and 2 ms: "
                 f"{met}"),
            Line("  processor time of the server", f"{load.core:.1%} of a core",
                 f"{load.core / limit.core:.1f} times the limit, bar 25 %: {core}"),
        ]
    return lines
