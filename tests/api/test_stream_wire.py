"""Frames however they are cut, mixed and broken, against the service as it is served."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import msgspec
import pytest
import uvicorn

from service.app import create_app
from service.server import config_of
from service.settings import Settings
from service.stream import WINDOW
from tests.support.app import LOT
from tests.support.calls import call
from tests.support.process import Served
from tests.support.streaming import Socket, fruit

RUNS = count()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    running = Served(Path(tmp_path_factory.mktemp("wire")) / "data")
    running.start()
    try:
        assert running.request("POST", "/v1/lots", LOT)[0] == 201
        yield running
    finally:
        assert running.stop() == 0


@pytest.fixture
def line(served: Served) -> Iterator[Socket]:
    opened = Socket(served.port, f"source=line-1&run=r{next(RUNS)}&lot=L-0417")
    yield opened
    opened.close()


def seqs(line: Socket) -> list[int | None]:
    return [answer["seq"] for answer in line.answers]


def test_many_frames_in_one_segment(line: Socket) -> None:
    line.send(b"".join(Socket.text(fruit(seq)) for seq in range(300)))
    line.until(lambda: line.committed == 299)
    assert seqs(line) == list(range(300))
    assert line.total("stored") == 300


def test_frames_cut_anywhere(line: Socket) -> None:
    frames = (Socket.text(fruit(1)) + Socket.text([fruit(2), fruit(3)])
              + Socket.text(fruit(4, mass_g=150.0, sugar_brix=11.5, ground_chroma=40.0,
                                  time="2026-07-14T12:00:00.125Z")))
    for at in range(len(frames)):
        line.send(frames[at:at + 1])
    line.until(lambda: line.committed == 4)
    assert seqs(line) == [1, 2, 3, 4]


def test_order_is_kept_between_quick_and_slow_frames(line: Socket) -> None:
    pack = msgspec.msgpack.encode
    line.send(b"".join((
        Socket.text(fruit(1)), Socket.text([fruit(2)] * 1), Socket.text(fruit(3)),
        Socket.text(b'{"seq":4,"lane":1,"lane":2}'), Socket.text(fruit(5)),
        Socket.framed(pack(fruit(6)), opcode=2), Socket.framed(pack([fruit(7)]), opcode=2),
        Socket.text(fruit(8, defects=[{"kind": "scar", "circle_mm": 3}])), Socket.text(fruit(9)),
        Socket.text([fruit(seq) for seq in range(10, 1500)]), Socket.text(fruit(1500)))))
    line.until(lambda: line.committed == 1500)
    assert seqs(line) == list(range(1, 1501))
    assert [a["seq"] for a in line.answers if "outcome" in a] == [4]


def test_pings_and_fragments_between_fruit(line: Socket) -> None:
    second = msgspec.json.encode(fruit(2))
    line.send(b"".join((
        Socket.text(fruit(1)), Socket.framed(b"there?", opcode=9),
        Socket.framed(second[:9], last=False), Socket.framed(b"still?", opcode=9),
        Socket.framed(second[9:], opcode=0), Socket.text(fruit(3)))))
    line.until(lambda: line.committed == 3)
    assert seqs(line) == [1, 2, 3]
    assert line.pongs == [b"there?", b"still?"]


@pytest.mark.parametrize(("frame", "code"), [
    (Socket.framed(b'{"seq":2}', masked=False), 1002),
    (Socket.framed(b"x" * 10, opcode=3), 1002),
    (Socket.framed(b'{"seq":\xff}'), 1007),
    (b"\x81\xff" + (2**20 + 1).to_bytes(8, "big") + b"mask", 1009),
    (b"\x81\xff" + (2**62).to_bytes(8, "big") + b"mask" + b"x" * 5000, 1009),
])
def test_a_broken_frame_ends_the_stream_and_loses_nothing_before_it(
    served: Served, line: Socket, frame: bytes, code: int
) -> None:
    """Close codes of RFC 6455 section 7.4.1: protocol error, no UTF-8, too big."""
    line.send(Socket.text(fruit(1)) + frame)
    assert line.ends() == code
    run = line.hello["run"]
    again = Socket(served.port, f"source=line-1&run={run}&lot=L-0417")
    again.send(Socket.text(fruit(1)))
    again.until(lambda: again.committed == 1)
    assert again.total("stored") + again.total("duplicates") == 1
    again.close()


def test_the_largest_frame_is_taken(line: Socket) -> None:
    fruits = [fruit(seq) for seq in range(9_000)]
    frame = msgspec.json.encode(fruits)
    assert 600_000 < len(frame) < 1 << 20
    line.send(Socket.framed(frame.ljust(1 << 20)))
    line.until(lambda: line.committed == 8_999)
    assert seqs(line) == list(range(9_000))


def test_a_stream_that_waits_for_the_disk_is_not_taken_for_dead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While its window is full nothing is read, and no answer to a ping either."""
    monkeypatch.setattr("service.server.PING_S", 0.1)
    app = create_app(settings=Settings(data_dir=tmp_path / "data"))
    server = uvicorn.Server(config_of(app))
    full = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        serving = threading.Thread(target=server.run, args=([listening],))
        serving.start()
        try:
            port = listening.getsockname()[1]
            assert call(port, "POST", "/v1/lots", LOT).status == 201
            app.state.context.store.writer.run(lambda _: full.wait())
            line = Socket(port, "source=line-1&run=r1&lot=L-0417")
            for first in range(0, WINDOW, 64):
                line.send(b"".join(Socket.text(fruit(first + k)) for k in range(64)))
                line.until(lambda: len(line.answers) == first + 64)  # noqa: B023  # asked at once
            line.send(b"".join(Socket.text(fruit(WINDOW + k)) for k in range(64)))
            enough = line.pings + 5
            line.until(lambda: line.pings >= enough)
            assert len(line.answers) < WINDOW + 64
            full.set()
            line.until(lambda: line.committed == WINDOW + 63)
            line.close()
        finally:
            full.set()
            server.should_exit = True
            serving.join()


def test_a_client_that_closes_is_answered_by_a_close(line: Socket) -> None:
    line.send(Socket.text(fruit(1)) + Socket.framed(b"\x03\xe8", opcode=8))
    assert line.ends() == 1000
