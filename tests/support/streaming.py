"""The client's side of a stream, for tests: what came back, sorted by what it is."""

from __future__ import annotations

import json
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import msgspec


def fruit(seq: int, **more: Any) -> dict[str, Any]:
    """An invented fruit that the house's long-distance standard grades."""
    return {"seq": seq, "lane": 1 + seq % 8, "diameter_mm": 55 + seq % 300 / 10,
            "ground_hue_deg": 90 + seq % 17, "blush_fraction": seq % 11 / 10, **more}


@dataclass
class Heard:
    """Everything one stream said. committed: the last watermark."""

    hello: dict[str, Any] = field(default_factory=dict)
    answers: list[dict[str, Any]] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    errors: list[dict[str, Any]] = field(default_factory=list)

    @property
    def committed(self) -> int | None:
        return self.marks[-1]["committed"] if self.marks else None

    def total(self, name: str) -> int:
        return sum(mark[name] for mark in self.marks)

    @property
    def changed(self) -> list[dict[str, Any]]:
        return [one for mark in self.marks for one in mark["changed"]]

    def take(self, frame: Any) -> None:
        if isinstance(frame, list):
            self.answers += frame
        elif "hello" in frame:
            self.hello = frame["hello"]
        elif "committed" in frame:
            self.marks.append(frame)
        elif "error" in frame:
            self.errors.append(frame["error"])
        else:
            self.answers.append(frame)


class Socket(Heard):
    """A WebSocket client on a bare socket, so that tests say how bytes are cut (RFC 6455)."""

    def __init__(self, port: int, query: str, *, timeout_s: float = 30.0) -> None:
        super().__init__()
        self.closed: int | None = None
        self.pings = 0
        self.pongs: list[bytes] = []
        self.bare = socket.create_connection(("127.0.0.1", port), timeout=timeout_s)
        try:
            self._begin(query)
        except BaseException:
            self.close()
            raise

    def _begin(self, query: str) -> None:
        self.bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.bare.sendall(
            f"GET /v1/stream?{query} HTTP/1.1\r\nHost: test\r\nUpgrade: websocket\r\n"
            "Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
            "Sec-WebSocket-Version: 13\r\n\r\n".encode())
        self._bytes = b""
        while b"\r\n\r\n" not in self._bytes:
            self._read()
        head, self._bytes = self._bytes.split(b"\r\n\r\n", 1)
        assert b" 101 " in head, head
        self.hear()

    def _read(self) -> None:
        part = self.bare.recv(1 << 16)
        if not part:
            raise ConnectionError("the service closed the connection")
        self._bytes += part

    @staticmethod
    def framed(payload: bytes, *, opcode: int = 1, last: bool = True, masked: bool = True
               ) -> bytes:
        size = len(payload)
        head = bytes((opcode | 0x80 * last,))
        flag = 0x80 * masked
        if size < 126:
            head += bytes((flag | size,))
        elif size < 1 << 16:
            head += bytes((flag | 126,)) + struct.pack(">H", size)
        else:
            head += bytes((flag | 127,)) + struct.pack(">Q", size)
        key = b"\x5a\x01\xff\x33"
        return head + (key + bytes(b ^ key[i % 4] for i, b in enumerate(payload))
                       if masked else payload)

    @classmethod
    def text(cls, value: Any) -> bytes:
        return cls.framed(value if isinstance(value, bytes) else json.dumps(value).encode())

    def send(self, frames: bytes) -> None:
        self.bare.sendall(frames)

    def hear(self) -> None:
        """Take one frame in."""
        while (frame := self._frame()) is None:
            self._read()
        opcode, payload = frame
        if opcode == 1:
            self.take(json.loads(payload))
        elif opcode == 2:
            self.take(msgspec.msgpack.decode(payload))
        elif opcode == 8:
            self.closed = struct.unpack(">H", payload[:2])[0]
        elif opcode == 9:
            self.pings += 1
            self.send(self.framed(payload, opcode=10))  # the service asks whether anybody is there
        else:
            self.pongs.append(payload)

    def _frame(self) -> tuple[int, bytes] | None:
        data = self._bytes
        if len(data) < 2:
            return None
        size, start = data[1], 2
        if size >= 126:
            start = 4 if size == 126 else 10
            if len(data) < start:
                return None
            size = int.from_bytes(data[2:start], "big")
        if len(data) < start + size:
            return None
        self._bytes = data[start + size:]
        return data[0] & 15, data[start:start + size]

    def until(self, done: Callable[[], Any]) -> None:
        while not done():
            self.hear()

    def ends(self) -> int:
        """Listen to the end; the code it was closed with."""
        self.until(lambda: self.closed is not None)
        self.close()
        assert self.closed is not None
        return self.closed

    def close(self) -> None:
        self.bare.close()
