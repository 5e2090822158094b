"""Sending records: as HTTP bodies, or as frames of a WebSocket."""

from __future__ import annotations

import socket
import threading
from collections import deque
from contextlib import suppress
from typing import Any, Final, Protocol
from urllib.parse import quote, urlencode

import msgspec

from service.simulator.http_api import PAUSE_S, TIMEOUT_S, Api, Ended, Trouble

Records = list[dict[str, Any]]


class Post(Protocol):
    """A way to bring records to the service, in order, at least once."""

    def send(self, *, run: str, records: Records) -> None:
        """Hand over records; sent again until they are safe, by then or by `settle`."""
        ...

    def cut(self, *, run: str, records: Records) -> None:
        """Send records and break the connection; nobody learns whether they arrived."""
        ...

    def settle(self) -> None:
        """Return once everything handed over is safe."""
        ...

    def close(self) -> None: ...


class ByHttp:
    """One body after another to POST /v1/records; each is answered when it is on the disk."""

    def __init__(self, *, api: Api, source: str, key: str, tally: Tally) -> None:
        self._api, self._source, self._tally = api, source, tally
        self._headers = {"authorization": f"Bearer {key}"}

    def _path(self, run: str) -> str:
        return f"/v1/records?{urlencode({'source': self._source, 'run': run})}"

    def send(self, *, run: str, records: Records) -> None:
        # 422: nothing of the body was new and usable; the answer says of what kind it was.
        status, answer = self._api.call(
            "POST", self._path(run), raw=msgspec.json.encode(records), allowed=(422,),
            headers={**self._headers, "prefer": "return=minimal"})
        told = answer if isinstance(answer, dict) else {}
        if status == 422 and "received" not in told:
            raise Trouble(f"records were refused: {told.get('detail', '')}")
        self._tally.add(told)

    def cut(self, *, run: str, records: Records) -> None:
        self._api.drop_during(self._path(run), msgspec.json.encode(records), self._headers)

    def settle(self) -> None:
        pass

    def close(self) -> None:
        self._api.close()


class Tally:
    """What the service has said of the records, of all lines together."""

    NAMES: Final = ("stored", "duplicates", "conflicts", "lot_closed", "refused")

    def __init__(self) -> None:
        self.counts = dict.fromkeys(self.NAMES, 0)
        self._lock = threading.Lock()

    def add(self, answer: dict[str, Any]) -> int:
        """Count an answer or a watermark in; how many records it speaks of."""
        found = {name: int(answer.get(name, 0)) for name in self.NAMES}
        with self._lock:
            for name, n in found.items():
                self.counts[name] += n
        return sum(found.values())


class ByStream:
    """Frames to the WebSocket /v1/stream. What no watermark has covered is kept, and sent again
    over the next connection."""

    def __init__(
        self, *, api: Api, source: str, key: str, tally: Tally, stop: threading.Event
    ) -> None:
        self._address = f"ws://{api.host}:{api.port}/v1/stream?source={quote(source)}&run="
        self._key, self._tally, self._stop = key, tally, stop
        self._socket: Any = None
        self._run = ""
        self._waiting: deque[Records] = deque()
        self._covered = 0

    def send(self, *, run: str, records: Records) -> None:
        if run != self._run:
            self.settle()
            self._hang_up()
            self._run = run
        self._waiting.append(records)
        try:
            if self._socket is None:
                self._connect()  # sends all that waits
            else:
                self._frame(records)
        except self._broken():
            self._drop()

    def cut(self, *, run: str, records: Records) -> None:
        try:
            if self._socket is not None and run == self._run:
                self._socket.send(msgspec.json.encode(records).decode())
        except self._broken():
            pass  # broken a little earlier than meant
        finally:
            self._drop()

    def settle(self) -> None:
        while self._waiting:
            try:
                if self._socket is None:
                    self._connect()
                while self._waiting:
                    self._hear(msgspec.json.decode(self._socket.recv(timeout=TIMEOUT_S)))
            except self._broken():
                self._drop()
                if self._stop.wait(PAUSE_S):
                    raise Ended from None

    def close(self) -> None:
        self._hang_up()

    @staticmethod
    def _broken() -> tuple[type[Exception], ...]:
        from websockets.exceptions import ConnectionClosed

        return (ConnectionClosed, OSError)

    def _connect(self) -> None:
        from websockets.exceptions import InvalidStatus
        from websockets.sync.client import connect

        while True:
            try:
                # Entered, and left by `close`: the connection outlives this call.
                self._socket = connect(
                    self._address + quote(self._run), max_size=None, compression=None, proxy=None,
                    additional_headers={"Authorization": f"Bearer {self._key}"}).__enter__()
                break
            except InvalidStatus as wrong:
                if wrong.response.status_code != 503:
                    raise Trouble(
                        f"the stream was refused: {wrong.response.status_code}") from wrong
            except OSError:
                pass  # the service is away
            if self._stop.wait(PAUSE_S):
                raise Ended
        self._socket.recv(timeout=TIMEOUT_S)  # its greeting
        self._covered = 0
        for records in list(self._waiting):
            self._frame(records)

    def _frame(self, records: Records) -> None:
        """Send one frame and read on until it is answered."""
        self._socket.send(msgspec.json.encode(records).decode())
        while not self._hear(msgspec.json.decode(self._socket.recv(timeout=TIMEOUT_S))):
            pass

    def _hear(self, said: Any) -> bool:
        """Whether this is the answer to a frame; watermarks are taken note of."""
        if isinstance(said, list):
            return True
        if "committed" in said:
            self._covered += self._tally.add(said)
            while self._waiting and self._covered >= len(self._waiting[0]):
                self._covered -= len(self._waiting.popleft())
        return False

    def _hang_up(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _drop(self) -> None:
        """As a cable does it: without a closing word."""
        if self._socket is not None:
            with suppress(OSError):
                self._socket.socket.shutdown(socket.SHUT_RDWR)
            self._hang_up()
