"""What live screens cost the fruit of a line: single fruit at the base load, with and without them.

Fifty screens of the line's board, ten of which never read. The screens have a process of their own.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from typing import Any, Final
from urllib.request import Request, urlopen

from benchmarks.http import open_lot, running, service_code
from benchmarks.report import Line
from benchmarks.stream import PORT, drive, fruit_frames

RATE: Final = 1000
FRUIT: Final = 20 * RATE
SCREENS: Final = 50
DEAF: Final = 10
BAR: Final = 1.10


def watch(port: int) -> None:
    """Fifty screens; says so once they have their first picture, and reads until it is ended."""
    import select
    import socket

    poll, screens = select.epoll(), []
    for k in range(SCREENS):
        one = socket.create_connection(("127.0.0.1", port))
        one.sendall(b"GET /lines/line-1/events HTTP/1.1\r\nHost: bench\r\n\r\n")
        screens.append(one)
        if k >= DEAF:
            one.recv(65536)
            poll.register(one.fileno(), select.EPOLLIN)
    by_number = {one.fileno(): one for one in screens}
    print("watching", flush=True)
    while True:
        for number, _ in poll.poll():
            if not by_number[number].recv(1 << 20):
                poll.unregister(number)


def _post(path: str, body: Any) -> None:
    urlopen(Request(f"http://127.0.0.1:{PORT}{path}", json.dumps(body).encode(),
                    {"Content-Type": "application/json"})).read()


def run() -> list[Line]:
    frames = (fruit_frames() * 2)[:FRUIT]
    with (tempfile.TemporaryDirectory() as folder,
          running(service_code(folder, PORT), port=PORT) as pid):
        open_lot(PORT)
        _post("/v1/lines", {"id": "line-1", "holding": {
            "standard": "house-long-distance", "cultivar": "ember-lass"}})
        _post("/v1/lines/line-1/lot", {"lot": "bench", "person": "Shift lead"})
        loads = {}
        for name in ("warm", "alone", "watched"):
            screens = None
            if name == "watched":
                screens = subprocess.Popen(
                    [sys.executable, "-c", f"from benchmarks.screens import watch; watch({PORT})"],
                    stdout=subprocess.PIPE)
                assert screens.stdout is not None
                screens.stdout.readline()
            try:
                loads[name] = drive(
                    pid=pid, frames=frames[:RATE * 3 if name == "warm" else FRUIT], rate=RATE,
                    paths=[f"/v1/stream?source=belt&run={name}&lot=bench"])
            finally:
                if screens is not None:
                    screens.kill()
                    screens.wait()
    alone, watched = loads["alone"], loads["watched"]
    ratio = watched.at(0.99) / alone.at(0.99)
    return [
        Line(f"{RATE:,} fruit/s, no screen",
             f"p50 {alone.at(0.5):.3f}, p99 {alone.at(0.99):.2f} ms",
             f"{alone.core:.1%} of a core"),
        Line(f"  {SCREENS} screens, {DEAF} that never read",
             f"p50 {watched.at(0.5):.3f}, p99 {watched.at(0.99):.2f} ms",
             f"{watched.core:.1%} of a core; p99 {ratio:.2f} times, bar {BAR:.2f}: "
             f"{'met' if ratio <= BAR else 'NOT MET'}"),
    ]
